"""What is beside the rows, every text finished: alarms, teams, orders, roll calls, prompts, notes."""

from collections.abc import Iterator, Sequence
from typing import Any

from analysis.alarms.kinds import GRAVEST, KINDS
from analysis.live.rows import (
    ORDER,
    SPOKEN,
    AlarmLine,
    Contradiction,
    NoteLine,
    Out,
    Prompt,
    RollCallLine,
    Row,
    Snapshot,
    Team,
)
from dashboard.live import sentences, words
from dashboard.live.display import Display
from dashboard.live.row_view import FIELDS

SOUNDING = (*GRAVEST, "not_accounted", "losing_air", "low_air", "order")
ANSWER = ("key", "what", "name", "who", "state", "code")  # what a roll call shows of each answer
UNANSWERED_S = 30.0  # an order not acknowledged for so long sounds; our own rule
SEEN_LOSING_S = 300.0  # "losing air" that was seen sounds again after this; our own rule


def team_view(team: Team, now: float, display: Display) -> dict[str, Any]:
    """Return a team; the soonest turn-back of all members counts, silent ones as last heard."""
    soonest = team.turn_back
    by_at = team.turn_back_by_at
    if team.turn_back_reached_at is not None:
        left = words.TEAM_TURNED.format(age=sentences.duration(now - team.turn_back_reached_at))
    elif by_at is not None and (soonest is None or by_at <= now + 60.0 * soonest.low):
        age, at = sentences.duration(now - by_at), display.clock(by_at, "%H:%M")
        left = words.TEAM_PAST.format(age=age) if by_at <= now else words.TEAM_BY.format(at=at)
    elif soonest is not None:
        left = words.TEAM_TURN_BACK.format(interval=sentences.interval_in_line(soonest, planned=team.planned))
    else:
        left = words.TEAM_NO_TURN_BACK
    known = left != words.TEAM_NO_TURN_BACK
    if known and team.turn_back_unknown:
        left = f"{left} · {words.TEAM_UNKNOWN.format(count=team.turn_back_unknown)}"
    return {
        "key": "/".join(filter(None, (team.service, team.incident_id, team.team))),
        "incident": team.incident_id,
        "team": team.team,
        "a": team.attention,
        "state": words.ATTENTION[team.attention],
        "name": sentences.joined(
            sentences.team(team.team), team.service, sentences.place(team.incident_id, display)
        ),
        "members": _members(team, now, display),
        "left": left,
        "known": known,
    }


def _members(team: Team, now: float, display: Display) -> str:
    """Return how many of a team are under air, how many are silent or lost, and who is lowest."""
    parts = [f"{team.under_air} of {team.members} under air"]
    if team.not_accounted:
        parts.append(words.COUNTS["not_accounted"].format(count=team.not_accounted))
    if team.silent:
        parts.append(words.COUNTS["silent"].format(count=team.silent))
    lowest = _lowest(team, now, display)
    return sentences.joined(", ".join(parts), lowest, sentences.relief(team.relief_at, now, display))


def _lowest(team: Team, now: float, display: Display) -> str:
    """Return the lowest member of a team with the reading's age when it is not fresh."""
    if team.lowest_bar is None or team.lowest_set_id is None or team.lowest_at is None:
        return "no reading"
    seconds = now - team.lowest_at
    old = f", {sentences.age(seconds)} old" if seconds > 10 else ""
    lowest = sentences.who(team.lowest_wearer_id, team.lowest_set_id)
    return f"lowest {lowest}, {display.pressure(team.lowest_bar)}{old}"


def _who(one: AlarmLine | Row, display: Display) -> str:
    return sentences.joined(sentences.whose(one, display), sentences.place(one.incident_id, display))


def alarm_view(line: AlarmLine, now: float, display: Display) -> dict[str, Any]:
    """Return an alarm of a set."""
    return _line(line, line.alarm, display) | {
        "key": line.key,
        "a": line.alarm if KINDS[line.alarm].own_state else "other_alarm",
        "grave": line.alarm in GRAVEST,
        "raised": line.raised_at,
        "ended": line.ended_at is not None,
        "new": line.seen_at is None,
        "alarm": sentences.ALARMS[line.alarm],
        "age": _age(line, now, display),
        "state": _alarm_state(line, display),
        "row": line.row_key or f"{line.service}/{line.set_id}",
    }


def _line(one: AlarmLine | Row, code: str, display: Display) -> dict[str, Any]:
    """Return what alarms and states have in common."""
    return {
        "sound": code if code in SOUNDING else "",
        "who": _who(one, display),
        "team": sentences.team(one.team),
        "service": one.service,
        "set_id": one.set_id,
        "code": code,
        "note": words.SEEN_STATE.get(code, ""),
    }


def _age(line: AlarmLine, now: float, display: Display) -> str:
    if line.ended_at is not None:
        return f"ended {display.clock(line.ended_at)}"
    return f"for {sentences.duration(now - line.raised_at)}"


def _alarm_state(line: AlarmLine, display: Display) -> str:
    """Return since when, by whom it was acknowledged and seen, and where it comes from."""
    parts = [sentences.times(line.repeated, display) or f"since {display.clock(line.raised_at)}"]
    spoken = line.detail == SPOKEN
    derived = "said by voice" if spoken else "derived from the readings"
    parts.append(f"{derived}; the set did not report it" if line.derived else "reported")
    if line.inferred:
        parts.append("start not heard")
    if line.unknown_since_at is not None:
        parts.append(f"state unknown since {display.clock(line.unknown_since_at)}")
    if line.acknowledged_at is not None:
        parts.append(f"acknowledged at the set {display.clock(line.acknowledged_at)}")
    if line.seen_at is not None:
        parts.append(f"seen by {line.seen_by} {display.clock(line.seen_at)}")
    if line.detail and not spoken:
        parts.append(line.detail)
    return " · ".join(parts)


def evacuations(
    alarms: Sequence[AlarmLine], now: float, display: Display
) -> tuple[list[AlarmLine], list[dict[str, Any]]]:
    """Return the alarms, and as one line each the evacuate alarms of several sets of an incident.

    Those that are on, and those that are over and that nobody has seen, are two lines.
    """
    sets: dict[tuple[str | None, bool], list[AlarmLine]] = {}
    for line in alarms:
        if line.alarm == "evacuate":
            sets.setdefault((line.incident_id, line.ended_at is None), []).append(line)
    together = [lines for lines in sets.values() if len(lines) > 1]
    single = [line for line in alarms if not any(line in lines for lines in together)]
    return single, [_evacuation(lines, now, display) for lines in together]


def _evacuation(lines: Sequence[AlarmLine], now: float, display: Display) -> dict[str, Any]:
    first = min(lines, key=lambda line: line.raised_at)
    shown = alarm_view(first, now, display)
    unseen = [line for line in lines if line.seen_at is None]
    return shown | {
        "key": f"evacuate/{first.incident_id}" + "/over" * (first.ended_at is not None),
        "who": sentences.joined(
            words.SIGNALLED.format(
                count=len(lines), who=", ".join(sentences.whose(line, display) for line in lines)
            ),
            sentences.place(first.incident_id, display),
        ),
        "team": "",
        "state": words.SIGNALLED_ACKNOWLEDGED.format(
            at=display.clock(first.raised_at),
            acknowledged=sum(line.acknowledged_at is not None for line in lines),
            count=len(lines),
        ),
        "new": bool(unseen),
        "several": [{"service": line.service, "set_id": line.set_id} for line in unseen],
    }


def state_alarms(snapshot: Snapshot, display: Display) -> list[dict[str, Any]]:
    """Return the states that need a person's attention but are no alarm: not accounted for, losing air."""
    lines = []
    for row in snapshot.rows:
        if row.lost is not None:
            since, reason = row.lost.since_at, f"lost_{row.lost.code}"
            lines.append(_state(row, "not_accounted", since, reason, snapshot, display))
        if row.losing_min is not None:
            since = snapshot.at - SEEN_LOSING_S
            lines.append(_state(row, "losing_air", since, "losing_air", snapshot, display))
    return lines


def _state(
    row: Row, code: str, since: float, reason: str, snapshot: Snapshot, display: Display
) -> dict[str, Any]:
    seen = next((one for one in _seen(snapshot, code, since) if one.set_id == row.set_id), None)
    who = row.lost.who if row.lost is not None else None
    said = sentences.reason(reason, since if code == "not_accounted" else None, snapshot.at, "", who)
    if seen is not None:
        said = f"{said} · seen by {seen.desk_id} {display.clock(seen.at)}"
    return _line(row, code, display) | {
        "key": f"{code}/{row.key}",
        "a": code,
        "grave": True,
        "raised": since if code == "not_accounted" else snapshot.at,
        "ended": False,
        "new": seen is None,
        "alarm": words.ATTENTION[code],
        "age": "",
        "state": said,
        "row": row.key,
    }


def _seen(snapshot: Snapshot, code: str, since: float) -> Iterator[NoteLine]:
    """Yield the notes since a moment by which somebody marked a state as seen."""
    note = words.SEEN_STATE[code]
    return (one for one in snapshot.notes if one.text.startswith(note) and one.at >= since)


def in_order(alarms: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return alarms and states, first what nobody has seen, then the gravest, then the oldest."""
    return sorted(alarms, key=lambda one: (not one["new"], one["ended"], ORDER[one["a"]], one["raised"]))


def prompt_view(prompt: Prompt, now: float, display: Display) -> dict[str, Any]:
    """Return whom to ask for the gauge."""
    text = words.PROMPT[prompt.thirds - 1].format(who=sentences.who(prompt.wearer_id, prompt.set_id))
    return {
        "key": prompt.key,
        "set_id": prompt.set_id,
        "incident": prompt.incident_id,
        "service": prompt.service,
        "text": sentences.joined(sentences.place(prompt.incident_id, display), text),
        "age": words.PROMPT_AGE.format(age=sentences.duration(now - prompt.due_at)),
    }


def note_view(note: NoteLine, display: Display) -> dict[str, Any]:
    """Return a note."""
    moment = display.clock(note.at)
    return {
        "key": note.key,
        "incident": note.incident_id,
        "at": moment if note.certainty != "estimated" else words.ESTIMATED.format(at=moment),
        "text": note.text,
        "about": sentences.joined(
            sentences.who(None, note.set_id) if note.set_id else "",
            sentences.place(note.incident_id, display),
        ),
        "desk": note.desk_id,
    }


def order_views(snapshot: Snapshot, display: Display, desk_id: str | None) -> list[dict[str, Any]]:
    """Return the orders in force; one that nobody has answered sounds until it is seen."""
    named = {row.key: sentences.whose(row, display) for row in snapshot.rows}
    lines = []
    for line in snapshot.orders:
        late = bool(line.unanswered) and snapshot.at - line.given_at > UNANSWERED_S
        noted = _seen(snapshot, "order", line.given_at + UNANSWERED_S)
        seen = any(one.incident_id == line.incident_id for one in noted)
        order = words.ORDERS[line.order]
        if line.team or line.set_id:
            whom = [words.TEAM.format(team=line.team)] if line.team else []
            whom += [sentences.who(None, line.set_id)] if line.set_id else []
            order = words.ORDER_TO.format(order=order, whom=" + ".join(whom))
        said = words.ORDER_LINE.format(
            order=order,
            at=display.clock(line.given_at),
            acknowledged=line.acknowledged,
            meant=line.meant,
            out=line.out,
        )
        told = ((words.ORDER_WAITING, line.waiting), (words.STILL_UNDER_AIR, line.still_under_air))
        waits = [
            text.format(who=", ".join(named.get(key, key) for key in keys)) for text, keys in told if keys
        ]
        who = ["; ".join(waits)] if waits else []
        if not line.meant and not line.still_under_air:
            who.append(words.ORDER_NOBODY)
        if line.lifted_by:
            namesake = words.ORDER_LIFTED_BY_NAMESAKE.format(desk=line.desk_id)
            desks = ", ".join(namesake if one == line.desk_id else one for one in line.lifted_by)
            who.append(words.ORDER_LIFTED_BY.format(desks=desks, desk=line.desk_id))
        lines.append(
            {
                "key": line.key,
                "incident": line.incident_id,
                "service": line.service,
                "order": line.order,
                "team": line.team,
                "set_id": line.set_id,
                "own": line.desk_id == desk_id,
                "waiting": line.unanswered,
                "late": late,
                "new": late and not seen,
                "sound": "order",
                "alarm": words.ORDER_UNANSWERED,
                "text": sentences.joined(sentences.place(line.incident_id, display), line.service, said),
                "who": ". ".join(who),
                "note": words.SEEN_STATE["order"],
            }
        )
    return lines


def roll_view(line: RollCallLine, now: float, display: Display) -> dict[str, Any]:
    """Return an open roll call, missing ones first."""
    states = [state for *_, state in line.answers]
    place = sentences.place(line.incident_id, display)
    text = words.ROLL_LINE.format(
        at=display.clock(line.called_at),
        answered=states.count("answered"),
        count=len(states),
        missing=states.count("missing"),
    )
    if line.complete_at is not None:
        lasted = sentences.duration(line.complete_at - line.called_at)
        text = f"{text}, {words.ROLL_COMPLETE.format(time=lasted)}"
    else:
        text = f"{text}, {sentences.duration(now - line.called_at)}"
    if line.still_under_air:
        who = ", ".join(line.still_under_air)
        text = sentences.joined(text, words.STILL_UNDER_AIR.format(who=who))
    order = {"missing": 0, "called": 1, "no_tally": 2, "answered": 3}
    teams = sorted({team for _, _, team, state in line.answers if team and state == "called"})
    answers = [
        (f"team {team}", "team", team, sentences.joined(sentences.team(team), place), "", "called")
        for team in teams
    ]
    for wearer_id, set_id, team, state in sorted(
        line.answers, key=lambda one: (order[one[3]], one[0] or one[1])
    ):
        what = "wearer_id" if wearer_id else ""  # nobody can answer by name for an unknown wearer
        who = ", ".join(filter(None, (sentences.who(wearer_id, set_id), team or "")))
        who = sentences.joined(who, place)
        said = words.ROLL_NO_TALLY if state == "no_tally" else state
        answers.append((wearer_id or f"set {set_id}", what, wearer_id or set_id, who, said, state))
    return {
        "key": line.key,
        "incident": line.incident_id,
        "service": line.service,
        "roll_id": line.roll_id,
        "text": sentences.joined(place, line.service, text),
        "complete": line.complete_at is not None,
        "answers": [dict(zip(ANSWER, one, strict=True)) for one in answers],
    }


def standby_views(snapshot: Snapshot, display: Display) -> list[dict[str, Any]]:
    """Return the emergency teams."""
    return [
        {
            "key": "/".join(filter(None, (one.service, one.incident_id, one.team))),
            "incident": one.incident_id,
            "team": one.team,
            "state": one.state,
            "text": f"{words.STANDBY[one.code].format(teams=name)}, {at}",
        }
        for one in snapshot.standby
        for name in [sentences.joined(one.team, sentences.place(one.incident_id, display))]
        for at in [display.clock(one.out_at or one.at, "%H:%M")]
    ]


def contradiction_view(one: Contradiction, display: Display) -> dict[str, Any]:
    """Return where two desks differ, or that one tallied out somebody who was not in."""
    at = display.clock(one.at)
    if one.kind == "whose":
        desk, *wearers = one.first
        who = ", ".join(wearers)
        text = words.WHOSE.format(desk=desk, set_id=one.about, who=who, at=at)
    elif one.kind == "not_theirs":
        desk, about = one.first
        text = words.NOT_THEIRS.format(desk=desk, set_id=one.about, about=about, at=at)
    elif one.kind == "same_name":
        text = words.SAME_NAME.format(desk=one.about, at=at)
    elif not one.second:
        desk, _, set_id = one.first
        text = words.NOT_IN.format(desk=desk, about=one.about, set_id=set_id, at=at)
    else:
        (first, what, *of_first), (second, also, *of_second) = one.first, one.second
        if one.kind == "gauge":
            of_first, of_second = ([display.pressure(float(bar))] for (bar,) in (of_first, of_second))
        text = words.CONTRADICTION.format(
            about=one.about,
            first=first,
            said_first=words.SAID[what].format(*of_first),
            second=second,
            said_second=words.SAID[also].format(*of_second),
            at=at,
        )
    placed = sentences.joined(sentences.place(one.incident_id, display), text)
    return {"key": one.key, "incident": one.incident_id, "text": placed}


def out_view(one: Out, display: Display) -> dict[str, Any]:
    """Return who came out, when and with how much."""
    template = words.OUT_LINE if one.wearer_id is not None else words.OUT_UNTALLIED
    parts = [
        template.format(
            who=sentences.whose(one, display),
            team=sentences.team(one.team) or words.NONE,
            how=words.OUT_HOW[one.ended_how],
            at=display.clock(one.at),
        )
    ]
    if one.pressure_bar is not None and one.pressure_at is not None:
        said = words.OUT_AIR if one.heard_at_exit else words.OUT_VOICE if one.by_voice else words.OUT_LAST
        at = display.clock(one.pressure_at)
        parts.append(said.format(pressure=display.pressure(one.pressure_bar), at=at))
    minutes, inside = (int((seconds or 0.0) // 60) for seconds in (one.under_air_s, one.inside_s))
    if one.under_air_s is None:
        parts.append(words.OUT_NEVER_HEARD.format(inside=inside))
    else:
        said = words.OUT_UNDER_AIR if one.heard_at_exit else words.OUT_HEARD
        parts.append(said.format(minutes=minutes, inside=inside))
    if one.breathes_on:
        parts.insert(1, words.OUT_BREATHES_ON)
    if one.rest_until_at is not None:
        parts.append(
            words.OUT_REST.format(at=display.clock(one.rest_until_at, "%H:%M"), source=one.rest_source)
        )
    elif one.wearer_id is not None and not one.perhaps_inside:
        parts.append(words.OUT_NO_REST)
    return {
        "key": one.key,
        "incident": one.incident_id,
        "text": sentences.joined(sentences.place(one.incident_id, display), ", ".join(parts)),
        "who": sentences.whose(one, display),
        "ended_how": one.ended_how,
        "ended_by": one.ended_by,
        "fields": {name: getattr(one, name) for name in FIELDS if name != "task"},
    }
