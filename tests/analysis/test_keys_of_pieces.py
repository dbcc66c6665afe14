"""What a piece is called, and when it is worked out anew: for what concerns it, and for nothing else."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from analysis.pieces.archive_pieces import cut
from analysis.pieces.pieces import Pieces
from ingest.archive.sealing import seal_messages
from ingest.archive.tidying import tidy
from ingest.contract.frames import Messages
from tests.analysis.conftest import OPENED, WrittenLog

DAY_S = 86400.0


def worn(log: WrittenLog, set_id: str, boot: int, from_s: float) -> None:
    talker = log.talker(set_id, boot)
    talker.set_up(from_s - 50)
    talker.breathe(from_s, 60, only_pressure=True)
    talker.say(from_s + 80, "power", state="off", battery_fraction=0.8)


def three_years() -> WrittenLog:
    """Two incidents and a set that nobody tallied, days apart."""
    log = WrittenLog()
    for number, name in enumerate(("I-A", "I-B")):
        desk, from_s = log.talker("D-1", 5 + number, role="desk"), 600 + number * 3 * DAY_S
        about: dict[str, Any] = {"incident_id": name, "set_id": f"S-{number}", "wearer_id": "W-1"}
        desk.say(from_s - 60, "incident", incident_id=name, action="open")
        worn(log, f"S-{number}", 1, from_s)
        desk.say(from_s - 10, "tally", action="in", **about)
        desk.say(from_s + 90, "tally", action="out", **about)
        desk.say(from_s + 100, "incident", incident_id=name, action="close")
    worn(log, "S-9", 4, 6 * DAY_S)
    return log


def sealed(folder: Path, *lots: Messages) -> Path:
    folder.mkdir(exist_ok=True)
    for number, messages in enumerate(lots):
        seal_messages(folder, messages, f"log-{number}")
    return folder


def of(pieces: Pieces) -> dict[str, int]:
    return dict(pieces.table.filter(~pl.col("of_desk")).select("key", "digest").iter_rows())


A, B, ALONE = f"I-A@{OPENED:%Y-%m-%d}", f"I-B@{OPENED + timedelta(days=3):%Y-%m-%d}", "S-9/4"


def test_keys_name_incidents_with_their_day_and_else_a_set_with_its_first_power_up(tmp_path: Path) -> None:
    assert set(of(cut(sealed(tmp_path / "archive", three_years().frames())))) == {A, B, ALONE}


def test_parts_do_not_matter(tmp_path: Path) -> None:
    frames = three_years().frames()
    at_once = of(cut(sealed(tmp_path / "one", frames)))
    halves = [
        {kind: frame.filter((pl.int_range(pl.len()) % 2) == half) for kind, frame in frames.items()}
        for half in (0, 1)
    ]
    archive = sealed(tmp_path / "two", *halves)
    assert of(cut(archive)) == at_once
    tidy(archive, OPENED + timedelta(days=30), grace_s=0.0)
    assert len(list((archive / "pressure").rglob("*.parquet"))) == 3
    assert of(cut(archive)) == at_once


def changed(before: dict[str, int], after: dict[str, int]) -> set[str]:
    """What is to be made anew, or is there no longer."""
    return {key for key in before.keys() | after.keys() if before.get(key) != after.get(key)}


def test_a_late_message_changes_its_own_piece_alone(tmp_path: Path) -> None:
    log = three_years()
    archive = sealed(tmp_path / "archive", log.frames())
    before = of(cut(archive))
    late = WrittenLog()
    late.talker("S-0", 1, first_seq=900).say(700.0, "pressure", pressure_bar=200.0)
    seal_messages(archive, late.frames(), "late")
    assert changed(before, of(cut(archive))) == {A}


def test_another_incident_that_goes_on_changes_no_other(tmp_path: Path) -> None:
    log = three_years()
    archive = sealed(tmp_path / "archive", log.frames())
    before = of(cut(archive))
    growing = WrittenLog()
    growing.talker("S-5", 1).breathe(8 * DAY_S, 300, only_pressure=True)
    seal_messages(archive, growing.frames(), "growing")
    assert changed(before, of(cut(archive))) == {"S-5/1"}


def test_one_message_in_the_place_of_another_is_noticed(tmp_path: Path) -> None:
    """As many, at the same times, of the same identities: only what is in them differs."""
    frames = three_years().frames()
    before = of(cut(sealed(tmp_path / "one", frames)))
    number = pl.int_range(pl.len())
    last = (pl.col("set_id") == "S-9") & (number == number.filter(pl.col("set_id") == "S-9").max())
    frames["pressure"] = frames["pressure"].with_columns(
        pl.when(last).then(pl.col("payload") + " ").otherwise("payload").alias("payload")
    )
    assert changed(before, of(cut(sealed(tmp_path / "other", frames)))) == {ALONE}


def test_a_late_tally_joins_two_and_both_go(tmp_path: Path) -> None:
    log = three_years()
    log.talker("S-9", 5).breathe(
        6 * DAY_S + 5 * 3600, 60, only_pressure=True
    )  # hours later: a piece of its own
    archive = sealed(tmp_path / "archive", log.frames())
    before = of(cut(archive))
    assert {ALONE, "S-9/5"} < set(before)
    late = WrittenLog()
    desk = late.talker("D-2", 1, role="desk")
    about: dict[str, Any] = {"incident_id": "I-C", "set_id": "S-9", "wearer_id": "W-4"}
    desk.say(6 * DAY_S - 10, "tally", action="in", **about)
    desk.say(6 * DAY_S + 5 * 3600 + 90, "tally", action="out", **about)
    seal_messages(archive, late.frames(), "late")
    joined = f"I-C@{OPENED + timedelta(days=6):%Y-%m-%d}"
    assert changed(before, of(cut(archive))) == {ALONE, "S-9/5", joined}


def test_retained_copies_that_come_again_are_no_news(tmp_path: Path) -> None:
    frames = three_years().frames()
    archive = sealed(tmp_path / "archive", frames)
    before = of(cut(archive))
    again = frames["setup"].with_columns(
        pl.col("received") + timedelta(days=40), pl.lit(value=True).alias("retained")
    )
    seal_messages(archive, {**{k: f.clear() for k, f in frames.items()}, "setup": again}, "again")
    assert changed(before, of(cut(archive))) == set()


@pytest.mark.parametrize(
    ("out", "closed", "hours"), [(True, True, 65 / 60), (False, True, 65 / 60), (False, False, 12)]
)
def test_how_long_a_piece_may_go_on(out: bool, closed: bool, hours: float, tmp_path: Path) -> None:
    """Somebody tallied in who never came out keeps it open for half a day, unless the incident was closed."""
    frames = three_years().frames()
    if not out:
        frames["tally"] = frames["tally"].filter(pl.col("action") == "in")
    if not closed:
        frames["incident"] = frames["incident"].filter(pl.col("action") == "open")
    table = cut(sealed(tmp_path / "archive", frames)).table.filter(pl.col("key") == A)
    ends = table["until"] if hours < 2 else frames["tally"]["received"].sort().head(1)
    assert (table["settled"] - ends).to_list() == [timedelta(hours=hours)]
