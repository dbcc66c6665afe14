"""From the state of a set to the facts of its row."""

from __future__ import annotations

from analysis.air.gas import free_air_l
from analysis.live.attention import judge
from analysis.live.desk_words import DeskWords
from analysis.live.losing import EMPTY_BAR, minutes_to_empty
from analysis.live.one_set import PLANNING_C, LiveSet
from analysis.live.rows import Interval, Lost, Reason, Row


def row_of(live_set: LiveSet, now_s: float, words: DeskWords) -> Row:
    """Return a set's row, judged; `words` is what the desks said of it."""
    wear, tally, profile = live_set.wear, live_set.tally, live_set.profile
    tallied_in = tally is not None and tally.action == "in"
    silent_since_at = live_set.silent_since(now_s)
    outlook = turn_back = low_air = to_empty = losing_min = None
    was_low_air = was_turn_back = None
    planned = False
    if wear is not None:
        heard = silent_since_at is None
        outlook = wear.outlook(live_set.low_air_bar, now_s if heard else wear.last_at, keep=not heard)
        low_air, leave = (outlook.low_air, outlook.leave) if outlook is not None else (None, None)
        if low_air is None:
            low_air = _planned(live_set, live_set.low_air_bar)
            leave = leave or _planned(live_set, wear.turn_back.leave_bar)
            planned = low_air is not None
        made_at = outlook.made_at if outlook is not None else wear.last_at
        if heard:
            turn_back = wear.turn_back.ahead(now_s, low_air, leave)
            to_empty = outlook.to_empty if outlook is not None else None
            volume_l = wear.cylinder.total_l if wear.cylinder is not None else None
            losing_min = minutes_to_empty(wear.recent, volume_l, profile)
        else:
            was_low_air = _moments(made_at, low_air)
            was_turn_back = _moments(made_at, wear.turn_back.ahead(made_at, low_air, leave))
            low_air, planned = None, False
    lost = _lost(live_set, was_low_air, silent_since_at, now_s) if tallied_in else None
    if tallied_in and tally is not None:
        missing_at = words.missing_since(tally.incident_id, tally.wearer_id, tally.team)
        lost = lost or (Lost("missing", missing_at) if missing_at is not None else None)
    remarks: tuple[Reason, ...] = ()
    if silent_since_at is not None and live_set.link == "down":
        remarks = (Reason("link_down"),)
    if wear is not None and wear.cylinder is not None and live_set.cylinder != wear.cylinder:
        remarks = (*remarks, Reason("other_setup"))  # it counts from the next wear on, as in the review
    relief = was_turn_back[0] if was_turn_back else None
    if turn_back is not None:
        relief = now_s + 60.0 * turn_back.low
    row = Row(
        key=f"{live_set.service}/{live_set.set_id}",
        service=live_set.service,
        set_id=live_set.set_id,
        wearer_id=tally.wearer_id if tally else None,
        team=tally.team if tally else None,
        task=tally.task if tally else None,
        incident_id=tally.incident_id if tally else None,
        tallied_in_at=tally.at if tallied_in and tally else None,
        tallied_out_at=tally.at if tally and tally.action == "out" else None,
        attention="under_air",
        reasons=remarks,
        started_at=wear.started_at if wear else None,
        ended_at=live_set.ended_at,
        pressure_bar=live_set.pressure[1] if live_set.pressure else None,
        pressure_at=live_set.pressure[0] if live_set.pressure else None,
        silent_since_at=silent_since_at,
        cylinder_known=live_set.cylinder_in_use is not None,
        start_bar=wear.start_bar if wear else None,
        low_air_bar=live_set.low_air_bar,
        turn_back_bar=wear.turn_back.leave_bar if wear else None,
        turn_back_reached_at=wear.turn_back.reached_at if wear else None,
        rate_l_min=outlook.rate_l_min if outlook and silent_since_at is None else None,
        low_air=low_air,
        turn_back=turn_back,
        fan=outlook.fan if outlook and silent_since_at is None else (),
        if_hardest=outlook.if_hardest if outlook and silent_since_at is None else None,
        low_air_was_expected_at=was_low_air,
        turn_back_was_expected_at=was_turn_back,
        entered_at=tally.at if tallied_in and tally else (wear.started_at if wear else None),
        entry_bar=wear.start_bar if wear else live_set.entry_bar,
        lost=lost,
        losing_min=losing_min,
        to_empty=to_empty,
        planned=planned,
        gauge=words.gauge(live_set.set_id),
        evacuate_acknowledged_at=live_set.evacuate_acknowledged_at,
        relief_at=relief - 60.0 * profile.entry.relief_ready_min if relief is not None else None,
    )
    active = {name: alarm.raised_at for name, alarm in live_set.alarms.items() if alarm.ended_at is None}
    was_soon = wear is not None and wear.turn_back.soon
    judged = judge(row, active, now_s, was_soon=was_soon)
    if wear is not None:
        wear.turn_back.soon = any(reason.code == "turn_back_soon" for reason in judged.reasons)
    return judged


def _planned(live_set: LiveSet, target_bar: float | None) -> Interval | None:
    """Return the minutes down to a pressure at the planning rate, until the forecast has its own."""
    wear = live_set.wear
    if wear is None or wear.air is None or target_bar is None or wear.last_bar <= target_bar:
        return None
    volume_l = wear.air.cylinder.total_l
    left_l = float(free_air_l(wear.last_bar, PLANNING_C, volume_l)) - float(
        free_air_l(target_bar, PLANNING_C, volume_l)
    )
    minutes = left_l / live_set.profile.air.planning_l_min
    return Interval(minutes, minutes, minutes)


def _moments(from_at: float, ahead: Interval | None) -> tuple[float, float] | None:
    if ahead is None:
        return None
    return from_at + 60.0 * ahead.low, from_at + 60.0 * ahead.high


def _lost(
    live_set: LiveSet,
    was_low_air: tuple[float, float] | None,
    silent_since_at: float | None,
    now_s: float,
) -> Lost | None:
    """Return why nothing says that somebody who was tallied in has air."""
    tally, wear, pressure = live_set.tally, live_set.wear, live_set.pressure
    if tally is None:
        return None
    if wear is not None:
        gone = silent_since_at is not None and was_low_air is not None and was_low_air[0] <= now_s
        return Lost("silent", silent_since_at) if gone and silent_since_at is not None else None
    if live_set.ended_at is None or live_set.ended_at < tally.at:
        if now_s - tally.at <= live_set.profile.entry.never_heard_s:
            return None
        heard = pressure is not None and pressure[0] >= tally.at
        return Lost("valve_closed" if heard else "never_heard", tally.at)
    if live_set.power_off_at is not None and live_set.power_off_at >= live_set.ended_at:
        return Lost("off", live_set.power_off_at)
    if live_set.restarted_at is not None and live_set.restarted_at >= live_set.ended_at:
        return Lost("restarted", live_set.restarted_at)
    empty = live_set.last_wear_bar is not None and live_set.last_wear_bar <= 2.0 * EMPTY_BAR
    return Lost("empty" if empty else "valve_closed", live_set.ended_at)
