"""Scenes of heat and of standing still, at the limits of their rules."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.analysis.conftest import WrittenLog
from tests.analysis.finding_scenes import alarm, changed, worn
from tests.analysis.test_findings import escaping

Scene = Callable[[WrittenLog], None]


def leak_while_still(from_s: int, until_s: int) -> Scene:
    """Under air from 60 to 360 s; nobody moves, and air escapes at 140 L/min meanwhile."""

    def scene(log: WrittenLog) -> None:
        talker = worn(log, seconds=300, bar_s=0.03, motion=lambda t: 0.0 if from_s <= t < until_s else 1.0)
        escaping(talker, from_s, until_s - from_s, 140.0)

    return scene


def still_for(seconds: float) -> Scene:
    """Nobody moves for so long, and the set raises no alarm."""
    return lambda log: (
        worn(log, seconds=300, motion=lambda t: 0.05 if 200 < t <= 200 + seconds else 1.2) and None
    )


def hot_for_good(log: WrittenLog) -> None:
    worn(log, seconds=600, temperature=lambda t: 160.0 if t >= 300 else 25.0)


def hot_after_a_limit(log: WrittenLog) -> None:
    """Exactly 60 °C for a while, which is not above it."""
    worn(log, seconds=600, temperature=lambda t: 160.0 if t >= 300 else 60.0 if t >= 200 else 25.0)


def dose(top_c: float) -> Scene:
    return lambda log: worn(log, temperature=lambda t: min(20.0 + max(t - 100, 0) * 0.5, top_c)) and None


def at_rest(seconds: int) -> Scene:
    """Nobody moves, and the gauge stays for so long; then both go on from there."""
    from_s = 500

    def scene(log: WrittenLog) -> None:
        still_until_s = from_s + seconds
        talker = worn(log, seconds=1200, motion=lambda t: 0.0 if from_s - 10 < t < still_until_s else 1.0)
        shown = {at: fields["pressure_bar"] for at, kind, _, _, fields in talker.said if kind == "pressure"}
        level, later_bar = shown[from_s], shown[from_s] - shown[still_until_s]

        def stays(at: float, fields: dict[str, Any]) -> dict[str, Any]:
            if not from_s <= at < 1260:
                return {}
            return {"pressure_bar": level if at < still_until_s else fields["pressure_bar"] + later_bar}

        changed(talker, "pressure", stays)

    return scene


def dose_with_a_silence(log: WrittenLog) -> None:
    worn(log, silent=(400.0, 520.0), temperature=lambda t: min(20.0 + max(t - 100, 0) * 0.5, 120.0))


def heat_alarm_as_it_gets_warmer(log: WrittenLog) -> None:
    alarm(worn(log, temperature=lambda t: 20.0 + 0.05 * t), "heat", (500.0, "raised"), (520.0, "cleared"))


def no_motion_without_motion(log: WrittenLog) -> None:
    talker = worn(log)
    talker.said = [one for one in talker.said if one[1] != "motion"]
    alarm(talker, "no_motion", (400, "raised"), (405, "cleared"))


def no_motion_often(count: int) -> Scene:
    """The set says so many times that nobody moves, while its motion readings show movement."""

    def scene(log: WrittenLog) -> None:
        talker = worn(log)
        for at_s in range(300, 300 + 100 * count, 100):
            alarm(talker, "no_motion", (at_s, "raised"), (at_s + 5, "cleared"))

    return scene
