"""What was received and refused is never called lost: it was said of 272 readings that nobody heard them."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from analysis.incident import analyse
from analysis.pieces.archive_pieces import incident_piece
from analysis.pieces.piecewise import analyse_archive
from analysis.profile import Profile
from dashboard.evidence.case import incident_of_archive
from dashboard.results_store import ResultsStore
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from ingest.contract.captures import Heard
from ingest.contract.frames import Messages, frames_from_heard
from tests.analysis.conftest import WrittenLog

PROFILE = Profile.default()
MADE = datetime(2032, 1, 1, tzinfo=UTC)
REFUSED_S = range(700, 972)  # 272 seconds


def wrong_unit(payload: bytes) -> bytes:
    """The pressure in kPa: the number can still be read."""
    return re.sub(rb'"pressure_bar": ([0-9]+)', rb'"pressure_bar": 9\1', payload)


def no_json(_: bytes) -> bytes:
    return b"\xff\xfe no JSON"


HARM = {"wrong unit": wrong_unit, "no JSON": no_json}


def heard_with(harm: str, other: bool = False) -> list[Heard]:
    """One tallied wear, whose pressure is refused for 272 s; `other`, also of a set of another incident."""
    log = WrittenLog()
    desk = log.desk()
    about: dict[str, Any] = {"incident_id": "I-1", "set_id": "S-1", "wearer_id": "W-1"}
    desk.say(0, "incident", incident_id="I-1", action="open")
    desk.say(590, "tally", action="in", **about)
    for set_id in ("S-1", "S-2") if other else ("S-1",):
        talker = log.talker(set_id)
        talker.set_up(550)
        last_s = talker.breathe(600, 900)
        talker.say(last_s + 10, "power", state="off", battery_fraction=0.8)
    if other:
        desk.say(595, "tally", action="in", incident_id="I-2", set_id="S-2", wearer_id="W-2")
    desk.say(last_s + 20, "tally", action="out", **about)
    desk.say(last_s + 60, "incident", incident_id="I-1", action="close")
    start = 1_000_000 * REFUSED_S.start
    opened = datetime(2031, 5, 4, 10, tzinfo=UTC)
    heard = []
    for _, one in log.heard():
        after_us = (one.received - opened).total_seconds() * 1e6
        refused = "/set/" in one.topic and one.topic.endswith("/pressure")
        if refused and start <= after_us < 1_000_000 * REFUSED_S.stop:
            one = one._replace(payload=HARM[harm](one.payload))
        heard.append(one)
    return heard


def frames(harm: str, other: bool = False) -> Messages:
    return frames_from_heard(heard_with(harm, other))


@pytest.mark.parametrize("harm", HARM)
def test_272_refused_readings_were_not_lost(harm: str) -> None:
    found = analyse(frames(harm), PROFILE, "I-1")
    (gap,) = found["gaps"].iter_rows(named=True)
    assert (gap["refused_messages"], gap["lost_messages"]) == (272, 0)
    assert found["wears"]["lost_messages"].to_list() == [0]
    (silence,) = found["findings"].filter(pl.col("code") == "silence_under_air")["statement"]
    assert "received, but refused: 272 messages." in silence
    assert "lost" not in silence
    (row,) = found["refused"].iter_rows(named=True)
    assert (row["set_id"], row["desk_id"], row["kind"], row["messages"]) == ("S-1", None, "pressure", 272)
    assert row["reason"].startswith(
        "pressure_bar must be a number 0..500 bar, got 9" if harm == "wrong unit" else ""
    )
    assert row["reason"]
    assert (row["last"] - row["first"]).total_seconds() == pytest.approx(271.0)


def test_what_never_came_stays_lost() -> None:
    """Some lost, some refused, in one silence: each is counted for itself."""
    heard = [one for one in heard_with("wrong unit") if not _received_within(one, 800, 850)]
    (gap,) = analyse(frames_from_heard(heard), PROFILE, "I-1")["gaps"].iter_rows(named=True)
    assert gap["refused_messages"] == 222
    assert gap["lost_messages"] >= 50
    said = analyse(frames_from_heard(heard), PROFILE, "I-1")["findings"]["statement"].str.join(" ")[0]
    assert re.search(r"received, but refused: 222 messages; lost: \d+ messages", said)


def _received_within(one: Heard, low_s: float, high_s: float) -> bool:
    after_s = (one.received - datetime(2031, 5, 4, 10, tzinfo=UTC)).total_seconds()
    return "/set/" in one.topic and low_s <= after_s < high_s


@pytest.mark.parametrize("harm", HARM)
def test_page_report_and_tables_have_them(harm: str, tmp_path: Path) -> None:
    archive = tmp_path / "archive"
    archive.mkdir()
    seal_messages(archive, frames(harm, other=True), "log")
    report, _ = incident_of_archive(archive, PROFILE, "I-1", MADE)
    page = ResultsStore(Archive(archive), PROFILE).incident("I-1")
    messages, scope = incident_piece(archive, "I-1")
    assert set(messages["refused"]["topic"]) == {"underair/v1/trial/set/S-1/pressure"}
    alone = analyse(messages, PROFILE, "I-1", scope=scope)
    analyse_archive(archive, PROFILE, tmp_path / "tables", "parquet", {})
    everything = pl.read_parquet(tmp_path / "tables" / "refused.parquet")
    for table in (report.results["refused"], page.results["refused"], alone["refused"]):
        assert table.equals(everything.filter(pl.col("set_id") == "S-1"))
    assert everything.sort("set_id").select("set_id", "messages").rows() == [("S-1", 272), ("S-2", 272)]


def test_a_tallied_set_of_which_everything_is_refused_is_not_never_received(tmp_path: Path) -> None:
    heard = [
        one._replace(payload=b"\xff") if "/set/S-1/" in one.topic else one for one in heard_with("no JSON")
    ]
    archive = tmp_path / "archive"
    archive.mkdir()
    seal_messages(archive, frames_from_heard(heard), "log")
    page = ResultsStore(Archive(archive), PROFILE).incident("I-1")
    sent = len([one for one in heard if "/set/S-1/" in one.topic])
    assert page.results["refused"]["messages"].sum() == sent
    assert set(page.results["refused"]["kind"]) >= {"pressure", "setup"}


def test_a_desks_refused_message_is_of_the_incident_that_it_names() -> None:
    heard = heard_with("wrong unit")
    at = heard[-1].received
    for seq, incident in enumerate(("I-1", "I-2", None)):
        named = f'"incident_id":"{incident}",' if incident else ""
        body = f'{{"kind":"tally","desk_id":"D-1","boot":1,{named}"seq":{900 + seq},"action":"up"}}'
        heard.append(Heard(at, "underair/v1/trial/desk/D-1/tally", body.encode()))
    table = analyse(frames_from_heard(heard), PROFILE, "I-1")["refused"]
    assert table.filter(pl.col("desk_id") == "D-1")["messages"].sum() == 2  # who names none may mean it


def test_a_set_that_reads_no_refused_message_has_an_empty_table() -> None:
    found = analyse(frames_from_heard([]), PROFILE)
    assert found["refused"].is_empty()
