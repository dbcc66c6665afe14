"""From the board's snapshot to what the live page's script paints: every text finished, every position a
number.

The script in the browser words nothing and calculates nothing but pixels; so what the page says is tested
here, in Python.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

import msgspec

from analysis.live.attention import PAST_TURN_BACK
from analysis.live.rows import AlarmLine, Interval, NoteLine, Prompt, Row, Snapshot, Team
from dashboard.live import words
from dashboard.live.display import STANDARD, Display
from ingest.plurals import percent
from ingest.status import EVERY_S, LOW_DISK_BYTES, Status

AHEAD_MIN = 30.0  # how far the shared clock reaches into the future
LISTENER_SILENT_S = 10.0  # nothing at all received for this long while somebody is under air
GRAVE = ("distress", "no_motion")


class System(msgspec.Struct, frozen=True):
    """What the feed knows beside the messages; the listeners' own last word among it."""

    listeners: tuple[Status, ...]
    disk_free_bytes: int | None
    broker_connected: bool | None
    token: str
    clocks_ahead_s: Mapping[str, float] = {}  # by listener, where its clock and ours do not agree
    faulty: tuple[str, ...] = ()  # whose messages this program failed on of late
    services: tuple[str, ...] = ()  # of the archive and the settings, beside those heard just now


def starting(token: str) -> dict[str, Any]:
    """Return the answer while the server gets ready."""
    return {"token": token, "banner": words.STARTING, "ready": False}


def catching_up(token: str, fraction: float, at: float, to: float, display: Display) -> dict[str, Any]:
    """Return the answer while messages of the past are being taken: how far, from 0 to 1, and at which."""
    done = percent(int(100 * fraction) / 100)  # rounded down: 100 would say that it is over
    text = words.CATCHING_UP.format(part=done, at=display.clock(at), to=display.named_clock(to))
    return {"token": token, "banner": text, "ready": False}


def unreadable(problem: str, token: str) -> dict[str, Any]:
    """Return the answer when the archive cannot be read."""
    return {"token": token, "banner": words.UNREADABLE.format(problem=problem), "ready": False}


def stopped(token: str) -> dict[str, Any]:
    """Return the answer when the feed has ended by a fault of ours."""
    return {"token": token, "banner": words.FEED_STOPPED, "ready": False}


def lines(board_lines: dict[str, list[tuple[float, float]]]) -> dict[str, Any]:
    """Return the air lines so far, moments as whole seconds and pressures to one decimal."""
    return {key: [[round(at), round(bar, 1)] for at, bar in points] for key, points in board_lines.items()}


def page(
    snapshot: Snapshot,
    system: System,
    display: Display = STANDARD,
    failed: list[tuple[str, Exception]] | None = None,
) -> dict[str, Any]:
    """Return the whole picture of one moment.

    Parameters
    ----------
    snapshot : Snapshot
        The board at this moment.
    system : System
        The rest of the system line.
    display : Display
        Units and clock.
    failed : list, optional
        Takes what could not be painted, by a fault of ours, with its error; all else is painted.
    """
    failed = failed if failed is not None else []

    def each(paint: Callable[[Any, float, Display], dict[str, Any]], items: Iterable[Any]) -> list[Any]:
        painted = []
        for item in items:
            try:
                painted.append(paint(item, now, display))
            except Exception as error:  # noqa: BLE001 one row's fault must not blind the desk to all others
                failed.append((item.key, error))
        return painted

    now = snapshot.at
    heard_age_s = (
        None if snapshot.hearing.last_received_at is None else now - snapshot.hearing.last_received_at
    )
    under_air = sum(row.started_at is not None for row in snapshot.rows)
    healthy, listener_words = _listener(system.listeners, now, display)
    banner = None
    if not healthy and system.listeners:  # nobody under air: as far as was heard
        banner = words.LISTENER_BAD.format(state=listener_words)
    elif under_air and heard_age_s is not None and heard_age_s > LISTENER_SILENT_S:
        banner = words.LISTENER_SILENT.format(
            age=words.duration(heard_age_s), at=display.named_clock(snapshot.hearing.last_received_at or now)
        )
    incidents = [
        {"id": item.incident_id, "text": words.incident(item.incident_id, item.name, item.place)}
        for item in snapshot.incidents
    ]
    return {
        "token": system.token,
        "ready": True,
        "banner": banner,
        "now": round(now, 3),
        "clock": display.named_clock(now),
        "offset_s": display.offset_s,
        "from": round(snapshot.window_from_at),
        "ahead_s": AHEAD_MIN * 60.0,
        # Where nothing was ever heard, "nobody in distress" would say what nobody knows.
        "summary": _summary(snapshot, under_air) if heard_age_s is not None else [],
        "system": _system(snapshot, system, heard_age_s, (listener_words, not healthy)),
        "top": max([250.0, *(row.start_bar or 0.0 for row in snapshot.rows)]),
        "nobody": words.NOBODY if heard_age_s is not None else words.NOBODY_KNOWN,
        "no_alarms": words.NO_ALARMS if heard_age_s is not None else words.NO_ALARMS_KNOWN,
        "rows": each(_row, snapshot.rows),
        "teams": [_team(team, now, display) for team in snapshot.teams],
        "alarms": each(_alarm, snapshot.alarms),
        "prompts": [_prompt(prompt, now) for prompt in snapshot.prompts],
        "notes": [_note(note, display) for note in snapshot.notes],
        "incidents": incidents,
        "incident": words.incidents([item["text"] for item in incidents]),
        "heard": list(snapshot.desk_heard),
        "sets": sorted(snapshot.set_ids),
        "services": sorted({*snapshot.services, *system.services}),
    }


def _summary(snapshot: Snapshot, under_air: int) -> list[str]:
    counts = {
        words.UNDER_AIR: under_air,
        words.IN_DISTRESS: sum(row.attention in GRAVE for row in snapshot.rows),
        words.SILENT: sum(row.silent_since_at is not None for row in snapshot.rows),
        words.TO_TURN_BACK: sum(
            any(reason.code in PAST_TURN_BACK for reason in row.reasons) for row in snapshot.rows
        ),
    }
    return [template.format(count=count) for template, count in counts.items()]


def _listener(listeners: tuple[Status, ...], now: float, display: Display) -> tuple[bool, str]:
    """Return whether a listener hears and keeps what is sent, and the words for the best one."""
    if not listeners:
        return False, words.NO_LISTENER

    def state(status: Status) -> tuple[bool, str]:
        said_s = now - status.at.timestamp()
        if status.state != "up":
            return False, words.LISTENER_STOPPED.format(at=display.named_clock(status.at.timestamp()))
        if said_s > 3 * EVERY_S:
            return False, words.LISTENER_STALE.format(age=words.duration(said_s))
        if not status.connected:
            return False, words.LISTENER_ALONE
        if status.trouble:
            return status.queued == 0, words.LISTENER_TROUBLE.format(trouble=status.trouble)
        return True, words.LISTENER_UP

    return max((state(status) for status in listeners), key=lambda pair: pair[0])


def _system(
    snapshot: Snapshot, system: System, heard_age_s: float | None, listener: tuple[str, bool]
) -> list[dict[str, Any]]:
    """Return the parts of the system line; `bad` ones get a sign before them, not a colour alone."""
    hearing = snapshot.hearing
    parts: list[tuple[str, bool]] = [listener]
    for name, ahead_s in sorted(system.clocks_ahead_s.items()):
        template = words.CLOCK_AHEAD if ahead_s > 0 else words.CLOCK_BEHIND
        parts.append((template.format(listener=name, by=words.age(abs(ahead_s))), True))
    if system.broker_connected is None:
        parts.append((words.NO_BROKER, False))
    else:
        parts.append((words.BROKER_UP, False) if system.broker_connected else (words.BROKER_DOWN, True))
    if heard_age_s is None:
        parts.append((words.NOTHING_HEARD, True))
    else:
        quiet = heard_age_s > LISTENER_SILENT_S
        parts.append((words.HEARD.format(age=words.age(heard_age_s)), quiet))
    parts.append((words.PER_MINUTE.format(count=hearing.received_last_minute), False))
    if hearing.delay_p95_s is not None:
        parts.append((words.DELAY.format(seconds=hearing.delay_p95_s), hearing.delay_p95_s > 5.0))
    parts.append(
        (words.refused(hearing.refused_last_hour, hearing.last_refusal), hearing.refused_last_hour > 0)
    )
    if system.disk_free_bytes is not None:
        parts.append((words.disk(system.disk_free_bytes), system.disk_free_bytes < LOW_DISK_BYTES))
    if system.faulty:
        parts.append((words.FAULTY.format(names=", ".join(system.faulty)), True))
    return [{"text": text, "bad": bad} for text, bad in parts]


def _row(row: Row, now: float, display: Display) -> dict[str, Any]:
    silent = row.silent_since_at is not None
    target, label = row.low_air, words.LOW_AIR_IN
    if row.turn_back is not None and not any(reason.code in PAST_TURN_BACK for reason in row.reasons):
        target, label = row.turn_back, words.TO_TURN_BACK_IN
    left, left_range = words.interval(target)
    if target is None:
        label, left, left_range = words.no_forecast(row, now, display)
    air, air_sub = words.air(row, now, display)
    state = words.ATTENTION[row.attention]
    if row.attention == "other_alarm":
        state = words.ALARMS[next(r.code for r in row.reasons if r.code in words.ALARMS)]
    why = [words.reason(reason.code, reason.since_at, now, state) for reason in row.reasons]
    if len(why) > words.MOST_REASONS:
        # One set with every alarm must not push the others off the screen; the list of alarms has all.
        kept = words.MOST_REASONS - 1
        why[kept:] = [words.MORE_REASONS.format(count=len(why) - kept)]
    return {
        "key": row.key,
        "a": row.attention,
        "state": state,
        "why": " · ".join(why),
        "who": words.who(row.wearer_id, row.set_id),
        "team": words.named(row.team or ""),
        "sub": words.where(row.set_id if row.wearer_id else None, row.task),
        "label": label,
        "left": left,
        "range": left_range,
        "air": air,
        "air_sub": air_sub,
        "silent": silent,
        "aside": words.was_expected(row, display),
        "over": row.started_at is None,
        "fields": {
            "set_id": row.set_id,
            "wearer_id": row.wearer_id,
            "team": row.team,
            "task": row.task,
            "incident_id": row.incident_id,
        },
        "strip": _strip(row),
    }


def _strip(row: Row) -> dict[str, Any] | None:
    """Return what the strip is drawn from: moments in seconds since 1970, forecasts in seconds from now."""
    if row.started_at is None or row.pressure_at is None or row.pressure_bar is None or row.start_bar is None:
        return None

    def seconds(interval: Interval | None) -> list[float] | None:
        if interval is None:
            return None
        return [
            None if m is None else round(m * 60.0, 1) for m in (interval.low, interval.median, interval.high)
        ]

    return {
        "start": round(row.started_at, 1),
        "started_bar": row.start_bar,
        "last": [round(row.pressure_at, 1), round(row.pressure_bar, 1)],
        "silent": None if row.silent_since_at is None else round(row.silent_since_at, 1),
        "low": row.low_air_bar,
        "fan": [
            [round(point.bar, 1), *[round(m * 60.0, 1) for m in (point.low, point.median, point.high)]]
            for point in row.fan
        ],
        "turn_back": seconds(row.turn_back),
        "turned": None if row.turn_back_reached_at is None else round(row.turn_back_reached_at, 1),
        "turn_back_bar": row.turn_back_bar,
        "low_air": seconds(row.low_air),
    }


def _team(team: Team, now: float, display: Display) -> dict[str, Any]:
    if team.turn_back_reached_at is not None:
        left = words.TEAM_TURNED.format(age=words.duration(now - team.turn_back_reached_at))
    elif team.turn_back is not None:
        left = words.TEAM_TURN_BACK.format(interval=words.interval_in_line(team.turn_back))
    else:
        left = words.TEAM_NO_TURN_BACK
    return {
        "key": f"{team.incident_id}/{team.team}",
        "a": team.attention,
        "state": words.ATTENTION[team.attention],
        "name": words.TEAM.format(team=words.named(team.team)),
        "members": words.team_members(team, now, display),
        "left": left,
        "known": left != words.TEAM_NO_TURN_BACK,
    }


def _alarm(line: AlarmLine, now: float, display: Display) -> dict[str, Any]:
    return {
        "key": line.key,
        "a": line.alarm if line.alarm in (*GRAVE, "low_air") else "other_alarm",
        "grave": line.alarm in GRAVE,
        "raised": line.raised_at,
        "ended": line.ended_at is not None,
        "new": line.seen_at is None,
        "alarm": words.ALARMS[line.alarm],
        "who": words.who(line.wearer_id, line.set_id),
        "team": words.TEAM.format(team=words.named(line.team)) if line.team else "",
        "age": words.alarm_age(line, now, display),
        "state": words.alarm_state(line, display),
        "service": line.service,
        "set_id": line.set_id,
        "code": line.alarm,
    }


def _prompt(prompt: Prompt, now: float) -> dict[str, Any]:
    return {
        "key": prompt.key,
        "set_id": prompt.set_id,
        "incident_id": prompt.incident_id,
        "text": words.prompt(words.who(prompt.wearer_id, prompt.set_id), prompt.thirds),
        "age": words.duration(now - prompt.due_at),
    }


def _note(note: NoteLine, display: Display) -> dict[str, Any]:
    moment = display.clock(note.at)
    return {
        "key": note.key,
        "at": moment if note.certainty != "estimated" else words.ESTIMATED.format(at=moment),
        "text": note.text,
        "about": words.who(None, note.set_id) if note.set_id else "",
        "desk": note.desk_id,
    }
