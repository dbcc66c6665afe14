"""Who needs attention, why, and in which order; and what a team can rely on.

The board fills a `Row` with facts; `judge` gives it its class of attention and its reasons.
"""

import math
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence

from msgspec.structs import replace

from analysis.alarms.kinds import GRAVEST, KINDS
from analysis.live.hearing import HeardSet
from analysis.live.rows import ORDER, AlarmLine, Attention, Lost, Reason, Row, Team

SOON_MIN = 3.0  # our own rule: the early end of the interval is this near (`tests.benchmarks.turn_back_soon`)
GOES_ON_FIRST_S = 1e10
"""Within a class, an alarm that the set cleared comes after all that still go on; and somebody not accounted
for who may have air comes after those who have none or are missing at a roll call."""
_NO_AIR = ("empty", "missing")  # among those not accounted for, they come first
LOW_AIR = ("low_air", "low_air_as_last_known")
PAST_TURN_BACK = ("turn_back", "team_turn_back", "turn_back_as_last_heard")


Moments = dict[tuple[str, str, str], set[float]]
Teams = Mapping[str, Sequence[tuple[str | None, float, float]]]
"""By a row's key: its wearer's teams one after the other, and from when until when each."""


def in_order_of_need(
    rows: list[Row],
    reached: Moments,
    since: Mapping[str, float] | None = None,
    ready_s: float = 0.0,
    teams: Teams | None = None,
) -> tuple[Row, ...]:
    """Return the rows, the greatest need first; a team turns back with its first member.

    - `reached`: by (service, incident, team), when members reached turn-back; new moments are added, also
      those as last heard. A moment counts for every member who was under air then, even if the one who
      reached it is out by now (as in `teams.team_moments`).
    - `since`: by key, since when the row's wearer has been under air, whatever the set did; else since its
      wear began.
    - `ready_s`: how long before turn-back the next team must be ready.
    - `teams`: where missing, a row has had no other team.
    """
    known, of = since or {}, {row.key: _teams_of(row, teams or {}) for row in rows}
    relief: dict[tuple[str, str, str], float] = {}
    for row in rows:
        own = [row.turn_back_reached_at, *(one.since_at for one in row.reasons if one.code in PAST_TURN_BACK)]
        for team, joined_at, left_at in of[row.key]:
            if team[1]:
                moments = reached.setdefault(team, set())
                moments.update(max(at, joined_at) for at in own if at is not None and at < left_at)
    found = [_with_team(row, of[row.key], reached, known.get(row.key), ready_s) for row in rows]
    for row in found:
        if row.relief_at is not None:
            relief[_team_of(row)] = min(relief.get(_team_of(row), math.inf), row.relief_at)
    found = [
        row if row.relief_at == (at := relief.get(_team_of(row))) else replace(row, relief_at=at)
        for row in found
    ]
    return tuple(sorted(found, key=_key))


def _team_of(row: Row) -> tuple[str, str, str]:
    """Return whose turn-back counts for a row: a team's, or only its own."""
    known = row.team is not None and row.incident_id is not None
    return (row.service, row.incident_id or "", row.team or "") if known else (row.service, "", row.key)


def _teams_of(row: Row, teams: Teams) -> list[tuple[tuple[str, str, str], float, float]]:
    """Return whose turn-back counted for a row, and from when until when."""
    named = [] if row.incident_id is None else teams.get(row.key, ())
    found = [
        ((row.service, row.incident_id or "", team), joined_at, left_at)
        for team, joined_at, left_at in named
        if team is not None
    ]
    return found or [(_team_of(row), 0.0, math.inf)]


def _with_team(
    row: Row,
    teams: Sequence[tuple[tuple[str, str, str], float, float]],
    reached: Moments,
    since_at: float | None,
    ready_s: float,
) -> Row:
    """Return the row with the turn-back that it owes with its team, or with one that it was in then."""
    from_at = row.started_at if since_at is None else since_at
    if from_at is None or (row.started_at is None and row.lost is None):
        return row
    moments = (
        (max(at, joined_at), team)
        for team, joined_at, left_at in teams
        for at in reached.get(team, ())
        if from_at <= at < left_at
    )
    due = min(moments, default=None)
    if due is None:
        return row
    due_at, earlier = due[0], None if due[1] == _team_of(row) else due[1][2]
    if earlier is None:
        row = replace(row, relief_at=min(row.relief_at or math.inf, due_at - ready_s))
    own = [row.turn_back_not_before, *(one.since_at for one in row.reasons if one.code in PAST_TURN_BACK)]
    if min((at for at in own if at is not None), default=math.inf) <= due_at:
        return row
    attention: Attention = min(row.attention, "turn_back", key=ORDER.__getitem__)
    if attention == "silent":
        attention = "silent_past"
    reasons = [reason for reason in row.reasons if reason.code != "turn_back_soon"]
    return replace(row, attention=attention, reasons=(*reasons, Reason("team_turn_back", due_at, earlier)))


def _key(row: Row) -> tuple[int, float, str]:
    return ORDER[row.attention], _within(row), row.key


def judge(row: Row, alarms: Mapping[str, float], now_s: float) -> Row:
    """Return the row with its class of attention and its reasons.

    - `row`: the facts.
    - `alarms`: alarms that nobody has closed, with the moment of each, seconds since 1970; `distress_ended`
      and `no_motion_ended`: the set cleared it, and nobody saw it.
    - `now_s`: seconds since 1970.
    """
    found: list[Attention] = []
    reasons: list[Reason] = []

    def because(
        attention: Attention, code: str, since_at: float | None = None, who: str | None = None
    ) -> None:
        found.append(attention)
        reasons.append(Reason(code, since_at, who))

    for name in GRAVEST:
        for code in (name, f"{name}_ended"):
            if code in alarms:
                because(name, code, alarms[code])
    if row.lost is not None:
        because("not_accounted", f"lost_{row.lost.code}", row.lost.since_at, row.lost.who)
    if row.losing_min is not None:
        because("losing_air", "losing_air")
    inside = row.started_at is not None
    alone = row.lost is not None and row.lost.code == "alarm_only"  # only its alarms are known
    if (inside or row.by_voice or alone) and ("low_air" in alarms or _is_low(row)):
        because("low_air", "low_air", alarms.get("low_air"))
    low_at = row.low_air_was_expected_at
    past = _past_as_last_heard(row, now_s)
    if inside and row.silent_since_at is None:  # heard but not believed: figures are as last known
        if low_at is not None and low_at[0] <= now_s:
            because("low_air", "low_air_as_last_known", low_at[0])
        if past is not None:
            found.append("turn_back")
    if row.silent_since_at is not None:
        turned = past is not None or row.turn_back_reached_at is not None
        because("silent_past" if turned else "silent", "silent", row.silent_since_at)
    if past is not None:
        reasons.append(Reason("turn_back_as_last_heard", past))
    # Somebody past turn-back who has no air now stays past it.
    if (inside or row.by_voice or row.lost is not None) and row.turn_back_reached_at is not None:
        because("turn_back", "turn_back", row.turn_back_reached_at)
    left = row.turn_back or row.low_air  # where no turn-back is known yet, it comes before the warning
    if inside and row.turn_back_reached_at is None and left is not None and left.low <= SOON_MIN:
        because("turn_back_soon", "turn_back_soon")
    for kind, about in KINDS.items():
        if kind in alarms and not about.own_state:
            because("other_alarm", kind, alarms[kind])
    if inside:
        found.append("under_air")
        reasons += _remarks(row)
    elif row.lost is not None:
        if row.tallied_out_at is not None:
            reasons.append(Reason("settled_before" if row.settled else "said_out", row.tallied_out_at))
        else:
            reasons += _not_tallied_in(row)
    else:
        if row.ended_at is not None:
            found.append("valve_closed")
            if all(one.code != "put_down" for one in row.reasons):
                reasons.append(Reason("valve_closed", row.ended_at))
            if row.tallied_out_at is not None:  # the row is there only for an alarm
                reasons.append(Reason("said_out", row.tallied_out_at))
        elif row.tallied_out_at is not None:
            because("no_air_yet", "out_unheard", row.tallied_out_at)
        else:
            because("no_air_yet", "no_air_yet", row.tallied_in_at)
    attention = min(found, key=lambda name: ORDER[name])
    return replace(row, attention=attention, reasons=(*reasons, *row.reasons))


def with_repeats(row: Row, repeated: Mapping[str, tuple[int, float] | None]) -> Row:
    """Return the row with how often the alarms among its reasons came, and since when; by code."""
    if not any(repeated.values()):
        return row
    reasons = (replace(one, repeated=repeated.get(one.code)) for one in row.reasons)
    return replace(row, reasons=tuple(reasons))


def row_of_unbelieved(service: str, set_id: str, heard: HeardSet, low_air_bar: float) -> Row:
    """Return the row of a set that nobody tallied in and whose pressures are higher than can be."""
    since_s = round((heard.too_high_us or 0) * 1e-6)  # clocks are refitted
    low_us = heard.sent_low_us(low_air_bar)
    row = Row(
        key=f"{service}/{set_id}/-",
        service=service,
        set_id=set_id,
        wearer_id=None,
        team=None,
        low_air_bar=low_air_bar,
        lost=Lost("readings_refused", since_s),
        reasons=(Reason("sent_unbelieved"),),
        sent_bar=heard.sent_bar,
        sent_low_at=round(low_us * 1e-6) if low_us is not None else None,
    )
    return judge(row, {}, since_s)


def rows_of_alarms_alone(
    alarms: Sequence[AlarmLine], known: Collection[str], low_air_bar: float
) -> list[Row]:
    """Return a row for each set that has an alarm about a person and no row: somebody may need help.

    - `alarms`: every line.
    - `known`: keys of the rows there are.
    - `low_air_bar`: the warning by the profile; the set has not said its own.
    """
    of_set: dict[str, list[AlarmLine]] = defaultdict(list)
    for line in alarms:
        unclear = line.ended_at is None or line.wearer_id is None
        if unclear and not KINDS[line.alarm].about_the_set and line.row_key not in known:
            of_set[line.row_key].append(line)
    found = []
    for key, lines in of_set.items():
        first = lines[0]
        codes = {line.alarm if line.ended_at is None else f"{line.alarm}_ended": line for line in lines}
        repeated = {code: line.repeated for code, line in codes.items()}
        first_at = min(line.repeated[1] if line.repeated else line.raised_at for line in lines)
        row = Row(
            key=key,
            service=first.service,
            set_id=first.set_id,
            wearer_id=first.wearer_id,
            team=first.team,
            low_air_bar=low_air_bar,
            lost=Lost("alarm_only", first_at),
        )
        moments = {code: line.ended_at or line.raised_at for code, line in codes.items()}
        found.append(with_repeats(judge(row, moments, 0.0), repeated))
    return found


def _is_low(row: Row) -> bool:
    return row.pressure_bar is not None and row.pressure_bar <= row.low_air_bar


def _past_as_last_heard(row: Row, now_s: float) -> float | None:
    """Return since when an unheard wearer may be past turn-back, by the early end of the last forecast."""
    expected = row.turn_back_was_expected_at
    if row.turn_back_reached_at is not None or expected is None:
        return None
    return expected[0] if expected[0] <= now_s else None


def _remarks(row: Row) -> list[Reason]:
    if row.tallied_out_at is not None:
        silent = row.silent_since_at is not None and row.silent_since_at <= row.tallied_out_at
        code = "out_silent" if silent else "settled_breathing" if row.settled else "tallied_out"
        remarks = [Reason(code, row.tallied_out_at)]
    else:
        remarks = _not_tallied_in(row)
    return remarks if row.cylinder_known else [*remarks, Reason("no_setup")]


def _not_tallied_in(row: Row) -> list[Reason]:
    known = row.tallied_in_at is not None or any(one.code == "incident_closed" for one in row.reasons)
    return [] if known else [Reason("no_tally")]


def team_rows(rows: tuple[Row, ...], *, by_service: bool = False) -> tuple[Team, ...]:
    """Return the teams of the rows, the one in greatest need first.

    `by_service`: name the service of each.
    """
    members: dict[tuple[str, str, str], list[Row]] = defaultdict(list)
    for row in rows:
        if row.team is not None and row.incident_id is not None:
            members[row.service, row.incident_id, row.team].append(row)
    teams = [
        (need, replace(team, service=service) if by_service else team)
        for (service, incident_id, name), own in members.items()
        for need, team in [_team(incident_id, name, own)]
    ]
    teams.sort(key=lambda pair: pair[0])
    return tuple(team for _, team in teams)


def _team(incident_id: str, name: str, own: list[Row]) -> tuple[tuple[int, float, str], Team]:
    inside = [row for row in own if row.started_at is not None or row.by_voice or row.lost is not None]
    # Silent members, and those without air, count with their last pressure: less known is never better.
    lowest = min(
        (row for row in inside if row.pressure_bar is not None),
        key=lambda row: row.pressure_bar or 0.0,
        default=None,
    )
    reached = [row.turn_back_not_before for row in inside if row.turn_back_not_before is not None]
    reached += [
        reason.since_at
        for row in inside
        for reason in row.reasons
        if reason.code in PAST_TURN_BACK and reason.since_at is not None and reason.who is None
    ]
    ahead = [(row.turn_back.low, row.key, row) for row in inside if row.turn_back is not None]
    soonest = min(ahead)[2] if ahead else None
    earliest = soonest.turn_back if soonest is not None else None
    unheard = [
        row.turn_back_was_expected_at[0]
        for row in inside
        if row.turn_back is None and row.turn_back_was_expected_at is not None
    ]
    unknown = sum(
        row.turn_back is None and row.turn_back_was_expected_at is None and row.turn_back_reached_at is None
        for row in inside
    )
    first = min(own, key=lambda row: ORDER[row.attention])
    team = Team(
        team=name,
        incident_id=incident_id,
        members=len(own),
        under_air=sum(row.started_at is not None and row.lost is None for row in own),
        silent=sum(row.silent_since_at is not None for row in own),
        lowest_set_id=lowest.set_id if lowest else None,
        lowest_wearer_id=lowest.wearer_id if lowest else None,
        lowest_bar=lowest.pressure_bar if lowest else None,
        lowest_at=lowest.pressure_at if lowest else None,
        turn_back=None if reached else earliest,
        planned=soonest is not None and soonest.planned,
        turn_back_reached_at=min(reached, default=None),
        attention=first.attention,
        not_accounted=sum(row.lost is not None for row in own),
        turn_back_by_at=None if reached else min(unheard, default=None),
        turn_back_unknown=unknown,
        relief_at=min((row.relief_at for row in inside if row.relief_at is not None), default=None),
    )
    left = -1.0 if reached else _or_far(earliest.low if earliest else None)
    return (ORDER[first.attention], left, name), team


def _within(row: Row) -> float:
    """Return the order within one class: who has the least left, or has waited longest, comes first."""
    if row.attention == "losing_air":
        return _or_far(row.losing_min)
    if row.attention == "low_air":
        return row.to_empty.low if row.to_empty is not None else (row.pressure_bar or 0.0)
    if row.attention == "turn_back":
        return _or_far(row.low_air.low if row.low_air else None)
    if row.attention in ("turn_back_soon", "under_air"):
        left = row.turn_back or row.low_air
        return _or_far(left.low if left else None)
    due = PAST_TURN_BACK if row.attention == "silent_past" else None
    since = [
        one.since_at for one in row.reasons if one.since_at is not None and (due is None or one.code in due)
    ]
    if due is not None:
        return min(since, default=0.0)
    heard = row.silent_since_at is None and row.lost is None
    cleared = heard and row.attention in GRAVEST and row.reasons[0].code.endswith("_ended")
    may_breathe = row.attention == "not_accounted" and row.lost is not None and row.lost.code not in _NO_AIR
    return (GOES_ON_FIRST_S if cleared or may_breathe else 0.0) + (since[0] if since else 0.0)


def _or_far(minutes: float | None) -> float:
    return math.inf if minutes is None else minutes
