"""Low-air warning and motionless alarm: EN 137, NFPA 1981 and 1982, BS 10999-2, all by secondary sources.

Sources (mark V2 unless said otherwise): EN 137, 55 plus or minus 5 bar, as restated by a lexicon of
respiratory protection; NFPA 1981:2007 25 %, NFPA 1981:2013 33 % with -0/+5 %, as restated in trade
literature; the psi figures are computed from the percentages only (mark C); NFPA 1982 pre-alarm at 20 s and
alarm at 30 s, BS 10999-2:2010 30 s and 10 s more, as restated by a test laboratory.
"""

from __future__ import annotations

import numpy as np
import pytest

from analysis.alarms.derived import still_from_motion
from analysis.findings.alarms import warning_verdict
from analysis.profile import shipped_profile
from analysis.records import runs_of


def test_worked_example_20_percentages_of_4500_psi() -> None:
    rated_psi = 4500.0
    assert 0.25 * rated_psi == 1125.0
    low_psi = 0.33 * rated_psi
    assert (low_psi, 0.38 * rated_psi) == (pytest.approx(1485.0), pytest.approx(1710.0))
    early_psi = 0.05 * rated_psi
    verdicts = [warning_verdict(psi, low_psi, early_psi, 0.0) for psi in (1490.0, 1480.0, 1720.0)]
    assert verdicts == ["in band", "late", "early"]


def test_worked_example_20_in_the_shipped_profile() -> None:
    air = shipped_profile("thirds").air
    bar_per_psi = 0.0689476
    assert air.low_air_bar == pytest.approx(1485.0 * bar_per_psi, abs=0.5)
    assert air.low_air_bar + air.warning_early_bar == pytest.approx(1710.0 * bar_per_psi, abs=0.5)
    assert air.warning_late_bar == 0.0


@pytest.mark.parametrize(
    ("first_bar", "verdict"), [(49.9, "late"), (50.0, "in band"), (60.0, "in band"), (60.1, "early")]
)
def test_worked_example_21_band_of_55_bar(first_bar: float, verdict: str) -> None:
    air = shipped_profile("default").air
    assert warning_verdict(first_bar, air.low_air_bar, air.warning_early_bar, air.warning_late_bar) == verdict


def seconds_of_alarm(moves_again_s: int | None, after_s: float) -> list[int]:
    """Return when a motionless alarm stands: last motion at 0 s, readings every second."""
    at_us = np.arange(61) * 1_000_000
    motion = np.zeros(61)
    motion[0] = 1.0
    if moves_again_s is not None:
        motion[moves_again_s] = 1.0
    still_s = still_from_motion(at_us, motion, 0.35)
    return [first for first, _ in runs_of(still_s >= after_s)]


def test_worked_example_22_two_stages() -> None:
    rules = shipped_profile("default").motion
    assert seconds_of_alarm(None, rules.no_motion_prealarm_s) == [20]
    assert seconds_of_alarm(None, rules.no_motion_alarm_s) == [30]


def test_worked_example_22_motion_at_25_s_cancels() -> None:
    rules = shipped_profile("default").motion
    assert seconds_of_alarm(25, rules.no_motion_prealarm_s) == [20, 45]
    assert seconds_of_alarm(25, rules.no_motion_alarm_s) == [55]


def test_worked_example_22_british_timing() -> None:
    rules = shipped_profile("half_of_usable").motion
    assert seconds_of_alarm(None, rules.no_motion_prealarm_s) == [30]
    assert seconds_of_alarm(None, rules.no_motion_alarm_s) == [40]
