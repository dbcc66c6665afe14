"""The whole live page at many moments of two incidents, word for word: rows, teams, alarms, orders, counts.

Regression values: our own results, read once by a person. The rules themselves are tested in
``test_live_view.py`` and in ``tests/analysis``. After a wanted change:
``python -m tests.dashboard.test_live_word_for_word`` writes them anew; read the difference.
"""

from __future__ import annotations

import functools
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from analysis.live.board import LiveBoard
from analysis.profile import Profile
from dashboard.live.display import Display
from dashboard.live.view import System, lines, page
from ingest.contract.frames import frames_from_heard
from ingest.status import Status
from tests.analysis.conftest import WrittenLog

KEPT = Path(__file__).with_suffix(".json")


def tally(desk: Any, true_s: float, action: str, number: int, **more: Any) -> None:
    who = {"incident_id": "I-1", "set_id": f"S-{number}", "wearer_id": f"W-{number}", "team": "Alder"}
    desk.say(true_s, "tally", action=action, **(who | more))


def everything(log: WrittenLog) -> None:
    """Seven wearers of three teams, two desks, and all that a desk can say."""
    desk, other = log.desk(), log.desk("D-2")
    desk.say(0, "incident", incident_id="I-1", action="open", name="Mill fire", place="Quay 3")
    sets = {}
    for number, (start_bar, bar_s, team) in enumerate(
        (
            (300.0, 0.10, "Alder"),
            (290.0, 0.25, "Alder"),
            (300.0, 0.15, "Birch"),
            (280.0, 0.40, "Birch"),
            (300.0, 0.06, "Cedar"),
        ),
        1,
    ):
        one = sets[number] = log.talker(f"S-{number}")
        one.say(5, "power", state="on", battery_fraction=0.9)
        one.set_up(6)
        one.breathe(20 + number, 900, start_bar=start_bar, bar_s=bar_s, closes=number == 3)
        tally(desk, 10 + number, "in", number, team=team, **({"task": "search"} if number < 3 else {}))
    sets[4].said = [one for one in sets[4].said if one[0] < 480]  # falls silent at about 100 bar
    unknown = log.talker("S-6")
    unknown.breathe(200, 500, start_bar=250.0)  # nobody tallied it in, and it never said its cylinder
    tally(desk, 100, "in", 7, team="Cedar")  # never heard
    desk.say(60, "standby", incident_id="I-1", team="Dogwood", state="ready")
    desk.say(150, "note", incident_id="I-1", set_id="S-1", text="objective reached")
    desk.say(160, "note", incident_id="I-1", text="stairs are gone")
    sets[2].say(250, "alarm", alarm="no_motion_prealarm", state="raised")
    sets[2].say(260, "alarm", alarm="no_motion_prealarm", state="cleared")
    sets[2].say(300, "alarm", alarm="distress", state="raised")
    desk.say(312, "seen", set_id="S-2", alarm="distress")
    sets[2].say(330, "alarm", alarm="distress", state="acknowledged")
    sets[2].say(350, "alarm", alarm="distress", state="cleared")
    sets[1].say(355, "alarm", alarm="fault", state="raised")
    desk.say(360, "order", incident_id="I-1", order="withdraw", state="given", team="Alder")
    sets[1].say(380, "alarm", alarm="evacuate", state="raised")
    sets[1].say(384, "alarm", alarm="evacuate", state="acknowledged")
    sets[5].say(381, "alarm", alarm="evacuate", state="raised")
    desk.say(400, "order", incident_id="I-1", order="evacuate", state="given")
    roll = {"incident_id": "I-1", "roll_id": "R-1"}
    desk.say(410, "roll_call", state="called", **roll)
    desk.say(420, "roll_call", state="answered", team="Alder", **roll)
    desk.say(425, "roll_call", state="missing", wearer_id="W-7", **roll)
    desk.say(430, "roll_call", state="answered", wearer_id="W-3", **roll)
    other.say(520, "tally", incident_id="I-1", action="out", set_id="S-1", wearer_id="W-1", team="Alder")
    tally(desk, 540, "in", 1)
    desk.say(560, "gauge", incident_id="I-1", set_id="S-4", pressure_bar=80.0)
    desk.say(600, "standby", incident_id="I-1", team="Dogwood", state="committed")
    sets[2].say(860, "alarm", alarm="low_air", state="raised")
    desk.say(900, "note", incident_id="I-1", set_id="S-7", text="Seen: not accounted for")
    tally(desk, 940, "out", 3, team="Birch")
    desk.say(950, "incident", incident_id="I-2", action="open", name="Gate")
    desk.say(960, "order", incident_id="I-1", order="evacuate", state="lifted")
    desk.say(970, "roll_call", state="closed", **roll)


def losing(log: WrittenLog) -> None:
    """A hose bursts at 300 s; the other set of the team restarts, a third one reads a closed valve inside."""
    desk = log.desk()
    desk.say(0, "incident", incident_id="I-1", action="open")
    for number in (1, 2, 3):
        one = log.talker(f"S-{number}")
        one.set_up(0)
        one.breathe(20, 280 if number == 1 else 400, closes=False)
        tally(desk, number, "in", number)
    for second in range(300, 345):
        log.talkers[1].say(second, "pressure", pressure_bar=max(float(275 - 6 * (second - 300)), 0.0))
    log.talker("S-2", boot=2).say(421, "power", state="on")
    for second in range(420, 450):
        log.talkers[3].say(second, "pressure", pressure_bar=0.0)
    log.talkers[1].say(430, "power", state="off")
    log.talkers[1].say(310, "alarm", alarm="battery", state="raised")
    log.talkers[2].say(200, "alarm", alarm="no_motion", state="raised")
    log.talkers[2].say(230, "alarm", alarm="no_motion", state="cleared")


SCENES: dict[str, tuple[Callable[[WrittenLog], None], tuple[int, ...]]] = {
    "everything": (everything, (8, 30, 90, 170, 320, 370, 427, 530, 570, 870, 945, 980)),
    "losing": (losing, (205, 240, 315, 330, 425, 440)),
}
DISPLAYS = {"everything": Display(), "losing": Display("imperial", -210)}


def rounded(value: Any) -> Any:
    """Give a picture as JSON has it, with moments to a tenth of a second."""
    if isinstance(value, float):
        return round(value, 1)
    if isinstance(value, dict):
        return {key: rounded(one) for key, one in value.items()}
    return [rounded(one) for one in value] if isinstance(value, list | tuple) else value


@functools.cache
def pictures(scene: str) -> dict[str, Any]:
    """Give the page at each moment of a scene, as one board shows it that is asked every half minute."""
    log, board = WrittenLog(), LiveBoard(Profile.default())
    build, moments = SCENES[scene]
    build(log)
    heard = [one for _, one in log.heard()]
    found, taken = {}, 0
    for second in sorted({*range(0, max(moments), 30), *moments}):
        now = log.at(second)
        until = next((place for place, one in enumerate(heard) if one.received > now), len(heard))
        board.take(frames_from_heard(heard[taken:until]))
        taken, shown = until, board.snapshot(now)
        if second in moments:
            status = Status(listener="l", state="up", at=now, connected=second != 90)
            ahead = {"l": 7.0} if second == 170 else {}
            system = System((status,), 80_000_000_000, second != 30 or None, "token", ahead,
                            desk_id="D-1", forecast="version 3", standby_wanted=True)  # fmt: skip
            painted = rounded(page(shown, system, DISPLAYS[scene]))
            found[str(second)] = {name: one for name, one in painted.items() if name != "token"}
    found["lines"] = rounded(lines(board.lines()))
    return found


@pytest.mark.parametrize("scene", SCENES)
def test_the_page_says_at_each_moment_what_it_said(scene: str) -> None:
    kept = json.loads(KEPT.read_text(encoding="utf-8"))[scene]
    shown = pictures(scene)
    assert list(shown) == list(kept)
    for moment, picture in kept.items():
        for part, said in picture.items():
            assert shown[moment][part] == said, f"{part} at {moment} s"
        assert list(shown[moment]) == list(picture)


def written() -> str:
    """Give the kept file: one part of a picture on a line, so that a difference can be read."""
    scenes = []
    for scene in SCENES:
        moments = []
        for moment, picture in pictures(scene).items():
            parts = [
                f"   {json.dumps(part)}: {json.dumps(one, ensure_ascii=False)}"
                for part, one in picture.items()
            ]
            moments.append(f"  {json.dumps(moment)}: {{\n" + ",\n".join(parts) + "\n  }")
        scenes.append(f" {json.dumps(scene)}: {{\n" + ",\n".join(moments) + "\n }")
    return "{\n" + ",\n".join(scenes) + "\n}\n"


if __name__ == "__main__":
    KEPT.write_text(written(), encoding="utf-8")
