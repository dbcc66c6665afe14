"""Which words of desks count: what is corrected, who was never out, and which alarms nobody has closed."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from analysis.alarms.held import held_alarms
from analysis.wears.corrections import DeskWord, Settlement, corrections, moment_of, read_resolved
from analysis.wears.rejoined import rejoined
from analysis.wears.tally import Stay


def word(seq: int, corrects: int | None = None, **more: Any) -> DeskWord:
    row: dict[str, Any] = {"corrects": None, **more}
    if corrects is not None:
        row["corrects"] = {"desk_id": "D-1", "boot": 1, "seq": corrects}
    return DeskWord(seq * 10, seq * 10, f"D-1/1/{seq}", "D-1", seq, row, seq * 10)


def places(*words: DeskWord) -> dict[str, str]:
    return {new[6:]: old[6:] for new, old in corrections(words).items()}


def test_a_message_that_was_not_heard_is_not_corrected_and_none_is_twice() -> None:
    assert places(word(1), word(2, 1)) == {"2": "1"}
    assert places(word(1), word(2, 7)) == {}
    assert places(word(1), word(2, 1), word(3, 1)) == {"2": "1"}
    assert places(word(1), word(2, 1), word(3, 2)) == {"2": "1", "3": "2"}


def test_two_messages_cannot_correct_each_other_away() -> None:
    assert places(word(1, 2), word(2, 1)) == {"1": "2"}
    assert places(word(1, 1)) == {}
    assert places(word(1, 3), word(2, 1), word(3, 2)) == {"1": "3", "2": "1"}


def test_a_correction_counts_from_the_moment_of_the_first_message_in_whose_place_it_is() -> None:
    at_us = {"a": 10, "b": 20, "c": 30}
    assert moment_of("c", {"c": "b", "b": "a"}, at_us) == 10
    assert moment_of("b", {"c": "b"}, at_us) == 20
    assert moment_of("a", {"a": "b", "b": "a"}, at_us) == 20  # a loop ends


def resolved(*rows: tuple[int | None, str, str | None]) -> list[str]:
    """Give which settlements count of messages, each with what it corrects, its set and its alarm."""
    more = {"incident_id": "I-1", "text": "t", "wearer_id": None}
    words = [
        {"corrects": None if old is None else {"desk_id": "D-1", "boot": 1, "seq": old}}
        | {"set_id": set_id, "alarm": alarm, **more}
        for old, set_id, alarm in rows
    ]
    moments = [10 * number for number in range(len(words))]
    channel = SimpleNamespace(
        rows=words, retained=[False] * len(words), time_us=moments, at_us=moments, received_us=moments,
        seq=list(range(len(words))),
    )  # fmt: skip
    desk: Any = SimpleNamespace(
        role="desk", name="D-1", channels={"resolved": channel}, identity=lambda seq: f"D-1/1/{seq}"
    )
    return [one.identity[6:] for one in read_resolved([desk])]


def test_a_settlement_is_taken_back_by_a_correction_about_the_same_alarm() -> None:
    assert resolved((None, "S-1", "distress")) == ["0"]
    assert resolved((None, "S-1", "distress"), (0, "S-1", "distress")) == []
    assert resolved((None, "S-1", "distress"), (0, "S-2", "distress")) == ["1"]  # it was about another set
    assert resolved((None, "S-1", "distress"), (0, "S-1", "no_motion")) == ["1"]
    assert resolved((None, "S-1", None), (9, "S-1", None)) == ["0", "1"]


def test_a_settlement_without_a_wearer_is_about_whoever_was_in_with_the_set() -> None:
    (nobody, somebody) = (settled(1), replace(settled(1), wearer_id="W-1"))
    assert [nobody.is_about(name) for name in ("W-1", None)] == [True, True]
    assert [somebody.is_about(name) for name in ("W-1", "W-2", None)] == [True, False, False]


def stay(in_us: int, ended_us: int | None, how: str = "tallied_out", **more: Any) -> Any:
    fields = {"incident_id": "I-1", "wearer_id": "W-1", "set_id": "S-1", **more}
    tally = SimpleNamespace(set_id=fields["set_id"], in_identity=f"D-1/1/{in_us}", in_us=in_us)
    tallies: Any = [tally]
    return Stay(fields["incident_id"], fields["wearer_id"], 1, tallies, ended_us, how)


@pytest.mark.parametrize(
    ("second", "joined"),
    [
        ({}, True),
        ({"set_id": "S-2"}, False),
        ({"wearer_id": "W-2"}, False),
        ({"incident_id": "I-2"}, False),
    ],
)
def test_whoever_goes_on_breathing_from_the_same_set_was_never_out(
    second: dict[str, str], joined: bool
) -> None:
    wear: Any = SimpleNamespace(started_us=5, ended_us=400, tally=SimpleNamespace(in_identity="D-1/1/0"))
    found = rejoined([wear], [stay(200, None, "open", **second), stay(0, 100)])
    assert [len(one.tallies) for one in found] == ([2] if joined else [1, 1])
    assert found[-1].ended_us is None


@pytest.mark.parametrize(
    ("started_us", "ended_us", "joined"), [(99, 200, 1), (100, 200, 2), (99, 199, 2), (0, 900, 1)]
)
def test_the_wear_must_begin_before_the_way_out_and_last_until_the_way_in(
    started_us: int, ended_us: int, joined: int
) -> None:
    def wear(identity: str | None) -> Any:
        tally = SimpleNamespace(in_identity=identity) if identity is not None else None
        return SimpleNamespace(started_us=started_us, ended_us=ended_us, tally=tally)

    both = [stay(0, 100), stay(200, 300)]
    assert len(rejoined([wear("D-1/1/0")], both)) == joined
    assert len(rejoined([wear("D-1/1/200")], both)) == joined
    assert len(rejoined([wear("D-1/1/7"), wear(None)], both)) == 2
    assert len(rejoined([wear("D-1/1/0")], [stay(0, 100, "resolved"), stay(200, 300)])) == 2


def alarm(kind: str, raised_us: int, cleared_us: int | None = None, **more: Any) -> Any:
    fields = {"reported": "r", "seen_us": None, "heard_us": raised_us, "last_us": cleared_us or raised_us}
    return SimpleNamespace(alarm=kind, raised_us=raised_us, cleared_us=cleared_us, **fields | more)


def held(*alarms: Any, said: tuple[Settlement, ...] = (), **more: Any) -> list[tuple[int, Any, Any]]:
    asked = {"as_of_us": 1000, "interrupted_us": (), "silent_since_us": None} | more
    found = held_alarms(alarms, said, **asked)  # type: ignore[arg-type]
    return [(one.alarm.raised_us, one.ended_us, one.unknown_since_us) for one in found]


def settled(at_us: int, kind: str = "distress", heard_us: int | None = None) -> Settlement:
    heard = at_us if heard_us is None else heard_us
    return Settlement(at_us, "S-1", "I-1", kind, "out", "D-1/1/1", None, heard)


def test_a_cleared_alarm_stays_until_it_was_seen_but_for_one_that_comes_and_goes() -> None:
    assert held(alarm("distress", 100, 200)) == [(100, 200, None)]
    assert held(alarm("distress", 100, 200, seen_us=150)) == []
    assert held(alarm("distress", 100, seen_us=150)) == [(100, None, None)], "it is still on"
    assert held(alarm("battery", 100, 200)) == [(100, 200, None)]
    assert held(alarm("heat", 100, 200, reported=None)) == [], "only readings showed it"
    assert held(alarm("distress", 100, 200, reported=None)) == [(100, 200, None)]
    assert held(alarm("no_motion_prealarm", 100, 200)) == []
    # What comes after the moment is not known at it.
    assert held(alarm("distress", 1000), alarm("no_motion", 1001)) == [(1000, None, None)]
    assert held(alarm("battery", 100, 1001)) == [(100, None, None)]
    assert held(alarm("battery", 100, 1000)) == [(100, 1000, None)]


def test_who_has_seen_a_later_one_has_seen_the_earlier_one_of_its_kind() -> None:
    seen = alarm("distress", 300, 400, seen_us=500)
    assert held(alarm("distress", 100, 200), seen) == []
    assert held(seen, alarm("distress", 301, 401)) == [(301, 401, None)]
    assert held(alarm("no_motion", 100, 200), seen) == [(100, 200, None)]


def test_one_of_each_kind_is_held_the_first_that_is_still_on_or_the_newest() -> None:
    assert held(alarm("distress", 100, 200), alarm("distress", 300)) == [(300, None, None)]
    assert held(alarm("distress", 100), alarm("distress", 300)) == [(100, None, None)]
    assert held(alarm("distress", 100), alarm("distress", 300, 400)) == [(100, None, None)]
    assert held(alarm("distress", 100, 200), alarm("distress", 300, 400)) == [(300, 400, None)]
    assert held(alarm("distress", 300, 400), alarm("distress", 100, 200)) == [(300, 400, None)]
    assert len(held(alarm("distress", 100), alarm("no_motion", 100))) == 2


def test_a_word_settles_only_an_alarm_that_whoever_said_it_had_heard_of() -> None:
    one = alarm("distress", 100, heard_us=150)
    assert held(one, said=(settled(100, heard_us=150),)) == []
    assert held(one, said=(settled(99, heard_us=150),)) != []
    assert held(one, said=(settled(100, heard_us=149),)) != []
    assert held(one, said=(settled(200, "no_motion"),)) != []
    assert held(alarm("distress", 100, heard_us=None), said=(settled(100, heard_us=0),)) == []


def test_since_when_nobody_knows_whether_it_is_still_on() -> None:
    on = alarm("distress", 100, last_us=120)
    assert held(on, interrupted_us=(120, 300, 200)) == [(100, None, 200)]
    assert held(on, interrupted_us=(1000,), silent_since_us=500) == [(100, None, 1000)]
    assert held(on, interrupted_us=(1001,), silent_since_us=500) == [(100, None, 500)]
    assert held(alarm("distress", 100, 200), interrupted_us=(300,), silent_since_us=500) == [(100, 200, None)]
    # What only the analysis derives is held where it counts alone.
    assert held(alarm("battery", 100, reported=None)) == []
    assert held(alarm("low_air", 100, reported=None)) == [(100, None, None)]
