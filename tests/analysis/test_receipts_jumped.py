"""A record whose listener's clock was set while it listened: said, and never corrected in silence."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl
import pytest

from analysis.findings.late import _Lateness
from analysis.incident import analyse
from analysis.profile import Profile

Delay = Callable[[float], float]
SET_AT_S = 700.0


def heard_by_three(log: Any, delays: dict[str, Delay], seconds: int = 900) -> list[dict[str, Any]]:
    """Return what is found of a wear with each set, heard with a delay (which may be negative)."""
    desk = log.desk()
    for number, (name, delay) in enumerate(delays.items()):
        desk.say(40 + number, "tally", action="in", incident_id="I-1", wearer_id=f"W-{number}", set_id=name)
        one = log.talker(name, delay=delay, clock=lambda true_s, off=number: true_s + 2.0 * off)
        one.set_up(30)
        one.breathe(60, seconds)
    findings = analyse(log.frames(), Profile.default())["findings"]
    return findings.filter(pl.col("code") == "receipts_jumped").to_dicts()


def set_by(by_s: float) -> Delay:
    return lambda true_s: 0.05 + (by_s if true_s > SET_AT_S else 0.0)


@pytest.mark.parametrize(
    ("by_s", "said"), [(172_800.0, "2 days later"), (3600.0, "1 h later"), (-3600.0, "1 h earlier")]
)
def test_a_jump_of_all_receipts_alike_is_said(log: Any, by_s: float, said: str) -> None:
    """Mended: "came up to 2 days late" was all; nobody was told that one clock was set."""
    (told,) = heard_by_three(log, dict.fromkeys(("S-1", "S-2", "S-3"), set_by(by_s)))
    assert told["severity"] == "caution"
    assert f"all 3 sets that were heard before and after it were received {said}" in told["statement"]
    jumped_s = (told["started"] - log.at(0)).total_seconds() - min(by_s, 0.0)
    assert jumped_s == pytest.approx(SET_AT_S, abs=2.0)
    assert [identity.split("/")[0] for identity in told["evidence"]] == ["S-1", "S-1"]


def one_gateway(true_s: float) -> float:
    return 0.05 + (3600.0 if true_s > SET_AT_S else 0.0)


def stored(true_s: float) -> float:
    """All waits for an hour and comes at once; what is said afterwards comes in time."""
    return 0.05 + (4300.0 - true_s if 700.0 < true_s < 800.0 else 0.0)


@pytest.mark.parametrize(
    "delays",
    [
        dict.fromkeys(("S-1", "S-2"), set_by(3600.0)),  # two sets may have one gateway
        {"S-1": one_gateway, "S-2": one_gateway, "S-3": set_by(0.0)},  # one was not delayed
        dict.fromkeys(("S-1", "S-2", "S-3"), set_by(600.0)),  # a way may be longer by ten minutes
        dict.fromkeys(("S-1", "S-2", "S-3"), stored),
        {"S-1": set_by(3600.0), "S-2": set_by(3700.0), "S-3": set_by(3900.0)},
        {f"S-{number}": set_by(3600.0 if number < 3 else 0.0) for number in range(5)},
    ],
    ids=["two sets", "one gateway of two", "ten minutes", "stored", "not alike", "three of five"],
)
def test_a_delay_is_no_jump_of_receipts(log: Any, delays: dict[str, Delay]) -> None:
    assert heard_by_three(log, delays) == []


def test_a_jump_of_four_fifths_of_the_sets_is_said_with_their_number(log: Any) -> None:
    delays = {f"S-{number}": set_by(3600.0 if number < 4 else 0.0) for number in range(5)}
    (told,) = heard_by_three(log, delays)
    assert "messages of 4 of 5 sets that were heard before and after it" in told["statement"]


def test_sets_brought_in_later_from_their_memory_are_no_jump(log: Any) -> None:
    """The end of each wear comes on the next day, all in one moment."""
    late = {
        f"S-{n}": (lambda true_s: 0.05 + (90_000.0 - true_s if true_s > SET_AT_S else 0.0)) for n in range(3)
    }
    assert heard_by_three(log, late) == []


def test_a_set_without_messages_on_both_sides_is_no_witness(log: Any) -> None:
    four = log.talker("S-9", delay=set_by(3600.0))
    four.set_up(SET_AT_S - 3)
    four.breathe(SET_AT_S + 60, 300)
    (told,) = heard_by_three(log, dict.fromkeys(("S-1", "S-2", "S-3"), set_by(3600.0)))
    assert "all 3 sets" in told["statement"]


@pytest.mark.parametrize(
    ("lines", "uneven_s", "change_s"),
    [(20, 0.0, 1000.0), (19, 0.0, None), (20, 2.0, 1000.0), (20, 2.1, float("nan"))],
)
def test_a_change_is_judged_by_20_even_messages_further_than_10_s_away(
    lines: int, uneven_s: float, change_s: float | None
) -> None:
    """What comes within 10 s of the moment, the tenth second included, counts on neither side."""
    far = [-11.0 - number for number in range(lines)][::-1], [11.0 + number for number in range(lines)]
    near = [-10.0, -3.0, 0.0, 4.0, 10.0]
    late_s = [5.0] * lines + [400.0] * len(near) + [1005.0] * lines
    late_s[0] -= uneven_s
    moments = np.array([*far[0], *near, *far[1]])
    one = _Lateness((moments * 1e6).astype(np.int64), np.array(late_s), np.arange(len(moments)))
    assert one.change_s(0) == pytest.approx(change_s, nan_ok=True)
    at_us = 7_000_000_000
    moved = _Lateness(one.at_us + at_us, one.late_s[::-1].copy(), one.seq)
    if not uneven_s:
        assert moved.change_s(at_us) == (None if change_s is None else -change_s)


@pytest.mark.parametrize(
    ("by_s", "third_s", "told"),
    [(900.5, 900.5, 1), (899.5, 899.5, 0), (1000.0, 1002.0, 1), (1000.0, 1002.5, 0)],
)
def test_three_sets_that_jump_by_a_quarter_of_an_hour_within_2_s_show_a_set_clock(
    log: Any, by_s: float, third_s: float, told: int
) -> None:
    delays = {"S-1": set_by(by_s), "S-2": set_by(by_s), "S-3": set_by(third_s)}
    assert len(heard_by_three(log, delays)) == told
