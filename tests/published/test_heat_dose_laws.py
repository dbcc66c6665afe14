"""Convective and radiant dose laws, burn line, thermal classes.

Sources: SFPE Handbook of Fire Protection Engineering, 5th ed., Eq. 63.44 (p. 2382) and ISO 13571:2012
Eq. (9), both as restated by the documentation of an open evacuation simulator (mark V2, recomputed);
SFPE Eq. 63.43 (radiant, same source); Stoll and Chianta, second-degree burns, ASTM table read at a document
site (mark V), its closed form "from memory";
NIST Technical Note 1474 (2006) thermal classes, read at NIST's news page (mark V; class IV "from memory").
The laws are of air temperature on people without fire kit: no figure here is what a wearer felt.
"""

from __future__ import annotations

import numpy as np
import pytest

from analysis.heat.heat import (
    TESTED_S,
    dose_rate_s,
    seconds_in_classes,
    tenability_min,
    thermal_class,
)


@pytest.mark.parametrize(("temperature_c", "seconds"), [(100.0, 475.5), (150.0, 119.8), (200.0, 45.0)])
def test_worked_example_28_time_to_a_full_dose(temperature_c: float, seconds: float) -> None:
    found = tenability_min(np.array([temperature_c]), "sfpe_unclothed")[0] * 60.0
    assert found == pytest.approx(seconds, abs=0.05)  # printed to 0.1 s


@pytest.mark.parametrize(
    ("temperature_c", "unclothed_min", "clothed_min"),
    [
        (60.0, 45.0, 156.0),
        (80.0, 16.9, 55.3),
        (100.0, 7.92, 24.7),
        (120.0, 4.26, 12.8),
        (150.0, 2.00, 5.72),
        (160.0, 1.60, 4.53),
        (200.0, 0.75, 2.02),
    ],
)
def test_printed_table_of_both_laws(temperature_c: float, unclothed_min: float, clothed_min: float) -> None:
    at = np.array([temperature_c])
    assert tenability_min(at, "sfpe_unclothed")[0] == pytest.approx(unclothed_min, rel=0.007)
    assert tenability_min(at, "iso13571_clothed")[0] == pytest.approx(clothed_min, rel=0.005)


def test_worked_example_29_one_percent_hotter() -> None:
    base, hotter = dose_rate_s(np.array([200.0, 202.0]), "sfpe_unclothed")
    assert hotter / base - 1.0 == pytest.approx(0.034, abs=0.001)


def test_worked_example_29_stepping_by_seconds() -> None:
    # A 200 °C room; the sensor's 197.5 °C is what the published run stepped with.
    dose = np.cumsum(dose_rate_s(np.full(60, 197.5), "sfpe_unclothed"))
    assert int(np.argmax(dose >= 1.0)) + 1 == 48
    assert tenability_min(np.array([197.5]), "sfpe_unclothed")[0] * 60.0 == pytest.approx(47.0, abs=0.05)


def test_worked_example_30_profile() -> None:
    profile = np.repeat([60.0, 100.0, 150.0], [300, 240, 60])
    unclothed = dose_rate_s(profile, "sfpe_unclothed")
    parts = [unclothed[:300].sum(), unclothed[300:540].sum(), unclothed[540:].sum()]
    assert parts == pytest.approx([0.111, 0.505, 0.501], abs=0.0006)
    assert unclothed.sum() == pytest.approx(1.117, abs=0.0006)
    assert dose_rate_s(profile, "iso13571_clothed").sum() == pytest.approx(0.369, abs=0.0006)


@pytest.mark.parametrize(
    ("temperature_c", "minutes", "number", "within_tested"),
    [(100.0, 24, 1, True), (160.0, 16, 2, False), (200.0, 4, 3, True), (261.0, 1, 4, True)],
)
def test_worked_example_33_classes(
    temperature_c: float, minutes: int, number: int, within_tested: bool
) -> None:
    classes = thermal_class(np.full(minutes * 60, temperature_c))
    assert set(classes.tolist()) == {number}
    spent_s = float(seconds_in_classes(classes)[number - 1])
    assert (spent_s <= TESTED_S[number - 1]) is within_tested


def test_no_class_without_a_value() -> None:
    assert thermal_class(np.array([np.nan, 20.0])).tolist() == [0, 1]


def test_cold_air_gives_no_dose() -> None:
    assert dose_rate_s(np.array([-20.0, 0.0, np.nan]), "sfpe_unclothed").tolist() == [0.0, 0.0, 0.0]
