"""Silences of somebody who is in that lie before, between or after the wears: they count as not heard."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.incident import analyse
from analysis.profile import Profile
from dashboard.review.clock import Window
from dashboard.review.setting import Setting
from dashboard.review.tables import silence_table


def shut(one: Any, from_s: int, to_s: int) -> None:
    for second in range(from_s, to_s):
        one.say(second, "pressure", pressure_bar=0.0)


def breathe(one: Any, from_s: int, to_s: int) -> None:
    for second in range(from_s, to_s):
        one.say(second, "pressure", pressure_bar=round(300 - 0.1 * (second - from_s), 1))


def scene(log: Any, name: str) -> None:
    desk, one = log.desk(), log.talker("S-1")
    desk.say(0, "incident", incident_id="I-1", action="open")
    about = {"incident_id": "I-1", "set_id": "S-1", "wearer_id": "W-1"}
    first = {"before": 400, "before, heard at the tally": 400}.get(name, 100)
    if name == "before, heard at the tally":
        shut(one, 70, 101)
    desk.say(80, "tally", action="in", **about)
    one.set_up(first - 15)
    shut(one, first - 5, first)
    breathe(one, first, first + 600)
    shut(one, first + 600, first + 605)
    out_s = first + 615
    if name == "between":
        shut(one, first + 900, first + 905)
        breathe(one, first + 905, first + 1300)
        shut(one, first + 1300, first + 1305)
        out_s = first + 1315
    elif name in ("after", "after, switched off"):
        if name == "after, switched off":
            one.say(first + 606, "power", state="off")
        out_s = first + 1410
    elif name == "heard on":
        shut(one, first + 605, first + 1410)
        out_s = first + 1410
    desk.say(out_s, "tally", action="out", **about)
    desk.say(out_s + 1, "incident", incident_id="I-1", action="close")


@pytest.mark.parametrize(
    ("name", "seconds"),
    [
        ("before", 305),  # tallied in, and 5 min 5 s until the first message
        ("before, heard at the tally", 285),  # the set was heard before, then not
        ("between", 296),  # the valve shut, then no message until the next cylinder
        ("after", 806),  # the valve shut inside, then no message until the tally out
        ("after, switched off", 804),
        ("heard on", 0),  # shut, and heard all the time
        ("plain", 0),
    ],
)
def test_a_silence_outside_the_wears_counts_until_a_person_s_word(log: Any, name: str, seconds: int) -> None:
    """13 min 26 s without a message of somebody who was in: "not heard: no silence", 0 s."""
    scene(log, name)
    results = analyse(log.frames(), Profile.default())
    (entry,) = results["entries"].to_dicts()
    assert entry["unheard_s"] == pytest.approx(seconds, abs=2)
    rows = silence_table(results, Setting({}, Window(0.0, 1e15))).rows
    assert len(rows) == (1 if seconds else 0)
    if seconds:
        assert "before, between or after" in str(rows[0])
