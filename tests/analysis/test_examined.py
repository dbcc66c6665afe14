"""What is computed of one wear before any rule looks at it."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from analysis.air.forecast import EARLY_END_ONLY_S
from analysis.findings import sensors
from analysis.findings.examined import Examined, early_ends, examine
from analysis.incident import analyse
from analysis.profile import Profile
from tests.analysis.test_silence_at_the_end import entry_of

PROFILE = Profile.default()
OPENED_US = 1_936_000_000_000_000


def peak_l_min(*rates: tuple[int, float]) -> float:
    """Give the peak of so many seconds at each rate (L/min)."""
    rate = np.concatenate([np.full(seconds, l_min) for seconds, l_min in rates])
    return Examined.peak_l_min(SimpleNamespace(air=SimpleNamespace(rate_l_min=rate)))  # type: ignore[arg-type]


def test_the_peak_is_the_highest_mean_of_any_minute() -> None:
    assert peak_l_min((100, 30.0), (60, 120.0), (100, 30.0)) == pytest.approx(120.0)
    assert peak_l_min((100, 30.0), (30, 120.0), (100, 30.0)) == pytest.approx(75.0)
    assert (
        peak_l_min((60, 120.0), (100, 30.0)) == peak_l_min((100, 30.0), (60, 120.0)) == pytest.approx(120.0)
    )
    assert peak_l_min((10, 40.0), (10, 80.0)) == pytest.approx(60.0)  # shorter than a minute: its mean


@pytest.mark.parametrize(
    ("minutes", "spikes", "breathed"),
    [(1.0, [False, False], True), (1.0, [False, True], False), (0.0, [False, False], False)],
)
def test_a_rate_needs_two_readings_apart_in_time(minutes: float, spikes: list[bool], breathed: bool) -> None:
    wear = SimpleNamespace(spike=np.array(spikes))
    one = SimpleNamespace(minutes=minutes, wear=wear)
    assert Examined.breathed.fget(one) is breathed  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("gain_l", "sd_l", "told_l"),
    [(20.0, 0.0, 0.0), (20.5, 0.0, 20.5), (30.0, 15.0, 0.0), (30.5, 15.0, 30.5), (-500.0, 0.0, 0.0)],
)
def test_a_cylinder_gains_air_only_beyond_20_l_and_two_deviations(
    gain_l: float, sd_l: float, told_l: float
) -> None:
    air = SimpleNamespace(free_air_l=-gain_l, free_air_sd_l=sd_l)
    assert Examined.gained_l.fget(SimpleNamespace(air=air)) == told_l  # type: ignore[attr-defined]


def examined_of(log: Any, monkeypatch: pytest.MonkeyPatch) -> Examined:
    found: list[Examined] = []

    def kept(*asked: Any) -> list[Examined]:
        found.extend(examine(*asked))
        return found

    monkeypatch.setattr("analysis.incident.examine", kept)
    analyse(log.frames(), PROFILE)
    (one,) = found
    return one


@pytest.mark.parametrize(("before_s", "known"), [(300.0, True), (301.0, False)])
def test_a_temperature_of_five_minutes_before_the_wear_still_tells_the_surroundings(
    log: Any, monkeypatch: pytest.MonkeyPatch, before_s: float, known: bool
) -> None:
    talker = log.talker("S-1")
    talker.breathe(600, 100)
    talker.said = [one for one in talker.said if one[1] != "temperature"]
    talker.say(600 - before_s, "temperature", temperature_c=60.0)
    one = examined_of(log, monkeypatch)
    assert one.heat is None  # nothing was read during the wear
    warm = one.air.gas_temperature_c[-1]
    talker.said = [each for each in talker.said if each[1] != "temperature"]
    assert bool(warm > examined_of(log, monkeypatch).air.gas_temperature_c[-1]) is known


def test_a_reading_in_the_first_second_is_part_of_the_heat(log: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    talker = log.talker("S-1")
    talker.breathe(60, 100)
    talker.said = [one for one in talker.said if one[1] != "temperature"]
    talker.say(60, "temperature", temperature_c=60.0)
    one = examined_of(log, monkeypatch)
    assert one.heat is not None
    assert one.heat.temperature_c[0] == 60.0


@pytest.mark.parametrize(("first_s", "unheard_s"), [(69.0, 0.0), (70.0, 60.0), (75.0, 65.0)])
def test_a_set_not_heard_for_a_minute_after_the_tally_counts_as_unheard(
    log: Any, first_s: float, unheard_s: float
) -> None:
    desk, talker = log.desk(), log.talker("S-1")
    desk.say(10, "tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-1")
    talker.breathe(first_s, 100, opens=False)
    desk.say(200, "tally", incident_id="I-1", action="out", set_id="S-1", wearer_id="W-1")
    assert entry_of(log)["unheard_s"] == pytest.approx(unheard_s, abs=0.001)


@pytest.mark.parametrize(
    ("witnesses", "offset_bar"),
    [
        ([("closed", 5.0)], 5.0),
        ([("closed", -5.0)], -5.0),
        ([("closed", 4.9)], None),
        ([("full", 25.0)], None),
        ([("full", 5.0), ("warning", 11.0)], 8.0),
        ([("full", 5.0), ("warning", 11.1)], None),
        ([("full", 5.0), ("warning", 5.0)], 5.0),
        ([("full", 4.8), ("warning", 5.0)], None),
        ([("closed", 5.0), ("full", 11.0)], 8.0),
        ([("closed", 5.0), ("full", 11.1), ("warning", 11.1)], 5.0),
    ],
)
def test_an_offset_is_5_bar_at_least_and_its_witnesses_agree_to_6_bar(
    monkeypatch: pytest.MonkeyPatch, witnesses: list[tuple[str, float]], offset_bar: float | None
) -> None:
    monkeypatch.setattr(sensors, "_witnesses", lambda *_: witnesses)
    one: Any = SimpleNamespace(wear=SimpleNamespace(wear_id="1"))
    found = sensors.offsets_of([one], [])
    assert found == ({} if offset_bar is None else {"1": (pytest.approx(offset_bar), witnesses)})


@pytest.mark.parametrize(("first_bar", "full"), [(305.0, [("full", 5.0)]), (304.0, [])])
def test_a_cylinder_5_bar_above_its_rated_pressure_is_a_witness(
    first_bar: float, full: list[tuple[str, float]]
) -> None:
    wear = SimpleNamespace(
        power_up=SimpleNamespace(channels={}),
        cylinder=SimpleNamespace(rated_bar=300.0),
        restarted_from=None,
        first_bar=first_bar,
    )
    assert sensors._witnesses(SimpleNamespace(wear=wear), []) == full  # type: ignore[arg-type]


@pytest.mark.parametrize("before_s", [0, 100])
def test_the_early_end_counts_from_the_second_in_which_the_wear_is_no_longer_young(
    monkeypatch: pytest.MonkeyPatch, before_s: int
) -> None:
    """A wear that goes on after a pause is as old as what was before."""
    began = SimpleNamespace(started_us=OPENED_US - 1_000_000 * before_s)
    monkeypatch.setattr("analysis.findings.examined.unbroken", lambda _: [began])
    seconds = int(EARLY_END_ONLY_S) + 2
    one: Any = SimpleNamespace(
        wear=SimpleNamespace(started_us=OPENED_US, wear_id="1"),
        seconds=seconds,
        air=SimpleNamespace(low_air_min=np.full(seconds, 9.0), low_air_lo_min=np.full(seconds, 4.0)),
    )
    at_us, early_min = early_ends([one])["1"]
    assert (at_us[0], at_us[-1]) == (OPENED_US, OPENED_US + 1_000_000 * (seconds - 1))
    assert early_min.tolist() == [9.0] * (int(EARLY_END_ONLY_S) - before_s) + [4.0] * (2 + before_s)


def test_nobody_tallied_in_is_not_unheard(log: Any) -> None:
    log.talker("S-1").breathe(60, 100)
    assert entry_of(log)["unheard_s"] == 0.0
