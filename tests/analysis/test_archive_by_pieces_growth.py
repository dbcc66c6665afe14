"""Pieces of large archives: searched, read and handed out in proportion to what is there."""

from __future__ import annotations

import os
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from analysis.incident import analyse
from analysis.pieces import pieces as finding
from analysis.pieces.archive_pieces import incident_piece, pieces_of
from analysis.pieces.batch_messages import messages_of
from analysis.pieces.identity import with_uses
from analysis.pieces.pieces import BATCH_ROWS, find_pieces, overlaps
from analysis.pieces.piecewise import analyse_batch
from analysis.profile import Profile
from analysis.records import power_ups
from analysis.tables import TABLES
from ingest.archive.index import DESKS, SETS, ArchiveIndex
from ingest.archive.sealing import seal_messages
from ingest.contract.frames import frames_from_heard, no_messages
from sample_logs.drills import build_radio_troubles

OPENED = datetime(2031, 5, 4, 19, 12, tzinfo=UTC)
TIME = pl.Datetime("us", "UTC")
SETS_IN, WEARS = 20, 1000


def stretches(rng: np.random.Generator, rows: int, names: tuple[str, str]) -> pl.DataFrame:
    low = rng.integers(0, 1000, rows)
    return pl.DataFrame(
        {
            "name": rng.choice(["a", "b", "c", "d"], rows),
            names[0]: pl.Series(low).cast(TIME),
            names[1]: pl.Series(low + rng.integers(0, 60, rows)).cast(TIME),
            "number": np.arange(rows),
        }
    )


@pytest.mark.parametrize("seed", range(20))
def test_overlaps_are_those_of_trying_each_against_each(seed: int) -> None:
    rng = np.random.default_rng(seed)
    asked = stretches(rng, int(rng.integers(0, 60)), ("low", "high"))
    there = stretches(rng, int(rng.integers(0, 60)), ("first", "last")).rename({"number": "other"})
    found = overlaps(asked, there, by="name").select("number", "other").sort(pl.all())
    each = asked.join(there, on="name").filter(
        (pl.col("low") <= pl.col("last")) & (pl.col("high") >= pl.col("first"))
    )
    assert found.equals(each.select("number", "other").sort(pl.all()))


def years_of_a_station() -> tuple[pl.DataFrame, pl.DataFrame]:
    """Twenty sets with a thousand wears each, every one tallied, its alarms seen."""
    wear = np.tile(np.arange(WEARS), SETS_IN)
    number = np.repeat(np.arange(SETS_IN), WEARS)
    first = pl.Series(wear * 86_400_000_000 + number * 1_000_000).cast(TIME)
    spans = {"first": first, "last": first + timedelta(minutes=40), "rows": 7200, "digest": 0}
    names = pl.Series([f"S-{one:02d}" for one in number])
    part = {"kind": "pressure", "day": first.dt.date(), "part": "p", "set_id": names}
    by_radio = {"live_rows": 7200, "said_first": None, "said_last": None}
    sets = pl.DataFrame({**part, "boot": wear, **spans, **by_radio}).cast(SETS)
    of_desk = {"desk_id": "D-1", "boot": 1, "later": False, "corrects": False, "first_said": first, "outs": 1}
    incident = pl.Series([f"I-{one}" for one in wear])
    tallies = {**of_desk, "incident_id": incident, "wearer_id": None, "ins": 1}
    few = {**spans, "rows": 1}
    said = [
        pl.DataFrame({**part, **few, **words, "kind": kind}).select(DESKS.names()).cast(DESKS)
        for kind, words in (("tally", tallies), ("seen", {**tallies, "incident_id": None, "ins": 0}))
    ]
    return sets, pl.concat(said)


def test_finding_pieces_stays_linear(monkeypatch: pytest.MonkeyPatch) -> None:
    """20,000 wears: as many pairs are looked at as there are, not a thousand for each."""
    sizes: list[int] = []

    def counted(*arguments: object, **named: object) -> pl.DataFrame:
        found = overlaps(*arguments, **named)  # type: ignore[arg-type]
        sizes.append(found.height)
        return found

    widest = 0
    join = pl.DataFrame.join

    def watched(self: pl.DataFrame, *arguments: object, **named: object) -> pl.DataFrame:
        nonlocal widest
        found = join(self, *arguments, **named)  # type: ignore[arg-type]
        widest = max(widest, found.height)
        return found

    sets, desks = years_of_a_station()
    monkeypatch.setattr(finding, "overlaps", counted)
    monkeypatch.setattr(pl.DataFrame, "join", watched)
    pieces = find_pieces(sets, with_uses(desks), sets.clear())
    assert pieces.power_ups.height == SETS_IN * WEARS
    assert pieces.incidents.height == WEARS
    assert sizes == [SETS_IN * WEARS, SETS_IN * WEARS]
    assert widest <= 4 * SETS_IN * WEARS


def test_tasks_are_bounded_whatever_the_number_of_wears() -> None:
    """A worker holds one task: none is larger than the limit, but for a piece that is so by itself."""
    sets, desks = years_of_a_station()
    batches = list(find_pieces(sets, with_uses(desks), sets.clear()).batches())
    assert len(batches) > 300
    largest_piece = max(int(batch.table["rows"].max() or 0) for batch in batches)  # type: ignore[arg-type]
    assert largest_piece < BATCH_ROWS
    assert max(int(batch.table["rows"].sum()) for batch in batches if not batch.table["of_desk"][0]) <= (
        BATCH_ROWS
    )
    assert sum(batch.power_ups.height for batch in batches) == SETS_IN * WEARS


@pytest.fixture(scope="module")
def sealed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("growth") / "archive"
    folder.mkdir()
    seal_messages(folder, frames_from_heard(build_radio_troubles(3, OPENED).heard), "one")
    return folder


@pytest.fixture
def archive(sealed: Path, tmp_path: Path) -> Path:
    """A copy that a test may change."""
    shutil.copytree(sealed, tmp_path / "archive")
    return tmp_path / "archive"


def test_bare_readings_carry_no_text_and_give_the_same(archive: Path) -> None:
    (batch,) = (one for one in pieces_of(archive).batches() if not one.table["of_desk"][0])
    ((whole, _),) = messages_of(archive, batch)
    ((bare, _),) = messages_of(archive, batch, bare=True)
    columns = bare["motion"].columns
    assert set(whole["motion"].columns) - set(columns) == {"service", "topic", "payload"}
    assert (
        bare["motion"]
        .sort("set_id", "boot", "seq")
        .equals(whole["motion"].select(columns).sort("set_id", "boot", "seq"))
    )


@pytest.mark.parametrize(("gap", "counts"), [("before the value", "other"), ("at the end", "first")])
@pytest.mark.parametrize("name", ["another", "zero"])
def test_what_came_twice_is_read_in_full(archive: Path, name: str, gap: str, counts: str) -> None:
    """Two messages under one identity, heard in one microsecond: their payloads decide which counts.

    Not the order of the parts. A space comes before any digit, and after the end of a text.
    """
    part = next((archive / "pressure").rglob("*.parquet"))
    frame = pl.read_parquet(part)
    seal_messages(archive, {**no_messages(), "pressure": frame}, "copy")
    live = frame.filter(~pl.col("retained"))
    set_id = live["set_id"].mode().sort()[0]
    of_one = live.filter(pl.col("set_id") == set_id).unique(["boot", "seq"], keep="none").sort("seq")
    first = of_one.slice(10, 40)
    spaced = {
        "before the value": pl.col("payload").str.replace('_bar":', '_bar": ', literal=True),
        "at the end": pl.col("payload") + " ",
    }
    other = first.with_columns(pl.col("pressure_bar") + 0.5, spaced[gap])
    assert ((other["payload"] < first["payload"]) == (counts == "other")).all()
    seal_messages(archive, {**no_messages(), "pressure": other}, name)
    (batch,) = (one for one in pieces_of(archive).batches() if not one.table["of_desk"][0])
    ((bare, scope),) = messages_of(archive, batch, bare=True)
    ((whole, _),) = messages_of(archive, batch)
    assert "payload" in bare["pressure"].columns
    assert "payload" not in bare["motion"].columns
    assert bare["pressure"].sort(pl.all()).equals(whole["pressure"].sort(pl.all()))
    assert bare["pressure"].height == frame.unique("payload").height + other.height
    expected = other if counts == "other" else first
    (power_up,) = (
        one for one in power_ups(bare, [set_id]) if one.boot == first["boot"][0] and one.role == "set"
    )
    channel = power_up.channels["pressure"]
    here = np.isin(channel.seq, expected["seq"].to_numpy())
    assert channel.numbers["pressure_bar"][here].tolist() == expected["pressure_bar"].to_list()
    assert set(expected["seq"]) <= set(power_up.conflicts)
    found = analyse_batch(archive, batch, Profile.default())
    asked = analyse(whole, Profile.default(), scope=scope)
    assert all(found[table].equals(asked[table]) for table in TABLES)
    assert "conflicting_records" in found["findings"]["code"].to_list()


def test_opening_an_incident_looks_into_no_day_but_its_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Folders of readings that are listed, and files that are opened, do not grow with the days."""
    folder = tmp_path / "archive"
    folder.mkdir()
    staged = [build_radio_troubles(day, OPENED + timedelta(days=day)) for day in range(6)]
    asked: list[tuple[int, int]] = []
    listed: list[str] = []
    list_folder, scan = os.listdir, pl.scan_parquet

    def listing(path: str | Path = ".") -> list[str]:
        listed.append(str(path))
        return list_folder(path)

    def scanning(files: list[Path], **named: object) -> pl.LazyFrame:
        opened.extend(str(file) for file in files)
        return scan(files, **named)  # type: ignore[arg-type]

    for day, one in enumerate(staged):
        seal_messages(folder, frames_from_heard(one.heard), f"day-{day}")
        if day in (3, 5):  # the newest day is asked too: until when the record goes on
            ArchiveIndex(folder).bring_up_to_date()
            opened: list[str] = []
            listed.clear()
            with monkeypatch.context() as patch:
                patch.setattr(os, "listdir", listing)
                patch.setattr(pl, "scan_parquet", scanning)
                incident_piece(folder, staged[0].incident_id)
            readings = f"{folder}/motion/date="
            of_days = {path for path in listed if path.startswith(readings)}
            asked.append((len(of_days), len([path for path in opened if path.startswith(readings)])))
            assert of_days
            assert opened
    assert asked[0] == asked[1]
