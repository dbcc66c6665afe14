"""What arrived later does not make a silence smaller in which the desk heard nothing."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import polars as pl
import pytest

from analysis.incident import analyse
from analysis.profile import Profile

PROFILE = Profile.default()
WHO = {"incident_id": "I-1", "set_id": "S-1", "wearer_id": "W-1", "team": "Alder"}


def worn(log: Any, first_s: float, last_s: float, *, come_s: float | None, tallied: bool = True) -> None:
    """1,400 s under air from 10:00:20; what is said in a stretch of it comes at one moment, or never."""
    one = log.talker("S-1")
    if come_s is not None:
        one.delay = lambda at_s: come_s - at_s if first_s <= at_s < last_s else 0.05
    one.set_up(0)
    one.breathe(20, 1400, silent=(first_s, last_s) if come_s is None else (0, 0))
    if tallied:
        desk = log.desk()
        desk.say(10, "tally", action="in", **WHO)
        desk.say(1450, "tally", action="out", **WHO)


def silences(log: Any) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    results = analyse(log.frames(), PROFILE)
    found = results["findings"].filter(pl.col("code") == "silence_under_air")
    return found.to_dicts(), {
        name: results[name] for name in ("gaps", "heard_later", "entries", "wears", "findings")
    }


@pytest.mark.parametrize(
    ("lasts_s", "severity"), [(50, None), (100, "caution"), (178, "caution"), (182, "serious")]
)
@pytest.mark.parametrize("come_s", [None, 1330.0, 3000.0])
def test_a_silence_weighs_the_same_whatever_was_read_out_later(
    log: Any, come_s: float | None, lasts_s: int, severity: str | None
) -> None:
    """Of twelve minutes without radio the finding, serious before, went away when the set was read out."""
    worn(log, 600, 600 + lasts_s, come_s=come_s)
    found, _ = silences(log)
    assert [one["severity"] for one in found] == ([severity] if severity else [])


def test_the_silence_says_that_it_was_filled_later_and_its_row_too(log: Any) -> None:
    worn(log, 600, 1320, come_s=3000.0)
    (found,), tables = silences(log)
    (gap,) = tables["heard_later"].to_dicts()
    assert tables["gaps"].height == 0
    assert gap["readings"] == 720
    assert [round((gap[name] - log.at(0)) / timedelta(seconds=1)) for name in ("started", "ended")] == [
        599,
        1320,
    ]
    assert (gap["lost_messages"], gap["refused_messages"]) == (0, 0)
    assert found["statement"].startswith(
        "Not heard for 12 min 1 s under air, from 10:09:59 UTC (248 bar) to 10:22:00 UTC (183 bar). 720 "
        "pressure readings of that time arrived later, by 10:50:00 UTC: the desk knew nothing of them then."
    )
    assert tables["entries"]["unheard_s"].to_list() == pytest.approx([721], abs=1)
    assert tables["wears"]["gap_s"].to_list() == [0.0]  # the air of these minutes is known


def test_a_silence_to_the_end_of_the_wear_lasts_until_there(log: Any) -> None:
    worn(log, 1000, 1430, come_s=3000.0)
    (found,), tables = silences(log)
    assert found["severity"] == "serious"
    assert tables["heard_later"]["seconds"].to_list() == pytest.approx([420], abs=2)


def test_of_what_was_read_out_in_part_the_whole_silence_is_told_once(log: Any) -> None:
    """720 s without radio; only the first 400 s of them were read out."""
    worn(log, 600, 1320, come_s=3000.0)
    one = log.talkers[0]
    one.said = [(*each[:2], each[2] or 1000 <= each[0] < 1320, *each[3:]) for each in one.said]
    (found,), tables = silences(log)
    assert "Not heard for 12 min 1 s" in found["statement"]
    assert tables["heard_later"]["readings"].to_list() == [400]
    assert tables["gaps"]["seconds"].to_list() == pytest.approx([321], abs=1)
    assert tables["entries"]["unheard_s"].to_list() == pytest.approx([721], abs=1)
    assert tables["wears"]["gap_s"].to_list() == pytest.approx([321], abs=1)


def test_a_set_that_was_only_read_out_was_silent_for_the_desk_that_tallied_it(log: Any) -> None:
    worn(log, 0, 1500, come_s=3000.0)
    (found,), _ = silences(log)
    assert found["severity"] == "serious"


def test_where_nobody_was_tallied_in_no_desk_missed_what_was_read_out(log: Any) -> None:
    worn(log, 0, 1500, come_s=3000.0, tallied=False)
    found, tables = silences(log)
    assert (found, tables["heard_later"].height) == ([], 0)


@pytest.mark.parametrize("delay_s", [0.05, 2.0, 4.0, 30.0])
def test_an_even_delay_is_no_silence_but_the_first_moment(log: Any, delay_s: float) -> None:
    one = log.talker("S-1", delay=lambda _: delay_s)
    one.set_up(0)
    one.breathe(20, 1400)
    found, tables = silences(log)
    assert found == []
    assert tables["heard_later"].height <= (delay_s > 5.0)


def test_a_store_that_sends_every_two_minutes_is_told_once(log: Any) -> None:
    one = log.talker("S-1", delay=lambda at_s: 120.0 - at_s % 120.0 + 1e-4 * at_s)
    one.set_up(0)
    one.breathe(20, 1400)
    (found,), _ = silences(log)
    assert found["severity"] == "caution"
    assert "the longest of" in found["statement"]


@pytest.mark.parametrize(
    ("late_s", "cleared_s", "severity"),
    [(29.0, None, "caution"), (31.0, None, "serious"), (300.0, 20.0, "caution"), (300.0, 90.0, "serious")],
)
def test_a_distress_unheard_for_longer_than_an_answer_may_take_is_serious(
    log: Any, late_s: float, cleared_s: float | None, severity: str
) -> None:
    """Cleared before it was heard it was a caution, and on time without an answer serious."""
    worn(log, 600, 600, come_s=None)
    one, until_s = log.talkers[0], 700.5 + (cleared_s or 0.0)
    one.delay = lambda at_s: late_s if at_s in (700.5, until_s) else 0.05
    one.say(700.5, "alarm", alarm="distress", state="raised")
    if cleared_s is not None:
        one.say(until_s, "alarm", alarm="distress", state="cleared")
    _, tables = silences(log)
    late = tables["findings"].filter(pl.col("code") == "heard_late")
    assert late["severity"].to_list() == [severity]


@pytest.mark.parametrize("apart_s", [61.3, 90.7])
def test_silences_between_bursts_are_no_longer_together_than_the_wear(log: Any, apart_s: float) -> None:
    """1,400 s under air were 25 min 23 s of silence: each began before the one before it was over."""
    one = log.talker("S-1", delay=lambda at_s: -at_s % apart_s + 0.5)
    one.set_up(0)
    one.breathe(20, 1400)
    log.desk().say(10, "tally", action="in", **WHO)
    _, tables = silences(log)
    later = tables["heard_later"].sort("started")
    assert later.height > 10
    assert (later["started"][1:] >= later["ended"][:-1]).all()
    assert 1200 < later["seconds"].sum() <= 1400
