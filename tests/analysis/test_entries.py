"""Entries: what a person did, over restarts, drop-outs, outages, second cylinders and corrected tallies."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import pytest

from analysis.incident import analyse
from analysis.profile import Profile

PROFILE = Profile.default()
BAR_S = 0.1


def tally(desk: Any, true_s: float, action: str, wearer: str, set_id: str, **more: Any) -> None:
    who = {"incident_id": "I-1", "wearer_id": wearer, "set_id": set_id, "team": "Larch"} | more
    desk.say(true_s, "tally", action=action, **who)


def results_of(log: Any) -> dict[str, Any]:
    return analyse(log.frames(), PROFILE)


def entries_of(log: Any) -> dict[str, dict[str, Any]]:
    return {row["entry_id"]: row for row in results_of(log)["entries"].to_dicts()}


def codes_of(log: Any) -> list[str]:
    return results_of(log)["findings"]["code"].to_list()


def after(log: Any, moment: datetime) -> float:
    return (moment - log.at(0)).total_seconds()


def go_on(log: Any, boot: int, from_s: float, seconds: int, start_bar: float, **more: Any) -> None:
    talker = log.talker("S-1", boot)
    talker.set_up(from_s - 1)
    talker.breathe(from_s, seconds, start_bar=start_bar, bar_s=BAR_S, opens=False, **more)


class TestRestart:
    """A set that restarts in mid-wear: one person, one cylinder, one turn-back pressure."""

    @staticmethod
    def restarts(log: Any) -> None:
        first = log.talker("S-1", 1)
        first.set_up(-1)
        first.breathe(60, 600, bar_s=BAR_S, closes=False, only_pressure=True)
        go_on(log, 2, 665, 600, 239.5, closes=False)
        go_on(log, 3, 1270, 700, 179.0)
        desk = log.desk()
        tally(desk, 50, "in", "W-1", "S-1")
        tally(desk, 2000, "out", "W-1", "S-1")

    def test_is_one_entry_of_three_wears(self, log: Any) -> None:
        self.restarts(log)
        (entry,) = entries_of(log).values()
        assert entry["entry_id"] == "I-1/W-1/1"
        assert entry["wear_ids"] == ["S-1/1/1", "S-1/2/1", "S-1/3/1"]
        assert set(results_of(log)["wears"]["entry_id"]) == {"I-1/W-1/1"}
        assert entry["ended_how"] == "tallied_out"

    def test_keeps_the_entry_pressure_and_the_turn_back(self, log: Any) -> None:
        self.restarts(log)
        results = results_of(log)
        (entry,) = results["entries"].to_dicts()
        # 55 + (300 - 55) / 2, and not what half of the rest would be after each restart (147, 117 bar).
        assert (entry["entry_bar"], entry["turn_back_bar"]) == (300.0, 177.5)
        assert results["wears"]["turn_back_bar"].to_list() == [177.5] * 3
        assert after(log, entry["turn_back_at"]) == pytest.approx(1270 + 15, abs=15)

    def test_air_between_the_wears_counts(self, log: Any) -> None:
        self.restarts(log)
        results = results_of(log)
        (entry,) = results["entries"].to_dicts()
        wears_l = results["wears"]["free_air_l"].sum()
        assert 0 < entry["free_air_l"] - wears_l < 30
        assert entry["unheard_s"] == pytest.approx(6 + 6, abs=2)


def test_a_drop_out_of_the_sensor_is_one_entry_on_one_cylinder(log: Any) -> None:
    """129, 21, 128 bar within 54 s: two wears, and the turn-back of the one cylinder that it was."""
    talker = log.talker("S-1")
    talker.set_up(-1)
    talker.breathe(60, 1510, start_bar=280.0, bar_s=BAR_S, closes=False, only_pressure=True)
    talker.say(1597, "pressure", pressure_bar=21.0)
    talker.breathe(1624, 300, start_bar=126.0, bar_s=BAR_S, opens=False, only_pressure=True)
    desk = log.desk()
    tally(desk, 50, "in", "W-1", "S-1")
    (entry,) = entries_of(log).values()
    assert (entry["entry_bar"], entry["turn_back_bar"]) == (280.0, 167.5)
    assert entry["lowest_bar"] < 100.0
    # The air between is counted by its ends, 129 and 126 bar of 6.8 L: about 19 L.
    wears_l = sum(results_of(log)["wears"]["free_air_l"])
    assert 10 < entry["free_air_l"] - wears_l < 30


def test_a_second_cylinder_goes_on_with_the_entry(log: Any) -> None:
    talker = log.talker("S-1")
    talker.set_up(-1)
    talker.breathe(60, 1200, bar_s=BAR_S, only_pressure=True)
    talker.breathe(1400, 600, start_bar=295.0, bar_s=BAR_S, only_pressure=True)
    desk = log.desk()
    tally(desk, 50, "in", "W-1", "S-1")
    tally(desk, 2100, "out", "W-1", "S-1")
    (entry,) = entries_of(log).values()
    assert entry["wear_ids"] == ["S-1/1/1", "S-1/1/2"]
    assert (entry["entry_bar"], entry["turn_back_bar"]) == (295.0, 175.0)


@pytest.mark.parametrize("minutes", [20, 40, 400])
def test_an_outage_does_not_end_an_entry(log: Any, minutes: int) -> None:
    talker = log.talker("S-1")
    talker.set_up(-1)
    talker.breathe(60, 600, bar_s=0.01, closes=False, only_pressure=True)
    talker.breathe(660 + minutes * 60, 600, start_bar=150.0, bar_s=0.01, opens=False, only_pressure=True)
    desk = log.desk()
    tally(desk, 50, "in", "W-1", "S-1")
    tally(desk, 1300 + minutes * 60, "out", "W-1", "S-1")
    (entry,) = entries_of(log).values()
    assert entry["entry_bar"] == 300.0
    assert entry["unheard_s"] == pytest.approx(minutes * 60, abs=2)
    assert entry["under_air_s"] == pytest.approx(1200 + minutes * 60, abs=2)


@pytest.mark.parametrize(
    ("kind", "fields", "ended_how"),
    [
        ("tally", {"action": "out", "wearer_id": "W-1", "set_id": "S-1"}, "tallied_out"),
        ("resolved", {"set_id": "S-1", "text": "met outside"}, "resolved"),
        ("resolved", {"set_id": "S-1", "text": "seen", "alarm": "distress"}, "open"),
        ("incident", {"action": "close"}, "incident_closed"),
    ],
)
def test_an_entry_ends_when_somebody_says_so(
    log: Any, kind: str, fields: dict[str, str], ended_how: str
) -> None:
    talker = log.talker("S-1")
    talker.breathe(60, 300, only_pressure=True)
    talker.say(400, "power", state="off")
    desk = log.desk()
    tally(desk, 50, "in", "W-1", "S-1")
    desk.say(700, kind, incident_id="I-1", **fields)
    (entry,) = entries_of(log).values()
    assert entry["ended_how"] == ended_how
    assert (entry["tallied_out"] is not None) is (ended_how == "tallied_out")


def test_an_out_after_the_close_of_the_incident_counts(log: Any) -> None:
    """Mended: the incident was closed while W-1 was inside; the `out` of ten minutes later was lost."""
    log.talker("S-1").breathe(60, 1500, only_pressure=True)
    desk = log.desk()
    tally(desk, 50, "in", "W-1", "S-1")
    desk.say(900, "incident", incident_id="I-1", action="close")
    tally(desk, 1500, "out", "W-1", "S-1")
    (entry,) = entries_of(log).values()
    assert entry["ended_how"] == "tallied_out"
    assert entry["under_air_s"] == pytest.approx(1500, abs=2)


@pytest.mark.parametrize(
    ("again_s", "closed_s", "how"),
    [(960, None, "open"), (960, 1200, "incident_closed"), (900 + 25 * 3600, None, "incident_closed")],
)
def test_an_incident_opened_again_takes_its_close_back(
    log: Any, see: Any, again_s: int, closed_s: int | None, how: str
) -> None:
    """A desk closed it by mistake: who was inside stayed "incident closed", and left the board after 12 h."""
    desk = log.desk()
    desk.say(0, "incident", incident_id="I-1", action="open")
    desk.say(10, "tally", action="in", incident_id="I-1", wearer_id="W-1", set_id="S-1")
    desk.say(900, "incident", incident_id="I-1", action="close")
    desk.say(again_s, "incident", incident_id="I-1", action="open")
    if closed_s is not None:
        desk.say(closed_s, "incident", incident_id="I-1", action="close")
    (row,) = analyse(log.frames(), Profile.default())["entries"].to_dicts()
    assert row["ended_how"] == how
    assert bool(see(13 * 3600).rows) is (how == "open")


def test_an_in_after_the_close_of_the_incident_begins_another_entry(log: Any) -> None:
    talker = log.talker("S-1")
    talker.breathe(60, 600, only_pressure=True)
    talker.breathe(2000, 600, start_bar=295.0, only_pressure=True)
    desk = log.desk()
    tally(desk, 50, "in", "W-1", "S-1")
    desk.say(900, "incident", incident_id="I-1", action="close")
    tally(desk, 1990, "in", "W-1", "S-1")
    tally(desk, 2700, "out", "W-1", "S-1")
    first, second = entries_of(log).values()
    assert (first["ended_how"], second["ended_how"]) == ("incident_closed", "tallied_out")
    assert (len(first["wear_ids"]), len(second["wear_ids"])) == (1, 1)


def test_an_out_that_names_another_incident_ends_the_wearers_open_entry(log: Any) -> None:
    """The desk's select box showed incident I-1 when a wearer of I-2 was tallied out."""
    log.talker("S-1").breathe(60, 300, only_pressure=True)
    desk = log.desk()
    tally(desk, 50, "in", "W-1", "S-1", incident_id="I-2")
    tally(desk, 400, "out", "W-1", "S-1", incident_id="I-1")
    (entry,) = entries_of(log).values()
    assert (entry["incident_id"], entry["ended_how"]) == ("I-2", "tallied_out")


class TestWrongTally:
    """W-05 was tallied in on W-06's set by mistake, and moved six minutes later."""

    @staticmethod
    def happens(log: Any, *, corrects: bool = False) -> None:
        for set_id in ("S-5", "S-6"):
            talker = log.talker(set_id)
            talker.set_up(-1)
            talker.breathe(60, 2400, bar_s=0.08, only_pressure=True)
        desk = log.desk()
        tally(desk, 50, "in", "W-06", "S-6")
        tally(desk, 52, "in", "W-05", "S-6")
        more = {"corrects": {"desk_id": "D-1", "boot": 1, "seq": 1}} if corrects else {}
        tally(desk, 412, "in", "W-05", "S-5", **more)
        tally(desk, 2500, "out", "W-05", "S-5")
        tally(desk, 2502, "out", "W-06", "S-6")

    @pytest.mark.parametrize("corrects", [True, False])
    def test_nobody_is_lost_and_nobody_wears_two_sets(self, log: Any, corrects: bool) -> None:
        self.happens(log, corrects=corrects)
        entries = entries_of(log)
        assert entries["I-1/W-06/1"]["wear_ids"] == ["S-6/1/1"]
        assert entries["I-1/W-05/1"]["wear_ids"] == ["S-5/1/1"]
        assert len(entries) == 2

    def test_without_a_word_two_findings_say_what_contradicts(self, log: Any) -> None:
        self.happens(log)
        codes = codes_of(log)
        assert codes.count("two_wearers_one_set") == 1
        assert codes.count("one_wearer_two_sets") == 1
        assert "tally_corrected" not in codes

    def test_corrected_it_counts_from_the_first_and_both_stay_in_the_record(self, log: Any) -> None:
        self.happens(log, corrects=True)
        results = results_of(log)
        entry = {row["wearer_id"]: row for row in results["entries"].to_dicts()}["W-05"]
        assert after(log, entry["tallied_in"]) == pytest.approx(52, abs=1)
        assert entry["set_ids"] == ["S-5"]
        (told,) = [row for row in results["findings"].to_dicts() if row["code"] == "tally_corrected"]
        assert told["evidence"] == ["D-1/1/2", "D-1/1/1"]
        assert "S-6" in told["statement"]
        assert "S-5" in told["statement"]
        assert {"two_wearers_one_set", "one_wearer_two_sets"}.isdisjoint(results["findings"]["code"])


def test_a_set_under_air_that_nobody_tallied_in_has_an_entry_of_its_own(log: Any) -> None:
    talker = log.talker("S-1", 7)
    talker.set_up(-1)
    talker.breathe(60, 300, only_pressure=True)
    talker.breathe(500, 300, only_pressure=True)
    entries = entries_of(log)
    assert list(entries) == ["-/S-1/7-1"]
    (entry,) = entries.values()
    assert (entry["wearer_id"], entry["tallied_in"], entry["ended_how"]) == (None, None, "open")
    assert entry["wear_ids"] == ["S-1/7/1", "S-1/7/2"]


def test_who_was_tallied_in_and_never_heard_has_an_entry_and_a_finding(log: Any) -> None:
    desk = log.desk()
    log.talker("S-2").breathe(60, 900, only_pressure=True)
    tally(desk, 50, "in", "W-1", "S-1")
    tally(desk, 55, "in", "W-2", "S-2")
    tally(desk, 1000, "out", "W-2", "S-2")
    entry = entries_of(log)["I-1/W-1/1"]
    assert (entry["wear_ids"], entry["first_heard"], entry["ended_how"]) == ([], None, "open")
    assert "tallied_without_wear" in codes_of(log)


def test_a_team_turns_back_on_its_lowest_member_over_a_restart(log: Any) -> None:
    first = log.talker("S-1", 1)
    first.set_up(-1)
    first.breathe(60, 600, start_bar=280.0, bar_s=BAR_S, closes=False, only_pressure=True)
    go_on(log, 2, 665, 900, 219.5)
    other = log.talker("S-2")
    other.set_up(-1)
    other.breathe(60, 1600, bar_s=BAR_S, only_pressure=True)
    desk = log.desk()
    tally(desk, 50, "in", "W-1", "S-1")
    tally(desk, 51, "in", "W-2", "S-2")
    moments = {entry["turn_back_at"] for entry in entries_of(log).values()}
    assert len(moments) == 1
    assert after(log, moments.pop()) == pytest.approx(60 + 1125, abs=15)


def test_a_gauge_read_by_voice_of_a_silent_set_turns_it_back(log: Any, see: Any) -> None:
    """177.5 bar is due; the set falls silent at 240 bar, and at 1500 s the wearer reads 170."""
    talker = log.talker("S-1")
    talker.set_up(-1)
    talker.breathe(60, 600, bar_s=BAR_S, closes=False, only_pressure=True)
    desk = log.desk()
    tally(desk, 50, "in", "W-1", "S-1")
    desk.say(1500, "gauge", incident_id="I-1", set_id="S-1", pressure_bar=170.0)
    (entry,) = entries_of(log).values()
    assert after(log, entry["turn_back_at"]) == pytest.approx(1500, abs=1)
    (before,) = see(1499).rows
    (row,) = see(1501).rows
    assert before.turn_back_reached_at is None
    assert row.turn_back_reached_at == pytest.approx(log.at(1500).timestamp(), abs=1)
    assert (row.gauge.bar, row.gauge.desk_id) == (170.0, "D-1")
