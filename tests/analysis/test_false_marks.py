"""Ledgers without a difference, drawn from a service's own wears: what stays, what goes, what is said."""

from __future__ import annotations

from datetime import date
from itertools import islice

import numpy as np
import polars as pl
import pytest

from analysis.trends.comparisons import signals
from analysis.trends.false_marks import FalseMarks, Redrawn, false_marks
from analysis.trends.ledger import SET_EVENTS
from analysis.trends.measures import flags_of
from analysis.trends.naming import codes_of, dispersion_by, expected_of, incident_of, strata_of
from dashboard.trends.sentences import chance_text
from tests.benchmarks.chance import RUNNING, ledger, named

NOTHING = pl.DataFrame(schema=SET_EVENTS)
KEPT = ("wear_id", "incident_id", "kind", "task", "wearer_id", "set_id", "started", "station", "role")


def test_a_copy_keeps_who_where_and_when_and_how_alike_incidents_are() -> None:
    wears = ledger(2, incidents_vary=2.0)
    draw, rng = Redrawn(wears), np.random.default_rng(0)
    copies = [draw.wears(rng) for _ in range(12)]
    assert all(copy.select(KEPT).equals(wears.select(KEPT)) for copy in copies)
    incidents, strata = codes_of(incident_of(wears))[0], strata_of(wears)
    for name, flag in flags_of(wears).items():
        drawn = [flags_of(copy)[name] for copy in copies]
        assert np.mean([one.sum() for one in drawn]) == pytest.approx(flag.sum(), rel=0.15)
        alike = [dispersion_by(incidents, one, expected_of(one, strata)) for one in drawn]
        assert np.mean(alike) == pytest.approx(
            dispersion_by(incidents, flag, expected_of(flag, strata)), rel=0.2
        )
    for name in ("under_air_min", "hard_min", "heat_dose", "mean_l_min"):
        assert copies[0][name].mean() == pytest.approx(wears[name].mean(), rel=0.1)
        assert copies[0][name].to_list() != wears[name].to_list()


def test_no_copy_has_what_was_planted() -> None:
    """A station with four times its exits, and a heat dose that doubles over the three years."""
    years = (pl.col("started").dt.year() - 2028).cast(pl.Float64)
    wears = ledger(1001, planted={"station": 4.0}).with_columns(pl.col("heat_dose") * (1 + 0.5 * years))
    assert ("station", "Station 2") in named(wears)
    rising = [one.measure for one in signals(wears, NOTHING, RUNNING).found if one.part == "service"]
    assert "heat_dose" in rising
    draw, rng = Redrawn(wears), np.random.default_rng(0)
    for _ in range(4):
        found = signals(draw.wears(rng), NOTHING, RUNNING).found
        told = {(one.part, one.name) for one in found} | {(one.part, one.measure) for one in found}
        assert not told & {("station", "Station 2"), ("service", "heat_dose")}
    counts = list(islice(false_marks(wears, NOTHING, RUNNING), 3))
    assert [one.drawn for one in counts] == [1, 2, 3]
    assert counts[-1].naming <= 1


def test_findings_about_sets_go_to_any_set() -> None:
    wears = ledger(4)
    when = wears["started"][0]
    one_set = pl.DataFrame(
        {"set_id": ["S-003"] * 40, "at": [when] * 40, "code": ["clock_wrong"] * 40}, schema=SET_EVENTS
    )
    made = Redrawn(wears).events(one_set, np.random.default_rng(0))
    assert len(made) == 40
    assert made["set_id"].n_unique() > 20


def test_no_wears_give_no_figure() -> None:
    assert list(false_marks(ledger(1).clear(), NOTHING, date(2031, 1, 1))) == []


def test_the_figure_is_said_with_its_upper_end() -> None:
    # R (scipy.stats.binomtest): 4 of 200 have an exact 95 % interval up to 5.04 %, none of 200 up to 1.83 %.
    assert chance_text(FalseMarks(200, 4, 0)) == (
        "How often is it chance? We made 200 copies of your wears without any difference. 4 still named "
        "somebody (2.0\u00a0%, probably at most 5.0\u00a0%). 0 showed a trend or a marked month "
        "(0.0\u00a0%, probably at most 1.8\u00a0%)."
    )
    assert "This is not measured on your own wears yet." in chance_text(FalseMarks())


def test_one_copy_is_one_copy() -> None:
    assert "We made 1 copy of your wears" in chance_text(FalseMarks(1, 0, 0))
