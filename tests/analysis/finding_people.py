"""Scenes about people: never heard, known by voice only, in a team: `test_findings_word_for_word.py`."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from tests.analysis.conftest import WrittenLog
from tests.analysis.finding_limits import goes_on
from tests.analysis.finding_scenes import WHO, alarm, changed, worn
from tests.analysis.test_findings import ordinary

Scene = Callable[[WrittenLog], None]


def by_voice(*gauges: tuple[float, float], out_s: float = 2400.0, then_set: str = "") -> Scene:
    """Tallied in and never heard; gauges are read by voice, perhaps after a change of the set."""

    def scene(log: WrittenLog) -> None:
        desk = log.desk()
        desk.say(1, "tally", action="in", **WHO)
        set_id = "S-1"
        if then_set:
            set_id = then_set
            desk.say(30, "tally", action="in", **(WHO | {"set_id": set_id}))
        for at_s, bar in gauges:
            desk.say(at_s, "gauge", incident_id="I-1", set_id=set_id, pressure_bar=bar)
        desk.say(out_s, "tally", action="out", **(WHO | {"set_id": set_id}))

    return scene


def heard_then_by_voice(*gauges: tuple[float, float], closes: bool = False) -> Scene:
    """Heard for 400 s, until 41 bar; then the gauge is read by voice."""

    def scene(log: WrittenLog) -> None:
        worn(log, start_bar=61.0, bar_s=0.05, seconds=400, closes=closes)
        desk = log.desk()
        desk.say(50, "tally", action="in", **WHO)
        for at_s, bar in gauges:
            desk.say(at_s, "gauge", incident_id="I-1", set_id="S-1", pressure_bar=bar)
        desk.say(900, "tally", action="out", **WHO)

    return scene


def team_of_the_unheard(*, lowest_by_voice: bool, moved: bool = False) -> Scene:
    """W-1 is never heard and comes out late; W-2 of the same team is the lowest; W-3 and W-4 are not."""

    def scene(log: WrittenLog) -> None:
        desk = log.desk()
        of = {"W-1": "S-1", "W-4": "S-4", "W-3": "S-3", "W-2": "S-2"}
        for wearer, set_id in of.items():
            team = "Elm" if wearer == "W-3" else "Larch"
            desk.say(
                50, "tally", action="in", **(WHO | {"wearer_id": wearer, "set_id": set_id, "team": team})
            )
        for wearer, bar_s in (("W-4", 0.05), ("W-3", 0.1), ("W-2", 0.1)):
            if wearer == "W-2" and lowest_by_voice:
                for at_s, bar in ((100, 290.0), (700, 120.0)):
                    desk.say(at_s, "gauge", incident_id="I-1", set_id="S-2", pressure_bar=bar)
                continue
            talker = log.talker(of[wearer])
            talker.set_up(0)
            talker.breathe(60, 1400, bar_s=bar_s)
        set_id = "S-1"
        if moved:
            set_id = "S-9"
            desk.say(100, "tally", action="in", **(WHO | {"set_id": set_id}))
        desk.say(3400, "tally", action="out", **(WHO | {"set_id": set_id}))

    return scene


def due_in_a_silence(last_s: float) -> Scene:
    """A member whose set was last heard so long before the team's turn-back."""

    def scene(log: WrittenLog) -> None:
        desk = log.desk()
        for number, bar_s in ((1, 0.05), (2, 0.12)):
            talker = log.talker(f"S-{number}")
            talker.set_up(0)
            silent = (last_s + 1, last_s + 40) if number == 1 else (0.0, 0.0)
            talker.breathe(60, 1900, bar_s=bar_s, silent=silent)
            desk.say(
                60, "tally", action="in", **(WHO | {"set_id": f"S-{number}", "wearer_id": f"W-{number}"})
            )

    return scene


def warned_by_the_other_set(log: WrittenLog) -> None:
    """The other set raised its own warning; this one, left with less, did not."""
    other = log.talker("S-0")
    other.set_up(-1)
    other.breathe(60, 600, start_bar=70.0, bar_s=0.03)
    alarm(other, "low_air", (560, "raised"))
    worn(log, start_bar=70.0, bar_s=0.07, seconds=600)


def below_in_two_wears(bar_s: float) -> Scene:
    """One entry with two cylinders: each was read at the warning, the first one for 84 s or for 18 s."""

    def scene(log: WrittenLog) -> None:
        talker = log.talker("S-1")
        talker.set_up(0)
        last_s = talker.breathe(60, 1900, bar_s=bar_s)
        talker.breathe(last_s + 120, 2400, bar_s=0.11)
        desk = log.desk()
        desk.say(50, "tally", action="in", **WHO)
        desk.say(last_s + 2600, "tally", action="out", **WHO)

    return scene


def battery(at_s: float, **said: Any) -> Scene:
    return lambda log: ordinary(log).say(at_s, "power", state="on", **said)


def thinned_and_silent(*, at_the_end: bool) -> Scene:
    """Two of three messages of 62 are lost, and in one silence of 100 s all are."""

    def scene(log: WrittenLog) -> None:
        talker = log.talker("S-1")
        talker.set_up(50)
        for number in range(165):
            heard = number % 3 == 0 if number < 62 else number >= 162
            bar = 0.0 if at_the_end and number >= 162 else 280.0 - number // 10
            talker.say(60 + number, "pressure", pressure_bar=bar, lost=not heard)

    return scene


def stuck_in_steps(
    step_bar: float, start_bar: float, level_bar: float, seconds: int, then_bar: float
) -> Scene:
    """A gauge of such steps stays at a level for so long, and then falls by so much and goes on."""

    def scene(log: WrittenLog) -> None:
        talker = worn(log, start_bar=start_bar, bar_s=0.12, seconds=900, motion=lambda _: 0.0, closes=False)
        shown = {at: fields["pressure_bar"] for at, kind, _, _, fields in talker.said if kind == "pressure"}
        begins_s = min(at for at, bar in shown.items() if at > 60 and bar < level_bar + 1)

        def stepped(at: float, fields: dict[str, Any]) -> dict[str, Any]:
            bar = fields["pressure_bar"]
            if at < 60:
                return {}
            if begins_s <= at < begins_s + seconds:
                bar = level_bar
            elif at >= begins_s + seconds:
                bar = level_bar - then_bar - (at - begins_s - seconds) * 0.12
            return {"pressure_bar": float(math.ceil(bar / step_bar) * step_bar)}

        changed(talker, "pressure", stepped)
        talker.said = [one for one in talker.said if one[4].get("pressure_bar", 9.0) > 6.0 or one[0] < 60]

    return scene


def seldom_said(lost: str) -> Scene:
    """A pressure every 100 s, and the alarm of a wearer who lies still is never heard."""

    def scene(log: WrittenLog) -> None:
        talker = worn(log, motion=lambda t: 0.05 if 400 < t <= 455 else 1.2)
        talker.said = [
            one for one in talker.said if one[1] != "pressure" or one[0] < 60 or one[0] % 100 == 70
        ]
        if lost:
            talker.say(431.5, "alarm", alarm=lost, state="raised", lost=True)

    return scene


def hotter_after_a_silence(alarm_s: float) -> Scene:
    """25 °C, 120 s without a temperature, then 150 °C; the set raises its alarm meanwhile."""

    def scene(log: WrittenLog) -> None:
        talker = worn(log, temperature=lambda t: 25.0 if t < 460 else 110.0)
        talker.said = [one for one in talker.said if one[1] != "temperature" or not 400 < one[0] < 520]
        alarm(talker, "heat", (alarm_s, "raised"), (alarm_s + 5, "cleared"))

    return scene


def full_and(warned_bar: float, start_bar: float, *closed: float) -> Scene:
    """A cylinder above its rated pressure; the set's own warning comes at such a reading."""

    def scene(log: WrittenLog) -> None:
        talker = log.talker("S-1")
        talker.set_up(-1)
        for number, bar in enumerate(closed):
            talker.say(40 + number, "pressure", pressure_bar=bar)
        talker.breathe(60, 2700, start_bar=start_bar, bar_s=0.1, opens=False, closes=False)
        alarm(talker, "low_air", (60 + (start_bar - warned_bar) / 0.1, "raised"))

    return scene


def closed_after(readings: int) -> Scene:
    """So many readings after the wear, the sensor shows 12 bar with the valve closed."""

    def scene(log: WrittenLog) -> None:
        talker = log.talker("S-1")
        talker.set_up(-1)
        last_s = talker.breathe(60, 200, opens=False, closes=False)
        for number in range(readings):
            talker.say(last_s + 1 + number, "pressure", pressure_bar=3.0 * (number % 2))
        for number in range(3):
            talker.say(last_s + 1 + readings + number, "pressure", pressure_bar=12.0)

    return scene


def refused_for_two_reasons(log: WrittenLog) -> None:
    talker, desk = log.talker("S-1"), log.desk()
    talker.say(60, "pressure", pressure_bar=-7000.0)
    for second in range(61, 300):
        talker.say(second, "pressure", pressure_bar="much")
    desk.say(50, "tally", action="in", **WHO)
    desk.say(310, "tally", action="out", **WHO)


def spoke_once(at_s: float) -> Scene:
    """Tallied from 300 to 400 s; its set says one thing, once."""

    def scene(log: WrittenLog) -> None:
        log.talker("S-1").say(at_s, "power", state="on", battery_fraction=0.9)
        desk = log.desk()
        desk.say(300, "tally", action="in", **WHO)
        desk.say(400, "tally", action="out", **WHO)

    return scene


def turned_and_out(out_s: float, noted_s: float = 0.0) -> Scene:
    """Turn-back is due at 1081 s, or as the desk notes it; the valve is closed at 1320 s or later."""

    def scene(log: WrittenLog) -> None:
        talker = log.talker("S-1")
        talker.set_up(0)
        talker.breathe(60, round(out_s) - 60 + 1, bar_s=0.12)
        desk = log.desk()
        desk.say(70, "tally", action="in", **WHO)
        if noted_s:
            desk.say(noted_s, "note", incident_id="I-1", set_id="S-1", text="turning back")
        desk.say(3000, "tally", action="out", **WHO)

    return scene


def stuck_without_motion(log: WrittenLog) -> None:
    """The gauge stays for 100 s, and the set says nothing of motion."""
    talker = worn(log)
    level = next(f["pressure_bar"] for at, kind, _, _, f in talker.said if (at, kind) == (500, "pressure"))
    changed(talker, "pressure", lambda at, _: {"pressure_bar": level} if 500 <= at < 620 else {})
    talker.said = [one for one in talker.said if one[1] != "motion"]


def slips(count: int) -> Scene:
    """So many single readings of the heat sensor that cannot be."""
    return lambda log: (
        worn(log, temperature=lambda t: 400.0 if t in range(200, 200 + 50 * count, 50) else 25.0) and None
    )


def sensor_breaks_after_the_wear(log: WrittenLog) -> None:
    talker = worn(log, seconds=300)
    for at_s in range(370, 420):
        talker.say(at_s, "temperature", temperature_c=-60.0)


def second_set_without_a_setup(log: WrittenLog) -> None:
    first, second = log.talker("S-1"), log.talker("S-1", 2)
    first.set_up(50)
    last_s = first.breathe(60, 300, start_bar=280.0, closes=False)
    second.breathe(last_s - 60, 100, start_bar=290.0, opens=False, closes=False)


def link_down(log: WrittenLog) -> None:
    """The gateway says twice in a silence that the link was down."""
    talker = ordinary(log, silent=(600.0, 700.0))
    for at_s in (620.0, 650.0):
        talker.say(at_s, "link", state="down", retained=False)


OF_PEOPLE: dict[str, Scene] = {
    "never heard, gauges by voice": by_voice((60, 290.0), (900, 150.0), (1500, 40.0)),
    "never heard, gauges by voice, another set": by_voice(
        (60, 290.0), (900, 150.0), (1500, 40.0), then_set="S-2"
    ),
    **{
        f"never heard, at last {bar:g} bar by voice": by_voice((60, 290.0), (300, bar), out_s=400.0)
        for bar in (27.0, 27.5, 54.0, 55.0)
    },
    "heard, then two gauges by voice": heard_then_by_voice((600, 35.0), (700, 30.0)),
    "heard, then a gauge by voice above the warning": heard_then_by_voice((600, 56.0)),
    "a gauge by voice before the last reading": heard_then_by_voice((300, 20.0)),
    "closed, then a gauge by voice": heard_then_by_voice((600, 20.0), closes=True),
    "team of one that was never heard": team_of_the_unheard(lowest_by_voice=False),
    "team of two that were never heard": team_of_the_unheard(lowest_by_voice=True),
    "team of two that were never heard, one moved": team_of_the_unheard(lowest_by_voice=True, moved=True),
    **{f"team due, last heard at {last_s} s": due_in_a_silence(last_s) for last_s in (1075, 1076, 1077)},
    "warned by the other set": warned_by_the_other_set,
    **{
        f"below the warning in two wears, {bar_s} bar/s": below_in_two_wears(bar_s) for bar_s in (0.13, 0.135)
    },
    "battery said at the first breath": battery(60.0, battery_fraction=0.1),
    "battery at 19.96 %": battery(-20, battery_fraction=0.1996),
    "battery at 20 %, will not last": battery(-20, battery_fraction=0.2, lasts_another_wear=False),
    **{
        f"thinned, and a silence{' at the end' if end else ''}": thinned_and_silent(at_the_end=end)
        for end in (False, True)
    },
    "stuck at 60 bar, then 6 bar less": stuck_in_steps(2.0, 100.0, 60.0, 200, 6.0),
    "stuck at 60 bar, then 4 bar less": stuck_in_steps(2.0, 100.0, 60.0, 200, 4.0),
    "stuck at 60 bar, then 3 bar less": stuck_in_steps(1.0, 100.0, 60.0, 100, 3.0),
    "stuck at 60 bar, then 2 bar less": stuck_in_steps(1.0, 100.0, 60.0, 100, 2.0),
    "stuck at 10 bar in steps of 5": stuck_in_steps(5.0, 60.0, 10.0, 400, 0.0),
    "stuck, and no motion said": stuck_without_motion,
    **{f"{count} slips of a heat sensor": slips(count) for count in (4, 5)},
    "a heat sensor breaks after the wear": sensor_breaks_after_the_wear,
    "one ID, the second set without a setup": second_set_without_a_setup,
    "a link said to be down twice": link_down,
    "still, pressure said seldom": seldom_said(""),
    "still, pressure said seldom, the alarm lost": seldom_said("no_motion"),
    **{
        f"hotter after a silence, alarm at {at_s:g} s": hotter_after_a_silence(at_s)
        for at_s in (300.0, 450.0, 530.0)
    },
    **{f"dropped to {bar:g} bar": goes_on(30.0, 0.0, bar) for bar in (4.9, 5.0)},
    "5 bar above full, closed at 5 bar": full_and(55.0, 305.0, 5.0, 5.0, 5.0),
    "5 bar above full, warned 5 bar early": full_and(60.0, 305.0),
    **{f"12 bar above full, warned at {bar:g} bar": full_and(bar, 312.0) for bar in (73.0, 74.0)},
    "closed at 12 bar, full 6 bar above that": full_and(67.0, 318.0, 12.0, 12.0, 12.0),
    **{f"closed {count} readings after the wear": closed_after(count) for count in (27, 28)},
    "everything refused for two reasons": refused_for_two_reasons,
    **{f"tallied and heard once at {at_s:g} s": spoke_once(at_s) for at_s in (299.9, 300.0, 400.0, 400.1)},
    **{f"out at {out_s} s": turned_and_out(out_s) for out_s in (1621, 1622)},
    **{f"turn noted at {noted_s} s": turned_and_out(1400, noted_s) for noted_s in (1141, 1142)},
    **{f"out at {out_s} s, low": turned_and_out(out_s) for out_s in (2218, 2219)},
}
