"""A gauge that does not move: how long it may, what a hang does to the figures, and what the row says."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import pytest

from analysis.air.breathing import AirTrack, LiveAir, reconstruct
from analysis.air.breathing_model import BREATHING
from analysis.air.gas import Cylinder, FloatArray
from analysis.incident import analyse
from analysis.live.rows import Row
from analysis.profile import Profile
from dashboard.live.display import STANDARD
from dashboard.live.row_view import row_view
from sample_logs.simulation.wear import SimulatedWear, simulate_wear

LOW_AIR_BAR = 55.0


@lru_cache(maxsize=16)
def even_work(
    rate_l_min: float, step_bar: float = 1.0, every_s: float = 1.0, then_l_min: float = 0.0
) -> SimulatedWear:
    """Breathing that goes up and down by 15 %; from 8 min on at another rate, if there is one."""
    seconds = np.arange(9000)
    level = np.where((seconds > 480) & (then_l_min > 0.0), then_l_min, rate_l_min)
    return simulate_wear(
        np.random.default_rng(1),
        rate_l_min=level * (1.0 + 0.15 * np.sin(seconds / 47.0)),
        until_bar=50.0,
        reading_step_bar=step_bar,
        reading_interval_s=every_s,
    )


def hung(wear: SimulatedWear, from_s: float, until_s: float) -> FloatArray:
    """Return its readings, of a gauge that stays where it was from one moment until another."""
    held = (wear.reading_time_s >= from_s) & (wear.reading_time_s < until_s)
    return np.where(held, wear.reading_bar[int(np.argmax(held))], wear.reading_bar)


def air_of(wear: SimulatedWear, bar: FloatArray, **more: Any) -> AirTrack:
    return reconstruct(wear.reading_time_s, bar, wear.cylinder, start_temperature_c=20.0, **more)


HANGS = [(45.0, 480, 600), (45.0, 480, 720), (45.0, 480, 960), (45.0, 240, 480), (70.0, 480, 720)]


@pytest.mark.parametrize(("rate_l_min", "from_s", "until_s"), HANGS)
def test_after_a_hang_the_forecast_is_that_of_a_gauge_that_never_hung(
    rate_l_min: float, from_s: int, until_s: int
) -> None:
    wear = even_work(rate_l_min)
    reached_s = wear.reached_s(LOW_AIR_BAR)
    assert reached_s is not None
    sound, air = air_of(wear, wear.reading_bar), air_of(wear, hung(wear, from_s, until_s))
    after = np.arange(until_s + 2, int(reached_s) - 120)
    left_min = (reached_s - after) / 60.0
    assert (air.low_air_lo_min[after] < left_min).all()
    np.testing.assert_allclose(air.low_air_min[after], sound.low_air_min[after], rtol=0.08)
    np.testing.assert_allclose(air.low_air_lo_min[after], sound.low_air_lo_min[after], rtol=0.12)
    # Neither the hang nor the jump after it was ever measured: no rest and no burst.
    assert air.hardest_l_min[-1] == pytest.approx(sound.hardest_l_min[-1], rel=0.05)
    assert air.easiest_l_min[-1] == pytest.approx(sound.easiest_l_min[-1], rel=0.05)
    assert air.rate_l_min.max() == pytest.approx(sound.rate_l_min.max(), rel=0.05)
    assert air.free_air_l == pytest.approx(sound.free_air_l, abs=5.0)
    # The mean over the hang is what fell in it.
    between = slice(from_s, until_s)
    assert air.rate_l_min[between].mean() == pytest.approx(sound.rate_l_min[between].mean(), rel=0.03)
    assert not air.heard[from_s + 10 : until_s - 1].any()


@pytest.mark.parametrize("step_bar", [0.1, 1.0, 5.0])
@pytest.mark.parametrize("rate_l_min", [30.0, 45.0, 70.0])
def test_while_a_gauge_hangs_the_early_end_is_no_later_than_when_it_moved(
    rate_l_min: float, step_bar: float
) -> None:
    """From 20 readings alike on, if the rate before would have moved it by three steps."""
    wear = even_work(rate_l_min, step_bar)
    bar = hung(wear, 480, 900)
    air = air_of(wear, bar)
    moved = int(np.flatnonzero(np.diff(bar[:481]))[-1]) + 1
    due_s = max(20.0, 3 * max(step_bar, 0.5) * 6.8 / (0.7 * rate_l_min) * 60.0)
    for column in (air.low_air_lo_min, air.low_air_hardest_min):
        reached_s = np.arange(len(column)) + 60.0 * column
        assert (reached_s[int(moved + due_s) : 899] <= reached_s[moved] + 1e-6).all()


@pytest.mark.parametrize(("rate_l_min", "from_s", "until_s"), HANGS)
def test_live_and_afterwards_a_hang_is_the_same_to_the_last_bit(
    rate_l_min: float, from_s: int, until_s: int
) -> None:
    wear = even_work(rate_l_min)
    bar = hung(wear, from_s, until_s)
    air, live = air_of(wear, bar), LiveAir(wear.cylinder, 20.0, 20.0)
    asked = {from_s + 10, from_s + 40, from_s + 100, until_s - 2, until_s, until_s + 1, until_s + 50}
    for at_s, reading in zip(wear.reading_time_s.tolist(), bar.tolist(), strict=True):
        live.add(at_s, reading)
        second = int(at_s)
        if at_s in asked:
            estimate = live.at(at_s)
            assert estimate.rate_l_min == air.live_rate_l_min[second]
            assert tuple(estimate.minutes_to(LOW_AIR_BAR)) == (
                air.low_air_min[second],
                air.low_air_lo_min[second],
                air.low_air_hi_min[second],
            )
            assert estimate.if_hardest(LOW_AIR_BAR).minutes == air.low_air_hardest_min[second]


@pytest.mark.parametrize("every_s", [1.0, 5.0, 30.0])
@pytest.mark.parametrize("step_bar", [0.1, 1.0, 5.0, 10.0])
@pytest.mark.parametrize("rest_l_min", [6.0, 10.0])
def test_who_really_rests_loses_nothing(rest_l_min: float, step_bar: float, every_s: float) -> None:
    wear = even_work(50.0, step_bar, every_s, rest_l_min)
    air = air_of(wear, wear.reading_bar)
    without = air_of(wear, wear.reading_bar, breathing=replace(BREATHING, stuck_readings=1e6))
    assert air.stuck.size == 0
    for name in ("rate_l_min", "low_air_min", "low_air_hi_min", "hardest_l_min", "easiest_l_min", "heard"):
        np.testing.assert_array_equal(getattr(air, name), getattr(without, name))
    # A step that is due holds the early end until it comes.
    given = np.isfinite(air.low_air_lo_min)
    assert (air.low_air_lo_min <= without.low_air_lo_min)[given].all()
    assert np.median((without.low_air_lo_min - air.low_air_lo_min)[given]) < 0.2


def test_a_gauge_that_hangs_until_the_end_invents_no_litre() -> None:
    """Nobody knows what was breathed since; what the gauge shows is the least."""
    wear = even_work(45.0)
    until = int(np.searchsorted(wear.reading_time_s, 1200.0))
    bar = hung(wear, 700, 1e9)[:until]
    air = reconstruct(wear.reading_time_s[:until], bar, wear.cylinder, start_temperature_c=20.0)
    as_shown = reconstruct(
        wear.reading_time_s[:until],
        bar,
        wear.cylinder,
        start_temperature_c=20.0,
        breathing=replace(BREATHING, stuck_readings=1e6),
    )
    assert air.free_air_l == as_shown.free_air_l
    assert air.stuck.size
    assert not air.heard[710:].any()


@pytest.mark.parametrize(
    ("before", "alike", "every_s", "since_s"),
    [
        # 3 steps of 10 bar, in 6.8 L: 204 L, at 6 L/min 34 min. Nothing else was read before.
        ((), 20, 107.3, None),
        ((), 20, 107.5, 0.0),
        # The gauge moved by 1 bar before: 20.4 L, 3 min 24 s.
        ((251.0,), 20, 10.7, None),
        ((251.0,), 20, 10.8, 10.8),
        ((251.0,), 4, 120.0, None),  # too few readings
        ((251.0,), 5, 60.0, 60.0),
        # A step of 0.1 bar counts as 0.5 bar: 10.2 L, 1 min 42 s.
        ((250.1,), 20, 5.3, None),
        ((250.1,), 20, 5.4, 5.4),
    ],
)
def test_since_when_a_gauge_hangs(
    before: tuple[float, ...], alike: int, every_s: float, since_s: float | None
) -> None:
    live = LiveAir(Cylinder(1, 6.8, 300.0), 20.0, 20.0)
    for place, bar in enumerate([*before, *[250.0] * alike]):
        live.add(place * every_s, bar)
    found = live.unmoved_since_s
    certain = found is not None and found[1]
    assert certain == (since_s is not None)
    if certain and found is not None:
        assert found[0] == since_s


def test_one_reading_far_off_while_a_gauge_hangs_ends_no_hang_for_good() -> None:
    """The gauge hangs, slips once, and hangs on: the forecast is never long again."""
    wear = even_work(45.0)
    reached_s = wear.reached_s(LOW_AIR_BAR)
    assert reached_s is not None
    bar = hung(wear, 480, 960)
    bar[720] -= 10.0
    air = air_of(wear, bar)
    early_s = np.arange(len(bar)) + 60.0 * air.low_air_lo_min
    assert (early_s[560 : int(reached_s) - 120] < reached_s).all()


def breathes(log: Any, from_s: float, until_s: float, bar_s: float = 0.12, closes: bool = False) -> Any:
    desk, one = log.desk(), log.talker("S-1")
    desk.say(0, "incident", incident_id="I-1", action="open")
    desk.say(1, "tally", incident_id="I-1", action="in", wearer_id="W-1", set_id="S-1", team="Larch")
    one.set_up(0)
    one.breathe(20, 1500, bar_s=bar_s, closes=closes)
    level = next(f["pressure_bar"] for at, kind, _, _, f in one.said if kind == "pressure" and at >= from_s)
    one.said = [
        (at, kind, lost, kept, {"pressure_bar": level})
        if kind == "pressure" and from_s <= at < until_s
        else (at, kind, lost, kept, fields)
        for at, kind, lost, kept, fields in one.said
    ]
    return desk


def only(snapshot: Any) -> Row:
    row: Row
    (row,) = snapshot.rows
    return row


def said(row: Row, code: str) -> list[Any]:
    return [one for one in row.reasons if one.code == code]


def test_the_row_says_how_long_the_gauge_had_hung_as_long_as_it_matters(log: Any, see: Any) -> None:
    breathes(log, 480, 960)
    assert not said(only(see(500)), "stuck")
    may, hangs = only(see(600)), only(see(900))
    assert may.low_air is not None
    assert said(may, "stuck")
    assert said(hangs, "stuck")
    assert (hangs.low_air, hangs.low_air_was_expected_at is not None) == (None, True)
    soon, shown = only(see(990)), see(1100)
    row = only(shown)
    for one in (soon, row):
        assert one.losing_min is None  # the jump is no loss of air
        (reason,) = said(one, "hung")
        assert log.at(960).timestamp() == pytest.approx(reason.since_at, abs=0.5)
        assert not said(one, "stuck")
    why = row_view(row, shown.at, STANDARD)["why"]
    assert "until 2:19 ago the reading had not moved for 8 min" in why
    assert not said(only(see(1145)), "hung")


def test_of_a_set_that_named_no_cylinder_the_row_says_it_too(log: Any, see: Any) -> None:
    breathes(log, 480, 960)
    (one,) = [talker for talker in log.talkers if talker.name == "S-1"]
    one.said = [told for told in one.said if told[1] != "setup"]
    assert said(only(see(900)), "stuck")
    assert said(only(see(1000)), "hung")


def test_review_and_row_agree_on_what_hung(log: Any, see: Any) -> None:
    breathes(log, 480, 960)
    (reason,) = said(only(see(1100)), "hung")
    findings = analyse(log.frames(), Profile.default())["findings"]
    (found,) = findings.filter(findings["code"] == "readings_stuck").to_dicts()
    assert found["ended"].timestamp() == pytest.approx(reason.since_at, abs=1.5)
    assert "it then fell by" in found["statement"]
    assert not set(findings["code"]) & {"free_flow", "readings_set_aside"}


class TestSlowAndCoarseGauges:
    """Mended: at a reading a minute the early end moved later, by minutes, as long as the gauge hung."""

    @staticmethod
    def live_until(wear: SimulatedWear, bar: FloatArray, at_s: float) -> LiveAir:
        live = LiveAir(wear.cylinder, 20.0, 20.0)
        for second, pressure in zip(wear.reading_time_s, bar, strict=True):
            if second <= at_s:
                live.add(float(second), float(pressure))
        return live

    @pytest.mark.parametrize(
        ("step_bar", "every_s", "known_after_s"),
        [(1.0, 1.0, 210), (1.0, 15.0, 240), (1.0, 30.0, 270), (1.0, 60.0, 300), (2.0, 60.0, 480)],
    )
    def test_a_hang_is_known_as_soon_at_a_set_that_reports_seldom(
        self, step_bar: float, every_s: float, known_after_s: int
    ) -> None:
        wear = even_work(45.0, step_bar, every_s)
        live = self.live_until(wear, hung(wear, 480, 9000), 480 + known_after_s)
        since = live.unmoved_since_s
        assert since is not None
        assert (since[1], abs(since[0] - 480) <= max(every_s, 20.0)) == (True, True)

    @pytest.mark.parametrize("step_bar", [1.0, 2.0, 5.0, 10.0])
    @pytest.mark.parametrize("every_s", [2.0, 15.0, 60.0])
    def test_no_early_end_moves_later_while_it_may_hang(self, step_bar: float, every_s: float) -> None:
        wear = even_work(45.0, step_bar, every_s)
        bar = hung(wear, 480, 9000)
        early = list[float]()
        for at_s in range(480, 1500, 30):
            live = self.live_until(wear, bar, at_s)
            early.append(at_s / 60.0 + live.at(at_s).minutes_to(LOW_AIR_BAR).low)
        # From when three steps at the rate before are over, and the next reading came.
        held_s = np.arange(480, 1500, 30)[round(3.0 * step_bar * 6.8 / 45.0 * 2.0 + every_s / 15.0 + 1.0) :]
        held = np.array(early)[-len(held_s) :]
        assert (held <= np.maximum(early[0], held_s / 60.0) + 0.02).all()
