"""A set's memory that counts or dates in its own way: placed among what came by radio, by its pressures."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from analysis.incident import analyse
from analysis.profile import Profile
from ingest.archive.imports import read_imports
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from ingest.archive.verifying import verify
from ingest.contract.captures import Heard
from ingest.contract.errors import BadCapture
from ingest.contract.frames import frames_from_heard
from ingest.memory import EXAMPLE, import_memory, load_mapping

Pressure = Callable[..., Heard]
NOW = datetime(2031, 5, 6, 9, 0, tzinfo=UTC)
BEGUN = datetime(2031, 5, 4, 10, 0, tzinfo=UTC)
PSI = 14.503774
HEAD = "when;unit;power-ups;record;tank psi;gas F;event"
FIRST, LAST, LOST = 5, 600, range(200, 400)


def bar_at(second: float) -> float:
    """Return the true pressure: a wearer who breathes unevenly, the valve open from 0:20 to 9:40."""
    if not 20 <= second < 580:
        return 0.0
    return round(290 - 0.2 * second - 6 * math.sin(second / 40), 1)


@pytest.fixture
def archive(tmp_path: Path, pressure: Pressure) -> Path:
    """What the radio heard: a reading a second, with numbers from 5 on, and 200 of them lost."""
    heard = [
        pressure(second, pressure_bar=bar_at(second)) for second in range(FIRST, LAST) if second not in LOST
    ]
    first = json.loads(heard[0].payload)
    size = {
        "kind": "setup",
        "seq": FIRST - 1,
        "cylinders": {"rated_bar": 300, "water_volume_l": 6.8, "count": 1},
    }
    setup = {key: value for key, value in first.items() if key != "pressure_bar"} | size
    topic = heard[0].topic.replace("pressure", "setup")
    heard.insert(0, heard[0]._replace(topic=topic, payload=json.dumps(setup).encode()))
    messages = frames_from_heard(heard)
    assert messages["refused"].is_empty(), messages["refused"]["reason"][0]
    seal_messages(tmp_path / "archive", messages, "import-radio")
    return tmp_path / "archive"


def log(path: Path, *, boot: int, number: int, fast_s: float, high_bar: float = 0.0, step: int = 1) -> Path:
    """Write the set's own record, every `step` seconds."""
    lines = [
        f"{BEGUN + timedelta(seconds=second + fast_s):%m/%d/%Y %H:%M:%S};S-014;{boot};{second + number};"
        f"{(bar_at(second) + high_bar) * PSI:.1f};;"
        for second in range(0, LAST, step)
    ]
    path.write_text("\n".join([HEAD, *lines]))
    return path


def free_air_l(archive: Path) -> list[float]:
    """Return what was breathed, for each wear."""
    return analyse(Archive(archive).messages(), Profile.default())["wears"]["free_air_l"].to_list()


@pytest.mark.parametrize(
    ("boot", "number", "fast_s", "step"),
    [
        (17, 0, 14, 1),  # the radio's numbers, another clock
        (17, 0, -14, 1),
        (17, 3, 0, 1),  # the clock, numbers a little off
        (7, 5000, 14, 1),  # nothing but the pressures
        (7, 5000, -333, 1),
        (7, 5000, 590, 1),  # nearly all of it after what the radio heard
        (7, 5000, 14, 5),  # a record that is coarser than the radio
    ],
)
def test_a_memory_with_a_clock_or_numbers_of_its_own_fills_the_gap_and_no_air_is_counted_twice(
    tmp_path: Path, archive: Path, boot: int, number: int, fast_s: float, step: int
) -> None:
    path = log(tmp_path / "S-014.csv", boot=boot, number=number, fast_s=fast_s, step=step)
    before = free_air_l(archive)
    done = import_memory(path, load_mapping(EXAMPLE), archive, NOW)
    assert done.counts.kept >= len(LOST) / step - 1
    assert done.counts.received == done.counts.kept + done.counts.duplicates
    readings = Archive(archive).messages()["pressure"].sort("seq")
    assert readings["boot"].unique().to_list() == [17]
    assert readings["seq"].is_unique().all()
    # Each stands where it was breathed, to the seconds in which pressures cannot tell moments apart.
    for row in readings.to_dicts():
        second = (row["time"] - BEGUN).total_seconds()
        near = [bar_at(second + off) for off in (-4, 0, 4)]
        assert min(near) - 2 <= row["pressure_bar"] <= max(near) + 2, second
    own = [json.loads(text).get("own") for text in readings["payload"] if '"memory"' in text]
    assert {"boot": boot, "seq": 300 + number} in [{k: one[k] for k in ("boot", "seq")} for one in own]
    (after,) = free_air_l(archive)
    assert [after] == pytest.approx(before, rel=0.01)
    (told,) = done.clocks
    if fast_s:
        side = "fast" if fast_s > 0 else "slow"
        assert f"if its clock is {abs(fast_s)} s {side}" in told or " s to " in told
    (line,) = read_imports(archive)[0]
    assert line.placed == told
    assert read_imports(archive)[1] == []
    assert [one.read_bytes() for one in (archive / "imports").glob("*.csv")] == [path.read_bytes()]
    assert verify(archive).faults == []
    again = import_memory(path, load_mapping(EXAMPLE), archive, NOW)
    assert again.counts.kept == 0


@pytest.mark.parametrize("high_bar", [8.0, 32.0])
def test_a_memory_whose_pressures_are_others_at_every_moment_is_refused(
    tmp_path: Path, archive: Path, high_bar: float
) -> None:
    path = log(tmp_path / "S-014.csv", boot=7, number=5000, fast_s=14, high_bar=high_bar)
    before = Archive(archive).messages()["pressure"].height
    with pytest.raises(BadCapture, match=r"Nothing was imported.*no clock within 10 min.*pressures"):
        import_memory(path, load_mapping(EXAMPLE), archive, NOW)
    assert Archive(archive).messages()["pressure"].height == before


def test_an_alarm_that_only_the_memory_has_is_never_taken_for_one_that_was_heard(
    tmp_path: Path, archive: Path
) -> None:
    path = log(tmp_path / "S-014.csv", boot=7, number=5000, fast_s=14)
    at = [BEGUN + timedelta(seconds=second + 14.5) for second in (100, 300)]
    lines = path.read_text().splitlines()
    lines += [f"{one:%m/%d/%Y %H:%M:%S};S-014;7;{9000 + n};;;DISTRESS" for n, one in enumerate(at)]
    path.write_text("\n".join(lines))
    done = import_memory(path, load_mapping(EXAMPLE), archive, NOW)
    alarms = Archive(archive).messages()["alarm"]
    assert alarms["alarm"].to_list() == ["distress"], "the one within the silence has a number that was lost"
    assert LOST[0] <= alarms["seq"][0] < LOST[-1]
    (reason,) = done.reasons
    assert "the radio lost no number at that time" in reason
    assert done.counts.refused == 1
    assert "DISTRESS" not in reason
    refused = Archive(archive).messages()["refused"]
    assert b"distress" in refused["payload"][0]


@pytest.mark.parametrize("counts_restarts", [True, False])
def test_a_restart_in_the_silence_keeps_every_reading(
    tmp_path: Path, pressure: Pressure, counts_restarts: bool
) -> None:
    """Both sides of the restart were given the same lost numbers, and half of them were dropped as known."""
    heard = []
    for second in range(FIRST, LAST):
        one = pressure(second if second < 300 else second - 300, pressure_bar=bar_at(second))
        said = json.loads(one.payload) | {"boot": 17 if second < 300 else 18}
        said["time"] = (BEGUN + timedelta(seconds=second)).isoformat()
        received = BEGUN + timedelta(seconds=second, milliseconds=40)
        heard += [Heard(received, one.topic, json.dumps(said).encode())] if second not in LOST else []
    archive = tmp_path / "archive"
    seal_messages(archive, frames_from_heard(heard), "import-radio")
    rows = [
        f"{BEGUN + timedelta(seconds=second):%m/%d/%Y %H:%M:%S};S-014;"
        f"{7 + (second >= 300) * counts_restarts};{second if counts_restarts else second % 300};"
        f"{bar_at(second) * PSI:.1f};;"
        for second in range(LAST)
    ]
    (tmp_path / "S-014.csv").write_text("\n".join([HEAD, *rows]))
    done = import_memory(tmp_path / "S-014.csv", load_mapping(EXAMPLE), archive, NOW)
    # A few readings at the edges of a silence may be those that the radio heard.
    assert len(LOST) - 1 <= done.counts.kept <= len(LOST) + FIRST + 3
    readings = Archive(archive).messages()["pressure"].sort("time")
    assert readings["time"].diff().dt.total_seconds().drop_nulls().to_list() == pytest.approx(
        [1] * (len(readings) - 1), abs=2
    )
    if counts_restarts:
        of_18 = readings.filter(pl.col("boot") == 18)["time"].to_list()
        assert min(of_18) > BEGUN + timedelta(seconds=298)


@pytest.mark.parametrize("fast_s", [1500, 5 * 3600, 6 * 3600, 6 * 3600 + 400, 86_400, -7200])
@pytest.mark.parametrize("worn_again", [False, True])
def test_a_memory_whose_clock_is_hours_off_is_placed_in_its_own_power_up(
    tmp_path: Path, archive: Path, pressure: Pressure, fast_s: int, worn_again: bool
) -> None:
    """It was imported whole: a second wear, in the entry of whoever wore the set next."""
    before = free_air_l(archive)
    if worn_again:
        heard = []
        for second in range(FIRST, LAST):
            one = pressure(second, pressure_bar=max(round(1.2 * bar_at(second) - 60, 1), 0.0))
            at = BEGUN + timedelta(hours=6, seconds=second)
            said = json.loads(one.payload) | {"boot": 18, "time": at.isoformat()}
            heard.append(Heard(at, one.topic, json.dumps(said).encode()))
        seal_messages(archive, frames_from_heard(heard), "import-later")
    path = log(tmp_path / "S-014.csv", boot=17, number=7000, fast_s=fast_s)
    done = import_memory(path, load_mapping(EXAMPLE), archive, NOW)
    readings = Archive(archive).messages()["pressure"]
    assert len(LOST) - 1 <= done.counts.kept <= len(LOST) + FIRST + 3
    assert readings.filter(pl.col("boot") == 17)["time"].max() < BEGUN + timedelta(seconds=LAST + 5)
    after = free_air_l(archive)
    assert len(after) == 1 + worn_again
    assert after[:1] == pytest.approx(before, rel=0.01)
    assert f"{abs(fast_s)} s" in done.clocks[0] or " s to " in done.clocks[0]


@pytest.mark.parametrize("fast_s", [1500, 6 * 3600, 86_400])
def test_a_memory_of_a_power_up_that_was_heard_and_fits_nowhere_in_it_is_refused(
    tmp_path: Path, archive: Path, fast_s: int
) -> None:
    path = log(tmp_path / "S-014.csv", boot=17, number=7000, fast_s=fast_s, high_bar=32.0)
    before = Archive(archive).messages()["pressure"].height
    with pytest.raises(BadCapture, match=r"Nothing was imported.*pressures"):
        import_memory(path, load_mapping(EXAMPLE), archive, NOW)
    assert Archive(archive).messages()["pressure"].height == before


def test_what_goes_on_from_the_radio_with_its_numbers_and_times_is_taken_as_it_is(
    tmp_path: Path, archive: Path
) -> None:
    rows = [
        f"{BEGUN + timedelta(seconds=second):%m/%d/%Y %H:%M:%S};S-014;17;{second};{100 * PSI:.1f};;"
        for second in range(LAST + 1200, LAST + 1300)
    ]
    (tmp_path / "S-014.csv").write_text("\n".join([HEAD, *rows]))
    done = import_memory(tmp_path / "S-014.csv", load_mapping(EXAMPLE), archive, NOW)
    assert (done.counts.kept, done.clocks) == (100, [])
