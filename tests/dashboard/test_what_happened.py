"""The report's first page tells each grave alarm with what was done about it, and each emergency team."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path

import pytest

from analysis.pieces.archive_pieces import incident_piece
from analysis.profile import Profile
from dashboard.evidence.origin import Origin
from dashboard.evidence.report import MOST_LINES, report_html
from dashboard.incident_record import record_of
from ingest.archive.sealing import seal_messages
from tests.analysis.conftest import WrittenLog

ORIGIN = Origin(made=datetime(2031, 6, 1, tzinfo=UTC), sha256="0" * 64, kept=1)


def first_page(folder: Path, log: WrittenLog) -> list[str]:
    seal_messages(folder, log.frames(), "one")
    record = record_of(incident_piece(folder, "I-1")[0], Profile.default(), "I-1", None)
    html = report_html(record, Profile.default(), ORIGIN)
    short = html[html.index("In short") : html.index("Everybody on one clock")]
    return re.findall(r"<li>(?!<b>)([^<]*)</li>", short)


@pytest.fixture
def wears() -> WrittenLog:
    log = WrittenLog()
    one = log.talker("S-1")
    one.set_up(1)
    one.breathe(20, 900)
    desk = log.desk()
    desk.say(2, "incident", incident_id="I-1", action="open")
    desk.say(3, "tally", incident_id="I-1", action="in", wearer_id="W-1", set_id="S-1", team="Larch")
    return log


def test_who_was_in_danger_and_what_was_done(tmp_path: Path, wears: WrittenLog) -> None:
    """Eight minutes without motion, a team sent in, and the hand-over stood only in tables far below."""
    one, desk = wears.talkers
    one.say(300, "alarm", alarm="no_motion", state="raised")
    desk.say(312, "seen", set_id="S-1", alarm="no_motion")
    desk.say(320, "standby", incident_id="I-1", team="Elm", state="ready")
    desk.say(330, "standby", incident_id="I-1", team="Elm", state="committed")
    one.say(400, "alarm", alarm="distress", state="raised")
    one.say(440, "alarm", alarm="distress", state="acknowledged")
    one.say(600, "alarm", alarm="no_motion", state="cleared")
    desk.say(700, "resolved", incident_id="I-1", set_id="S-1", alarm="no_motion", text="handed over")
    assert first_page(tmp_path, wears) == [
        "10:05:00: no motion, W-1 with set S-1; cleared at 10:10:00; seen by a desk at 10:05:12, 12 s later; "
        "closed by desk D-1 at 10:11:40 (“handed over”).",
        "10:05:30: emergency team Elm was sent in.",
        "10:06:40: distress, W-1 with set S-1; never cleared at the set; acknowledged at the set at "
        "10:07:20; no desk marked it as seen or closed it.",
    ]


def test_of_many_the_last_line_counts_the_rest(tmp_path: Path, wears: WrittenLog) -> None:
    for number in range(MOST_LINES + 2):
        state = "committed" if number % 2 else "stood_down"
        wears.talkers[1].say(100 + number, "standby", incident_id="I-1", team="Elm", state=state)
    *told, last = first_page(tmp_path, wears)
    assert len(told) == MOST_LINES
    assert last == "2 more: see the tables of alarms and of the desk."
