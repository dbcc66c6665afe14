"""Who is named and what is marked: the method's equations, and a sample of simulated services.

All figures, over 200 ledgers: `python -m tests.benchmarks.chance`.
"""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from analysis.trends.comparisons import QUESTIONS, signals
from analysis.trends.ledger import SET_EVENTS
from analysis.trends.naming import (
    JudgedUnits,
    dispersion_by,
    expected_of,
    judged,
    level_of_others,
    smallest_effect,
    strata_of,
)
from analysis.trends.prediction import BASELINE, MonthMark, lone_months, predicted_counts, predicted_logs
from dashboard.trends.sentences import smallest_text
from tests.benchmarks.chance import ledger, marked, named, step_seen

SAMPLE = 6


def test_few_of_a_sample_of_null_ledgers_name_anybody_or_mark_a_chart() -> None:
    """Alarms in runs of three used to name an innocent person in 38 of 40 such ledgers."""
    made = [ledger(seed) for seed in range(SAMPLE)]
    # 1 in 20 at most: two or more of six come once in thirty samples.
    assert sum(bool(named(one)) for one in made) <= 1
    assert sum(marked(one) for one in made) <= 1


def test_planted_effects_are_found() -> None:
    assert ("station", "Station 2") in named(ledger(1001, planted={"station": 4.0}))
    assert ("wearer", "W-025") in named(ledger(1002, planted={"wearer": 14.0}))
    assert ("set", "S-040") in named(ledger(1003, planted={"set": 12.0}))
    assert step_seen(ledger(2001, late=4.0))


def test_runs_of_alarms_count_no_more_than_single_ones() -> None:
    wears = ledger(3)
    longer = wears.with_columns(pl.col("no_motion_alarms", "distress_alarms") * 9)
    nothing = pl.DataFrame(schema=SET_EVENTS)
    assert signals(wears, nothing).found == signals(longer, nothing).found


def test_the_expected_count_follows_kind_and_task() -> None:
    """A station that attends only fires is compared with the service's fires."""
    fires = {"kind": ["incident"] * 60 + ["drill"] * 60, "task": [None] * 120}
    wears = pl.DataFrame(fires, schema_overrides={"task": pl.String})
    flag = np.array([1.0] * 12 + [0.0] * 48 + [1.0] * 3 + [0.0] * 57)
    expected = expected_of(flag, strata_of(wears))
    assert expected[0] == pytest.approx(12 / 60)
    assert expected[-1] == pytest.approx(3 / 60)
    station = np.array([0] * 60 + [1] * 60)  # one has all fires, the other all drills
    alone = np.arange(120)
    found = judged(station, flag, expected, alone, alone)
    assert found.observed.tolist() == [12.0, 3.0]
    assert found.expected == pytest.approx([12.0, 3.0])
    assert (found.chance > 0.4).all()


def test_the_chance_is_the_binomial_tail_of_thinned_counts() -> None:
    from scipy.stats import binom

    # R (scipy.stats.binom): with dispersion 1 the exact tail of O or more of T at E / T.
    flag = np.array([1.0] * 9 + [0.0] * 91)
    unit = np.array([0] * 9 + [1] * 91)
    expected = np.full(100, 0.09)
    found = judged(unit, flag, expected, np.arange(100), np.arange(100))
    assert found.chance[0] == pytest.approx(binom.sf(8, 9, 0.09))


def test_incidents_that_cluster_thin_the_counts() -> None:
    flag = np.array([1.0] * 10 + [0.0] * 90)
    clustered, expected = np.arange(100) // 10, np.full(100, 0.1)
    # By hand: one incident has 10 where 1 is expected, nine have 0: (81 + 9) / (100 x 0.09) = 10.
    assert dispersion_by(clustered, flag, expected) == pytest.approx(10.0)
    assert dispersion_by(np.arange(100), flag, expected) == pytest.approx(1.0)


def test_an_outlier_does_not_hide_itself() -> None:
    flag = np.zeros(400)
    flag[:12] = 1.0
    flag[100:109] = 1.0
    found = judged(np.repeat(np.arange(20), 20), flag, np.full(400, flag.mean()))
    assert found.observed[0] == 12
    assert found.dispersion[0] < found.dispersion[10]


def judged_draw(part: str, rng: np.random.Generator, ratio: float = 1.0) -> JudgedUnits:
    """Draw 4,400 wears of 6 stations of 20 people, and judge them; unit 0 has `ratio` times its due.

    Incidents of four wears differ by a gamma factor of variance 1.
    """
    incident = np.repeat(np.arange(1100), 4)
    station = incident % 6
    person = 20 * station + rng.integers(20, size=len(incident))
    units = station if part == "station" else person
    likely = 0.037 * rng.gamma(1.0, 1.0, 1100)[incident] * np.where(units == 0, ratio, 1.0)
    flag = (rng.random(len(incident)) < likely).astype(float)
    expected = np.full(len(flag), flag.mean())
    if part == "station":
        return judged(units, flag, expected, incident, person)
    return judged(units, flag, expected)


@pytest.mark.parametrize(
    ("part", "question", "family"), [("station", "group", 60), ("wearer", "wearer", 400)]
)
def test_the_smallest_effect_is_found_eight_times_in_ten(part: str, question: str, family: int) -> None:
    """By simulation, with all that the effect does to totals and dispersion. Before, a station: 0.7."""
    rng, level = np.random.default_rng(1), QUESTIONS[question] / family
    told = [smallest_effect(one, one.wears > 0, level) for one in (judged_draw(part, rng) for _ in range(25))]
    ratio = float(np.median([one.ratio * one.expected for one in told if one is not None])) / (
        4400 * 0.037 / (6 if part == "station" else 120)
    )
    found = [judged_draw(part, rng, ratio).chance[0] <= level for _ in range(400)]
    assert np.mean(found) == pytest.approx(0.8, abs=0.05)


def test_the_smallest_effect_is_told_in_words() -> None:
    judged = judged_draw("station", np.random.default_rng(1))
    effect = smallest_effect(judged, judged.wears > 0, 0.001)
    assert "a station that left below the warning 2.1 times as often" in smallest_text({"station": effect})
    assert smallest_text({"station": None}) == "There are too few events to notice even large differences."


def test_a_wearer_does_not_hide_behind_the_level_of_the_own_station() -> None:
    """The station of an outlier stands out for the outlier alone: the others are at their due."""
    station, person = np.repeat(np.arange(4), 100), np.repeat(np.arange(40), 10)
    flag = (np.arange(400) % 10 == 0).astype(float)
    flag[:10] = 1.0
    level = level_of_others(station, person, flag, np.full(400, 0.1))
    assert level[:10] == pytest.approx(1.0)
    assert level[10] == pytest.approx((9 + 9) / 9)
    assert level_of_others(np.zeros(3, int), np.zeros(3, int), np.ones(3), np.ones(3)).tolist() == [1, 1, 1]


def test_a_step_is_marked_and_a_season_is_not() -> None:
    rng = np.random.default_rng(4)
    month = np.repeat(np.arange(36), 120)
    season = 0.06 * (1 + 0.6 * np.cos(2 * np.pi * month / 12))
    none = np.full(len(month), -1)
    flat = (rng.random(len(month)) < season).astype(float)
    quiet = predicted_counts(flat, month, np.zeros(len(month), dtype=np.int64), none, 36, 0)
    assert quiet is not None
    assert quiet.marks == ()
    step = np.where(month >= 24, 2.2, 1.0)
    raised = (rng.random(len(month)) < season * step).astype(float)
    found = predicted_counts(raised, month, np.zeros(len(month), dtype=np.int64), none, 36, 0)
    assert found is not None
    assert any(mark.months == 12 and mark.above for mark in found.marks)
    ratio = found.observed[BASELINE:].sum() / found.expected[BASELINE:].sum()
    assert ratio == pytest.approx(2.2, abs=0.4)
    assert np.isnan(found.upper[:BASELINE]).all()


@pytest.mark.parametrize("over", [12, 24, 36])
def test_a_single_month_beyond_all_others_is_marked_also_where_nothing_else_is_judged(over: int) -> None:
    """Planted: 32 of 38 wears in one month, 4 of 38 in every other (10 %)."""
    month = np.repeat(np.arange(over), 38)
    zero = np.zeros(len(month), dtype=np.int64)
    flag = np.tile(np.r_[np.ones(4), np.zeros(34)], over)
    assert predicted_counts(flag, month, zero, zero - 1, over, 0) is None or over > BASELINE
    flag[38 * 11 : 38 * 11 + 32] = 1.0
    found = predicted_counts(flag, month, zero, zero - 1, over, 0)
    assert found is not None
    assert found.marks == (MonthMark(11, 1, above=True),)
    assert found.too_early == (over <= BASELINE)
    # What the last year is compared with leaves the month out: another December like it stands out again.
    if not found.too_early:
        assert found.expected[35] == pytest.approx(4.0, rel=1e-6)
        flag[38 * 35 : 38 * 35 + 32] = 1.0
        again = predicted_counts(flag, month, zero, zero - 1, over, 0)
        assert again is not None
        assert {mark.first for mark in again.marks if mark.months == 1} == {11, 35}


def test_one_bad_incident_or_a_season_is_no_month_beyond_chance() -> None:
    rng = np.random.default_rng(6)
    month = np.repeat(np.arange(24), 60)
    incident = np.arange(len(month)) // 6
    season = 0.15 * (1 + 0.6 * np.cos(2 * np.pi * month / 12))
    # Incidents differ by a gamma factor with variance 1, as in the measured study of the method.
    often = np.clip(season * rng.gamma(1.0, 1.0, incident.max() + 1)[incident], 0, 1)
    marked = [
        len(lone_months((rng.random(len(month)) < often).astype(float), month, month * 0, incident, 24))
        for _ in range(20)
    ]
    assert sum(marked) == 0
    assert (
        lone_months(
            np.ones(11 * 38), np.repeat(np.arange(11), 38), np.zeros(418, int), np.zeros(418, int), 11
        )
        == {}
    )


def test_a_fall_of_amounts_is_marked_by_their_logarithms() -> None:
    rng = np.random.default_rng(5)
    month = np.repeat(np.arange(36), 60)
    values = rng.lognormal(3.0, 0.4, len(month)) * np.where(month >= 24, 0.7, 1.0)
    found = predicted_logs(values, month, np.zeros(len(month), dtype=np.int64), 36, 0)
    assert found is not None
    assert any(mark.months == 12 and not mark.above for mark in found.marks)
    logs = found.observed[BASELINE:] - found.expected[BASELINE:]
    assert np.exp(logs.mean()) == pytest.approx(0.7, abs=0.05)


def test_too_few_months_or_events_are_not_judged() -> None:
    month = np.repeat(np.arange(24), 50)
    zero = np.zeros(len(month), dtype=np.int64)
    assert predicted_counts(np.ones(len(month)), month, zero, zero, 24, 0) is None
    month = np.repeat(np.arange(30), 50)
    zero = np.zeros(len(month), dtype=np.int64)
    few = np.zeros(len(month))
    few[:9] = 1.0
    assert predicted_counts(few, month, zero, zero, 30, 0) is None
