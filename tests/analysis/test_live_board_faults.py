"""Faults that the live board once had, one test each."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from analysis.live import LiveBoard
from analysis.live_rows import Row, Snapshot
from analysis.profile import Profile, parse_profile
from ingest.frames import frames_from_heard


@pytest.fixture
def board() -> LiveBoard:
    return LiveBoard(Profile.default())


@pytest.fixture
def see(log: Any, board: LiveBoard) -> Callable[[float], Snapshot]:
    return following(log, board)


def following(log: Any, board: LiveBoard) -> Callable[[float], Snapshot]:
    """Give the board everything received up to a true time and return the picture of that moment."""
    until = [log.at(-1e6)]

    def snapshot(true_s: float) -> Snapshot:
        now = log.at(true_s)
        board.take(frames_from_heard([one for _, one in log.heard() if until[0] < one.received <= now]))
        until[0] = now
        return board.snapshot(now)

    return snapshot


def breathe(talker: Any, from_s: int, to_s: int, start_bar: float = 280.0, **first: Any) -> None:
    """Say a pressure a second, falling by 0.11 bar a second."""
    for second in range(from_s, to_s):
        bar = float(round(start_bar - 0.11 * (second - from_s)))
        talker.say(second, "pressure", pressure_bar=bar, **(first if second == from_s else {}))


def only(snapshot: Snapshot) -> Row:
    assert len(snapshot.rows) == 1
    return snapshot.rows[0]


def codes(row: Row) -> list[str]:
    return [reason.code for reason in row.reasons]


@pytest.mark.parametrize("water_volume_l", [0.0, 1e-9, 1e300])
def test_a_setup_with_a_cylinder_that_cannot_be_leaves_the_cylinder_unknown(
    log: Any, see: Any, water_volume_l: float
) -> None:
    one = log.talker("S-1")
    one.set_up(0, cylinders={"count": 1, "water_volume_l": water_volume_l, "rated_bar": 300.0})
    breathe(one, 1, 60)
    row = only(see(60))
    assert (row.attention, row.pressure_bar, row.cylinder_known) == ("under_air", 274.0, False)
    assert "no_setup" in codes(row)
    assert (row.low_air, row.rate_l_min) == (None, None)


def test_a_first_gas_temperature_that_cannot_be_is_not_believed(log: Any, see: Any) -> None:
    one, other = log.talker("S-1"), log.talker("S-2")
    one.set_up(0)
    other.set_up(0)
    breathe(one, 1, 300, gas_temperature_c=-273.15)
    breathe(other, 1, 300)
    rows = see(300).rows
    rates = [row.rate_l_min for row in rows]
    assert rates[0] is not None
    assert rates[0] > 20.0
    assert rates[0] == pytest.approx(rates[1])


def test_a_setup_after_the_valve_was_opened_starts_the_forecast_of_that_wear(log: Any, see: Any) -> None:
    late, early = log.talker("S-1"), log.talker("S-2")
    early.set_up(0)
    late.set_up(300.5)
    breathe(late, 1, 400)
    breathe(early, 1, 400)
    before = {row.set_id: row for row in see(300).rows}
    assert (before["S-1"].cylinder_known, before["S-1"].low_air) == (False, None)
    assert "no_setup" in codes(before["S-1"])
    after = {row.set_id: row for row in see(400).rows}
    assert after["S-1"].cylinder_known
    assert "no_setup" not in codes(after["S-1"])
    assert after["S-1"].started_at == before["S-1"].started_at
    assert after["S-1"].low_air.median == pytest.approx(after["S-2"].low_air.median, rel=0.1)
    assert after["S-1"].rate_l_min == pytest.approx(after["S-2"].rate_l_min, rel=0.1)


def test_a_late_setup_gives_the_policy_that_counts_litres_its_moment(log: Any) -> None:
    profile = parse_profile(
        'name = "trial"\ntitle = "t"\ndecides = "d"\n[turn_back]\npolicy = "fixed_margin"\n', "trial.toml"
    )
    see = following(log, LiveBoard(profile))
    one = log.talker("S-1")
    one.set_up(100.5)
    breathe(one, 1, 120)
    assert only(see(100)).turn_back is None
    assert only(see(120)).turn_back is not None
