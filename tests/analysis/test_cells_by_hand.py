"""What may be published, rule by rule at its limits, and two years of releases kept as they were.

The limits are our own rules (see `analysis.trends.cells`); the kept releases are regression values. After a
wanted change: ``python -m tests.analysis.test_cells_by_hand`` writes them anew; read the difference.
"""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import polars as pl
import pytest

from analysis.trends.cells import (
    Cell,
    Percentile,
    Published,
    groups_of,
    joined,
    merged,
    planning_of,
    printed_range,
    safe_people,
    shown,
    two_figures,
)
from analysis.trends.publishing import FREE, Equations, another, due, system_of, told
from analysis.trends.wear_arrays import (
    Period,
    Worked,
    inside_days,
    month_of,
    periods_over,
    quarter_of,
    year_of,
)
from dashboard.trends.outside import figure_text, names_text, range_text, service_of, tables
from dashboard.trends.releases import faults, publish, published

KEPT = Path(__file__).with_suffix(".json")
APRIL = 12 * 2031 + 3


def ledger(months: int = 27, seed: int = 5, events: float = 0.06) -> pl.DataFrame:
    """Wears of 48 people at four stations, one of them small, in three roles."""
    rng = np.random.default_rng(seed)
    rows = []
    for month in range(months):
        for _ in range(int(rng.integers(25, 60))):
            person = int(rng.integers(0, 48))
            rows.append(
                {
                    "started": datetime(
                        2029 + month // 12, month % 12 + 1, int(rng.integers(1, 28)), tzinfo=UTC
                    ),
                    "wearer_id": f"W-{person:02d}" if rng.random() > 0.03 else None,
                    "station": ("North", "South", "Mill", "Outpost")[min(person // 14, 3)],
                    "role": "instructor" if person % 12 == 0 else ("pump", "attack")[person % 2],
                    "kind": str(rng.choice(["incident", "drill", "training"], p=[0.6, 0.3, 0.1])),
                    "task": str(rng.choice(["search", "hose", ""])),
                    "low_air_exits": int(rng.random() < events),
                    "no_motion_alarms": int(rng.random() < events / 2),
                    "distress_alarms": int(rng.random() < events / 6),
                    "silent_min": float(rng.choice([0.0, 0.9, 1.0, 2.0], p=[0.7, 0.2, 0.05, 0.05])),
                    "under_air_min": float(rng.normal(22, 5)),
                    "hard_min": float(rng.random() * 6),
                    "heat_dose": float(rng.random() * 0.4) if person % 3 else None,
                    "mean_l_min": float(rng.normal(45, 9)),
                }
            )
    return pl.DataFrame(rows, infer_schema_length=None).sort("started")


def released() -> list[dict[str, Any]]:
    """Give what is published of the ledger: a year and a half at once, then month by month."""
    wears = ledger()
    known: dict[str, Published] = {}
    made: list[Published] = []
    for day in (date(2030, 7, 1), *(date(2030, month, 1) for month in range(8, 13)), date(2031, 4, 2)):
        heard = wears.filter(pl.col("started").dt.date() < day)
        for one in due(heard, day, known):
            known[one.period] = one
            made.append(one)
    return list(msgspec.to_builtins(made))


def test_two_years_are_published_as_they_were() -> None:
    kept = json.loads(KEPT.read_text(encoding="utf-8"))
    shown_now = json.loads(msgspec.json.encode(released()))
    assert [one["period"] for one in shown_now] == [one["period"] for one in kept]
    for now, then in zip(shown_now, kept, strict=True):
        assert now == then, now["period"]


def test_a_quarter_and_a_year_have_means_that_single_months_cannot_tell() -> None:
    """One month of few hard minutes silenced its quarter and year: 81 of 84 cells were empty."""
    wears = ledger(12)
    month = wears["started"].dt.month()
    few = (month % 3 == 2) & (pl.Series(range(wears.height)) % 20 != 0)
    wears = wears.with_columns(hard_min=pl.when(few).then(0.0).otherwise("hard_min"))
    known = {one.period: one.cells[0] for one in due(wears, date(2030, 1, 1), {})}
    assert not any("hard_min" in one.means for name, one in known.items() if name.count("-0"))
    for name in ("2029-Q1", "2029-Q2", "2029-Q3", "2029-Q4", "2029"):
        inside = wears if name == "2029" else wears.filter((month + 2) // 3 == int(name[-1]))
        assert known[name].means["hard_min"] == pytest.approx(inside["hard_min"].mean(), rel=0.06)


def test_a_month_without_a_wear_takes_no_figure_from_its_quarter() -> None:
    wears = ledger(3).filter(pl.col("started").dt.month() != 2)
    known = {one.period: one.cells[0] for one in due(wears, date(2029, 4, 1), {})}
    assert list(known) == ["2029-01", "2029-03", "2029-Q1"]
    quarter, minutes = known["2029-Q1"], wears["under_air_min"]
    assert (quarter.wears, quarter.hours) == (wears.height, 5 * round(minutes.sum() / 300))
    assert quarter.means["under_air_min"] == two_figures(minutes.mean())


def test_a_mean_that_one_month_cannot_tell_is_in_no_longer_period() -> None:
    """Whoever subtracts the other months from the quarter would have that month's."""
    wears = ledger(3)
    in_february = pl.col("started").dt.month() == 2
    busiest = wears.filter(in_february)["wearer_id"].drop_nulls().mode().sort()[0]
    short = in_february & (pl.col("wearer_id") != busiest)
    wears = wears.with_columns(under_air_min=pl.when(short).then(0.1).otherwise("under_air_min"))
    known = {one.period: one.cells[0].means for one in due(wears, date(2029, 4, 1), {})}
    months = ["under_air_min" in known[f"2029-0{month}"] for month in (1, 2, 3)]
    assert months == [True, False, True]
    assert "under_air_min" not in known["2029-Q1"]


def worn(by_month: dict[int, list[str | None]]) -> pl.DataFrame:
    """Give two wears, alike, of each of these people in these months of 2029."""
    told = [
        (datetime(2029, month, day, tzinfo=UTC), who)
        for month, people in by_month.items()
        for who in people
        for day in (1, 2)
    ]
    wears = pl.DataFrame(told, schema=["started", "wearer_id"], orient="row")
    return ledger(1).head(1).drop("started", "wearer_id").join(wears, how="cross").sort("started")


def test_ten_people_are_enough_for_a_month_and_its_means_and_nobody_is_none_of_them() -> None:
    people = [f"W-{number}" for number in range(10)]
    (month,) = due(worn({1: [*people, None]}), date(2029, 2, 1), {})
    assert (month.cells[0].wears, *month.cells[0].means) == (22, "under_air_min")
    (few,) = due(worn({1: [*people[:9], None]}), date(2029, 2, 1), {})
    assert few.cells == (Cell(part="service"),)


@pytest.mark.parametrize(("last", "wears"), [(10, 44), (9, None)])
def test_ten_people_are_enough_for_what_a_quarter_adds_to_its_months(last: int, wears: int | None) -> None:
    people: list[str | None] = [f"W-{number}" for number in range(12)]
    made = due(worn({1: people, 2: people[:5], 3: people[5:last]}), date(2029, 4, 1), {})
    assert [(one.period, one.cells[0].wears) for one in made] == [
        ("2029-01", 24), ("2029-02", None), ("2029-03", None), ("2029-Q1", wears)
    ]  # fmt: skip


def test_two_spellings_of_one_name_do_not_fill_a_group() -> None:
    """Six people, typed by two desks in two ways, were published as a group of at least ten."""
    wears = ledger(3)
    spelled = [f"w{n % 6}" if n % 7 else f"W-0{n % 6}" for n in range(wears.height)]
    twice = wears.with_columns(wearer_id=pl.Series(spelled))
    assert twice["wearer_id"].n_unique() == 12
    worked = Worked(twice)
    assert (worked.people, worked.alike[0]) == (6, ["W-00", "w0"])
    for one in due(twice, date(2029, 4, 1), {}):
        assert [cell.wears for cell in one.cells] == [None]
    assert Worked(wears).alike == []


def test_one_group_alone_is_the_service_again_and_not_published() -> None:
    wears = ledger(3).with_columns(station=pl.lit("North"))
    (quarter,) = (one for one in due(wears, date(2029, 4, 1), {}) if one.period == "2029-Q1")
    assert {cell.part for cell in quarter.cells} == {"service", "role", "kind"}


class TestPeriods:
    def test_names_and_ends(self) -> None:
        assert month_of(APRIL) == Period("2031-04", APRIL, APRIL + 1)
        assert month_of(APRIL + 8).name == "2031-12"
        assert month_of(APRIL + 9).name == "2032-01"
        assert [quarter_of(APRIL + n) for n in range(3)] == [Period("2031-Q2", APRIL, APRIL + 3)] * 3
        assert [quarter_of(APRIL + n).name for n in (-3, -1, 3, 8)] == [
            "2031-Q1",
            "2031-Q1",
            "2031-Q3",
            "2031-Q4",
        ]
        assert year_of(APRIL) == Period("2031", 12 * 2031, 12 * 2032)
        assert [one.name for one in quarter_of(APRIL).months()] == ["2031-04", "2031-05", "2031-06"]
        assert [one.name for one in year_of(APRIL).quarters()] == [f"2031-Q{n}" for n in (1, 2, 3, 4)]
        assert len(year_of(APRIL).months()) == 12

    def test_a_period_is_over_when_its_last_month_is(self) -> None:
        def over(today: date) -> list[str]:
            return [one.name for one in periods_over(12 * 2030 + 10, today)]

        assert over(date(2030, 11, 30)) == []
        assert over(date(2030, 12, 1)) == ["2030-11"]
        assert over(date(2030, 12, 31)) == ["2030-11"]
        assert over(date(2031, 1, 1)) == ["2030-11", "2030-12", "2030-Q4", "2030"]
        assert over(date(2031, 4, 1))[4:] == ["2031-01", "2031-02", "2031-03", "2031-Q1"]

    @pytest.mark.parametrize(
        ("name", "first", "last"),
        [
            ("2031-02", date(2031, 2, 1), date(2031, 2, 28)),
            ("2031-12", date(2031, 12, 1), date(2031, 12, 31)),
            ("2031-Q1", date(2031, 1, 1), date(2031, 3, 31)),
            ("2031-Q4", date(2031, 10, 1), date(2031, 12, 31)),
            ("2031", date(2031, 1, 1), date(2031, 12, 31)),
        ],
    )
    def test_inside_days_at_both_ends(self, name: str, first: date, last: date) -> None:
        day = timedelta(days=1)
        assert inside_days(name, first, last)
        assert inside_days(name, None, last)
        assert inside_days(name, first, None)
        assert inside_days(name, None, None)
        assert not inside_days(name, first + day, last)
        assert not inside_days(name, first, last - day)
        assert not inside_days(name, first + day, None)
        assert not inside_days(name, None, last - day)


class TestGroups:
    @pytest.mark.parametrize(
        ("amounts", "safe"),
        [
            ([1.0] * 10, True),
            ([1.0] * 9, False),  # too few people
            ([1.0] * 9 + [0.0], False),  # nobody's nothing is no person
            ([7.0] + [1.0] * 13, True),  # 7 of 20: just 35 %
            ([7.1] + [1.0] * 13, False),  # more than 35 %
            ([6.0, 6.0] + [1.2 / 8] * 8, False),  # 49 %, and the rest is 20 % of the busiest
            ([10.0, 17.0] + [2.5] * 8, False),
            ([10.0] * 2 + [1.1] * 8, True),  # 35 % at most: 10 of 28.8, the rest 8.8 of 10
        ],
    )
    def test_who_shares_an_amount(self, amounts: list[float], safe: bool) -> None:
        assert safe_people(np.array(amounts)) is safe

    def test_a_profile_may_ask_for_more_people(self) -> None:
        assert not safe_people(np.ones(11), 12)
        assert safe_people(np.ones(12), 12)

    @pytest.mark.parametrize(
        ("count", "printed"),
        [(0, (0, 2)), (2, (0, 2)), (3, (3, 7)), (7, (3, 7)), (8, (8, 12)), (12, (8, 12)), (13, (13, 17))],
    )
    def test_ranges_are_the_counts_that_round_alike(self, count: int, printed: tuple[int, int]) -> None:
        assert printed_range(count, 40) == printed
        assert printed_range(count, count) == (printed[0], count)
        assert printed[0] <= count <= printed[1]

    def test_two_figures(self) -> None:
        assert [two_figures(value) for value in (23.46, 0.01234, 987.0)] == [23.0, 0.012, 990.0]
        assert np.isnan(two_figures(float("nan")))

    def test_small_groups_are_joined_smallest_first_until_all_are_large(self) -> None:
        """Columns are people, the last one nobody's; four stations of 12, 11, 6 and 5 people."""
        counts = np.zeros((4, 35))
        for row, (first, size) in enumerate(((0, 12), (12, 11), (23, 6), (29, 5))):
            counts[row, first : first + size] = 1
        names = ("a", "b", "c", "d")
        assert merged(counts, names, frozenset()) == {frozenset("a"), frozenset("b"), frozenset("cd")}
        before = frozenset({frozenset("ad")})
        assert merged(counts, names, before) == {frozenset("ad"), frozenset("bc")}
        assert merged(counts[2:], names[2:], frozenset()) == {frozenset("cd")}
        assert merged(counts[3:], names[3:], frozenset()) is None
        ten = np.append(np.ones((1, 10)), [[7.0]], axis=1)
        assert merged(ten, ("a",), frozenset()) == {frozenset("a")}
        assert merged(ten[:, 1:], ("a",), frozenset()) is None
        absent = np.vstack([counts, np.zeros(35)])
        assert merged(absent, (*names, "e"), frozenset({frozenset("e")})) == merged(
            counts, names, frozenset()
        )

    def test_joined_groups_hold_every_group(self) -> None:
        first = frozenset({frozenset("ab"), frozenset("c"), frozenset("d")})
        second = frozenset({frozenset("a"), frozenset("bc"), frozenset("d")})
        assert joined([first, second]) == {frozenset("abc"), frozenset("d")}
        assert joined([]) == frozenset()

    def test_what_was_shown(self) -> None:
        hidden = Published(period="2031-04", cells=(Cell(part="service"),))
        open_ = Published(
            period="2031-04", cells=(Cell(part="service", wears=40), Cell(part="role", names=("a",)))
        )
        assert (shown(None), shown(hidden), shown(open_)) == (False, False, True)
        assert groups_of(open_, "role") == {frozenset("a")}
        assert groups_of(open_, "station") == groups_of(None, "role") == frozenset()


class TestWhatCanBeSolved:
    """x + y = z: one month of three is left out, or two ranges leave one value."""

    @staticmethod
    def sum_of_two(low: list[float], high: list[float]) -> Equations:
        keys = [(name, "service", ()) for name in ("z", "x", "y")]
        return Equations(keys, np.array(low), np.array(high), np.array([[1.0, -1.0, -1.0]]))

    def test_a_count_with_one_value_is_told(self) -> None:
        system = self.sum_of_two([8, 3, 3], [12, 3, 7])  # x is 3, so y is 5 to 7
        nobody = np.zeros((3, 3))
        assert told(system, np.array([8.0, 3.0, 5.0]), nobody) == [1]
        tight = self.sum_of_two([8, 1, 3], [8, 5, 3])
        assert told(tight, np.array([8.0, 5.0, 3.0]), nobody) == [0, 1, 2]

    def test_counts_above_fifteen_and_of_nothing_need_no_cover(self) -> None:
        nobody = np.zeros((3, 3))
        assert told(self.sum_of_two([16, 16, 0], [16, 16, 0]), np.array([16.0, 16.0, 0.0]), nobody) == []
        assert told(self.sum_of_two([15, 15, 0], [15, 15, 0]), np.array([15.0, 15.0, 0.0]), nobody) == [0, 1]

    def test_a_colleague_knows_the_own_shifts(self) -> None:
        """x is 0 to 2; whoever had 2 of them knows that it is 2."""
        system = self.sum_of_two([0, 0, 0], [12, 2, 7])
        true = np.array([6.0, 2.0, 4.0])
        colleague = np.zeros((3, 3))
        assert told(system, true, colleague) == []
        colleague[1, 1] = 2.0
        assert told(system, true, colleague) == [1]

    def test_a_count_may_be_one_less_or_one_more(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Without the rounds that spare most of the work: the last look at each count alone."""
        monkeypatch.setattr("analysis.trends.publishing.ROUNDS", 0)
        nobody = np.zeros((3, 3))
        down, up = self.sum_of_two([0, 0, 7], [9, 1, 9]), self.sum_of_two([0, 1, 7], [9, 2, 9])
        assert told(down, np.array([8.0, 1.0, 7.0]), nobody) == []
        assert told(up, np.array([8.0, 1.0, 7.0]), nobody) == []
        assert told(self.sum_of_two([0, 1, 7], [9, 1, 9]), np.array([8.0, 1.0, 7.0]), nobody) == [1]

    def test_a_second_table_respects_every_bound(self) -> None:
        system = self.sum_of_two([0, 0, 0], [12, 7, 7])
        aim, nobody = np.array([1.0, 1.0, 1.0]), np.zeros(3)
        assert another(system, aim, nobody, {}).tolist() == [0, 0, 0]  # type: ignore[union-attr]
        assert another(system, -aim, nobody, {}).tolist()[0] == 12  # type: ignore[union-attr]
        found = another(system, aim, nobody, {1: (3.0, FREE)})
        assert found is not None
        assert found.tolist() == [3, 3, 0]
        assert another(system, aim, nobody, {1: (8.0, FREE)}) is None
        least = another(system, aim, np.array([0.0, 0.0, 2.0]), {})
        assert least is not None
        assert least.tolist() == [2, 0, 2]

    def test_ranges_that_contradict_each_other_are_an_error(self) -> None:
        with pytest.raises(ValueError, match="contradict"):
            told(self.sum_of_two([1, 3, 3], [2, 4, 4]), np.array([2.0, 3.0, 3.0]), np.zeros((3, 3)))

    def test_what_is_known_of_a_count(self) -> None:
        year = year_of(APRIL)
        cells = {
            ("2031-04", "service", ()): Cell(part="service", wears=40, events={"m": (3, 7)}),
            ("2031-05", "service", ()): Cell(part="service", wears=30),  # not shown: at most all of them
            ("2031-06", "service", ()): Cell(part="service", wears=0),
            ("2031-07", "service", ()): Cell(part="service"),
            ("2031-Q2", "role", ("a",)): Cell(part="role", names=("a",), wears=9, events={"m": (0, 2)}),
        }
        system = system_of(year, cells, "m")
        at = {key: (system.low[n], system.high[n]) for n, key in enumerate(system.keys)}
        assert [at[f"2031-{month:02d}", "service", ()] for month in (4, 5, 6, 7)] == [
            (3, 7), (0, 30), (0, 0), (0, FREE)
        ]  # fmt: skip
        assert at["2031-Q2", "role", ("a",)] == (0, 2)
        # Four quarters of three months, the year of four quarters, and a quarter of its roles.
        assert sorted((row != 0).sum() for row in system.sums) == [2, 4, 4, 4, 4, 5]
        assert all(row.sum() == 1 - ((row != 0).sum() - 1) for row in system.sums)


def test_what_was_published_is_read_whole_and_gone_on_with(tmp_path: Path) -> None:
    wears = ledger(3)
    first = publish(tmp_path, wears, datetime(2029, 2, 3, tzinfo=UTC))
    second = publish(tmp_path, wears, datetime(2029, 3, 3, tzinfo=UTC))
    assert (list(first), list(second)) == (["2029-01"], ["2029-01", "2029-02"])
    assert second["2029-01"] == first["2029-01"]
    assert published(tmp_path) == second
    assert faults(tmp_path) == (2, [])


def test_what_was_published_as_tables() -> None:
    cell = Cell(
        part="service", wears=40, hours=15, events={"low_air_exits": (3, 7)}, means={"heat_dose": 0.12}
    )
    group = Cell(part="role", names=("a", "b", "c"), wears=0)
    made = tables({"2031-04": Published(period="2031-04", cells=(cell,)),
                   "2031-Q2": Published(period="2031-Q2", cells=(cell, group))})  # fmt: skip
    (month,), (whole, part) = made["by_month"].to_dicts(), made["by_quarter"].to_dicts()
    assert (month["low_air_exits_low"], month["low_air_exits_high"]) == (3, 7)
    assert (month["low_air_exits_rate_low"], month["low_air_exits_rate_high"]) == (
        75.0,
        180.0,
    )  # of 1000 wears
    few = msgspec.structs.replace(cell, wears=29, events={"low_air_exits": (8, 12), "silent_wears": (0, 2)})
    (row,) = tables({"2031-04": Published(period="2031-04", cells=(few,))})["by_month"].to_dicts()
    assert row["low_air_exits_rate_low"] == 270.0  # 8 of 29 are 275.9: 280 would be above the truth
    assert row["low_air_exits_rate_high"] == 420.0  # 12 of 29 are 413.8
    assert (row["silent_wears_rate_low"], row["silent_wears_rate_high"]) == (0.0, 69.0)
    assert (month["silent_wears_rate_low"], month["heat_dose_mean"], month["hard_min_mean"]) == (
        None,
        0.12,
        None,
    )
    assert (whole["name"], part["name"], part["low_air_exits_rate_low"]) == ("all", "a, b and c", None)
    rates = (Percentile(task=task, quantile=0.5, rate_l_min=40.0) for task in ("", "hose"))
    planned = tables({"2031": Published(period="2031", cells=(cell,), planning=tuple(rates))})[
        "planning_rates"
    ]
    assert planned.rows() == [("2031", "all", 0.5, 40.0), ("2031", "hose", 0.5, 40.0)]
    known = {name: Published(period=name, cells=(cell, group)) for name in ("2031-05", "2031-04", "2031-Q2")}
    assert service_of(known, "month") == [("2031-04", cell), ("2031-05", cell)]


def test_a_planning_rate_has_ten_wears_of_five_people_beyond_it() -> None:
    wears = ledger(12)
    year = year_of(12 * 2029)

    def rates(part: pl.DataFrame) -> set[tuple[str, float]]:
        return {(one.task, one.quantile) for one in planning_of(Worked(part), year, (0.5, 0.9))}

    assert rates(wears) == {(task, q) for task in ("", "hose", "search") for q in (0.5, 0.9)}
    few = wears.sort("mean_l_min", descending=True).with_row_index("n")
    # Ten wears lie above the 90 % point of 100, nine above that of 90.
    assert ("", 0.9) in rates(few.head(100).drop("n"))
    assert ("", 0.9) not in rates(few.head(90).drop("n"))
    # Of 21 alike but for two in the middle, nine lie below and ten above the median.
    sure = few.filter(pl.col("wearer_id").is_not_null() & (pl.col("under_air_min") > 15)).drop("n")
    sure = sure.with_row_index("n").with_columns(task=pl.lit(""))
    middle = pl.when(pl.col("n") < 10).then(60.0).when(pl.col("n") < 12).then(50.0).otherwise(40.0)
    assert ("", 0.5) not in rates(sure.with_columns(mean_l_min=middle).head(21).drop("n"))
    assert ("", 0.5) in rates(sure.with_columns(mean_l_min=middle).head(22).drop("n"))
    # The ten highest are those of four people only.
    names = pl.when(pl.col("n") < 30).then(pl.format("W-0{}", pl.col("n") % 4)).otherwise(pl.col("wearer_id"))
    assert ("", 0.9) not in rates(few.with_columns(wearer_id=names).head(250).drop("n"))


def test_how_a_cell_is_written() -> None:
    assert (range_text((3, 7)), range_text(None)) == ("3 to 7", "–")
    assert [figure_text(value) for value in (None, 0.12, 23.0, 99.0, 100.0, 1200.0)] == [
        "–", "0.12", "23", "99", "100", "1,200"
    ]  # fmt: skip
    names = ((), ("a",), ("a", "b"), ("a", "b", "c"))
    told = [names_text(Cell(part="role", names=each)) for each in names]
    assert told == ["all", "a", "a and b", "a, b and c"]


def planned(rows: list[tuple[str | None, float, float]], quantile: float) -> list[float]:
    """Give the planning rates of wears as (wearer, L/min, minutes under air)."""
    wears = ledger(1).head(1).drop("wearer_id", "mean_l_min", "under_air_min", "task")
    told = pl.DataFrame(
        rows, schema=["wearer_id", "mean_l_min", "under_air_min"], orient="row", infer_schema_length=None
    )
    wears = wears.join(told, how="cross").with_columns(task=pl.lit(""))
    return [one.rate_l_min for one in planning_of(Worked(wears), year_of(12 * 2029), (quantile,))]


def test_a_planning_rate_is_of_known_people_who_breathed_for_three_minutes() -> None:
    rows = [(f"W-{n % 12:02d}", 30.0 + n, 3.0) for n in range(60)]  # 30 to 89 L/min
    assert planned(rows, 0.5) == [60.0]
    short = [(who, 200.0, 2.9) for who, _, _ in rows]
    idle = [(who, 0.0, 20.0) for who, _, _ in rows]
    nobodys = [(None, 200.0, 20.0) for _ in rows]
    assert planned([*rows, *short, *idle, *nobodys], 0.5) == [60.0]


def test_five_people_beyond_a_planning_rate_are_enough_and_a_high_one_needs_nobody_below() -> None:
    low = [(f"W-{n % 12:02d}", 40.0, 20.0) for n in range(90)]
    high = [(f"W-{n % 5:02d}", 60.0 + n, 20.0) for n in range(10)]
    assert len(planned([*low, *high], 0.9)) == 1
    few = [(f"W-{n % 4:02d}", 60.0 + n, 20.0) for n in range(10)]
    assert planned([*low, *few], 0.9) == []
    assert planned([*low, *high[:9]], 0.9) == []  # 40 L/min, and those at it are not beyond it
    # Four people have nearly all wears, ten others one each: the highest.
    busy = [(f"W-{n % 4:02d}", 30.0 + n % 7, 20.0) for n in range(96)]
    others = [(f"W-1{n}", 60.0 + n, 20.0) for n in range(10)]
    assert len(planned([*busy, *others], 0.9)) == 1
    assert planned([*busy, *others], 0.3) == []


if __name__ == "__main__":
    lines = [json.dumps(one) for one in json.loads(msgspec.json.encode(released()))]
    KEPT.write_text("[\n" + ",\n".join(lines) + "\n]\n", encoding="utf-8")
