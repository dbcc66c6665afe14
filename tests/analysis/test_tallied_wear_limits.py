"""Whose a wear is by the tallies of its set, and how long a tally counts, at each limit. Our own rules."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.wears.tally import Stay, TallyEntry, key_of, tally_of, two_at_once
from tests.analysis.test_tally_limits import HOUR_US, us


def tally(wearer_id: str, *spans: tuple[int, int], **more: Any) -> TallyEntry:
    first = spans[0][0] if spans else 0
    fields = {
        "set_id": "S-1",
        "incident_id": "I-1",
        "in_us": first,
        "in_identity": f"D-1/1/{wearer_id}",
        **more,
    }
    named = {"team": None, "task": None, "said_us": first, "desk_id": "D-1"}
    return TallyEntry(wearer_id=wearer_id, spans=list(spans), **named | fields)


@pytest.mark.parametrize(
    ("tallies", "wearer_id"),
    [
        ([("W-1", (0, 100))], "W-1"),  # holds the set at the last reading, which is the 60th
        ([("W-1", (60, 100))], "W-1"),
        ([("W-1", (0, 60))], "W-1"),
        ([("W-1", (61, 100))], None),
        ([("W-1", (0, 55)), ("W-2", (56, 99))], "W-2"),
        ([("W-1", (0, 99)), ("W-2", (30, 99))], "W-2"),  # of two who hold it, who has it since later
        ([("W-1", (0, 30), (50, 99)), ("W-2", (40, 99))], "W-1"),
        ([("W-2", (30, 99)), ("W-1", (30, 99))], "W-2"),
        ([("W-1", (0, 9))], None),  # it began with the tenth
        ([("W-1", (0, 10))], "W-1"),
        ([("W-1", (0, 20)), ("W-2", (21, 40))], "W-2"),  # nobody holds it: who overlaps most
        ([("W-1", (0, 20)), ("W-2", (21, 31))], "W-1"),  # of equals the earlier
        ([("W-1", (0, 20), (22, 25)), ("W-2", (26, 37))], "W-1"),
        ([("W-1", (0, 20), (70, 99)), ("W-2", (26, 35))], "W-1"),
        ([], None),
        ([("W-1",)], None),
    ],
)
def test_whose_a_wear_is(tallies: list[Any], wearer_id: str | None) -> None:
    found = tally_of([tally(name, *spans) for name, *spans in tallies], 10, 60)
    assert (found.wearer_id if found else None) == wearer_id


@pytest.mark.parametrize(("out_us", "wearer_id"), [(10, "W-2"), (11, "W-1"), (40, "W-1"), (41, "W-2")])
def test_who_has_a_set_because_another_was_tallied_out_has_not_breathed_most_of_it(
    out_us: int, wearer_id: str
) -> None:
    found = tally_of([tally("W-1", (0, 40), out_us=out_us), tally("W-2", (40, 99))], 10, 60)
    assert found is not None
    assert found.wearer_id == wearer_id


@pytest.mark.parametrize(
    ("first", "second", "told_too"),
    [
        ({}, {"set_id": "S-2"}, True),
        ({}, {"incident_id": "I-2"}, True),
        ({}, {}, False),
        ({}, {"set_id": "S-2", "wearer_id": "W-2"}, False),
        ({"out_us": 50}, {"set_id": "S-2", "in_us": 50}, False),
        ({"out_us": 50}, {"set_id": "S-2", "in_us": 49}, True),
        ({}, {"set_id": "S-2", "in_us": 12 * HOUR_US - 1}, True),
        ({}, {"set_id": "S-2", "in_us": 12 * HOUR_US}, False),
        ({"in_us": HOUR_US}, {"set_id": "S-2", "in_us": 13 * HOUR_US - 1}, True),
        ({"closed": True}, {"set_id": "S-2", "in_us": 99}, True),
        ({"closed": True}, {"set_id": "S-2", "in_us": 100}, False),
        ({}, {"set_id": "S-2", "in_us": 100}, True),
    ],
)
def test_who_is_in_twice_without_an_out_between(
    first: dict[str, Any], second: dict[str, Any], told_too: bool
) -> None:
    def of(fields: dict[str, Any]) -> TallyEntry:
        named = {"wearer_id": "W-1", **fields}
        return tally(named.pop("wearer_id"), (0, 100), **named)

    one, other = of({"in_us": 0} | first), of({"in_us": 5} | second)
    assert two_at_once([other, one]) == [(one, other)] * told_too


def test_a_tally_may_count_from_three_hours_before_its_incident_was_spoken_of() -> None:
    def key(in_us: int) -> str:
        stay = Stay("I-1", "W-1", 1, [tally("W-1", (in_us, in_us))])
        return key_of(stay, {"I-1": [(10 * HOUR_US, "I-1@a"), (20 * HOUR_US, "I-1@b")]})

    assert [key(17 * HOUR_US - 1), key(17 * HOUR_US), key(20 * HOUR_US)] == ["I-1@a", "I-1@b", "I-1@b"]
    assert [key(0), key(7 * HOUR_US)] == ["I-1@a", "I-1@a"]
    assert key_of(Stay("I-1", "W-1", 1, [tally("W-1", (5, 5))]), {}) == "I-1"


def test_a_closed_incident_is_searched_for_twelve_hours_more() -> None:
    def is_in(hours_later: str, how: str = "incident_closed", ended: str | None = "1", **more: Any) -> bool:
        one = tally("W-1", (us("0.5"), us("0.5")))
        stay = Stay("I-1", "W-1", 1, [one], us(ended) if ended else None, how, **more)
        return stay.is_in(us(hours_later))

    assert [is_in("13-"), is_in("13")] == [True, False]
    assert [is_in("12.5-", ended="0"), is_in("12.5", ended="0")] == [True, False]  # tallied in since
    assert not is_in("2", "tallied_out")
    assert [is_in("99", "open", None), is_in("99", "open", None, followed=True)] == [True, False]
