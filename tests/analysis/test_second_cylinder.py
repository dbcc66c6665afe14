"""A second cylinder within one entry counts once it is sure, and never for want of messages."""

from __future__ import annotations

from datetime import datetime
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from analysis.incident import analyse
from analysis.live.board import LiveBoard
from analysis.live.rows import ORDER, Row
from analysis.profile import Profile
from analysis.wears.charges import charges_of
from analysis.wears.valve import CHANGED_RISE_BAR
from ingest.contract.captures import Heard
from ingest.contract.frames import frames_from_heard

PROFILE = Profile.default()
PAST = ("turn_back", "team_turn_back")


def inside(log: Any) -> Any:
    desk, one = log.desk(), log.talker("S-1")
    desk.say(0, "incident", incident_id="I-1", action="open")
    desk.say(1, "tally", incident_id="I-1", action="in", wearer_id="W-1", set_id="S-1", team="Larch")
    one.set_up(0)
    return one


def second_cylinder(
    log: Any, *, closed: bool = True, first_s: int = 1600, second_bar: float = 290.0, other_boot: bool = False
) -> float:
    """W-1 passes turn-back (177.5 bar), closes, and is under air again two minutes later; return when."""
    one = inside(log)
    ended_s = one.breathe(20, first_s, bar_s=0.1, closes=closed, only_pressure=True)
    if other_boot:
        one = log.talker("S-1", boot=2)
        one.set_up(ended_s + 110)
    again_s = ended_s + 120
    one.breathe(again_s, 600, start_bar=second_bar, bar_s=0.1, opens=closed, closes=False, only_pressure=True)
    return float(again_s)


def past(row: Row) -> bool:
    return any(reason.code in PAST for reason in row.reasons)


@pytest.mark.parametrize("other_boot", [False, True])
def test_the_row_counts_by_the_second_cylinder_once_it_is_sure(log: Any, see: Any, other_boot: bool) -> None:
    again_s = second_cylinder(log, other_boot=other_boot, closed=not other_boot)
    (row,) = see(again_s - 60).rows
    assert past(row)
    (row,) = see(again_s + 30).rows
    assert (row.attention, past(row)) == ("turn_back", True)
    shown = see(again_s + 70)
    (row,) = shown.rows
    assert (row.attention, past(row)) == ("under_air", False)
    assert (row.entry_bar, row.turn_back_bar, row.turn_back_reached_at) == (290.0, 172.5, None)
    assert row.turn_back is not None
    assert shown.teams[0].turn_back_reached_at is None


def test_what_is_planned_of_the_second_cylinder_is_at_the_wearers_own_rate(log: Any, see: Any) -> None:
    """It read "35 min (planned)" for somebody who had emptied the first at twice the planning rate."""
    one = inside(log)
    ended_s = one.breathe(20, 900, bar_s=0.2, only_pressure=True)  # 82 L/min nominal of 6.8 L
    one.breathe(ended_s + 120, 300, start_bar=300.0, bar_s=0.2, closes=False, only_pressure=True)
    (row,) = see(ended_s + 140).rows
    assert row.planned
    assert row.low_air is not None
    assert row.low_air.median == pytest.approx(6.8 * 245 / 82, rel=0.1)


def test_the_hardest_three_minutes_are_those_of_the_entry(log: Any, see: Any) -> None:
    """The second cylinder's row forgot that the first was emptied at 135 L/min."""
    one = inside(log)
    ended_s = one.breathe(20, 300, bar_s=0.1, only_pressure=True)
    hard_s = one.breathe(
        ended_s + 60, 400, start_bar=250.0, bar_s=0.33, only_pressure=True
    )  # 135 L/min nominal of 6.8 L
    one.breathe(hard_s + 60, 600, start_bar=300.0, bar_s=0.1, closes=False, only_pressure=True)
    for after_s in (120, 400):  # before three minutes are full, and when an easier three minutes are known
        (row,) = see(hard_s + 60 + after_s).rows
        assert row.if_hardest is not None
        assert row.if_hardest.rate_l_min == pytest.approx(135, rel=0.08)
        assert row.if_hardest.minutes == pytest.approx(6.8 * (row.pressure_bar - 55) / 135, rel=0.1)


def test_the_review_says_of_the_second_cylinder_what_the_row_says(log: Any, see: Any) -> None:
    again_s = second_cylinder(log)
    (row,) = see(again_s + 500).rows
    wears = analyse(log.frames(), PROFILE)["turn_back"].filter(policy="half_of_usable").to_dicts()
    last = next(one for one in wears if one["wear_id"].endswith("/2"))
    assert last["at"] is None
    assert row.turn_back_reached_at is None


@pytest.mark.parametrize(
    ("options", "why"),
    [
        ({"closed": False}, "no closed valve was heard"),
        ({"second_bar": 195.0}, "the first cylinder may have held as much when turn-back was reached"),
        ({"first_s": 1250}, "turn-back was reached for less than a minute"),
    ],
)
def test_what_is_not_surely_another_cylinder_leaves_turn_back_as_it_was(
    log: Any, see: Any, options: dict[str, Any], why: str
) -> None:
    again_s = second_cylinder(log, **options)
    assert past(see(again_s + 550).rows[0]), why


def test_a_drop_out_of_the_sensor_is_no_second_cylinder(log: Any, see: Any) -> None:
    one = inside(log)
    one.breathe(20, 1500, bar_s=0.04, closes=False, only_pressure=True)
    # The sensor drops out for half a minute, twice; all before, between and after is lost but a few readings.
    one.said = [
        (at_s, kind, lost or (kind == "pressure" and 1400 < at_s < 1800), retained, fields)
        for at_s, kind, lost, retained, fields in one.said
    ]
    for first_s in (1410, 1600):
        for second in range(first_s, first_s + 30):
            one.say(second, "pressure", pressure_bar=21.0 if second % 2 else 0.0)
    for second in range(1700, 1800):
        one.say(second, "pressure", pressure_bar=240.0)
    assert past(see(1790).rows[0])


def test_a_partner_on_the_first_cylinder_is_still_past_turn_back(log: Any, see: Any) -> None:
    again_s = second_cylinder(log)
    two = log.talker("S-2")
    two.set_up(0)
    two.breathe(20, 3000, bar_s=0.03, closes=False, only_pressure=True)
    log.talkers[0].say(
        2, "tally", incident_id="I-1", action="in", wearer_id="W-2", set_id="S-2", team="Larch"
    )
    rows = {row.wearer_id: row for row in see(again_s + 100).rows}
    assert "team_turn_back" in [reason.code for reason in rows["W-2"].reasons]
    assert not past(rows["W-1"])


@pytest.mark.parametrize("seed", range(3))
def test_lost_messages_only_delay_that_a_second_cylinder_counts(log: Any, seed: int) -> None:
    again_s = second_cylinder(log)
    chance = np.random.default_rng(seed)
    # Whole stretches are lost as well: around the change, and of the first cylinder.
    holes = [(from_s, from_s + chance.uniform(10, 120)) for from_s in chance.uniform(1250, again_s + 60, 3)]
    heard = [one for _, one in log.heard()]
    kept = [
        one
        for one in heard
        if "/pressure" not in one.topic
        or (chance.random() < 0.6 and not any(a <= _true_s(log, one.received) < b for a, b in holes))
    ]
    full, less = LiveBoard(PROFILE), LiveBoard(PROFILE)
    was_s = -1e6
    for at_s in np.arange(again_s, again_s + 300.0, 10.0):
        now = log.at(at_s)
        for board, messages in ((full, heard), (less, kept)):
            board.take(frames_from_heard(_between(log, messages, was_s, at_s)))
        was_s = at_s
        (whole,), (part,) = full.snapshot(now).rows, less.snapshot(now).rows
        assert past(part) or not past(whole), at_s
        # Two filters of which one had half of the readings differ in what is soon.
        first, second = (one.attention.replace("turn_back_soon", "under_air") for one in (part, whole))
        assert ORDER[first] <= ORDER[second], at_s


def _true_s(log: Any, at: datetime) -> float:
    return float((at - log.at(0)).total_seconds())


def _between(log: Any, messages: list[Heard], after_s: float, until_s: float) -> list[Heard]:
    after, until = log.at(after_s), log.at(until_s)
    return [one for one in messages if after < one.received <= until]


def test_two_sets_under_air_at_the_same_time_breathe_from_two_cylinders() -> None:
    """However much is in each; of one set, or one after the other, only a higher pressure is a new one."""

    def wear(set_id: str, started_us: int, ended_us: int, first_bar: float = 200.0) -> Any:
        fields = {"first_bar": first_bar, "last_bar": first_bar - 20.0, "ended_how": "closed"}
        return SimpleNamespace(set_id=set_id, started_us=started_us, ended_us=ended_us, **fields)

    def of_each(*wears: Any) -> list[list[int]]:
        return [[one.started_us for one in charge.wears] for charge in charges_of(wears)]

    first = wear("S-1", 0, 100, 300.0)
    assert of_each(first, wear("S-2", 50, 150)) == [[0], [50]]
    assert of_each(first, wear("S-2", 100, 150)) == [[0], [100]]
    assert of_each(first, wear("S-2", 101, 150)) == [[0, 101]]
    assert of_each(first, wear("S-2", 50, 150), wear("S-1", 120, 200)) == [[0, 120], [50]]
    # A little more may be the gas that warms, or the gauge.
    assert of_each(first, wear("S-1", 120, 200, 280.0 + CHANGED_RISE_BAR)) == [[0, 120]]
    assert of_each(first, wear("S-1", 120, 200, 280.5 + CHANGED_RISE_BAR)) == [[0], [120]]
