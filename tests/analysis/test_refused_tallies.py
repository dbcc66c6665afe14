"""Whoever a refused tally names is on the board until a person's word about them."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.live.rows import Row, Snapshot
from dashboard.live.display import Display
from dashboard.live.view import System, page
from ingest.contract.captures import Heard

REFUSED: dict[str, Any] = {
    "incident_id": "I-1",
    "action": "in",
    "set_id": "S-7",
    "wearer_id": "W-7",
    "team": "Red Team!",
}


def desk_of(log: Any) -> Any:
    desk = log.desk()
    desk.say(0, "incident", incident_id="I-1", action="open")
    return desk


def only(snapshot: Snapshot) -> Row:
    (row,) = snapshot.rows
    return row


def test_who_is_named_is_not_accounted_for_with_the_reason(log: Any, see: Any) -> None:
    desk_of(log).say(30, "tally", **REFUSED)
    shown = see(60)
    row = only(shown)
    assert (row.wearer_id, row.set_id, row.incident_id, row.team) == ("W-7", "S-7", "I-1", None)
    assert (row.attention, row.lost.code if row.lost else None) == ("not_accounted", "tally_refused")
    painted = page(shown, System((), None, None, ""), Display())
    assert "1 not accounted for" in painted["summary"]["I-1"]
    assert painted["rows"][0]["why"].startswith("tally refused 0:")
    assert "Red Team!" in painted["rows"][0]["why"]
    assert [one["sound"] for one in painted["alarms"]] == ["not_accounted"]


def test_a_set_that_breathes_without_a_tally_is_that_wearers_row(log: Any, see: Any) -> None:
    desk = desk_of(log)
    one = log.talker("S-7")
    one.set_up(0)
    one.breathe(20, 300, closes=False, only_pressure=True)
    desk.say(30, "tally", **REFUSED)
    shown = see(200)
    row = only(shown)
    assert (row.wearer_id, row.lost) == ("W-7", None)
    assert row.pressure_bar is not None
    assert row.turn_back is not None
    painted = page(shown, System((), None, None, ""), Display())
    assert painted["rows"][0]["silent"] is False  # a live number is not crossed out
    assert painted["rows"][0]["why"].startswith("tally refused 2:")
    assert {"1 in", "1 under air", "0 not accounted for", "1 to tally again"} <= set(
        painted["summary"]["I-1"]
    )
    # From here on nothing vouches for the air.
    assert only(see(1000)).attention == "not_accounted"


def test_an_empty_cylinder_comes_before_refused_tallies_that_breathe_and_who_was_never_heard(
    log: Any, see: Any
) -> None:
    desk = desk_of(log)
    for number, (start_bar, bar_s) in enumerate([(300.0, 0.09), (38.0, 0.2), (100.0, 0.06)]):
        one = log.talker(f"S-{number}")
        one.set_up(0)
        one.breathe(20, 180, start_bar=start_bar, bar_s=bar_s, closes=False, only_pressure=True)
        word = {"set_id": f"S-{number}", "wearer_id": f"W-{number}", "team": "Red" if number == 1 else "Red!"}
        desk.say(30, "tally", **(REFUSED | word))
    desk.say(31, "tally", **(REFUSED | {"set_id": "S-9", "wearer_id": "W-9", "team": "Red"}))
    shown = see(199)
    assert [(row.wearer_id, row.lost.code if row.lost else None) for row in shown.rows] == [
        ("W-1", "empty"),
        ("W-9", "never_heard"),
        ("W-2", None),
        ("W-0", None),
    ]
    counts = page(shown, System((), None, None, ""), Display())["summary"]["I-1"]
    assert {"4 in", "2 under air", "2 not accounted for", "2 to tally again"} <= set(counts)


def test_who_is_in_with_another_set_keeps_one_row(log: Any, see: Any) -> None:
    desk = desk_of(log)
    one = log.talker("S-1")
    one.set_up(0)
    one.breathe(20, 300, closes=False, only_pressure=True)
    desk.say(10, "tally", **(REFUSED | {"set_id": "S-1", "team": "Red"}))
    desk.say(30, "tally", **REFUSED)
    row = only(see(200))
    assert (row.wearer_id, row.set_id, row.team, row.attention) == ("W-7", "S-1", "Red", "not_accounted")


@pytest.mark.parametrize(
    "word",
    [
        ("tally", REFUSED | {"team": "Red", "action": "in"}),
        ("tally", REFUSED | {"team": "Red", "action": "out"}),
        ("resolved", {"incident_id": "I-1", "set_id": "S-7", "text": "never went in"}),
    ],
)
def test_a_persons_word_about_who_was_named_ends_it(
    log: Any, see: Any, word: tuple[str, dict[str, Any]]
) -> None:
    desk = desk_of(log)
    desk.say(30, "tally", **REFUSED)
    desk.say(40, "tally", **(REFUSED | {"team": "Red", "wearer_id": "W-8"}))  # about somebody else
    desk.say(100, word[0], **word[1])
    assert {row.wearer_id for row in see(90).rows} == {"W-7", "W-8"}
    after = see(110).rows
    assert not any(row.lost is not None and row.lost.code == "tally_refused" for row in after)


@pytest.mark.parametrize(("name", "value"), [("wearer_id", 7), ("action", "enter"), ("set_id", None)])
def test_what_can_be_read_is_read_whatever_is_wrong(log: Any, see: Any, name: str, value: object) -> None:
    desk_of(log).say(30, "tally", **(REFUSED | {"team": "Red", name: value}))
    row = only(see(60))
    assert row.lost is not None
    assert row.wearer_id == ("7" if name == "wearer_id" else "W-7")


def test_a_refused_out_and_a_retained_tally_name_nobody_new(log: Any, see: Any) -> None:
    desk = desk_of(log)
    desk.say(30, "tally", **(REFUSED | {"action": "out"}))
    desk.say(31, "tally", retained=True, **REFUSED)
    assert see(60).rows == ()


def test_the_head_counts_tallies_that_name_nobody_who_can_be_read(log: Any, see: Any) -> None:
    desk_of(log)
    log.extra.append(Heard(log.at(30), "underair/v1/trial/desk/D-1/tally", b"in with S-7"))
    shown = see(60)
    assert shown.rows == ()
    summary = page(shown, System((), None, None, ""), Display())["summary"]
    assert "1 tally refused: who went in?" in summary[""]
    assert "1 tally refused: who went in?" in summary["I-1"]
    assert "refused: who" not in str(page(see(13 * 3600), System((), None, None, ""), Display())["summary"])
