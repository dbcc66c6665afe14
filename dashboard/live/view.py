"""From the board's snapshot to what the live page's script paints: finished texts, positions as numbers.

The script in the browser words nothing and calculates nothing but pixels; so what the page says is tested
here, in Python.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import Any

import msgspec

from analysis.alarms.kinds import GRAVEST
from analysis.live.attention import LOW_AIR, PAST_TURN_BACK
from analysis.live.board import Lines
from analysis.live.hearing import BEGINS_AFTER_S
from analysis.live.rows import Out, Row, Snapshot, breathing, by_person
from dashboard.live import sentences, side_view, words
from dashboard.live.display import STANDARD, Display
from dashboard.live.row_view import bare_row_view, row_view
from ingest.contract.any_error import ANY_ERROR
from ingest.plurals import counted, percent
from ingest.status import EVERY_S, LOW_DISK_BYTES, Status

AHEAD_MIN = 30.0  # how far the shared clock reaches into the future
MOST_INCIDENTS = 2  # named in the line of open ones
MOST_FROM_MEMORY = 5  # named in the system line
LISTENER_SILENT_S = 10.0  # nothing at all received for this long while somebody is under air

Kept = dict[str, tuple[Row, tuple[bool, frozenset[str]], dict[str, Any]]]
"""By key: a row, whether it named its incident, which names were shared, and how it was painted."""


class System(msgspec.Struct, frozen=True):
    """What the feed knows beside the messages; the listeners' own last word among it."""

    listeners: tuple[Status, ...] | None = None  # None: of a past moment; none: nothing is received
    disk_free_bytes: int | None = None
    broker_connected: bool | None = None
    token: str = ""
    clocks_ahead_s: Mapping[str, float] = {}  # by listener, where its clock and ours do not agree
    faulty: tuple[str, ...] = ()  # whose messages this program failed on of late
    services: tuple[str, ...] = ()  # of the archive and the settings, beside those heard just now
    desk_id: str | None = None  # who sends from this page
    forecast: str = ""  # which constants the forecast's interval comes from
    standby_wanted: bool = False  # the profile asks for an emergency team


def not_live(token: str, banner: str) -> dict[str, Any]:
    """Return the answer while there is no present to show: at the start, or after a fault."""
    return {"token": token, "banner": banner, "ready": False}


def catching_up(token: str, fraction: float, at: float, to: float, display: Display) -> dict[str, Any]:
    """Return the answer while earlier messages are being read: how much is done (0 to 1), and up to when."""
    done = percent(int(100 * fraction) / 100)  # rounded down: 100 would say that it is over
    text = words.CATCHING_UP.format(part=done, at=display.clock(at), to=display.named_clock(to))
    return not_live(token, text)


def lines(board_lines: Lines) -> dict[str, Any]:
    """Return the air lines so far, moments as whole seconds and pressures to one decimal; none at a break."""
    return {
        key: [[round(at), None if bar is None else round(bar, 1)] for at, bar in points]
        for key, points in board_lines.items()
    }


def page(
    snapshot: Snapshot,
    system: System,
    display: Display = STANDARD,
    failed: list[tuple[str, Exception]] | None = None,
    kept: Kept | None = None,
) -> dict[str, Any]:
    """Return the whole picture of one moment.

    - `failed`: takes what could not be painted, by a fault of ours, with its error; a row keeps its name and
      state.
    - `kept`: rows as they were painted before, on the same display; renewed. A row that the board did not
      make again (`ASKED_EVERY_US` at most) is not worded again either.
    """
    failed = failed if failed is not None else []
    kept = kept if kept is not None else {}

    def paint_row(row: Row, now: float, display: Display) -> dict[str, Any]:
        names = many, display.shared_names
        before, named, painted = kept.get(row.key, (None, names, {}))
        if before is not row or named != names:
            painted = row_view(row, now, display)
            kept[row.key] = row, names, painted
        return painted

    def each(paint: Callable[[Any, float, Display], dict[str, Any]], items: Iterable[Any]) -> list[Any]:
        painted = []
        for item in items:
            try:
                shown = paint(item, now, display)
                msgspec.json.encode(shown)  # what cannot be sent fails here, and by itself
                painted.append(shown)
            except ANY_ERROR as error:  # one row's fault must not blind the desk to all others
                failed.append((item.key, error))
                if isinstance(item, Row):
                    painted.append(bare_row_view(item))
        return painted

    now = snapshot.at
    many = len(_incidents(snapshot)) > 1
    display = replace(display, now=now, names_incidents=many, shared_names=_shared(snapshot))
    heard_age_s = (
        None if snapshot.hearing.last_received_at is None else now - snapshot.hearing.last_received_at
    )
    under_air = sum(row.started_at is not None for row in snapshot.rows)
    (healthy, listener_words), others = _listeners(system.listeners or (), now, display)
    deaf = system.listeners == ()  # who is in is not known, whatever an import brought
    banner = None
    if not healthy and system.listeners is not None:  # nobody under air: as far as was heard
        banner = words.LISTENER_BAD.format(state=listener_words)
    elif under_air and heard_age_s is not None and heard_age_s > LISTENER_SILENT_S:
        banner = words.LISTENER_SILENT.format(
            age=sentences.duration(heard_age_s),
            at=display.named_clock(snapshot.hearing.last_received_at or now),
        )
    incidents = [
        {"id": item.incident_id, "text": " · ".join(filter(None, (item.incident_id, item.name, item.place)))}
        for item in snapshot.incidents
    ]
    open_ids = [item.incident_id for item in snapshot.incidents]
    for gone in kept.keys() - {row.key for row in snapshot.rows}:
        del kept[gone]
    single, together = side_view.evacuations(snapshot.alarms, now, display)
    gathered = [*side_view.state_alarms(snapshot, display), *together]
    return {
        "token": system.token,
        "ready": True,
        "banner": banner,
        "now": round(now, 3),
        "clock": display.named_clock(now),
        "offset_s": display.offset_s,
        "from": round(snapshot.window_from_at),
        "ahead_s": AHEAD_MIN * 60.0,
        # Where nothing is heard, "nobody in distress" would say what nobody knows; who may be in stays.
        "summary": {}
        if heard_age_s is None or (deaf and not snapshot.rows and not snapshot.hearing.tallies_unread)
        else _summaries(snapshot, system, open_ids, display),
        "system": _system(snapshot, system, heard_age_s, [(listener_words, not healthy), *others], display),
        "top": max([250.0, *(row.start_bar or 0.0 for row in snapshot.rows)]),
        "nobody": words.DEAF if deaf else words.NOBODY if heard_age_s is not None else words.NOBODY_KNOWN,
        "no_alarms": words.DEAF
        if deaf
        else words.NO_ALARMS
        if heard_age_s is not None
        else words.NO_ALARMS_KNOWN,
        "rows": each(paint_row, snapshot.rows),
        "teams": [side_view.team_view(team, now, display) for team in snapshot.teams],
        "alarms": side_view.in_order([*each(side_view.alarm_view, single), *gathered]),
        "prompts": [side_view.prompt_view(prompt, now, display) for prompt in snapshot.prompts],
        "notes": [side_view.note_view(note, display) for note in snapshot.notes],
        "orders": side_view.order_views(snapshot, display, system.desk_id),
        "rolls": [side_view.roll_view(line, now, display) for line in snapshot.roll_calls],
        "standby": side_view.standby_views(snapshot, display),
        "contradictions": [side_view.contradiction_view(one, display) for one in snapshot.contradictions],
        "out": [side_view.out_view(one, display) for one in snapshot.came_out],
        "incidents": incidents,
        "incident": _open(incidents),
        "heard": list(snapshot.desk_heard),
        "sets": sorted(snapshot.set_ids),
        "services": sorted({*snapshot.services, *system.services}),
        "desk": words.DESK_NAME.format(desk=system.desk_id) if system.desk_id else "",
        "forecast": words.FORECAST.format(version=system.forecast) if system.forecast else "",
        "incidents_of": {row.key: row.incidents for row in snapshot.rows},
    }


def _open(incidents: list[dict[str, str]]) -> str:
    """Return the line of open incidents; of many only how many there are."""
    if len(incidents) > MOST_INCIDENTS:
        return words.INCIDENTS_OPEN.format(count=len(incidents))
    return " | ".join(item["text"] for item in incidents) or words.NONE_OPEN


def _incidents(snapshot: Snapshot) -> set[str]:
    """Return the incidents that are open or of which something is shown, but for notes and who came out."""
    lines: list[Any] = [*snapshot.incidents, *snapshot.alarms, *snapshot.orders, *snapshot.roll_calls]
    lines += [*snapshot.standby, *snapshot.contradictions]
    shown = {one.incident_id for one in lines}
    shown |= {name for row in snapshot.rows for name in row.incidents}
    return {name for name in shown if name}


def _shared(snapshot: Snapshot) -> frozenset[str]:
    """Return the names that more than one service has, in the rows or of those who came out."""
    services: dict[str, set[str]] = {}
    either: tuple[Row | Out, ...] = (*snapshot.rows, *snapshot.came_out)
    for one in either:
        services.setdefault(one.wearer_id or one.set_id, set()).add(one.service)
    return frozenset(name for name, own in services.items() if len(own) > 1)


def _summaries(
    snapshot: Snapshot, system: System, open_ids: list[str], display: Display
) -> dict[str, list[str]]:
    """Return the counts of all, under an empty name, and of each open incident."""
    counts = {"": _summary(snapshot.rows)}
    for incident_id in open_ids:
        # A set that nobody tallied in has no incident: every filter shows it, and so it counts in each.
        counts[incident_id] = _summary(
            row for row in snapshot.rows if not row.incidents or incident_id in row.incidents
        )
    for wearer_id, own in _several_places(snapshot.rows):
        places = sorted({name for row in own for name in row.incidents})
        said = words.AT_PLACES.format(who=wearer_id, places=", ".join(places))
        if (sets := len(breathing(own))) > 1:
            said = words.BREATHES_TWICE.format(said=said, count=sets)
        for name in {"", *places} & counts.keys():
            counts[name].append(said)
    unread = snapshot.hearing.tallies_unread
    for name, line in counts.items():
        if unread:
            line.append(words.TALLIES_UNREAD.format(tallies=counted(unread, "tally", "tallies")))
        there = [one for one in snapshot.standby if name in ("", one.incident_id)]
        teams: dict[str, list[str]] = {}
        for one in sorted(there, key=lambda one: (one.state != "ready", one.team)):
            place = "" if name else sentences.place(one.incident_id, display)
            teams.setdefault(one.code, []).append(sentences.joined(one.team, place))
        line += [words.STANDBY[code].format(teams=", ".join(own)) for code, own in teams.items()]
        if system.standby_wanted:
            line += _no_standby(snapshot, name)
    return counts


def _no_standby(snapshot: Snapshot, name: str) -> list[str]:
    """Return where somebody is in and no team is ready; a team of one incident does not count at another."""
    ready = {one.incident_id for one in snapshot.standby if one.state == "ready" and not one.inside}
    inside = {
        incident_id
        for row in snapshot.rows
        if row.is_in and (not name or not row.incidents or name in row.incidents)
        for incident_id in row.incidents or (None,)
    }
    if not inside:
        return []
    incidents = {name} if name else inside - {None}
    if len(incidents) < 2 and (name or not incidents or ready <= incidents):
        return [] if ready & (incidents or ready) else [words.NO_STANDBY]
    lacking = ", ".join(sorted(one for one in incidents - ready if one))
    return [words.NO_STANDBY_AT.format(incidents=lacking)] if lacking else []


def _several_places(rows: Iterable[Row]) -> list[tuple[str, list[Row]]]:
    """Return who is in at more than one incident, with the rows."""
    people = by_person(row for row in rows if row.is_in and row.wearer_id is not None)
    return [
        (own[0].wearer_id or "", own)
        for own in people
        if len({one for row in own for one in row.incidents}) > 1
    ]


def _summary(rows: Iterable[Row]) -> list[str]:
    """Return the counts: who is in (under air, not accounted for, not on air yet), and who needs what.

    A person counts once, whatever the number of incidents, and by the worst that is known. Two sets under air
    at once are on two people, even if both were tallied with one name.
    """
    found: Counter[str] = Counter()
    for own in by_person(rows):
        inside = [row for row in own if row.is_in]
        people = max(len(breathing(inside)), 1) if inside else 0
        lost = any(row.lost is not None for row in inside)
        under_air = people - lost if any(row.started_at is not None for row in inside) else 0
        reasons = {row.attention for row in own} | {one.code for row in own for one in row.reasons}
        found["inside"] += people
        found["under_air"] += under_air
        found["not_accounted"] += lost
        found["not_yet"] += people - lost - under_air
        found["in_distress"] += not reasons.isdisjoint(GRAVEST)
        found["silent"] += any(row.silent_since_at is not None for row in inside)
        found["to_turn_back"] += not reasons.isdisjoint(PAST_TURN_BACK)
        found["low_air"] += not reasons.isdisjoint(LOW_AIR)
        found["tally_refused"] += "lost_tally_refused" in reasons
    said = words.COUNTS | {name: said for name, said in words.COUNTS_IF_ANY.items() if found[name]}
    return [template.format(count=found[name]) for name, template in said.items()]


def _listeners(
    listeners: tuple[Status, ...], now: float, display: Display
) -> tuple[tuple[bool, str], list[tuple[str, bool]]]:
    """Return whether a listener hears and keeps what is sent, and the words for the best one.

    After it, words for each other listener in trouble that nobody stopped, and whether they are bad.
    """
    if not listeners:
        return (False, words.NO_LISTENER), []

    def state(status: Status) -> tuple[bool, str]:
        said_s = now - status.at.timestamp()
        if status.state != "up":
            return False, words.LISTENER_STOPPED.format(at=display.named_clock(status.at.timestamp()))
        if said_s > 3 * EVERY_S:
            return False, words.LISTENER_STALE.format(age=sentences.duration(said_s))
        if not status.connected:
            return False, words.LISTENER_ALONE
        if status.trouble:
            return not status.cannot_keep, words.LISTENER_TROUBLE.format(trouble=status.trouble)
        return True, words.LISTENER_UP

    best = max(listeners, key=lambda status: state(status)[0])
    others = [
        (f"{status.listener}: {said}", not healthy)
        for status in listeners
        for healthy, said in [state(status)]
        if status is not best and status.state != "stopped" and said != words.LISTENER_UP
    ]
    return state(best), others


def not_known(
    snapshot: Snapshot, display: Display, listeners: tuple[Status, ...] = ()
) -> list[tuple[str, bool]]:
    """Return what the page may have missed, for the system line."""
    began_at = snapshot.hearing.began_at
    parts: list[tuple[str, bool]] = []
    if began_at is not None and snapshot.at - began_at < BEGINS_AFTER_S:
        in_midst = any(one.code == "beginning_not_heard" for row in snapshot.rows for one in row.reasons)
        parts.append((words.BEGAN.format(at=display.named_clock(began_at)), in_midst))
    memory = snapshot.hearing.from_memory
    if memory:
        named = [sentences.from_memory(one, display) for one in memory[:MOST_FROM_MEMORY]]
        more = [words.MORE_FROM_MEMORY.format(count=len(memory) - len(named))] * (len(memory) > len(named))
        parts.append((words.FROM_MEMORY.format(what=", ".join([*named, *more])), True))
    # The first sentence says what; where to look is in the listener's log.
    losses = [status.possible_loss.split(". ")[0] for status in listeners if status.possible_loss]
    return parts + [(words.LISTENER_TROUBLE.format(trouble=loss), True) for loss in losses]


def _system(
    snapshot: Snapshot,
    system: System,
    heard_age_s: float | None,
    listening: list[tuple[str, bool]],
    display: Display,
) -> list[dict[str, Any]]:
    """Return the parts of the system line; `bad` ones get a sign before them, not a colour alone."""
    hearing = snapshot.hearing
    parts: list[tuple[str, bool]] = [*listening, *not_known(snapshot, display, (system.listeners or ()))]
    is_set = {one.listener for one in (system.listeners or ()) if one.clock_set_s}
    for name, ahead_s in sorted(system.clocks_ahead_s.items()):
        template = words.CLOCK_AHEAD if ahead_s > 0 else words.CLOCK_BEHIND
        if name in is_set:
            template = words.CLOCK_SET_BACK if ahead_s > 0 else words.CLOCK_SET_FORWARD
        parts.append((template.format(listener=name, by=sentences.age(abs(ahead_s))), True))
    if system.broker_connected is None:
        parts.append((words.NO_BROKER, False))
    else:
        parts.append((words.BROKER_UP, False) if system.broker_connected else (words.BROKER_DOWN, True))
    if heard_age_s is None:
        parts.append((words.NOTHING_HEARD, True))
    else:
        quiet = heard_age_s > LISTENER_SILENT_S
        parts.append((words.HEARD.format(age=sentences.age(heard_age_s)), quiet))
    parts.append((words.PER_MINUTE.format(messages=counted(hearing.received_last_minute, "message")), False))
    if hearing.delay_p95_s is not None:
        parts.append((words.DELAY.format(seconds=hearing.delay_p95_s), hearing.delay_p95_s > 5.0))
    if hearing.refused_last_hour:
        told = words.REFUSED.format(count=hearing.refused_last_hour, last=hearing.last_refusal)
        parts.append((told, True))
    else:
        parts.append((words.NONE_REFUSED, False))
    if (free := system.disk_free_bytes) is not None:
        room = f"{free / 1e9:.0f} GB" if free >= 1e9 else f"{free / 1e6:.0f} MB"
        parts.append((words.DISK.format(room=room), free < LOW_DISK_BYTES))
    if system.faulty:
        parts.append((words.FAULTY.format(names=", ".join(system.faulty)), True))
    return [{"text": text, "bad": bad} for text, bad in parts]
