"""The limits of what desks say: who contradicts whom, and who has acknowledged an order. Our own rules."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from analysis.live.desk_words import DeskWords
from analysis.live.rows import Row

AT = 1_000_000.0


def row(set_id: str = "S-1", **more: Any) -> Row:
    fields = {
        "key": f"trial/{set_id}", "set_id": set_id, "wearer_id": "W-1", "team": "Larch", "incident_id": "I-1",
        "tallied_in_at": AT - 100.0, "low_air_bar": 55.0,
    }  # fmt: skip
    return Row(**fields | more)


def stay(out_at: float | None, **more: Any) -> Any:
    fields = {"set_id": "S-1", "wearer_id": "W-1", "team": "Larch", "in_us": round((AT - 100.0) * 1e6)}
    tally = SimpleNamespace(**fields | more)
    return SimpleNamespace(
        incident_id="I-1", wearer_id=tally.wearer_id, in_us=tally.in_us, tallies=[tally],
        ended_us=None if out_at is None else round(out_at * 1e6), ended_how="tallied_out",
    )  # fmt: skip


def said(kind: str, desk_id: str = "D-1", **more: Any) -> dict[str, Any]:
    fields = {
        "order": {"order": "evacuate", "state": "given", "team": None, "set_id": None, "text": None,
                  "standing": None},
        "gauge": {"set_id": "S-1", "corrects": None},
        "note": {"set_id": "S-1"},
        "standby": {"team": "Birch", "state": "ready", "text": None},
        "roll_call": {"roll_id": "R-1", "state": "called", "wearer_id": None, "team": None},
        "resolved": {"set_id": "S-1", "alarm": None, "wearer_id": None},
    }[kind]  # fmt: skip
    return {"incident_id": "I-1", "desk_id": desk_id, "identity": f"{desk_id}/1/1"} | fields | more


@pytest.mark.parametrize(("apart_s", "told"), [(30.0, 1), (-30.0, 1), (30.1, 0), (-30.1, 0)])
def test_desks_contradict_each_other_within_half_a_minute(apart_s: float, told: int) -> None:
    words = DeskWords()
    words.take("standby", said("standby"), AT)
    words.take("standby", said("standby", "D-2", state="stood_down"), AT + apart_s)
    assert len(words.contradictions(())) == told
    for one in words.contradictions(()):
        first, second = ("D-1", "ready"), ("D-2", "stood_down")
        assert (one.first, one.second) == ((first, second) if apart_s > 0 else (second, first))
        assert one.at == max(AT, AT + apart_s)


def test_one_desk_may_change_its_mind_and_two_may_agree() -> None:
    words = DeskWords()
    for desk_id, state in (("D-1", "ready"), ("D-1", "stood_down"), ("D-2", "stood_down")):
        words.take("standby", said("standby", desk_id, state=state), AT)
    assert [one.second for one in words.contradictions(())] == [("D-2", "stood_down")]  # to the first word
    words = DeskWords()
    for desk_id in ("D-1", "D-2"):
        words.take("standby", said("standby", desk_id), AT)
    assert words.contradictions(()) == ()


@pytest.mark.parametrize(("bar", "told"), [(180.0, 0), (179.9, 1), (220.0, 0), (220.1, 1)])
def test_gauges_by_voice_differ_by_more_than_a_step_of_each(bar: float, told: int) -> None:
    """A gauge that a person reads out is taken as rounded to 10 bar."""
    words = DeskWords()
    words.take("gauge", said("gauge", pressure_bar=200.0), AT)
    words.take("gauge", said("gauge", "D-2", pressure_bar=bar), AT + 10.0)
    assert len(words.contradictions(())) == told


def test_the_latest_twenty_contradictions_are_shown() -> None:
    words = DeskWords()
    for number in range(22):
        at = AT + 100.0 * number
        words.take("standby", said("standby"), at)
        words.take("standby", said("standby", "D-2", state="stood_down"), at + 1.0)
    shown = words.contradictions(())
    assert [one.at for one in shown] == [AT + 100.0 * number + 1.0 for number in range(21, 1, -1)]


@pytest.mark.parametrize(
    ("set_at", "voice_at", "in_at", "acknowledged"),
    [
        (AT, None, AT - 100.0, True),
        (AT - 0.1, None, AT - 100.0, False),
        (None, AT, AT - 100.0, True),
        (None, AT - 0.1, AT - 100.0, False),
        (AT + 5.0, None, AT + 5.0, True),
        (AT + 5.0, None, AT + 5.1, False),  # by whoever had the set before
        (AT + 5.0, None, None, True),  # nobody tallied it in
        (None, None, AT - 100.0, False),
    ],
)
def test_an_order_is_acknowledged_from_its_own_moment_on(
    set_at: float | None, voice_at: float | None, in_at: float | None, acknowledged: bool
) -> None:
    words = DeskWords()
    words.take("order", said("order"), AT)
    if voice_at is not None:
        words.take("note", said("note", text=" Order to evacuate acknowledged by voice "), voice_at)
    (line,) = words.orders([row(evacuate_acknowledged_at=set_at, tallied_in_at=in_at)], AT)
    assert (line.meant, line.acknowledged, line.waiting) == (
        1, int(acknowledged), () if acknowledged else ("trial/S-1",),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("of", "out_at", "out"),
    [
        ({}, AT, 1),
        ({}, AT - 0.1, 0),
        ({}, None, 0),
        ({"team": "Larch"}, AT, 1),
        ({"team": "Birch"}, AT, 0),
        ({"set_id": "S-1"}, AT, 1),
        ({"set_id": "S-2"}, AT, 0),
    ],
)
def test_who_came_out_since_an_order_is_counted_with_those_it_meant(
    of: dict[str, str], out_at: float | None, out: int
) -> None:
    words = DeskWords(stays=[stay(out_at)])
    words.take("order", said("order", **of), AT)
    (line,) = words.orders([], AT)
    assert (line.out, line.meant) == (out, out)


@pytest.mark.parametrize(
    ("after_h", "inside", "shown"), [(12.0, False, 1), (12.1, False, 0), (12.1, True, 1), (99.0, True, 1)]
)
def test_an_order_for_nobody_inside_is_shown_for_half_a_day(after_h: float, inside: bool, shown: int) -> None:
    words = DeskWords()
    words.take("order", said("order"), AT)
    assert len(words.orders([row()] if inside else [], AT + 3600.0 * after_h)) == shown


def test_an_order_means_a_team_or_a_set_or_everybody_inside() -> None:
    rows = [
        row(),
        row("S-2", wearer_id="W-2", team="Birch"),
        row("S-3", wearer_id="W-3", incident_id="I-2"),
        row("S-4", wearer_id="W-4", tallied_in_at=None, tallied_out_at=AT),
    ]
    for of, waiting in (
        ({}, ("trial/S-1", "trial/S-2")),
        ({"team": "Birch"}, ("trial/S-2",)),
        ({"set_id": "S-1"}, ("trial/S-1",)),
        ({"team": "Birch", "set_id": "S-1"}, ("trial/S-1", "trial/S-2")),
    ):
        words = DeskWords()
        words.take("order", said("order", **of), AT)
        (line,) = words.orders(rows, AT)
        assert line.waiting == waiting


@pytest.mark.parametrize(
    ("more", "still"),
    [
        ({"started_at": AT - 90.0}, ("W-9",)),
        ({"started_at": AT - 90.0, "settled": True}, ()),  # a person said how it was settled
        ({"started_at": AT - 90.0, "incident_id": "I-2"}, ()),
        ({"tallied_in_at": None}, ()),  # the valve is closed
    ],
)
def test_no_roll_is_complete_while_somebody_tallied_out_is_under_air(
    more: dict[str, Any], still: tuple[str, ...]
) -> None:
    """A casualty's old set was tallied out: the roll call read "complete", and one was inside."""
    words = DeskWords(stays=[stay(None)])
    words.take("roll_call", said("roll_call"), AT)
    words.take("roll_call", said("roll_call", state="answered", team="Larch"), AT + 9.0)
    other = row("S-9", wearer_id="W-9", tallied_out_at=AT - 10.0, **more)
    (line,) = words.roll_calls([row(entered_at=AT - 100.0), other])
    assert (line.still_under_air, line.complete_at) == (still, None if still else AT + 9.0)
    assert [one[0] for one in line.answers] == ["W-1"]


@pytest.mark.parametrize(
    ("more", "acknowledged_at", "told"),
    [
        ({"started_at": AT - 90.0}, None, ("trial/S-1",)),
        ({"started_at": AT - 90.0}, AT + 5.0, ()),
        ({"started_at": AT - 90.0, "settled": True}, None, ()),
        ({"started_at": AT - 90.0, "team": "Elm"}, None, ()),
        ({}, None, ()),  # the valve is closed
    ],
)
def test_an_order_names_who_was_tallied_out_and_is_heard_under_air(
    more: dict[str, Any], acknowledged_at: float | None, told: tuple[str, ...]
) -> None:
    """A tally out of the wrong person took somebody from those who had not acknowledged "evacuate"."""
    words = DeskWords(stays=[stay(AT + 10.0)])
    words.take("order", said("order", team="Larch"), AT)
    mistaken = row(tallied_out_at=AT + 10.0, evacuate_acknowledged_at=acknowledged_at, **more)
    (line,) = words.orders([mistaken], AT + 60.0)
    assert (line.meant, line.acknowledged, line.out, line.waiting) == (1, 0, 1, ())
    assert line.still_under_air == told


@pytest.mark.parametrize(
    ("silent_at", "acknowledged_at", "meant", "waiting"),
    [
        (AT - 5.0, None, 1, ("trial/S-2",)),
        (AT - 5.0, AT + 1.0, 1, ()),
        (None, AT + 1.0, 2, ("trial/S-1",)),  # both are heard under air: on two people
    ],
)
def test_a_person_with_two_sets_counts_once_in_an_order(
    silent_at: float | None, acknowledged_at: float | None, meant: int, waiting: tuple[str, ...]
) -> None:
    """By the set that is heard under air: the one that was taken off cannot acknowledge anything."""
    rows = [
        row(started_at=AT - 90.0, silent_since_at=silent_at),
        row("S-2", started_at=AT - 9.0, evacuate_acknowledged_at=acknowledged_at),
    ]
    words = DeskWords()
    words.take("order", said("order"), AT)
    (line,) = words.orders(rows, AT)
    assert (line.meant, line.waiting) == (meant, waiting)


@pytest.mark.parametrize(
    ("ins", "ended", "told"),
    [
        ((AT, AT), (None, None), 1),
        ((AT, AT + 0.1), (None, None), 0),
        ((AT - 9.0, AT - 9.0), (AT + 0.1, None), 1),
        ((AT - 9.0, AT - 9.0), (AT, None), 0),
    ],
)
def test_whose_entry_is_settled_is_asked_where_two_are_in(
    ins: tuple[float, float], ended: tuple[float | None, float | None], told: int
) -> None:
    stays = [
        stay(out_at, wearer_id=f"W-{number}", in_us=round(in_at * 1e6))
        for number, (in_at, out_at) in enumerate(zip(ins, ended, strict=True), 1)
    ]
    words = DeskWords(stays=stays)
    words.take("resolved", said("resolved"), AT)
    assert [one.first for one in words.contradictions(())] == [("D-1", "W-1", "W-2")] * told
    for more in ({"alarm": "distress"}, {"wearer_id": "W-1"}):
        words = DeskWords(stays=stays)
        words.take("resolved", said("resolved", **more), AT)
        assert words.contradictions(()) == ()
