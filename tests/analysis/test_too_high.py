"""Pressures that no cylinder holds, as of a set that sends psi: nobody believes them."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest

from analysis.air.gas import Cylinder
from analysis.incident import analyse
from analysis.live.rows import Row, Snapshot
from analysis.profile import Profile
from analysis.wears.too_high import mark_too_high
from dashboard.live.display import STANDARD
from dashboard.live.row_view import row_view
from tests.analysis.wears_by_hand import power_up as power_up_of

PSI = 14.5038  # one bar (NIST SP 811)


def sends(log: Any, factor: float, *, from_bar: float, seconds: int, boot: int = 1, at_s: float = 60) -> None:
    """Breathe 0.1 bar/s (some 40 L/min from 6.8 L), told in another unit."""
    one = log.talker("S-1", boot)
    one.set_up(at_s - 50)
    if boot == 1:
        one.say(at_s - 20, "pressure", pressure_bar=0.0)
    for second in range(seconds):
        said = float(round((from_bar - 0.1 * second) * factor))
        one.say(at_s + second, "pressure", pressure_bar=said)


def tallied(log: Any) -> Any:
    desk = log.desk()
    desk.say(0, "incident", incident_id="I-1", action="open")
    desk.say(35, "tally", incident_id="I-1", action="in", wearer_id="W-1", set_id="S-1")
    return desk


def only(snapshot: Snapshot) -> Row:
    (row,) = snapshot.rows
    return row


@pytest.mark.parametrize(("factor", "from_bar"), [(PSI, 60.0), (100.0, 30.0)])
def test_a_set_that_sends_another_unit_is_not_believed_once_it_is_nearly_empty(
    log: Any, see: Any, factor: float, from_bar: float
) -> None:
    """Refused above 500, then 29 bar left was shown as 427 bar, and 5 as 73."""
    tallied(log)
    sends(log, factor, from_bar=from_bar, seconds=int(from_bar * 10))
    for second in range(0, int(from_bar * 10) - 150, 7):
        shown = see(200 + second)
        row = only(shown)
        assert (row.attention, row.started_at, row.low_air) == ("not_accounted", None, None)
        assert row.lost is not None
        assert (row.lost.code, row.pressure_bar or 0.0) == ("readings_refused", 0.0)
        assert "readings refused or too high, no pressure for" in row_view(row, shown.at, STANDARD)["why"]
    results = analyse(log.frames(), Profile.default())
    assert results["wears"].is_empty()
    (finding,) = results["findings"].filter(pl.col("code") == "pressure_not_believed").to_dicts()
    refused = results["refused"]["messages"].sum()
    assert finding["statement"].endswith(f" {refused} pressure messages of the set were refused.")
    (entry,) = results["findings"].filter(pl.col("code") == "tallied_without_wear")["statement"]
    assert entry.endswith(f" {refused} pressure messages of the set were refused.")
    assert finding["statement"].startswith("Set S-1 sent ")


@pytest.mark.parametrize(("factor", "end_bar"), [(PSI, 120.0), (100.0, 20.0)])
def test_a_set_whose_readings_were_all_refused_gets_no_wear_out_of_a_line_that_bleeds_down(
    log: Any, see: Any, factor: float, end_bar: float
) -> None:
    """A wear of 0 s out of one reading, and with it neither a silence nor an unknown exit was left."""
    desk = tallied(log)
    sends(log, factor, from_bar=end_bar + 30, seconds=300)
    one = log.talkers[-1]
    for second, share in enumerate((0.4, 0.16, 0.06, 3.3 / end_bar, 0.0, 0.0, 0.0)):
        one.say(361 + second, "pressure", pressure_bar=round(end_bar * share * factor, 1))
    for at_s in (300, 364.5, 366, 380):
        row = only(see(at_s))
        assert (row.started_at, row.pressure_bar or 0.0, row.low_air, row.turn_back) == (
            None,
            0.0,
            None,
            None,
        ), at_s
    desk.say(400, "tally", incident_id="I-1", action="out", wearer_id="W-1", set_id="S-1")
    results = analyse(log.frames(), Profile.default())
    assert results["wears"].is_empty()
    assert results["findings"].filter(code="tallied_without_wear").height == 1


def test_a_reading_refused_for_being_too_high_inside_a_wear_is_a_slip_as_a_kept_one_is(log: Any) -> None:
    tallied(log)
    one = log.talker("S-1")
    one.set_up(10)
    for second in range(300):
        one.say(60 + second, "pressure", pressure_bar=600.0 if second in (0, 100) else 300 - 0.1 * second)
    (wear,) = analyse(log.frames(), Profile.default())["wears"].to_dicts()
    assert wear["end_bar"] == pytest.approx(270.1)


def test_a_set_that_nobody_tallied_in_has_a_row_until_a_desk_speaks_of_it(log: Any, see: Any) -> None:
    desk = log.desk()
    desk.say(0, "incident", incident_id="I-1", action="open")
    sends(log, PSI, from_bar=30.0, seconds=200)
    desk.say(220, "tally", incident_id="I-1", action="out", wearer_id="W-1", set_id="S-1")
    assert see(55).rows == ()
    for at_s in (70, 130, 215):
        row = only(see(at_s))
        assert row.lost is not None
        assert (row.set_id, row.wearer_id, row.attention) == ("S-1", None, "not_accounted")
        assert (row.lost.code, row.lost.since_at) == ("readings_refused", log.at(60).timestamp())
        assert row.sent_bar is not None
        assert row.reasons[-1].code == "sent_unbelieved"
    assert see(230).rows == ()


def test_nor_after_a_restart_without_a_closed_valve(log: Any, see: Any) -> None:
    tallied(log)
    sends(log, PSI, from_bar=30.0, seconds=60)
    sends(log, PSI, from_bar=23.0, seconds=120, boot=2, at_s=130)  # 334 psi
    assert only(see(240)).started_at is None
    log.talkers[-1].say(260, "pressure", pressure_bar=0.0)
    log.talkers[-1].breathe(300, 60, closes=False)  # it was put right
    row = only(see(350))
    assert (row.pressure_bar, row.started_at is not None) == (296.0, True)


def test_a_slip_of_the_sensor_costs_nobody_the_wear(log: Any, see: Any) -> None:
    tallied(log)
    one = log.talker("S-1")
    one.set_up(10)
    one.breathe(60, 400, closes=False)
    for at_s in (60.5, 61.5, 200.5, *np.arange(300.5, 380.5).tolist()):
        one.say(at_s, "pressure", pressure_bar=480.0)
    for at_s, bar in ((150, 292.0), (250, 283.0), (430, 267.0)):
        row = only(see(at_s))
        assert (row.pressure_bar, row.started_at is not None) == (pytest.approx(bar, abs=1.0), True)
    (wear,) = analyse(log.frames(), Profile.default())["wears"].to_dicts()
    assert wear["start_bar"] == pytest.approx(300.0, abs=1.0)


@pytest.mark.parametrize(
    ("bar", "marked"),  # a reading a second; None: 26 s of silence
    [
        ([0, 300, 299], None),
        ([0, 390, 390], None),  # at the limit of a cylinder of 300 bar
        ([0, 391, 391, 300], [0, 1, 1, 0]),  # two readings are a slip
        ([0, 391, 391, 391, 300, 4.9, 300], [0, 1, 1, 1, 1, 0, 0]),
        ([300, 391, 391, 391, 300], [0, 1, 1, 1, 0]),  # it was believed before
        ([391, 300], [1, 0]),
        ([391, None, 300, 299], [1, 1, 1]),
    ],
)
def test_which_readings_are_too_high(bar: list[float | None], marked: list[int] | None) -> None:
    said, at_s = [], 0.0
    for one in bar:
        at_s += 1.0 if one is not None else 25.0
        said += [(at_s, one)] if one is not None else []
    power_up = power_up_of("S-1", 1, said)
    mark_too_high([(power_up, Cylinder(1, 6.8, 300.0))])
    assert (None if power_up.too_high is None else power_up.too_high.astype(int).tolist()) == marked


SOUND = [295.0 - 0.1 * second for second in range(10)]  # 40 L/min from 6.8 L


def marks(*power_ups: list[tuple[float, float]], cylinder: Cylinder | None = None) -> list[list[int] | None]:
    ups = [power_up_of("S-1", boot, said) for boot, said in enumerate(power_ups, start=1)]
    mark_too_high([(one, cylinder or Cylinder(1, 6.8, 300.0)) for one in ups])
    return [None if one.too_high is None else one.too_high.astype(int).tolist() for one in ups]


def each_second(bar: list[float], from_s: float = 0.0) -> list[tuple[float, float]]:
    return [(from_s + second, one) for second, one in enumerate(bar)]


def test_a_transient_at_the_opening_costs_no_sound_reading() -> None:
    """430 to 295 bar within a second: in psi that would be 3,800 L/min, in bar 55,000."""
    assert marks(each_second([0, 430, 430, 430, 430, *SOUND])) == [[0, 1, 1, 1, 1, *[0] * 10]]
    # It comes down in steps.
    said = each_second([430, 425, 410, 380, 345.1, 320, 304, 296, *SOUND])
    assert marks(said) == [[1] * 7 + [0] * 11]  # 304 goes, 296 stays


@pytest.mark.parametrize(
    ("first_bar", "stands_bar", "sound"),
    # 600 L/min from 6.8 L in psi: 21.3 psi in a second. What stands is at most 1.15 x 300 bar.
    [(391, 367, False), (391, 344, True), (391, 346, False), (365.9, 345, None), (391.2, 345, True)],
)
def test_it_must_come_down_faster_than_anybody_breathes_if_it_were_psi(
    first_bar: float, stands_bar: float, sound: bool | None
) -> None:
    said = each_second([first_bar] * 3 + [stands_bar] * 20)
    assert marks(said) == [None if sound is None else [1] * 3 + [0 if sound else 1] * 20]


@pytest.mark.parametrize(("apart_s", "sound"), [(2.0, True), (2.5, False)])  # 46 bar: 21.3 bar/s for 2.16 s
def test_how_fast_is_counted_from_the_last_one_too_high(apart_s: float, sound: bool) -> None:
    said = [*each_second([391.0] * 3), *each_second([345.0] * 20, 2.0 + apart_s)]
    assert marks(said) == [[1] * 3 + [0 if sound else 1] * 20]


@pytest.mark.parametrize(("seconds", "sound"), [(8, False), (9, True)])
def test_it_must_stand_for_8_s_after_the_leap(seconds: int, sound: bool) -> None:
    said = each_second([430] * 3 + SOUND[:seconds])
    assert marks(said) == [[1] * 3 + [0 if sound else 1] * seconds]


def test_kpa_fall_on_after_the_leap() -> None:
    """100 L/min of 6.8 L, the cylinder nearly empty: 25 kPa in a second."""
    said = each_second([500.0 - 25.0 * second for second in range(20)])
    assert marks(said) == [[1] * 20]


@pytest.mark.parametrize(("l_min", "sound"), [(7.0, True), (70.0, True), (76.0, False)])
def test_after_a_gap_it_is_told_by_a_minute_of_breathing(l_min: float, sound: bool) -> None:
    """5 L/min in psi is 10.7 psi a minute of 6.8 L, as 73.5 L/min in bar: nobody breathes so little."""
    falls = l_min / 60 / 6.8 * 1.01325
    said = [(0.0, 430.0), *each_second([295 - falls * second for second in range(61)], 27.0)]
    assert marks(said) == [[1, *[0 if sound else 1] * 61]]
    assert marks(said[:-1]) == [[1] * 61]
    assert marks([*said[:-1], (87.0, 4.0)]) == [[1] * 61 + [0]]


def test_a_gauge_that_stands_is_no_sound_one() -> None:
    """As one in psi whose wearer is out of breath or whose valve is shut."""
    assert marks([(0.0, 430.0), *each_second([295.0] * 200, 27.0)]) == [[1] * 201]


def test_a_sound_gauge_is_believed_after_a_restart() -> None:
    early, late = each_second([0, 430, 430, 430]), each_second([*SOUND], 30.0)
    assert marks(early, late) == [[0, 1, 1, 1], [1] * 10]
    late = each_second([290 - 0.1 * second for second in range(100)], 30.0)
    assert marks(early, late) == [[0, 1, 1, 1], None]
    hours_s = 3.0 + 3600.0
    assert marks(early, each_second(SOUND, hours_s + 0.1)) == [[0, 1, 1, 1], None]
    assert marks(early, each_second(SOUND, hours_s)) == [[0, 1, 1, 1], [1] * 10]


@pytest.mark.parametrize("rate", [0.05, 0.1, 0.25, 0.4])  # bar/s: some 20 to 160 L/min
@pytest.mark.parametrize("lost_s", [0, 10, 26, 60, 120])
@pytest.mark.parametrize("factor", [PSI, 100.0])
def test_no_rate_and_no_gap_makes_another_unit_sound(rate: float, lost_s: int, factor: float) -> None:
    """Refused above 500; closed at the end, when it bleeds down."""
    said = [(second, round((40.0 - rate * second) * factor)) for second in range(int(40 / rate))]
    heard = [(float(second), float(bar)) for second, bar in said if 5 <= bar <= 500]
    first_s = heard[0][0]
    heard = [one for one in heard if not 3 < one[0] - first_s <= 3 + lost_s]
    assert marks(heard) == [[1] * len(heard)]


def test_live_it_is_shown_as_sent_and_told_at_the_warning_and_then_believed(log: Any, see: Any) -> None:
    tallied(log)
    one = log.talker("S-1")
    one.set_up(10)
    one.say(40, "pressure", pressure_bar=0.0)
    one.say(60, "pressure", pressure_bar=430.0)
    for second in range(100):
        one.say(87 + second, "pressure", pressure_bar=round(295 - 0.1 * second, 1))
    shown = see(100)
    row = only(shown)
    assert (row.started_at, row.sent_bar) == (None, pytest.approx(293.7, abs=0.2))
    assert "sent 294 bar, not believed" in row_view(row, shown.at, STANDARD)["why"]
    assert not shown.alarms
    row = only(see(160))
    assert (row.pressure_bar, row.started_at is not None) == (pytest.approx(287.7, abs=0.2), True)
    (wear,) = analyse(log.frames(), Profile.default())["wears"].to_dicts()
    assert wear["start_bar"] == pytest.approx(295.0, abs=0.2)


def test_at_the_warning_as_sent_somebody_is_told(log: Any, see: Any) -> None:
    """In psi the cylinder is empty then."""
    tallied(log)
    sends(log, PSI, from_bar=30.0, seconds=265)  # 56 psi and 55 psi at 322 s and 323 s
    low = {at_s: see(at_s) for at_s in (320, 324)}
    assert [len(one.alarms) for one in low.values()] == [0, 1]
    (line,) = low[324].alarms
    assert (line.alarm, line.derived, line.detail) == ("low_air", True, None)
    row = only(low[324])
    assert (row.attention, row.lost.code if row.lost else None) == ("not_accounted", "readings_refused")
    assert "sent 54 bar, not believed" in row_view(row, low[324].at, STANDARD)["why"]


def test_so_it_is_for_a_set_that_nobody_tallied_in(log: Any, see: Any) -> None:
    sends(log, PSI, from_bar=30.0, seconds=265)
    assert (see(321).alarms, only(see(321)).sent_bar) == ((), 58.0)
    (line,) = see(323).alarms
    assert (line.alarm, line.wearer_id, line.raised_at) == ("low_air", None, log.at(322).timestamp())


@pytest.mark.parametrize(("then_bar", "sound"), [(378.0, False), (377.9, True)])
def test_a_leap_is_over_25_bar(then_bar: float, sound: bool) -> None:
    """Without one nobody can tell it from psi with a wearer at rest."""
    said = [(0.0, 403.0), *each_second([then_bar - 0.1 * s for s in range(400)], 27.0)]
    high = Cylinder(1, 6.8, 350.0)  # its limit is 402.5 bar
    assert marks(said, cylinder=high) == [[1] + [0 if sound else 1] * 400]


@pytest.mark.parametrize(("seconds", "sound"), [(300, False), (301, True)])
def test_after_5_min_7_l_min_are_enough(seconds: int, sound: bool) -> None:
    """90 L/min in bar are 6.2 L/min in psi."""
    said = [(0.0, 430.0), *each_second([295 - 90 / 60 / 6.8 * 1.01325 * s for s in range(seconds)], 27.0)]
    assert marks(said) == [[1, *[0 if sound else 1] * seconds]]


def test_a_minute_of_rest_later_on_does_not_make_psi_sound() -> None:
    """40 L/min, then 3 L/min; 20 s are lost as it comes below the limit."""
    bar = [0.1 * min(s, 120) + 0.0075 * max(s - 120, 0) for s in range(200)]
    said = [(float(s), round((27.5 - one) * PSI)) for s, one in enumerate(bar) if not 4 < s < 24]
    assert marks([(s, float(one)) for s, one in said]) == [[1] * len(said)]
