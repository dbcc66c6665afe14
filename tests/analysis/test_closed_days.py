"""A growing archive is cut only where it grows, and the pieces are those of a cut from scratch."""

from __future__ import annotations

import shutil
from dataclasses import fields
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from analysis.pieces import closed_days
from analysis.pieces.archive_pieces import cut, pieces_of
from analysis.pieces.closed_days import growing_cut_of
from analysis.pieces.pieces import Pieces
from ingest.archive import sound
from ingest.archive.journal_frames import Record
from ingest.archive.sealing import seal_messages
from ingest.archive.tidying import tidy
from ingest.contract.captures import Heard
from ingest.contract.frames import frames_from_heard
from ingest.contract.times import micros
from tests.analysis.conftest import OPENED, WrittenLog
from tests.faults.journal_reading import segment_bytes

DAY_S = 86400.0


@pytest.fixture(autouse=True)
def looked_at_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sound, "_LATELY_S", -1.0)


@pytest.fixture
def kept(monkeypatch: pytest.MonkeyPatch) -> list[bool]:
    """Of each look, whether what was kept still held."""
    found: list[bool] = []
    grown, anew = closed_days._grown, closed_days._anew

    def watched_grown(*rows: Any) -> Any:
        pieces = grown(*rows)
        if pieces is not None:
            found.append(True)
        return pieces

    def watched_anew(*rows: Any) -> Any:
        found.append(False)
        return anew(*rows)

    monkeypatch.setattr(closed_days, "_grown", watched_grown)
    monkeypatch.setattr(closed_days, "_anew", watched_anew)
    return found


def assert_as_from_scratch(folder: Path) -> None:
    pieces, scratch = cut(folder), pieces_of(folder)
    scratch = scratch.only(~pl.col("of_desk"))
    for one in fields(Pieces):
        found, due = getattr(pieces, one.name), getattr(scratch, one.name)
        same = found.equals(due) if isinstance(due, pl.DataFrame) else found == due
        assert same, (one.name, found, due)


def journal(folder: Path, heard: list[Heard]) -> None:
    place = folder / "journal" / "listener-1"
    shutil.rmtree(place, ignore_errors=True)
    place.mkdir(parents=True)
    if heard:
        records = [Record(micros(one.received), one.topic, one.payload, one.retained) for one in heard]
        name = f"{heard[0].received:%Y%m%dT%H%M%S%f}Z.journal"
        (place / name).write_bytes(segment_bytes([records]))


def worn(log: WrittenLog, day: int, number: int, name: str | None, **tally: Any) -> None:
    """One wear of a minute on a day, tallied in an incident or to nobody."""
    from_s, set_id = day * DAY_S + number * 1800.0, f"S-{number % 3}"
    talker = log.talker(set_id, boot=day * 10 + number)
    talker.set_up(from_s - 50)
    for second in range(0, 60, 20):
        talker.say(from_s + second, "pressure", pressure_bar=300.0 - second)
    if name is not None:
        desk = log.talker("D-1", 1000 + day * 10 + number, role="desk")
        about = {"incident_id": name, "set_id": set_id, "wearer_id": f"W-{number % 2}"} | tally
        desk.say(from_s - 60, "incident", incident_id=name, action="open")
        desk.say(from_s - 10, "tally", action="in", **about)
        desk.say(from_s + 90, "tally", action="out", **about)
        desk.say(from_s + 100, "incident", incident_id=name, action="close")


def heard_by(log: WrittenLog) -> list[Heard]:
    return [one for _, one in log.heard()]


def some_days(days: int, of_day: int = 2, name: str = "I-{day}-{number}") -> list[Heard]:
    log = WrittenLog()
    for day in range(days):
        for number in range(of_day):
            worn(log, day, number, name.format(day=day, number=number))
    return heard_by(log)


def late(day: float, what: str, rng: np.random.Generator, days: int) -> list[Heard]:
    """Say something on a day that is about another one, one of the first so many."""
    then, log, from_s = int(rng.integers(days)), WrittenLog(), day * DAY_S + 7000.0
    number = int(rng.integers(2))
    set_id, boot, name = f"S-{number % 3}", then * 10 + number, f"I-{then}-{number}"
    desk = log.talker("D-2", int(rng.integers(1_000_000)), role="desk")
    if what == "message of an old power-up":
        log.talker(set_id, boot, first_seq=900).say(from_s, "pressure", pressure_bar=99.0)
    elif what in ("end of an old power-up read out", "old power-up read out"):
        known = what.startswith("end")
        said_s = then * DAY_S + number * 1800.0 + (60 if known else 600)
        memory = log.talker(set_id, boot if known else boot + 5000, first_seq=900)
        memory.delay = lambda at_s: from_s - at_s
        for second in range(0, 300, 20):
            memory.say(said_s + second, "pressure", pressure_bar=240.0)
    elif what == "retained setup":
        log.talker(set_id, boot, first_seq=901).set_up(from_s, retained=True)
    elif what == "first setup of a set":
        log.talker("S-9", 8).set_up(from_s)
    elif what == "tally that joins":
        about = {"incident_id": f"J-{then}", "set_id": set_id, "wearer_id": "W-9"}
        desk.clock = lambda true_s: true_s - 6 * 3600.0
        desk.say(from_s, "tally", action="in", **about)
        desk.say(from_s + 60, "tally", action="out", **about)
    elif what == "word about an old incident":
        desk.say(from_s, "tally", action="out", incident_id=name, set_id=set_id, wearer_id="W-1")
    elif what == "name used again":
        desk.say(from_s, "incident", incident_id=name, action="open")
        desk.say(from_s + 60, "incident", incident_id=name, action="close")
    elif what == "note brought in later":
        at = (OPENED + timedelta(seconds=then * DAY_S + number * 1800.0 + 30)).isoformat()
        desk.say(from_s, "note", incident_id=name, text="seen", at=at, certainty="estimated")
    elif what == "never tallied out":
        desk.say(from_s, "tally", action="in", incident_id=name, set_id=set_id, wearer_id="W-0")
    return heard_by(log)


LATE = (
    "message of an old power-up",
    "end of an old power-up read out",
    "old power-up read out",
    "retained setup",
    "first setup of a set",
    "tally that joins",
    "word about an old incident",
    "name used again",
    "note brought in later",
    "never tallied out",
)


@pytest.mark.parametrize("what", LATE)
def test_whatever_comes_late_the_pieces_are_those_of_a_cut_from_scratch(what: str, tmp_path: Path) -> None:
    folder, rng = tmp_path / "archive", np.random.default_rng(LATE.index(what))
    folder.mkdir()
    log = WrittenLog()
    log.talker("S-9", 7).say(DAY_S * 2 + 9000.0, "pressure", pressure_bar=200.0)  # it never said what it is
    seal_messages(folder, frames_from_heard([*some_days(4), *heard_by(log)]), "old")
    assert_as_from_scratch(folder)
    said = late(5.0, what, rng, 2)
    journal(folder, said)
    assert_as_from_scratch(folder)
    assert_as_from_scratch(folder)
    journal(folder, [])
    assert_as_from_scratch(folder)
    seal_messages(folder, frames_from_heard(said), "late")
    assert_as_from_scratch(folder)


@pytest.mark.parametrize("seed", range(2))
def test_any_order_of_arrival_gives_the_pieces_of_a_cut_from_scratch(seed: int, tmp_path: Path) -> None:
    rng, folder, days = np.random.default_rng(seed), tmp_path / "archive", 6
    folder.mkdir()
    name = "DRILL" if seed % 3 == 0 else "I-{day}-{number}"
    everything = some_days(days, 2, name)
    for number in range(5):
        everything += late(days - 3.0 * rng.random(), LATE[(seed * 5 + number) % len(LATE)], rng, days)
    # Mostly in the order received; now and then a capture is imported long after.
    behind = rng.exponential(0.3, len(everything)) + 40.0 * (rng.random(len(everything)) < 0.03)
    order = np.argsort(
        [one.received.timestamp() / DAY_S + wait for one, wait in zip(everything, behind, strict=True)]
    )
    lots = np.array_split(order, 6)
    for number, lot in enumerate(lots):
        heard = sorted((everything[at] for at in lot), key=lambda one: one.received)
        if rng.random() < 0.5:
            journal(folder, heard)
            assert_as_from_scratch(folder)
        seal_messages(folder, frames_from_heard(heard), f"lot-{number}")
        journal(folder, [])
        assert_as_from_scratch(folder)
        if rng.random() < 0.2:
            tidy(folder, OPENED + timedelta(days=30), grace_s=0.0)
            assert_as_from_scratch(folder)


def test_words_that_waited_to_be_sent_reach_back_over_midnight(tmp_path: Path) -> None:
    folder, log, words = tmp_path / "archive", WrittenLog(), WrittenLog()
    folder.mkdir()
    evening_s = 3 * DAY_S + 11 * 3600.0  # 21:00
    log.talker("S-7", 1).say(evening_s, "pressure", pressure_bar=200.0)
    seal_messages(folder, frames_from_heard([*some_days(5), *heard_by(log)]), "old")
    assert_as_from_scratch(folder)
    assert closed_day(folder) == (OPENED + timedelta(days=4)).date()
    desk = words.talker("D-2", 1, role="desk", delay=lambda _: 10 * 3600.0)
    desk.say(evening_s, "tally", action="in", incident_id="J", set_id="S-7", wearer_id="W-9")
    journal(folder, heard_by(words))
    assert_as_from_scratch(folder)
    assert cut(folder).power_ups.filter(pl.col("set_id") == "S-7")["piece"].to_list() == (
        cut(folder).incidents.filter(pl.col("incident_id") == "J")["piece"].to_list()
    )


def grows(folder: Path, day: int) -> list[Heard]:
    log = WrittenLog()
    worn(log, day, 1, f"I-{day}-1")
    return heard_by(log)


def test_an_incident_that_grows_costs_no_cut_of_the_days_before(tmp_path: Path, kept: list[bool]) -> None:
    folder = tmp_path / "archive"
    folder.mkdir()
    seal_messages(folder, frames_from_heard(some_days(4)), "old")
    cut(folder)
    said = grows(folder, 5)
    for upto in range(2, len(said) + 1):
        journal(folder, said[:upto])
        assert_as_from_scratch(folder)
    assert kept == [False] + [True] * (len(said) - 1)
    assert closed_day(folder) == (OPENED + timedelta(days=5)).date()
    # The next day all of this is over, too.
    seal_messages(folder, frames_from_heard(said), "day-5")
    journal(folder, grows(folder, 6))
    assert_as_from_scratch(folder)
    assert kept[-1]
    assert closed_day(folder) == (OPENED + timedelta(days=6)).date()


def closed_day(folder: Path) -> Any:
    closed = growing_cut_of(folder.absolute())._closed
    return closed and closed.day


def test_a_part_that_is_lost_or_altered_is_noticed(tmp_path: Path) -> None:
    folder = tmp_path / "archive"
    folder.mkdir()
    for day in range(4):
        heard = [one for one in some_days(4) if one.received.date() == (OPENED + timedelta(days=day)).date()]
        seal_messages(folder, frames_from_heard(heard), f"day-{day}")
    journal(folder, grows(folder, 5))
    assert_as_from_scratch(folder)
    part = sorted((folder / "pressure").rglob("*.parquet"))[1]
    bytes_ = part.read_bytes()
    part.write_bytes(bytes_[:-1])
    assert_as_from_scratch(folder)
    part.write_bytes(bytes_)
    assert_as_from_scratch(folder)
    part.unlink()
    assert_as_from_scratch(folder)


def test_a_clock_that_was_far_ahead_keeps_nothing_from_being_kept(tmp_path: Path, kept: list[bool]) -> None:
    folder = tmp_path / "archive"
    folder.mkdir()
    log = WrittenLog()
    log.talker("S-8").say(20_000 * DAY_S, "pressure", pressure_bar=300.0)
    seal_messages(folder, frames_from_heard([*some_days(4), *heard_by(log)]), "old")
    cut(folder)
    said = grows(folder, 5)
    for upto in range(2, len(said) + 1):
        journal(folder, said[:upto])
        assert_as_from_scratch(folder)
    assert kept.count(False) <= 2
