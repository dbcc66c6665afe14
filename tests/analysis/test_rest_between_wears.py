"""Rest between wears: each rule by hand, and that rules from memory are off."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import msgspec
import polars as pl
import pytest

from analysis.incident import analyse
from analysis.profile import Profile, Rest, RestRule
from analysis.trends.ledger import WEARS
from analysis.trends.planning import rules_in_force, short_rests

PROFILE = Profile.default()
START = datetime(2031, 5, 4, 10, tzinfo=UTC)
OFF = RestRule(rest_min=10.0, source="test")


def wears(
    *turns: tuple[float, float], who: str = "W-1", dose: float = 0.0, hard: float = 0.0
) -> pl.DataFrame:
    """Wears of (rest before, minutes), all by one wearer."""
    rows, at = [], START
    for number, (rest_min, minutes) in enumerate(turns):
        started = at + timedelta(minutes=rest_min)
        at = started + timedelta(minutes=minutes)
        rows.append(
            {
                "wear_id": f"{who}/{number}",
                "wearer_id": who,
                "started": started,
                "ended": at,
                "under_air_min": minutes,
                "hard_min": hard,
                "heat_dose": dose,
            }
        )
    return pl.DataFrame(rows, schema=WEARS)


def only(rule: RestRule) -> Rest:
    return Rest(two_cylinders=rule, long_work=OFF, hot_wear=OFF)


TWO_CYLINDERS = RestRule(on=True, after_cylinders=2, rest_min=10.0, source="a study card")


def test_a_third_cylinder_within_ten_minutes_is_found() -> None:
    (one,) = short_rests(wears((0, 20), (3, 20), (4, 20)), only(TWO_CYLINDERS))
    assert (one.wear_id, one.reached, one.amount, one.asked.source) == (
        "W-1/2",
        "cylinders",
        2,
        "a study card",
    )
    assert one.rested_min == pytest.approx(4.0)
    assert one.asked.rest_min == 10.0


def test_ten_minutes_are_enough_and_begin_the_count_anew() -> None:
    assert short_rests(wears((0, 20), (3, 20), (10, 20), (3, 20)), only(TWO_CYLINDERS)) == []


def test_a_short_rest_that_broke_the_rule_does_not_end_the_succession() -> None:
    found = short_rests(wears((0, 20), (3, 20), (4, 20), (5, 20)), only(TWO_CYLINDERS))
    assert [one.wear_id for one in found] == ["W-1/3", "W-1/2"]


@pytest.mark.parametrize(
    ("rule", "dose", "hard", "reached"),
    [
        (RestRule(on=True, after_work_min=45.0, rest_min=10.0, source="x"), 0.0, 0.0, "work"),
        (RestRule(on=True, after_heat_dose=0.3, rest_min=10.0, source="x"), 0.2, 0.0, "heat"),
        (RestRule(on=True, after_hard_min=20.0, rest_min=10.0, source="x"), 0.0, 12.0, "hard"),
    ],
)
def test_work_heat_and_hard_breathing_add_up(rule: RestRule, dose: float, hard: float, reached: str) -> None:
    found = short_rests(wears((0, 25), (2, 25), (2, 25), dose=dose, hard=hard), only(rule))
    assert [(one.wear_id, one.reached) for one in found] == [("W-1/2", reached)]


def test_wearers_do_not_share_their_rest() -> None:
    both = pl.concat([wears((0, 20), (3, 20)), wears((0, 20), (3, 20), who="W-2")])
    assert short_rests(both, only(TWO_CYLINDERS)) == []


def test_rules_from_memory_are_off_and_say_so() -> None:
    rest = Profile.default().rest
    assert set(rules_in_force(rest)) == {"two_cylinders", "long_work", "hot_wear"}
    for rule in (rest.one_cylinder_1584, rest.two_cylinders_1584):
        assert rule.from_memory
        assert "from memory" in rule.source
        assert not rule.on


def test_a_set_that_restarts_in_mid_wear_is_neither_a_rest_nor_another_cylinder() -> None:
    whole = wears((0, 20), (3, 20), (0.5, 5))
    gone_on = whole.with_columns(
        set_id=pl.Series(["S-1", "S-2", "S-2"]),
        start_bar=pl.Series([300.0, 300.0, 120.0]),
        end_bar=pl.Series([110.0, 121.0, 90.0]),
    )
    assert short_rests(gone_on, only(TWO_CYLINDERS)) == []
    # A full cylinder on the same set is a new one; so is the old one after a real pause not a new one.
    changed = gone_on.with_columns(start_bar=pl.Series([300.0, 300.0, 300.0]))
    assert [one.wear_id for one in short_rests(changed, only(TWO_CYLINDERS))] == ["W-1/2"]


def _crew(log: object, *, third_after_s: float, incident: str = "I-1") -> None:
    """One wearer with three sets, one after the other, ten minutes each."""
    desk = log.desk()  # type: ignore[attr-defined]
    desk.say(-60, "incident", incident_id=incident, action="open")
    for number, start_s in enumerate((60, 840, 1440 + third_after_s), 1):
        talker = log.talker(f"S-{number}")  # type: ignore[attr-defined]
        talker.say(start_s - 50, "power", state="on", battery_fraction=0.8, lasts_another_wear=True)
        talker.set_up(start_s - 40)
        talker.breathe(start_s, 600, only_pressure=True)
        talker.say(start_s + 620, "power", state="off", battery_fraction=0.7)
        who = {"incident_id": incident, "set_id": f"S-{number}", "wearer_id": "W-1", "team": "Larch"}
        desk.say(start_s + 5, "tally", action="in", **who)
        desk.say(start_s + 605, "tally", action="out", **who)
    desk.say(4800, "incident", incident_id=incident, action="close")


def test_a_short_rest_within_an_incident_is_a_finding_with_its_source(log: object) -> None:
    _crew(log, third_after_s=240.0)
    found = analyse(log.frames(), PROFILE)["findings"]  # type: ignore[attr-defined]
    (one,) = found.filter(pl.col("code") == "rest_too_short").rows(named=True)
    assert one["severity"] == "caution"
    assert one["wear_id"].startswith("S-3/")
    assert [who.split("/")[0] for who in one["evidence"]] == ["S-2", "S-3"]
    assert "after 2 cylinders; the rule asks for 10 min (source: one city's procedure" in one["statement"]


def test_enough_rest_within_an_incident_is_no_finding(log: object) -> None:
    _crew(log, third_after_s=900.0)
    assert "rest_too_short" not in analyse(log.frames(), PROFILE)["findings"]["code"]  # type: ignore[attr-defined]


def test_a_rule_from_memory_finds_nothing_until_it_is_on_and_then_says_so(log: object) -> None:
    _crew(log, third_after_s=240.0)
    on = msgspec.structs.replace(PROFILE.rest.one_cylinder_1584, on=True)
    rest = msgspec.structs.replace(PROFILE.rest, one_cylinder_1584=on)
    frames = log.frames()  # type: ignore[attr-defined]
    without = analyse(frames, PROFILE)["findings"]
    found = analyse(frames, msgspec.structs.replace(PROFILE, rest=rest))["findings"]
    assert not without["statement"].str.contains("from memory").any()
    told = found.filter(pl.col("statement").str.contains("after 1 cylinder;"))["statement"]
    assert len(told)
    assert told.str.contains("from memory").all()
