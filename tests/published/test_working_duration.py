"""Nominal working duration and turn-round as UK and marine training literature computes them.

Sources: a training presentation on breathing apparatus (9 L at 180 bar, V x p / 40 - 10 min; read, mark V);
a marine training page (1200 L at 40 L/min: 30 - 10 = 20 min; V); a SOLAS training manual, p. 292 (9 L and
twin 4 L at 200 bar, time of whistle; V); a firefighters' forum, topic 250 (reserve + (p - reserve) / 2,
rounded up to 10 bar; V, a discussion, not doctrine). Every figure recomputed. Nominal litres on purpose.
"""

from __future__ import annotations

import pytest

from analysis.air.gas import nominal_air_l
from analysis.policies import half_of_usable_bar, working_minutes


def test_worked_example_5() -> None:
    assert nominal_air_l(180.0, 9.0) == 1620.0
    assert working_minutes(180.0, 9.0, 40.0, 0.0) == 40.5
    assert working_minutes(180.0, 9.0, 40.0, 10.0) == 30.5
    assert working_minutes(180.0, 9.0, 130.0, 0.0) == pytest.approx(12.5, abs=0.05)  # printed to 0.1


def test_worked_example_6() -> None:
    assert working_minutes(200.0, 6.0, 40.0, 0.0) == 30.0
    assert working_minutes(200.0, 6.0, 40.0, 10.0) == 20.0


def test_worked_example_7() -> None:
    assert working_minutes(200.0, 9.0, 40.0, 10.0) == 35.0
    assert working_minutes(200.0, 2 * 4.0, 40.0, 10.0) == 30.0


def test_worked_example_8() -> None:
    # "reference library" mark of the sheet: doctrine's own formula, computed.
    assert working_minutes(300.0, 6.0, 40.0, 0.0) == 45.0
    assert working_minutes(300.0, 6.0, 40.0, 10.0) == 35.0
    assert working_minutes(300.0, 6.0, 50.0, 0.0) == 36.0


def test_margin_longer_than_the_air_is_no_time_at_all() -> None:
    assert working_minutes(50.0, 6.0, 40.0, 10.0) == 0.0


@pytest.mark.parametrize(
    ("start_bar", "exact_bar", "rounded_bar"),
    [
        (280.0, 170.0, 170.0),  # worked example 10
        (270.0, 165.0, 170.0),  # worked example 10
        (300.0, 180.0, 180.0),  # worked example 11 (same rule, computed)
        (250.0, 155.0, 160.0),  # worked example 11
        (240.0, 150.0, 150.0),  # worked example 11
    ],
)
def test_worked_examples_10_and_11(start_bar: float, exact_bar: float, rounded_bar: float) -> None:
    assert half_of_usable_bar(start_bar, 60.0) == exact_bar
    assert half_of_usable_bar(start_bar, 60.0, 10.0) == rounded_bar
