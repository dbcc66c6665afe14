"""When every set's clock is off alike, it was probably the listener's: the correction is then the error."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.incident import analyse
from analysis.profile import Profile

DAY_S = 86_400.0
PERHAPS = "Perhaps the listener's clock was wrong"


@pytest.mark.parametrize(
    ("offsets_s", "doubted"),
    [
        ((-DAY_S, -DAY_S + 0.4, -DAY_S - 1.1), True),
        ((DAY_S, DAY_S + 20.0, DAY_S), True),
        ((-DAY_S, -DAY_S, 0.3), False),  # one was right: it is the two that were wrong
        ((-DAY_S, -DAY_S, DAY_S), False),
        ((-DAY_S, -DAY_S), False),  # two may have been set by one hand
    ],
    ids=["a day slow", "a day fast", "one right", "not alike", "two sets"],
)
def test_sets_that_are_all_off_alike_cast_doubt_on_the_listener(
    log: Any, offsets_s: tuple[float, ...], doubted: bool
) -> None:
    """Mended: with a listener a day off, each set was called wrong, and "all its times are corrected"."""
    for number, offset_s in enumerate(offsets_s):
        talker = log.talker(f"S-{number}", clock=lambda true_s, off=offset_s: true_s + off)
        talker.set_up(0)
        talker.breathe(60, 120)
    rows = analyse(log.frames(), Profile.default())["findings"].to_dicts()
    said = [row["statement"] for row in rows if row["code"] == "clock_wrong"]
    assert len(said) == sum(abs(offset_s) > 30 for offset_s in offsets_s)
    assert [PERHAPS in statement for statement in said] == [doubted] * len(said)
    if doubted:
        assert (
            f"The {len(offsets_s) - 1} other sets heard in that time were all off by about as much" in said[0]
        )


def test_a_set_of_another_day_is_no_witness(log: Any) -> None:
    for number, (begins_s, offset_s) in enumerate([(0, -DAY_S), (0, -DAY_S), (9000, -DAY_S)]):
        talker = log.talker(f"S-{number}", clock=lambda true_s, off=offset_s: true_s + off)
        talker.set_up(begins_s)
        talker.breathe(begins_s + 60, 120)
    rows = analyse(log.frames(), Profile.default())["findings"].to_dicts()
    said = [row["statement"] for row in rows if row["code"] == "clock_wrong"]
    assert len(said) == 3
    assert not any(PERHAPS in statement for statement in said)
