"""Wears that only one of two cells counts are nobody's or ten people's: no subtraction leaves a few.

The attacker is written without the code that he attacks: he tries every union of one part's groups against
every union of another's, and looks by linear algebra for a mix of all cells that leaves one person.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from datetime import UTC, date, datetime

import numpy as np
import polars as pl
import pytest

from analysis.trends.cells import Cell, Published
from analysis.trends.publishing import due
from analysis.trends.wear_arrays import PARTS

FEWEST = 10
NEXT_YEAR = date(2030, 1, 1)


def wears_of(people: Mapping[str, Mapping[str, str]], seed: int = 1, months: int = 12) -> pl.DataFrame:
    """Wears of people (by name, with `station`, `role` and perhaps `kind`): each has two or three a month."""
    rng = np.random.default_rng(seed)
    rows = [
        {
            "started": datetime(2029, month, int(rng.integers(1, 28)), tzinfo=UTC),
            "wearer_id": name,
            "kind": str(rng.choice(["incident", "drill"])),
            "task": "",
            "low_air_exits": int(rng.random() < 0.1),
            "no_motion_alarms": int(rng.random() < 0.1),
            "distress_alarms": 0,
            "silent_min": float(rng.random() < 0.97) * 2,
            "under_air_min": float(rng.normal(22, 3)),
            "hard_min": float(rng.random() * 6),
            "heat_dose": float(rng.random() * 0.4),
            "mean_l_min": 45.0,
            **words,
        }
        for month in range(1, months + 1)
        for name, words in people.items()
        for _ in range(int(rng.integers(2, 4)))
    ]
    return pl.DataFrame(rows, infer_schema_length=None).sort("started")


def school(north: str = "trainee") -> dict[str, dict[str, str]]:
    """Give 40 people: a school of 11 trainees; 14 in the north, of whom one may be a trainee; 15 others."""
    made = {}
    for number in range(1, 41):
        station = "School" if number <= 11 else "North" if number <= 25 else "South"
        role = "trainee" if number <= 11 else north if number == 12 else "firefighter"
        made[f"W-{number:02d}"] = {"station": station, "role": role}
    return made


@pytest.fixture
def unguarded(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the widening of ranges, which takes seconds a year and changes no group."""
    monkeypatch.setattr("analysis.trends.publishing.guarded", lambda _worked, _year, new, _earlier: dict(new))


def published_of(wears: pl.DataFrame, day: date = NEXT_YEAR) -> dict[str, Published]:
    return {one.period: one for one in due(wears, day, {})}


def lines_of(wears: pl.DataFrame, period: str, cell: Cell) -> pl.Series:
    """Give which wears a cell counts."""
    year, started = pl.lit(period[:4]), pl.col("started")
    within = started.dt.strftime("%Y") == year
    if "Q" in period:
        within &= started.dt.quarter() == int(period[-1])
    elif len(period) > 4:
        within &= started.dt.month() == int(period[5:])
    held = (
        pl.lit(value=True)
        if cell.part == "service"
        else pl.col(cell.part).fill_null("not known").is_in(cell.names)
    )
    return wears.select(within & held).to_series()


def differences(wears: pl.DataFrame, one: Published) -> Iterator[tuple[str, np.ndarray]]:
    """Yield what any union of a part's cells and any of another's (or the service) differ by."""
    held = {
        part: [lines_of(wears, one.period, c).to_numpy() for c in one.cells if c.part == part]
        for part in ("service", *PARTS)
    }
    for first, second in itertools.combinations(held, 2):
        for ours, theirs in itertools.product(unions(held[first]), unions(held[second])):
            yield f"{one.period} {first} {second}", ours ^ theirs


def unions(cells: list[np.ndarray]) -> list[np.ndarray]:
    chosen = (c for size in range(1, len(cells) + 1) for c in itertools.combinations(cells, size))
    return [np.logical_or.reduce(each) for each in chosen]


def assert_no_few_are_left(wears: pl.DataFrame, known: Mapping[str, Published]) -> int:
    """No two unions of published cells differ by fewer than ten people, and no mix of cells by one person."""
    who = wears["wearer_id"].fill_null("nobody").to_numpy()
    looked = 0
    for one in known.values():
        if one.cells[0].wears is None:
            continue
        for name, lines in differences(wears, one):
            left = set(who[lines])
            assert not left or len(left - {"nobody"}) >= FEWEST, (name, left)
            looked += 1
        cells = np.array([lines_of(wears, one.period, cell).to_numpy() for cell in one.cells], dtype=float)
        rank = np.linalg.matrix_rank(cells)
        for person in set(who):
            assert np.linalg.matrix_rank(cells[:, who != person]) == rank, (one.period, person)
    return looked


@pytest.mark.usefixtures("unguarded")
def test_a_role_that_is_a_station_and_one_person_is_not_published_beside_it() -> None:
    """Trainees less the school was the one trainee elsewhere: 33 wears of one person, to the wear."""
    wears = wears_of(school())
    known = published_of(wears)
    assert_no_few_are_left(wears, known)
    for name in ("2029-Q1", "2029-Q4", "2029"):
        groups = {(cell.part, *cell.names) for cell in known[name].cells}
        assert ("role", "trainee") in groups
        assert ("station", "North", "School") in groups
        assert ("station", "South") in groups
    # Alone, or as one group exactly, nothing is hidden.
    apart = published_of(wears_of(school("firefighter")))
    assert {("station", "School"), ("role", "trainee")} <= {(c.part, *c.names) for c in apart["2029"].cells}


@pytest.mark.usefixtures("unguarded")
def test_a_person_who_is_missing_from_the_roster_is_not_left_over() -> None:
    """Merged with another station than role, somebody without either was the difference of two groups."""
    people = {f"W-{n:02d}": {"station": "School", "role": "trainee"} for n in range(1, 17)}
    people |= {f"W-{n:02d}": {"station": "North", "role": "firefighter"} for n in range(17, 29)}
    people |= {f"W-{n:02d}": {"station": "South", "role": "officer"} for n in range(29, 40)}
    people |= {f"W-{n:02d}": {"station": "South", "role": "firefighter"} for n in range(40, 43)}
    people["W-43"] = {}
    wears = wears_of(people).with_columns(station=pl.col("station"), role=pl.col("role"))
    known = published_of(wears)
    assert assert_no_few_are_left(wears, known) > 50


@pytest.mark.usefixtures("unguarded")
def test_a_kind_of_incident_that_one_school_and_one_more_person_go_to_is_not_published() -> None:
    people = school("firefighter")
    wears = wears_of(people).with_columns(
        kind=pl.when((pl.col("station") == "School") | (pl.col("wearer_id") == "W-40"))
        .then(pl.lit("training"))
        .otherwise("kind")
    )
    known = published_of(wears)
    assert assert_no_few_are_left(wears, known) > 50
    assert any(cell.part == "kind" for cell in known["2029"].cells)


@pytest.mark.usefixtures("unguarded")
@pytest.mark.parametrize("seed", range(40))
def test_no_roster_leaves_a_few_people_between_two_cells(seed: int) -> None:
    """Rosters nested (a role is some stations, and a few people more or fewer) and overlapping at random."""
    rng = np.random.default_rng(seed)
    stations, roles = int(rng.integers(2, 6)), int(rng.integers(2, 5))
    people: dict[str, dict[str, str]] = {}
    for number in range(int(rng.integers(12, 18)) * stations):
        station = number % stations
        nested = seed % 4 != 3
        role = station % roles if nested else int(rng.integers(0, roles))
        if rng.random() < (0.04, 0.1, 0.3, 0.0)[seed % 4]:  # a few of another role
            role = int(rng.integers(0, roles))
        words = {"station": f"Station {station}", "role": f"role {role}"}
        if station == 0 and rng.random() < 0.5:
            words["kind"] = "training"
        people[f"W-{number:02d}"] = {} | words
        if rng.random() < 0.03:
            people[f"W-{number:02d}"] = {"station": None, "role": words["role"]}  # type: ignore[dict-item]
    wears = wears_of(people, seed, months=6).with_row_index("n")
    nobody = pl.when(pl.col("n") % 60 == seed).then(None).otherwise(pl.col("wearer_id"))
    wears = wears.with_columns(wearer_id=nobody).drop("n")
    known = published_of(wears, date(2029, 7, 1))
    assert assert_no_few_are_left(wears, known) > 0


@pytest.mark.usefixtures("unguarded")
def test_random_rosters_still_have_most_of_their_parts() -> None:
    """A guard that publishes nothing passes every attack."""
    wears = wears_of(school("firefighter"))
    assert {cell.part for cell in published_of(wears)["2029-Q1"].cells} == {"service", *PARTS}


def moved(station: str) -> pl.DataFrame:
    """Wears by a roster in which W-12 is of a station. W-12 has an event each time, the others seldom."""
    one, seldom = pl.col("wearer_id") == "W-12", pl.col("started").dt.day() < 5
    return wears_of(school("firefighter")).with_columns(
        station=pl.when(one).then(pl.lit(station)).otherwise("station"),
        low_air_exits=pl.when(one).then(1).otherwise(pl.col("low_air_exits") * seldom),
    )


def test_a_year_by_another_roster_than_its_quarters_has_no_stations() -> None:
    """The year's stations less the quarters' were the wears of the one person whose line was corrected."""
    before = moved("North")
    known = published_of(before.filter(pl.col("started").dt.month() < 10), date(2029, 10, 5))
    late = {one.period: one for one in due(moved("South"), date(2030, 1, 5), known)}
    assert any(cell.part == "station" for cell in known["2029-Q3"].cells)
    assert any(cell.part == "station" for cell in late["2029-Q4"].cells)
    assert {cell.part for cell in late["2029"].cells} == {"service", "role", "kind"}
    # What does not depend on the roster is told as ever, events too.
    whole = late["2029"].cells[0]
    assert whole.wears == len(before)
    assert set(whole.events) == {"low_air_exits", "no_motion_wears", "distress_wears", "silent_wears"}
    assert all(cell.events for cell in late["2029-Q4"].cells)


def test_a_new_station_of_one_person_is_merged_with_the_old_one() -> None:
    """The new station is too small; beside a school of trainees only the old one hides its person."""
    before = moved("North")
    known = published_of(before.filter(pl.col("started").dt.month() < 10), date(2029, 10, 5))
    known |= {one.period: one for one in due(moved("West"), date(2030, 1, 5), known)}
    (cell,) = (cell for cell in known["2029"].cells if "West" in cell.names)
    assert "North" in cell.names
    quarters = [c for n in (1, 2, 3, 4) for c in known[f"2029-Q{n}"].cells if c.part == "station"]
    assert cell.wears == sum(one.wears or 0 for one in quarters if set(one.names) <= set(cell.names))


def test_a_station_by_a_new_name_stops_nothing() -> None:
    before = wears_of(school("firefighter"))
    known = published_of(before.filter(pl.col("started").dt.month() < 10), date(2029, 10, 5))
    renamed = before.with_columns(station=pl.col("station").replace({"North": "Hill"}))
    late = {one.period: one for one in due(renamed, date(2030, 1, 5), known)}
    assert {cell.part for cell in late["2029"].cells} == {"service", "role", "kind"}


def test_no_range_goes_beyond_the_wears() -> None:
    """Silent wears were "223 to 227" of 224."""
    known = published_of(wears_of(school("firefighter")))
    looked = 0
    for one in known.values():
        for cell in one.cells:
            assert cell.wears is not None
            for low, high in cell.events.values():
                assert low <= high <= cell.wears
                looked += high == cell.wears
    assert looked > 5
