"""Rest between wears: each rule by hand, and that rules from memory are off."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from analysis.profile import Profile, Rest, RestRule
from analysis.trends.ledger import WEARS
from analysis.trends.rest import rules_in_force, short_rests

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
    assert (one.wear_id, one.reached, one.amount, one.source) == ("W-1/2", "cylinders", 2, "a study card")
    assert one.rested_min == pytest.approx(4.0)
    assert one.rest_min == 10.0


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
