"""The board of a past moment: what had been received by then, marked as a reconstruction."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from analysis.live.board import LiveBoard
from analysis.profile import Profile
from dashboard.app import create_app
from dashboard.context import PageContext
from dashboard.evidence.notes import NoteTimes, bring_in
from dashboard.live.as_it_was import NoMoment, board_at, moment
from dashboard.underair import root
from ingest.archive.reading import Archive
from ingest.contract.captures import Heard, write_capture
from ingest.contract.frames import frames_from_heard
from ingest.importing import import_capture

OPENED = datetime(2031, 5, 4, 19, 0, tzinfo=UTC)


def said(second: float, kind: str, seq: int, late_s: float = 0.0, role: str = "set", **fields: Any) -> Heard:
    at = OPENED + timedelta(seconds=second)
    speaker = "S-1" if role == "set" else "D-1"
    payload = {"kind": kind, f"{role}_id": speaker, "boot": 1, "seq": seq, "time": at.isoformat(), **fields}
    topic = f"underair/v1/trial/{role}/{speaker}/{kind}"
    return Heard(at + timedelta(seconds=late_s), topic, json.dumps(payload).encode(), False)


@pytest.fixture
def heard() -> list[Heard]:
    """A wearer under air; a distress of second 200 that a radio gap held back until 320."""
    messages = [
        said(0, "tally", 0, role="desk", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-1"),
        *(said(10 + s, "pressure", s, pressure_bar=290.0 - s // 10) for s in range(180)),
        said(200, "alarm", 190, late_s=120, alarm="distress", state="raised"),
        *(said(320 + s, "pressure", 200 + s, pressure_bar=262.0 - s // 10) for s in range(60)),
    ]
    return sorted(messages, key=lambda one: one.received)


@pytest.fixture
def archive(tmp_path: Path, heard: list[Heard]) -> Archive:
    write_capture(tmp_path / "log.ndjson", heard)
    import_capture(tmp_path / "log.ndjson", tmp_path / "archive")
    return Archive(tmp_path / "archive")


@pytest.mark.parametrize("second", [100, 250, 330])
def test_it_is_the_live_board_of_the_messages_received_until_then(
    archive: Archive, heard: list[Heard], second: int
) -> None:
    at = OPENED + timedelta(seconds=second)
    live = LiveBoard(Profile.default())
    live.take(frames_from_heard([one for one in heard if one.received <= at]))
    live.settle()
    past = board_at(archive, Profile.default(), at).snapshot(at)
    assert past.rows == live.snapshot(at).rows
    assert past.alarms == live.snapshot(at).alarms
    known = second > 320  # the desk could not know of it before
    assert bool(past.alarms) == known


def test_the_page_says_that_it_is_a_reconstruction_and_sends_nothing(archive: Archive) -> None:
    client = create_app(PageContext(archive, Profile.default(), None, None)).server.test_client()
    answer = client.get("/board.json?at=2031-05-04T19:04:10Z").json
    assert answer["past"]
    assert answer["banner"].startswith("Reconstruction, not live: the board at 2031-05-04 19:04:10 UTC")
    assert "underair" in answer["banner"]
    (row,) = answer["rows"]
    assert (row["who"], row["a"]) == ("W-1", "silent")
    assert list(client.get("/board/lines.json?at=2031-05-04T19:04:10Z").json) == [row["key"]]
    assert client.get("/board.json?at=yesterday").status_code == 400
    assert client.post("/board.json").status_code == 405


def test_the_verb_prints_the_same_board(archive: Archive) -> None:
    arguments = ["board", "--archive", str(archive.folder), "--at", "2031-05-04T19:04:10Z"]
    shown = CliRunner().invoke(root, arguments)
    assert shown.exit_code == 0
    assert "1 in, 1 under air, 0 not accounted for, 0 not on air yet" in shown.stdout
    assert "Silent" in shown.stdout
    assert "W-1" in shown.stdout
    assert "Reconstruction, not live" in shown.stderr
    everything = json.loads(CliRunner().invoke(root, [*arguments, "--json"]).stdout)
    assert everything["rows"][0]["who"] == "W-1"


def test_the_verb_says_that_the_time_left_below_the_warning_is_to_empty(tmp_path: Path) -> None:
    tally = said(0, "tally", 0, role="desk", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-1")
    cylinder = {"count": 1, "water_volume_l": 6.8, "rated_bar": 300.0}
    setup = said(0, "setup", 0, cylinders=cylinder, low_air_bar=55.0)
    readings = [said(10 + s, "pressure", 1 + s, pressure_bar=100.0 - s // 4) for s in range(200)]
    write_capture(tmp_path / "log.ndjson", [tally, setup, *readings])
    import_capture(tmp_path / "log.ndjson", tmp_path / "archive")
    arguments = ["board", "--archive", str(tmp_path / "archive"), "--at", "2031-05-04T19:03:29Z"]
    assert "to empty" in CliRunner().invoke(root, arguments).stdout


def test_the_verb_prints_orders_and_roll_calls_and_who_has_not_answered(tmp_path: Path) -> None:
    def word(second: float, kind: str, seq: int, **fields: Any) -> Heard:
        return said(second, kind, seq, role="desk", incident_id="I-1", **fields)

    wearers = range(1, 4)
    messages = [
        *(word(n, "tally", n, action="in", set_id=f"S-{n}", wearer_id=f"W-{n}", team="T") for n in wearers),
        word(60, "order", 10, order="evacuate", state="given"),
        word(70, "roll_call", 11, roll_id="R1", state="called"),
        word(80, "roll_call", 12, roll_id="R1", state="answered", wearer_id="W-1"),
        word(90, "roll_call", 13, roll_id="R1", state="missing", wearer_id="W-2"),
        *(said(5 + s, "pressure", s, pressure_bar=290.0) for s in range(100)),
    ]
    write_capture(tmp_path / "log.ndjson", sorted(messages, key=lambda one: one.received))
    import_capture(tmp_path / "log.ndjson", tmp_path / "archive")
    arguments = ["board", "--archive", str(tmp_path / "archive"), "--at", "2031-05-04T19:01:45Z"]
    printed = CliRunner().invoke(root, arguments).stdout.splitlines()
    order = "Evacuate ordered 19:01:00, 0 of 3 acknowledged, 0 out · Not yet: W-2, W-1, W-3"
    roll = "Roll call 19:01:10: 1 of 3 answered, 1 missing, 0:35"
    roll = f"{roll} · Missing: W-2 · Not yet: W-3 · Answered: W-1"
    assert [line for line in printed if line.startswith(("Evacuate ordered", "Roll call"))] == [order, roll]


def test_whoever_was_never_tallied_out_is_on_the_board_after_fourteen_hours(
    archive: Archive, heard: list[Heard]
) -> None:
    """The board read some hours back: whoever had gone in before was gone from it."""
    (row,) = (
        board_at(archive, Profile.default(), OPENED + timedelta(hours=14))
        .snapshot(OPENED + timedelta(hours=14))
        .rows
    )
    assert row.wearer_id == "W-1"
    assert row.pressure_bar == pytest.approx(257.0, abs=1.0)
    assert row.attention == "distress"  # nobody has closed it
    assert row.lost is not None
    assert row.lost.code == "silent"


def test_a_time_without_its_zone_is_no_moment() -> None:
    assert moment("2031-05-04T21:53:00+02:00") == datetime(2031, 5, 4, 19, 53, tzinfo=UTC)
    with pytest.raises(NoMoment, match="with its zone"):
        moment("2031-05-04T19:53:00")


@pytest.mark.parametrize(
    "text",
    [
        "9999-12-31T23:59:59Z",
        "9999-12-31T23:59:59-01:00",
        "0001-01-01T00:00:00Z",
        "0001-01-01T00:00:00+01:00",
        "2200-01-01T00:00:00Z",
    ],
)
def test_a_year_that_no_message_can_have_is_answered_with_a_sentence(archive: Archive, text: str) -> None:
    client = create_app(PageContext(archive, Profile.default())).server.test_client()
    for address in ("/board.json", "/board/lines.json"):
        answer = client.get(address, query_string={"at": text})
        assert (answer.status_code, "1969 to 2199" in answer.text) == (400, True), answer.text
    printed = CliRunner().invoke(root, ["board", "--archive", str(archive.folder), "--at", text])
    assert isinstance(printed.exception, NoMoment)  # of which the program prints the sentence
    assert "1969 to 2199" in str(printed.exception)


def test_the_verb_says_of_which_incident_each_line_is_where_there_are_two(tmp_path: Path) -> None:
    messages = []
    for n, incident_id in enumerate(("FIRE", "DRILL")):
        worn = {"action": "in", "set_id": f"S-{n}", "wearer_id": f"W-{n}", "team": "A"}
        for place, (second, kind, fields) in enumerate(
            (
                (0, "incident", {"action": "open"}),
                (2, "tally", worn),
                (60, "order", {"order": "evacuate", "state": "given"}),
                (70, "roll_call", {"roll_id": "R1", "state": "called"}),
            )
        ):
            seq = 10 * n + place
            messages.append(said(second + n, kind, seq, role="desk", incident_id=incident_id, **fields))
    messages.append(said(80, "standby", 40, role="desk", incident_id="DRILL", team="R", state="ready"))
    write_capture(tmp_path / "log.ndjson", sorted(messages, key=lambda one: one.received))
    import_capture(tmp_path / "log.ndjson", tmp_path / "archive")
    arguments = ["board", "--archive", str(tmp_path / "archive"), "--at", "2031-05-04T19:01:45Z"]
    counts, head, *printed = CliRunner().invoke(root, arguments).stdout.splitlines()
    assert "Emergency team ready: R · DRILL" in counts
    column = head.index("Incident")
    assert head[:column].split() == ["State", "Wearer", "Team"]
    assert {line[column:].split()[0] for line in printed[:2]} == {"FIRE", "DRILL"}
    beginnings = sorted(" · ".join(line.split(" · ")[:2]) for line in printed if " · " in line)
    assert [line for line in beginnings if "Evacuate" in line or "Roll call" in line] == [
        "DRILL · Evacuate ordered 19:01:01, 0 of 1 acknowledged, 0 out",
        "DRILL · Roll call 19:01:11: 0 of 1 answered, 0 missing, 0:34",
        "FIRE · Evacuate ordered 19:01:00, 0 of 1 acknowledged, 0 out",
        "FIRE · Roll call 19:01:10: 0 of 1 answered, 0 missing, 0:35",
    ]


def test_a_radio_log_brought_in_later_is_no_note_of_now(archive: Archive, tmp_path: Path) -> None:
    """It was said ten minutes before, and the page has only what is said now; the review has it."""
    log = b"time,source,text,certainty\n2031-05-04 19:01:00,radio,Mask is leaking,recorded\n"
    own = said(605, "note", 1, role="desk", incident_id="I-1", text="Second hose line in")
    write_capture(tmp_path / "more.ndjson", [own])
    import_capture(tmp_path / "more.ndjson", archive.folder)
    bring_in(log, "radio.csv", archive.folder, "I-1", NoteTimes(), OPENED + timedelta(seconds=600))
    at = OPENED + timedelta(seconds=610)
    assert [one.text for one in board_at(archive, Profile.default(), at).snapshot(at).notes] == [
        "Second hose line in"
    ]
