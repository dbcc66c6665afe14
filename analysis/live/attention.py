"""From the state of a set to its row: how much attention it needs, why, and how long it has."""

from __future__ import annotations

import math
from collections import defaultdict

from msgspec.structs import replace

from analysis.live.one_set import LiveSet
from analysis.live.rows import ORDER, Attention, Interval, Reason, Row, Team

SOON_MIN = 5.0  # our own rule: the early end of the interval is this near
SOON_UNTIL_MIN = 7.0
OTHER_ALARMS = ("no_motion_prealarm", "heat", "evacuate", "fault", "battery")


Moments = dict[tuple[str, str], set[float]]


def in_order_of_need(rows: list[Row], reached: Moments) -> tuple[Row, ...]:
    """Return the rows, first who needs attention most; a team turns back with its first member.

    Parameters
    ----------
    rows : list of Row
    reached : dict of (incident, team) to moments
        When members reached their turn-back; new moments are added. One counts for every member who was
        under air then, even when that first one is out by now (as `turn_back.team_moments` has it).
    """
    for row in rows:
        if row.turn_back_reached_at is not None and row.team is not None and row.incident_id is not None:
            reached.setdefault((row.incident_id, row.team), set()).add(row.turn_back_reached_at)
    return tuple(sorted((_with_team(row, reached) for row in rows), key=_key))


def _with_team(row: Row, reached: Moments) -> Row:
    if row.started_at is None or row.turn_back_reached_at is not None:
        return row
    moments = reached.get((row.incident_id or "", row.team or ""), set())
    together = [at for at in moments if at >= row.started_at]
    if not together:
        return row
    attention = min(row.attention, "turn_back", key=ORDER.__getitem__)
    reasons = [reason for reason in row.reasons if reason.code != "turn_back_soon"]
    return replace(row, attention=attention, reasons=(*reasons, Reason("team_turn_back", min(together))))


def _key(row: Row) -> tuple[int, float, str]:
    return ORDER[row.attention], _within(row), row.key


def row_of(live_set: LiveSet, now_s: float) -> Row:
    """Return a set's row."""
    wear, tally = live_set.wear, live_set.tally
    silent_since_at = live_set.silent_since(now_s)
    outlook = turn_back = None
    if wear is not None and silent_since_at is None:
        outlook = wear.outlook(live_set.low_air_bar, now_s)
        low_air, leave = (outlook.low_air, outlook.leave) if outlook is not None else (None, None)
        turn_back = wear.turn_back.ahead(now_s, low_air, leave)
    was_expected_at = None
    if wear is not None and silent_since_at is not None:
        last = wear.outlook(live_set.low_air_bar, wear.last_at, keep=True)
        if last is not None and last.low_air is not None:
            was_expected_at = (
                last.made_at + 60.0 * last.low_air.low,
                last.made_at + 60.0 * last.low_air.high,
            )
    attention, reasons = _attention(live_set, silent_since_at, turn_back)
    return Row(
        key=f"{live_set.service}/{live_set.set_id}",
        set_id=live_set.set_id,
        wearer_id=tally.wearer_id if tally else None,
        team=tally.team if tally else None,
        task=tally.task if tally else None,
        incident_id=tally.incident_id if tally else None,
        tallied_in_at=tally.at if tally and tally.action == "in" else None,
        tallied_out_at=tally.at if tally and tally.action == "out" else None,
        attention=attention,
        reasons=reasons,
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
        rate_l_min=outlook.rate_l_min if outlook else None,
        low_air=outlook.low_air if outlook else None,
        turn_back=turn_back,
        fan=outlook.fan if outlook else (),
        low_air_was_expected_at=was_expected_at,
    )


def team_rows(rows: tuple[Row, ...]) -> tuple[Team, ...]:
    """Return the teams of the rows, the one in greatest need first."""
    members: dict[tuple[str, str], list[Row]] = defaultdict(list)
    for row in rows:
        if row.team is not None and row.incident_id is not None:
            members[row.incident_id, row.team].append(row)
    teams = [_team(incident_id, team, own) for (incident_id, team), own in members.items()]
    teams.sort(key=lambda pair: pair[0])
    return tuple(team for _, team in teams)


def _team(incident_id: str, name: str, own: list[Row]) -> tuple[tuple[int, float, str], Team]:
    under_air = [row for row in own if row.started_at is not None]
    lowest = min(
        (row for row in under_air if row.pressure_bar is not None),
        key=lambda row: row.pressure_bar or 0.0,
        default=None,
    )
    reached = [
        reason.since_at
        for row in under_air
        for reason in row.reasons
        if reason.code in ("turn_back", "team_turn_back") and reason.since_at is not None
    ]
    ahead = [row.turn_back for row in under_air if row.turn_back is not None]
    earliest = min(ahead, key=lambda interval: interval.low, default=None)
    first = min(own, key=lambda row: ORDER[row.attention])
    team = Team(
        team=name,
        incident_id=incident_id,
        members=len(own),
        under_air=len(under_air),
        silent=sum(row.silent_since_at is not None for row in under_air),
        lowest_set_id=lowest.set_id if lowest else None,
        lowest_wearer_id=lowest.wearer_id if lowest else None,
        lowest_bar=lowest.pressure_bar if lowest else None,
        lowest_at=lowest.pressure_at if lowest else None,
        turn_back=None if reached else earliest,
        turn_back_reached_at=min(reached, default=None),
        attention=first.attention,
    )
    left = -1.0 if reached else _or_far(earliest.median if earliest else None)
    return (ORDER[first.attention], left, name), team


def _attention(
    live_set: LiveSet, silent_since_at: float | None, turn_back: Interval | None
) -> tuple[Attention, tuple[Reason, ...]]:
    wear, tally = live_set.wear, live_set.tally
    active = {name: alarm for name, alarm in live_set.alarms.items() if alarm.ended_at is None}
    reasons: list[Reason] = []
    found: list[Attention] = []

    def because(attention: Attention, code: str, since_at: float | None = None) -> None:
        found.append(attention)
        reasons.append(Reason(code, since_at))

    if "distress" in active:
        because("distress", "distress", active["distress"].raised_at)
    if "no_motion" in active:
        because("no_motion", "no_motion", active["no_motion"].raised_at)
    if "low_air" in active and wear is not None:
        because("low_air", "low_air", active["low_air"].raised_at)
    if silent_since_at is not None:
        because("silent", "silent", silent_since_at)
        if live_set.link == "down":
            reasons.append(Reason("link_down"))
    if wear is not None and wear.turn_back.reached_at is not None:
        because("turn_back", "turn_back", wear.turn_back.reached_at)
    for name in OTHER_ALARMS:
        if name in active:
            because("other_alarm", name, active[name].raised_at)
    if wear is not None and turn_back is not None:
        # Once soon it stays so until clearly later: rows must not change places every second.
        wear.turn_back.soon = turn_back.low <= (SOON_UNTIL_MIN if wear.turn_back.soon else SOON_MIN)
        if wear.turn_back.soon:
            because("turn_back_soon", "turn_back_soon")
    if wear is None:
        if live_set.ended_at is not None and (tally is None or live_set.ended_at >= tally.at):
            because("valve_closed", "valve_closed", live_set.ended_at)
        else:
            because("no_air_yet", "no_air_yet", tally.at if tally else None)
    else:
        found.append("under_air")
        if tally is None:
            reasons.append(Reason("no_tally"))
        elif tally.action == "out":
            reasons.append(Reason("tallied_out", tally.at))
        if wear.cylinder is None:
            reasons.append(Reason("no_setup"))
        elif live_set.cylinder != wear.cylinder:
            reasons.append(Reason("other_setup"))  # it counts from the next wear on, as in the review
    return min(found, key=lambda name: ORDER[name]), tuple(reasons)


def _within(row: Row) -> float:
    """Return the order inside one class of attention: who has the least left, or has waited longest."""
    if row.attention in ("distress", "no_motion", "silent", "other_alarm", "valve_closed", "no_air_yet"):
        since = [reason.since_at for reason in row.reasons if reason.since_at is not None]
        return since[0] if since else 0.0
    if row.attention == "low_air":
        return row.pressure_bar or 0.0
    if row.attention == "turn_back":
        return _or_far(row.low_air.median if row.low_air else None)
    left = row.turn_back or row.low_air
    return _or_far(left.median if left else None)


def _or_far(minutes: float | None) -> float:
    return math.inf if minutes is None else minutes
