"""Who came out: what was known at the exit, and until when the rules ask for rest. Limits by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from analysis.live.came_out import at_exit, with_rests
from analysis.live.rows import Out
from analysis.profile import Profile

EXIT_S = 1_935_657_000.0
OUT = Out(
    "I-1/W-1/1", "W-1", "S-1", "Alder", "I-1", EXIT_S - 60, 80.0, 1260.0, EXIT_S - 70, False, True, 1300.0
)
REST = Profile.default().rest  # two cylinders, or 45 min of work: 10 min each


def wear(from_s: int, until_s: int, ended_how: str = "not heard", spike: int | None = None) -> Any:
    """A reading a second from 300 bar on, 1 bar a second less."""
    at_us = np.arange(from_s, until_s + 1) * 1_000_000
    spikes = np.zeros(len(at_us), np.bool_)
    if spike is not None:
        spikes[spike] = True
    return SimpleNamespace(
        started_us=from_s * 1_000_000, ended_us=until_s * 1_000_000, ended_how=ended_how, spike=spikes,
        at_us=at_us, pressure_bar=300.0 - np.arange(len(at_us)),
    )  # fmt: skip


def known(*wears: Any, out_s: float, spoken: tuple[tuple[float, float], ...] = ()) -> dict[str, Any]:
    said = [SimpleNamespace(at_us=round(at * 1e6), pressure_bar=bar) for at, bar in spoken]
    entry: Any = SimpleNamespace(wears=wears, spoken=said, charges=[])
    return at_exit(entry, round(out_s * 1e6))


@pytest.mark.parametrize(
    ("out_s", "ended_how", "heard", "bar", "under_air_s"),
    [
        (130.0, "not heard", True, 200.0, 100.0),  # heard 30 s before the exit
        (130.1, "not heard", False, 200.0, 100.0),
        (900.0, "closed", True, 200.0, 100.0),  # its valve was closed
        (900.0, "changed", True, 200.0, 100.0),
        (900.0, "off", False, 200.0, 100.0),
        (50.0, "not heard", True, 250.0, 50.0),  # it went on after the exit
        (0.0, "not heard", True, 300.0, 0.0),  # it began at the exit
    ],
)
def test_what_a_set_said_until_the_exit(
    out_s: float, ended_how: str, heard: bool, bar: float, under_air_s: float
) -> None:
    found = known(wear(0, 100, ended_how), out_s=out_s)
    assert found["heard_at_exit"] is heard
    assert (found["pressure_bar"], found["by_voice"]) == (bar, False)
    assert found["pressure_at"] == min(out_s, 100.0)
    assert found["under_air_s"] == under_air_s


def test_a_slip_of_the_sensor_is_no_last_pressure() -> None:
    assert known(wear(0, 100, spike=100), out_s=110.0)["pressure_bar"] == 201.0


def test_the_minutes_of_every_wear_before_the_exit_add_up() -> None:
    found = known(wear(0, 100), wear(200, 260), wear(400, 500), out_s=250.0)
    assert (found["under_air_s"], found["pressure_bar"]) == (150.0, 250.0)


@pytest.mark.parametrize(
    ("said_s", "bar", "by_voice", "heard"),
    [(90.0, 200.0, False, True), (101.0, 40.0, True, False), (110.0, 40.0, True, False),
     (110.1, 200.0, False, True)],
)  # fmt: skip
def test_what_was_said_last_counts_and_a_voice_is_not_the_set(
    said_s: float, bar: float, by_voice: bool, heard: bool
) -> None:
    found = known(wear(0, 100), out_s=110.0, spoken=((said_s, 40.0),))
    assert (found["pressure_bar"], found["by_voice"], found["heard_at_exit"]) == (bar, by_voice, heard)


def test_nothing_known_is_nothing_said() -> None:
    assert known(wear(200, 300), out_s=100.0) == {
        "pressure_bar": None, "pressure_at": None, "by_voice": False, "heard_at_exit": False,
        "under_air_s": None,
    }  # fmt: skip


def out(key: str, at_min: float, work_min: float | None, **more: Any) -> Out:
    fields: dict[str, Any] = dict.fromkeys(("team", "pressure_bar"))
    fields |= {"key": key, "at": 60.0 * at_min, "wearer_id": "W-1", "set_id": "S-1", "incident_id": "I-1"}
    fields |= {"under_air_s": None if work_min is None else 60.0 * work_min, "heard_at_exit": True}
    return Out(**fields | more)


def rests(*came_out: Out) -> dict[str, float | None]:
    """Give by exit the minutes of rest that are asked for; None where none is."""
    return {
        one.key: None if one.rest_until_at is None else (one.rest_until_at - one.at) / 60.0
        for one in with_rests(came_out, REST)
    }


@pytest.mark.parametrize(
    ("first_min", "out_min", "second_min", "rest_min"),
    [
        (20, 49, 20, 10.0),  # a pause of 9 min
        (20, 50, 20, None),  # a pause as long as the rest ends the succession, as in the review
        (5, 59, 30, 10.0),
        (5, 60, 30, None),
        (30, 34, 5, 10.0),
        (30, 35, 5, None),
    ],
)
def test_two_cylinders_in_succession_ask_for_ten_minutes(
    first_min: float, out_min: float, second_min: float, rest_min: float | None
) -> None:
    """One city's procedure (secondary source). The pause is from one exit to the next entry."""
    came_out = out("a", 20, first_min), out("b", out_min, second_min)
    assert rests(*came_out) == {"b": rest_min, "a": None}


def test_the_rest_of_one_is_not_anothers() -> None:
    for one, other in (("W-1", "W-2"), (None, None)):
        assert rests(out("a", 20, 20, wearer_id=one), out("b", 45, 20, wearer_id=other)) == {
            "b": None, "a": None,
        }  # fmt: skip


def test_three_quarters_of_an_hour_of_work_ask_for_ten_minutes() -> None:
    """One city's procedure (secondary source)."""
    assert rests(out("a", 60, 45)) == {"a": 10.0}
    assert rests(out("a", 60, 44.9)) == {"a": None}


def test_unheard_work_is_all_the_time_inside() -> None:
    assert rests(out("a", 60, 20, heard_at_exit=False, inside_s=2700.0)) == {"a": 10.0}
    assert rests(out("a", 60, 20, heard_at_exit=True, inside_s=2700.0)) == {"a": None}
    assert rests(out("a", 60, 45, heard_at_exit=False, inside_s=60.0)) == {"a": 10.0}
    assert rests(out("a", 60, None)) == {"a": None}


def test_the_latest_is_shown_first_and_each_exit_once() -> None:
    shown = with_rests([out("a", 20, 1), out("b", 90, 1), out("a", 25, 1)], REST)
    assert [(one.key, one.at) for one in shown] == [("b", 5400.0), ("a", 1500.0)]


class TestRests:
    def test_rests_add_up_until_a_pause_as_long_as_the_rule_asks_for(self) -> None:
        """The profile: ten minutes after two cylinders or 45 minutes of work."""

        def until(*outs: tuple[float, float]) -> float | None:
            came = [
                replace(OUT, key=str(number), at=EXIT_S + 60 * at_min, under_air_s=60 * under_min)
                for number, (at_min, under_min) in enumerate(outs)
            ]
            last = with_rests(came, REST)[0].rest_until_at
            return None if last is None else round((last - EXIT_S) / 60.0 - outs[-1][0], 6)

        assert until((0.0, 20.0)) is None
        assert until((0.0, 45.0)) == 10.0
        assert until((0.0, 44.9)) is None
        assert until((0.0, 20.0), (29.9, 20.0)) == 10.0  # 9.9 minutes from exit to entry
        assert until((0.0, 20.0), (30.0, 20.0)) is None
        assert until((0.0, 20.0), (25.0, 20.0), (65.0, 20.0)) is None

    def test_all_minutes_inside_are_work_where_the_end_was_not_heard(self) -> None:
        unheard = replace(OUT, heard_at_exit=False, under_air_s=None, inside_s=45 * 60.0)
        assert with_rests([unheard], REST)[0].rest_until_at is not None
        assert with_rests([replace(unheard, inside_s=44 * 60.0)], REST)[0].rest_until_at is None

    def test_others_and_later_exits_do_not_count(self) -> None:
        others = replace(OUT, key="2", wearer_id="W-2", at=OUT.at + 60)
        again = replace(OUT, key="3", at=OUT.at + 1500)
        latest, other, first = with_rests((OUT, others, again), REST)
        assert (latest.key, other.key, first.key) == ("3", "2", OUT.key)
        assert (latest.rest_until_at is None, other.rest_until_at, first.rest_until_at) == (False, None, None)


def test_whoever_breathes_on_after_the_tally_is_first_and_has_no_rest(log: Any, see: Any) -> None:
    """Tallied out by mistake: the list that is handed over must not say that this person came out."""
    desk = log.desk()
    for number in (1, 2):
        one = log.talker(f"S-{number}")
        one.set_up(0)
        one.breathe(20, 2800, bar_s=0.05, closes=False, only_pressure=True)
        about = {"incident_id": "I-1", "wearer_id": f"W-{number}", "set_id": one.name, "team": "A"}
        desk.say(1, "tally", action="in", **about)
        desk.say(2790 if number == 1 else 2800, "tally", action="out", **about)
        if number == 2:
            one.say(2801, "power", state="off")
    first, second = see(2815).came_out
    assert (first.wearer_id, first.breathes_on) == ("W-1", True)
    assert first.rest_until_at is None
    assert (second.wearer_id, second.breathes_on) == ("W-2", False)
    assert second.rest_until_at is not None
