"""Wears: when a set was under air, with which cylinder, for whom; the valve alone decides."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import polars as pl
import pytest

from analysis.incident import analyse
from analysis.profile import Profile
from analysis.wears.setups import cylinder_of
from analysis.wears.valve import CHANGED, CLOSED, OPEN_AT_END, spikes, under_air
from analysis.wears.wears import Wear

PROFILE = Profile.default()


def wears_of(log: Any) -> list[dict[str, Any]]:
    return analyse(log.frames(), PROFILE)["wears"].to_dicts()


def codes_of(log: Any) -> list[str]:
    return analyse(log.frames(), PROFILE)["findings"]["code"].to_list()


def seconds_after(log: Any, moment: Any) -> float:
    return (moment - log.at(0)).total_seconds()


class TestValve:
    """Our own rules and the decisions on the meaning of a wear."""

    @staticmethod
    def find(bars: list[float], every_s: float = 1.0, volume_l: float = 6.8) -> list[tuple[int, int, int]]:
        at_s = np.arange(len(bars)) * every_s
        bar = np.array(bars, dtype=np.float64)
        return under_air(at_s, bar, spikes(at_s, bar), volume_l)

    def test_zero_before_and_after_is_not_part_of_it(self) -> None:
        bars = [0.0] * 5 + [100.0, 290.0] + [300.0 - 0.1 * i for i in range(100)] + [120.0, 20.0, 0.0, 0.0]
        assert self.find(bars) == [(7, 106, CLOSED)]

    def test_opening_ramp_is_not_air_used(self) -> None:
        bars = [0.0, 60.0, 120.0, 180.0, 240.0, 299.0, 300.0] + [300.0 - 0.1 * i for i in range(60)]
        ((first, _, how),) = self.find(bars)
        assert bars[first] >= 299.0
        assert how == OPEN_AT_END

    def test_log_that_begins_under_air(self) -> None:
        assert self.find([250.0 - 0.1 * i for i in range(50)]) == [(0, 49, OPEN_AT_END)]

    def test_never_opened(self) -> None:
        assert self.find([0.0] * 50) == []
        assert self.find([8.0] * 50) == []

    def test_breathed_to_the_end_is_no_collapse(self) -> None:
        bars = [60.0 - 0.15 * i for i in range(401)]  # 61 L/min out of 6.8 L, down to 0
        ((first, last, how),) = self.find(bars)
        assert (first, how) == (0, CLOSED)
        assert bars[last] == pytest.approx(5.0, abs=0.2)

    def test_slow_bleeding_after_closing_is_walked_back(self) -> None:
        bars = [150.0] * 30 + [120.0, 80.0, 45.0, 18.0, 3.0, 0.0]
        assert self.find(bars) == [(0, 29, CLOSED)]

    @pytest.mark.parametrize("every_s", [1.0, 2.0, 5.0])
    @pytest.mark.parametrize("loss_l_min", [1000.0, 1500.0, 2400.0])
    def test_a_burst_hose_ends_with_an_empty_cylinder(self, every_s: float, loss_l_min: float) -> None:
        """A closed valve leaves the air of the hose alone, which is gone within seconds."""
        fall_bar = loss_l_min / 60.0 / 6.8 * every_s
        falling = [max(208.0 - fall_bar * step, 0.0) for step in range(1, int(208.0 / fall_bar) + 4)]
        ((first, last, how),) = self.find([220.0, 216.0, 212.0, 208.0, *falling], every_s=every_s)
        assert (first, how) == (0, CLOSED)
        assert [220.0, 216.0, 212.0, 208.0, *falling][last] < 10.0

    def test_a_valve_closed_while_air_escapes_ends_there(self) -> None:
        falling = [208.0 - 4.0 * step for step in range(1, 26)]
        bars = [208.0] * 30 + falling + [70.0, 30.0, 0.0, 0.0]
        ((_, last, how),) = self.find(bars)
        assert (bars[last], how) == (108.0, CLOSED)

    @pytest.mark.parametrize("every_s", [5.0, 10.0, 15.0, 30.0])
    def test_a_valve_closed_between_two_readings_is_no_loss_of_air(self, every_s: float) -> None:
        bars = [210.0, 209.0, 208.0, 100.0, 0.0, 0.0]
        assert self.find(bars, every_s=every_s) == [(0, 2, CLOSED)]

    def test_a_hose_breathed_empty_at_rest_is_no_loss_of_air(self) -> None:
        bars = [200.0] * 30 + [200.0 - 11.0 * step for step in range(1, 19)] + [0.0, 0.0]
        assert self.find(bars) == [(0, 29, CLOSED)]

    def test_cylinder_changed_through_zero(self) -> None:
        bars = [300.0 - 0.5 * i for i in range(400)] + [30.0, 0.0, 0.0, 280.0] + [295.0] * 50
        found = self.find(bars)
        assert [how for _, _, how in found] == [CLOSED, OPEN_AT_END]
        assert bars[found[1][0]] == 295.0

    def test_cylinder_changed_without_zero(self) -> None:
        bars = [300.0 - 0.5 * i for i in range(400)] + [200.0, 290.0] + [295.0] * 50
        found = self.find(bars)
        assert [how for _, _, how in found] == [CHANGED, OPEN_AT_END]

    @pytest.mark.parametrize(("bar_s", "wears"), [(0.9, 2), (0.45, 2), (0.4, 1), (0.2, 1)])
    def test_a_cylinder_filled_with_its_valve_open_is_another_one(self, bar_s: float, wears: int) -> None:
        """From 140 bar in a few minutes; a warming gas gains no 25 bar within a minute."""
        low, top = 140.0, 290.0
        bars = [
            *np.linspace(300, low, 1200),
            *[low] * 20,
            *np.arange(low, top, bar_s),
            *np.linspace(top, 200, 600),
        ]
        found = self.find(bars)
        assert len(found) == wears
        if wears == 2:
            assert low - 1 <= bars[found[0][1]] <= low + 1
            assert bars[found[1][0]] > top - 25

    def test_cylinder_changed_across_a_gap(self) -> None:
        at_s = np.r_[np.arange(300.0), np.arange(500.0, 700.0)]
        bar = np.r_[np.full(300, 60.0), np.full(200, 290.0)]
        assert [how for *_, how in under_air(at_s, bar, spikes(at_s, bar), 6.8)] == [CHANGED, OPEN_AT_END]

    @pytest.mark.parametrize("leap", [0.0, 480.0])
    @pytest.mark.parametrize("readings", [1, 2])
    def test_a_leap_that_is_back_within_two_readings_is_no_event(self, leap: float, readings: int) -> None:
        bars = [250.0] * 40 + [leap] * readings + [249.0] * 40
        assert self.find(bars) == [(0, len(bars) - 1, OPEN_AT_END)]

    def test_slow_opening_is_one_wear(self) -> None:
        bars = [0.0, 120.0] + [120.0] * 12 + [300.0] * 60
        ((first, _, _),) = self.find(bars)
        assert bars[first] == 300.0

    def test_every_five_seconds(self) -> None:
        bars = [0.0, 300.0] + [300.0 - 0.5 * i for i in range(100)] + [0.0, 0.0]
        ((first, last, how),) = self.find(bars, every_s=5.0)
        assert (bars[first], bars[last], how) == (300.0, 250.5, CLOSED)

    def test_free_flow_is_no_closing(self) -> None:
        bars = [300.0 - 0.98 * i for i in range(250)]  # 400 L/min nominal out of 6.8 L
        ((_, last, how),) = self.find(bars)
        assert (last, how) == (249, OPEN_AT_END)


class TestWholeLogs:
    def test_one_wear(self, log: Any) -> None:
        talker = log.talker("S-1", boot=7)
        talker.set_up(0)
        ended_s = talker.breathe(60, 600)
        talker.say(700, "power", state="off")
        (wear,) = wears_of(log)
        assert wear["wear_id"] == "S-1/7/1"
        assert seconds_after(log, wear["started"]) == pytest.approx(60, abs=0.2)
        assert seconds_after(log, wear["ended"]) == pytest.approx(ended_s, abs=0.2)
        assert (wear["start_bar"], wear["end_bar"]) == (300.0, 246.0)
        assert (wear["cylinder_count"], wear["water_volume_l"], wear["rated_bar"]) == (1, 6.8, 300.0)
        assert wear["lost_messages"] == 0
        assert wear["gap_s"] == 0.0
        assert wear["low_air_at"] is None
        assert wear["incident_id"] is None

    def test_several_sets_interleaved_with_several_wears(self, log: Any) -> None:
        for number in range(4):
            talker = log.talker(f"S-{number}", boot=number + 1)
            talker.set_up(0)
            talker.breathe(60 + number, 300)
            talker.breathe(600 + number, 200)
        found = [wear["wear_id"] for wear in wears_of(log)]
        assert found == [f"S-{set_}/{set_ + 1}/{n}" for set_ in range(4) for n in (1, 2)]

    def test_switched_off_under_pressure(self, log: Any) -> None:
        talker = log.talker("S-1")
        talker.set_up(0)
        talker.breathe(60, 300, closes=False)
        talker.say(361, "power", state="off")
        assert len(wears_of(log)) == 1
        assert "end_not_heard" not in codes_of(log)

    def test_log_ends_under_air(self, log: Any) -> None:
        talker = log.talker("S-1")
        talker.set_up(0)
        talker.breathe(60, 300, closes=False)
        assert len(wears_of(log)) == 1
        assert "end_not_heard" in codes_of(log)

    def test_restarted_in_the_middle_is_two_linked_wears(self, log: Any) -> None:
        first = log.talker("S-1", boot=1)
        first.set_up(0)
        first.breathe(60, 300, start_bar=290.0, closes=False)
        second = log.talker("S-1", boot=2)
        second.set_up(370)
        second.breathe(375, 300, start_bar=260.0, opens=False)
        results = analyse(log.frames(), PROFILE)
        assert results["wears"]["wear_id"].to_list() == ["S-1/1/1", "S-1/2/1"]
        assert results["wears"]["restarted_from"].to_list() == [None, "S-1/1/1"]
        link = results["findings"].row(by_predicate=pl.col("code") == "set_restarted", named=True)
        assert link["wear_id"] == "S-1/2/1"
        assert "S-1/1/1" in link["statement"]
        assert [identity.rsplit("/", 1)[0] for identity in link["evidence"]] == ["S-1/1", "S-1/2"]
        # The second begins with what the first left, and the first has an end: neither is a fault of its own.
        told = results["findings"].select("code", "wear_id").rows()
        assert ("started_below_ready", "S-1/2/1") not in told
        assert ("end_not_heard", "S-1/1/1") not in told

    def test_changed_cylinder_keeps_set_and_wearer(self, log: Any) -> None:
        talker = log.talker("S-1")
        talker.set_up(0)
        talker.breathe(60, 300, start_bar=120.0)
        talker.breathe(400, 300, start_bar=295.0)
        desk = log.desk()
        desk.say(50, "tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-1")
        wears = wears_of(log)
        assert [(wear["wear_id"], wear["wearer_id"]) for wear in wears] == [
            ("S-1/1/1", "W-1"),
            ("S-1/1/2", "W-1"),
        ]
        assert "cylinder_changed" in codes_of(log)

    def test_retained_readings_open_nothing(self, log: Any) -> None:
        talker = log.talker("S-1")
        for second in range(30):
            talker.say(second, "pressure", pressure_bar=200.0, retained=True)
        assert wears_of(log) == []

    def test_a_single_reading(self, log: Any) -> None:
        log.talker("S-1").say(10, "pressure", pressure_bar=250.0)
        (wear,) = wears_of(log)
        assert wear["started"] == wear["ended"]
        assert wear["mean_l_min"] is None


class TestCylinders:
    def test_latest_setup_before_the_start(self, log: Any) -> None:
        talker = log.talker("S-1")
        talker.set_up(0)
        talker.set_up(10, cylinders={"count": 2, "water_volume_l": 4.7, "rated_bar": 200.0}, low_air_bar=60.0)
        talker.breathe(60, 120, start_bar=200.0)
        talker.set_up(300)
        (wear,) = wears_of(log)
        assert (wear["cylinder_count"], wear["water_volume_l"], wear["rated_bar"]) == (2, 4.7, 200.0)
        assert wear["low_air_bar"] == 60.0

    def test_first_setup_after_the_start_when_none_was_before(self, log: Any) -> None:
        talker = log.talker("S-1")
        talker.breathe(60, 120)
        talker.set_up(300, cylinders={"count": 1, "water_volume_l": 9.0, "rated_bar": 300.0})
        assert wears_of(log)[0]["water_volume_l"] == 9.0

    def test_retained_setup_is_knowledge(self, log: Any) -> None:
        talker = log.talker("S-1", first_seq=5)
        talker.set_up(20, retained=True, cylinders={"count": 1, "water_volume_l": 6.0, "rated_bar": 300.0})
        talker.breathe(60, 120)
        assert wears_of(log)[0]["water_volume_l"] == 6.0

    def test_without_setup_pressure_but_no_litres(self, log: Any) -> None:
        log.talker("S-1").breathe(60, 400)
        results = analyse(log.frames(), PROFILE)
        wear = results["wears"].row(0, named=True)
        for name in (
            "cylinder_count",
            "water_volume_l",
            "free_air_l",
            "free_air_sd_l",
            "mean_l_min",
            "peak_l_min",
        ):
            assert wear[name] is None, name
        assert wear["start_bar"] == 300.0
        assert wear["low_air_bar"] == 55.0
        air = results["air"]
        assert air["pressure_bar"].null_count() == 0
        assert air["rate_l_min"].null_count() == air.height
        assert air["low_air_lo_min"].null_count() == air.height
        assert "cylinder_unknown" in results["findings"]["code"].to_list()

    def test_setup_that_contradicts_itself(self, log: Any) -> None:
        small = {"count": 1, "water_volume_l": 6.0, "rated_bar": 300.0}
        talker = log.talker("S-1")
        talker.set_up(0, choices=[small, {"count": 2, "water_volume_l": 6.8, "rated_bar": 300.0}], chosen=0)
        talker.breathe(60, 120)
        assert wears_of(log)[0]["water_volume_l"] == 6.8
        assert "setup_mismatch" in codes_of(log)

    def test_setup_that_agrees_with_its_choice(self, log: Any) -> None:
        talker = log.talker("S-1")
        talker.set_up(0, choices=[{"count": 1, "water_volume_l": 6.8, "rated_bar": 300.0}], chosen=0)
        talker.breathe(60, 120)
        assert "setup_mismatch" not in codes_of(log)


class TestTally:
    @staticmethod
    def under_air(log: Any) -> None:
        talker = log.talker("S-1")
        talker.set_up(0)
        talker.breathe(100, 600)

    @staticmethod
    def say(log: Any, entries: list[tuple[float, str, str, str]]) -> None:
        desk = log.desk()
        for true_s, action, incident_id, wearer_id in entries:
            desk.say(
                true_s,
                "tally",
                incident_id=incident_id,
                action=action,
                set_id="S-1",
                wearer_id=wearer_id,
                team="T-1",
            )

    def test_ordinary(self, log: Any) -> None:
        self.under_air(log)
        self.say(log, [(110, "in", "I-1", "W-1"), (690, "out", "I-1", "W-1")])
        (wear,) = wears_of(log)
        assert (wear["incident_id"], wear["wearer_id"], wear["team"]) == ("I-1", "W-1", "T-1")
        assert {"tally_late", "not_tallied_out", "no_tally"}.isdisjoint(codes_of(log))

    def test_late(self, log: Any) -> None:
        self.under_air(log)
        self.say(log, [(500, "in", "I-1", "W-1"), (720, "out", "I-1", "W-1")])
        assert wears_of(log)[0]["wearer_id"] == "W-1"
        assert "tally_late" in codes_of(log)

    def test_the_one_that_overlaps_most(self, log: Any) -> None:
        self.under_air(log)
        self.say(log, [(90, "in", "I-1", "W-1"), (200, "in", "I-1", "W-2"), (720, "out", "I-1", "W-2")])
        assert wears_of(log)[0]["wearer_id"] == "W-2"

    def test_out_before_the_wear_does_not_count(self, log: Any) -> None:
        self.under_air(log)
        self.say(log, [(10, "in", "I-1", "W-1"), (50, "out", "I-1", "W-1")])
        assert wears_of(log)[0]["wearer_id"] is None
        assert "no_tally" in codes_of(log)

    def test_forgotten_tally_does_not_claim_the_next_day(self, log: Any) -> None:
        self.say(log, [(0, "in", "I-1", "W-1")])
        talker = log.talker("S-1")
        talker.set_up(86400)
        talker.breathe(86500, 120)
        assert wears_of(log)[0]["wearer_id"] is None

    def test_closed_incident_ends_a_forgotten_tally(self, log: Any) -> None:
        self.say(log, [(0, "in", "I-1", "W-1")])
        desk = log.desk("D-2")
        desk.say(0, "incident", incident_id="I-1", action="open")
        desk.say(50, "incident", incident_id="I-1", action="close")
        self.under_air(log)
        assert wears_of(log)[0]["wearer_id"] is None
        assert "not_tallied_out" in codes_of(log)

    def test_no_tally_at_all_is_no_finding_in_a_log_without_a_desk(self, log: Any) -> None:
        self.under_air(log)
        assert wears_of(log)[0]["team"] is None
        assert "no_tally" not in codes_of(log)

    def test_two_sets_for_one_wearer(self, log: Any) -> None:
        self.under_air(log)
        desk = log.desk()
        for set_id in ("S-1", "S-2"):
            desk.say(110, "tally", incident_id="I-1", action="in", set_id=set_id, wearer_id="W-1")
        assert "one_wearer_two_sets" in codes_of(log)


class TestHeardAndLost:
    def test_a_gap_is_listed_with_its_lost_messages(self, log: Any) -> None:
        talker = log.talker("S-1")
        talker.set_up(0)
        talker.breathe(60, 600, silent=(300.0, 345.0))
        results = analyse(log.frames(), PROFILE)
        (gap,) = results["gaps"].to_dicts()
        assert seconds_after(log, gap["started"]) == pytest.approx(299, abs=0.2)
        assert seconds_after(log, gap["ended"]) == pytest.approx(345, abs=0.2)
        assert gap["seconds"] == pytest.approx(46.0, abs=0.1)
        assert gap["lost_messages"] == 45 * 3
        wear = results["wears"].row(0, named=True)
        assert (wear["gap_s"], wear["lost_messages"]) == (pytest.approx(46.0, abs=0.1), 45 * 3)
        heard = results["air"].filter(~pl.col("heard"))
        assert heard.height == pytest.approx(40, abs=1)  # 46 s less the five in which it was still heard

    def test_stored_and_forwarded_is_no_gap(self, log: Any) -> None:
        def delay(true_s: float) -> float:
            return 345.0 - true_s + 0.05 if 300.0 <= true_s < 345.0 else 0.05

        talker = log.talker("S-1", delay=delay)
        talker.set_up(0)
        talker.breathe(60, 600)
        results = analyse(log.frames(), PROFILE)
        assert results["gaps"].height == 0
        assert results["wears"]["lost_messages"].to_list() == [0]

    def test_reordered_messages_are_not_lost(self, log: Any) -> None:
        generator = np.random.default_rng(3)
        talker = log.talker("S-1", delay=lambda true_s: 0.05 + 3.0 * float(generator.random()))
        talker.set_up(0)
        talker.breathe(60, 300)
        results = analyse(log.frames(), PROFILE)
        assert results["wears"]["lost_messages"].to_list() == [0]
        assert results["gaps"].height == 0


def test_what_shows_a_moment_is_the_reading_at_it_or_the_next_else_the_last() -> None:
    readings: Any = SimpleNamespace(at_us=np.array([10, 20, 30]), seq=[5, 6, 7], identity=lambda place: place)
    assert [Wear.identity_at(readings, at_us) for at_us in (9, 10, 11, 30, 31)] == [0, 0, 1, 2, 2]
    assert [Wear.identity_of(readings, at_us) for at_us in (9, 10, 11, 30, 31)] == [0, 0, 0, 2, 2]


@pytest.mark.parametrize(
    ("count", "water_volume_l", "rated_bar", "known"),
    [
        (1, 6.8, 300.0, True),
        (2, 12.0, 200.0, True),
        (1, 20.0, 450.0, True),
        (1, 45.0, 300.0, False),  # ft³
        (1, 6.8, 4500.0, False),  # psi
        (1, 0.4, 300.0, False),
        (5, 6.8, 300.0, False),
    ],
)
def test_a_cylinder_that_nobody_can_wear_is_not_believed(
    count: int, water_volume_l: float, rated_bar: float, known: bool
) -> None:
    """Believed, its air would last many times as long."""
    said = {"count": count, "water_volume_l": water_volume_l, "rated_bar": rated_bar}
    assert (cylinder_of({"cylinders": said}) is not None) is known


def test_a_set_that_named_no_cylinder_has_the_pressures_of_a_usual_one_and_no_litre(log: Any) -> None:
    for name in ("S-1", "S-2"):
        one = log.talker(name)
        if name == "S-1":
            one.set_up(0)
        one.breathe(20, 300, bar_s=0.2)
    air = analyse(log.frames(), PROFILE)["air"]
    named, unnamed = (air.filter(pl.col("wear_id").str.starts_with(name)) for name in ("S-1", "S-2"))
    assert unnamed["pressure_bar"].to_list() == named["pressure_bar"].to_list()
    assert unnamed["rate_l_min"].null_count() == unnamed.height
    assert named["rate_l_min"].null_count() < named.height


def test_out_then_filled_with_the_valve_open_then_in_again_is_two_entries(log: Any) -> None:
    """Planted: 45 L/min from 300 bar for 20 min, filled outside in 3 min, 45 L/min for 20 min."""
    talker, falls = log.talker("S-1"), 45.0 / 6.8 / 60.0
    talker.set_up(-5)
    bar = 300.0
    for at_s in range(2650):
        breathes = at_s < 1200 or at_s >= 1450
        bar += -falls if breathes else 0.92 if 1230 <= at_s < 1410 else 0.0
        talker.say(float(at_s), "pressure", pressure_bar=round(bar))
    desk = log.desk()
    for at_s, action in ((-10.0, "in"), (1205.0, "out"), (1440.0, "in"), (2670.0, "out")):
        desk.say(at_s, "tally", incident_id="I-1", action=action, set_id="S-1", wearer_id="W-1", team="T-1")
    tables = analyse(log.frames(), PROFILE)
    entries = tables["entries"].sort("entry_id")
    assert entries["entry_id"].to_list() == ["I-1/W-1/1", "I-1/W-1/2"]
    assert entries["under_air_s"].to_list() == pytest.approx([1230, 1240], abs=30)
    assert entries["entry_bar"].to_list() == pytest.approx([300, 333], abs=12)
    assert tables["wears"]["end_bar"].to_list() == pytest.approx([168, 201], abs=4)
    assert tables["wears"]["free_air_l"].min() > 500.0  # not of one side only


def test_a_second_wearer_of_a_set_is_not_tallied_late(log: Any) -> None:
    """The set was tallied in before its valve was opened; somebody else was put on it later."""
    talker = log.talker("S-1")
    talker.set_up(-5)
    talker.breathe(0, 1300)
    desk = log.desk()
    desk.say(-10.0, "tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-7", team="T-1")
    desk.say(900.0, "tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-8", team="T-1")
    assert "tally_late" not in codes_of(log)
