"""The words and number formats of the live page (the shared ones stand in `words`)."""

from __future__ import annotations

import math

from analysis.live.rows import AlarmLine, Interval, Row, Team
from dashboard.live.display import Display
from dashboard.words import shortened

TITLE = "Live: who is under air"
STARTING = "Starting: this server is getting ready. Nothing is live yet; use voice contact."
CATCHING_UP = (
    "Catching up with what was received before: {part} done, at {at} of {to}. Nothing below is live. "
    "Use voice contact."
)
UNREADABLE = "The archive cannot be read, nothing below is live: {problem}"
FEED_STOPPED = (
    "This server no longer follows the archive, nothing below is live: restart it. Use voice contact."
)
FAULTY = "This program failed on messages of {names}: what is shown of them may be wrong"
LISTENER_SILENT = (
    "Nothing has been received for {age} (last message at {at}). Nothing below is live. "
    "Check the listener and the broker; use voice contact."
)

NOBODY = "Nobody is tallied in or under air."
NOBODY_KNOWN = "Nothing has been received yet: nobody is known here."
NO_ALARMS = "No alarm is active."
NO_ALARMS_KNOWN = "Nothing has been received yet."
UNDER_AIR = "{count} under air"
IN_DISTRESS = "{count} in distress or motionless"
SILENT = "{count} silent"
TO_TURN_BACK = "{count} past turn-back"

LISTENER_BAD = "{state}. Nothing below is live. Use voice contact."
NO_LISTENER = "No listener on this archive"
LISTENER_UP = "Listener and broker connected"
LISTENER_STOPPED = "The listener stopped at {at}"
LISTENER_STALE = "No sign of life from the listener for {age}"
LISTENER_ALONE = "The listener has no connection to its broker"
LISTENER_TROUBLE = "Listener: {trouble}"
CLOCK_AHEAD = (
    "The clock of {listener} is {by} ahead of this server's: times and ages here go by it. Set the clocks"
)
CLOCK_BEHIND = (
    "The clock of {listener} is {by} behind this server's: times and ages here go by it. Set the clocks"
)
NO_BROKER = "This desk reads only"
BROKER_UP = "This desk can send"
BROKER_DOWN = "This desk cannot send: no broker"
NOTHING_HEARD = "Nothing received yet"
HEARD = "Last message {age} ago"
PER_MINUTE = "{count} in the last minute"
DELAY = "Delay {seconds:.1f} s"

# What stands in the state column; the order of need is the board's.
ATTENTION = {
    "distress": "Distress",
    "no_motion": "No motion",
    "not_accounted": "Not accounted for",
    "losing_air": "Losing air",
    "low_air": "Low air",
    "silent_past": "Silent, turn-back due",
    "silent": "Silent",
    "turn_back": "Turn back",
    "other_alarm": "Alarm",
    "turn_back_soon": "Turn back soon",
    "under_air": "Under air",
    "no_air_yet": "No air yet",
    "valve_closed": "Off air",
}
ALARMS = {
    "distress": "Distress",
    "no_motion": "No motion",
    "no_motion_prealarm": "No motion (first\u00a0stage)",
    "low_air": "Low air",
    "heat": "Heat",
    "battery": "Battery",
    "evacuate": "Evacuate",
    "fault": "Set fault",
}
REASONS = {
    "distress": "distress for {age}",
    "no_motion": "no motion for {age}",
    "no_motion_prealarm": "no motion (first\u00a0stage) for {age}",
    "low_air": "at or below the warning for {age}",
    "silent": "nothing heard for {age}",
    "turn_back": "past turn-back for {age}",
    "team_turn_back": "team past turn-back for {age}",
    "turn_back_soon": "turn-back may be due within 5 min",
    "turn_back_as_last_heard": "turn-back may be past since {age}, as last heard",
    "lost_empty": "cylinder empty for {age}",
    "lost_valve_closed": "valve closed for {age}",
    "lost_off": "set switched off for {age}",
    "lost_restarted": "set restarted {age} ago, not on air since",
    "lost_silent": "silent for {age}, air may be used up",
    "lost_never_heard": "tallied in {age} ago, never heard",
    "losing_air": "pressure falls faster than breathing",
    "heat": "heat alarm for {age}",
    "battery": "battery alarm for {age}",
    "evacuate": "told to evacuate {age} ago",
    "fault": "set fault for {age}",
    "link_down": "its gateway is down",
    "no_tally": "not tallied in",
    "tallied_out": "tallied out {age} ago, still under air",
    "no_setup": "cylinder not known",
    "other_setup": "set now names another cylinder: counted with the first",
    "no_air_yet": "tallied in {age} ago, no pressure yet",
    "valve_closed": "valve closed {age} ago",
}

TO_TURN_BACK_IN = "turn back in"
LOW_AIR_IN = "low air in"
SOON = "may be due within 5 min"
SHORT = "< 1 min"
MOST_REASONS = 4
MORE_REASONS = "and {count} more"
MOST_INCIDENTS = 2
LONGEST_NAME = 18  # two lines of a row on the narrowest page
TEAM = "Team {team}"
TEAM_TURN_BACK = "turn back in {interval}"
TEAM_TURNED = "past turn-back {age}"
TEAM_NO_TURN_BACK = "turn-back not known"
ESTIMATED = "about {at}"


def duration(seconds: float) -> str:
    """Return a duration as minutes and seconds (``1:05``), with hours from one hour on (``1:02:05``)."""
    whole = max(0, int(seconds))
    hours, rest = divmod(whole, 3600)
    minutes, left = divmod(rest, 60)
    return f"{hours}:{minutes:02}:{left:02}" if hours else f"{minutes}:{left:02}"


def age(seconds: float) -> str:
    """Return an age: seconds below a minute, else minutes and seconds."""
    return f"{max(0, int(seconds))} s" if seconds < 60 else duration(seconds)


def _minutes(minutes: float) -> str:
    # Rounded down: a forecast never sounds longer than it is.
    return f"{int(minutes)}"


def interval(target: Interval | None) -> tuple[str, str]:
    """Return the median and the 90 % interval of a forecast (``11 min``, ``8 to 15``)."""
    if target is None:
        return "", ""
    middle = f"{_minutes(target.median)} min" if target.median >= 1 else SHORT
    return middle, f"{_minutes(target.low)} to {math.ceil(target.high)}"


def interval_in_line(target: Interval) -> str:
    """Return a forecast with its interval in one line (``11 min, 8 to 15``)."""
    middle, ends = interval(target)
    return f"{middle}, {ends}" if ends else middle


def no_forecast(row: Row, now: float, display: Display) -> tuple[str, str, str]:
    """Return label, text and second line where a row has no forecast."""
    if row.started_at is None:
        return "", "", ""
    if row.silent_since_at is not None:
        return "not known", "–", f"since {display.clock(row.silent_since_at)}"
    if row.pressure_bar is not None and row.pressure_bar <= row.low_air_bar:
        since = next((reason.since_at for reason in row.reasons if reason.code == "low_air"), None)
        return (
            "low air for",
            duration(now - since) if since else "–",
            f"below {display.pressure(row.low_air_bar)}",
        )
    if not row.cylinder_known:
        return "no forecast", "–", "cylinder not known"
    return "no forecast yet", "–", ""


def air(row: Row, now: float, display: Display) -> tuple[str, str]:
    """Return the pressure with its age; for a silent set the time of the reading stands beside it."""
    if row.pressure_bar is None or row.pressure_at is None:
        return "–", ""
    seconds = now - row.pressure_at
    pressure = display.pressure(row.pressure_bar)
    if row.started_at is None or row.silent_since_at is not None:
        return pressure, f"at {display.clock(row.pressure_at)}"
    rate = f" · {display.rate(row.rate_l_min)}" if row.rate_l_min is not None else ""
    return pressure, f"{age(seconds)} ago{rate}"


def was_expected(row: Row, display: Display) -> str:
    """Return when a silent set was expected at its warning by what was last heard; empty when not known."""
    if row.low_air_was_expected_at is None:
        return ""
    first, last = (display.clock(at, "%H:%M") for at in row.low_air_was_expected_at)
    return f"low air {first} to {last}, as last known"


def who(wearer_id: str | None, set_id: str) -> str:
    """Return the wearer's name on the page: the number, or the set where nobody is tallied in."""
    return named(wearer_id) if wearer_id else f"Set {named(set_id)}"


def where(set_id: str | None, task: str | None) -> str:
    """Return the second line below the wearer."""
    return " · ".join(part for part in (named(set_id) if set_id else None, task) if part)


def named(name: str) -> str:
    """Return a name as it stands on this page: of a long one its beginning and its end."""
    return shortened(name, LONGEST_NAME)


def reason(code: str, since_at: float | None, now: float, named: str) -> str:
    """Return why a row stands where it stands; what its state already names is not said twice."""
    if ALARMS.get(code) == named:
        template = "for {age}"
    elif code == "turn_back_soon" and named == ATTENTION[code]:
        template = SOON
    else:
        template = REASONS[code]
    if since_at is None:
        return template.removesuffix(" for {age}")
    return template.format(age=duration(now - since_at))


def alarm_age(line: AlarmLine, now: float, display: Display) -> str:
    """Return how long an alarm has lasted, or when it ended."""
    if line.ended_at is not None:
        return f"ended {display.clock(line.ended_at)}"
    return f"for {duration(now - line.raised_at)}"


def alarm_state(line: AlarmLine, display: Display) -> str:
    """Return since when, by whom it was acknowledged and seen, and where it comes from."""
    parts = [f"since {display.clock(line.raised_at)}"]
    if line.derived:
        parts.append("by the readings, not reported by the set")
    if line.inferred:
        parts.append("its start was not heard")
    if line.acknowledged_at is not None:
        parts.append(f"acknowledged at the set {display.clock(line.acknowledged_at)}")
    if line.seen_at is not None:
        parts.append(f"seen by {line.seen_by} {display.clock(line.seen_at)}")
    if line.detail:
        parts.append(line.detail)
    return " · ".join(parts)


def team_members(team: Team, now: float, display: Display) -> str:
    """Return how many of a team are under air, how many of them are silent, and who is lowest."""
    silent = f", {team.silent} silent" if team.silent else ""
    return f"{team.under_air} of {team.members} under air{silent} · {_lowest(team, now, display)}"


def _lowest(team: Team, now: float, display: Display) -> str:
    """Return the lowest member of a team with the reading's age when it is not fresh."""
    if team.lowest_bar is None or team.lowest_set_id is None or team.lowest_at is None:
        return "no reading"
    seconds = now - team.lowest_at
    old = f", {age(seconds)} old" if seconds > 10 else ""
    return (
        f"lowest {who(team.lowest_wearer_id, team.lowest_set_id)}, {display.pressure(team.lowest_bar)}{old}"
    )


def prompt(who: str, thirds: int) -> str:
    """Return whom the desk should ask for the gauge, and why now."""
    part = {1: "a third", 2: "two thirds"}[thirds]
    return f"{who}: {part} of the expected time used"


def disk(free_bytes: int) -> str:
    """Return the room left on the archive's disk."""
    free = f"{free_bytes / 1e9:.0f} GB" if free_bytes >= 1e9 else f"{free_bytes / 1e6:.0f} MB"
    return f"Disk {free} free"


def incidents(texts: list[str]) -> str:
    """Return the line of open incidents; of many only how many there are."""
    if not texts:
        return "No incident is open"
    return " | ".join(texts) if len(texts) <= MOST_INCIDENTS else f"{len(texts)} incidents open"


def incident(incident_id: str, name: str | None, place: str | None) -> str:
    """Return an incident's line."""
    return " · ".join(part for part in (incident_id, name, place) if part)


def refused(count: int, last: str | None) -> str:
    """Return how many messages were refused in the last hour, with the latest reason."""
    if not count:
        return "0 refused"
    return f"{count} refused in the last hour (last: {last})"


NO_DESK = "This server was started without --broker: it reads, it cannot send."
NO_SUCH_ACTION = "There is no such action."
NOT_UNDERSTOOD = "The request was not understood; reload the page."
NOT_OURS = "The request did not come from a page of this server; reload the page."
TOO_LARGE = "The request is too large."
NO_SUCH_DISPLAY = "There are no such units, or no such local time; reload the page."
WHICH_SERVICE = "It is not clear which service this is for: choose the service."
NOT_SENT = "Not sent: {problem}"

# Handed to the page's script as they are.
FOR_SCRIPT = {
    "title": "Live · underair",
    "not_live": "Not live",
    "title_unseen": "{count} unseen · Live",
    "announce": "New alarm: {alarm}, {who}",
    "lost": "Not live: no answer from the server for {seconds} s. Everything below is as it was at {clock}. "
    "Use voice contact.",
    "never": "the start",
    "gap": "This page had no data from {from} to {to}. Alarms that began meanwhile: {alarms}. "
    "The review has all of it.",
    "gap_no_alarm": "none that is still on the list",
    "dismiss": "Close",
    "printed": "Printed: as it was on {date} at {clock}. Paper is not live.",
    "bad_sign": "!",
    "units": {"metric": "bar, L", "imperial": "psi, ft³"},
    "units_what": "Units: {now}. Press to change",
    "times": {"utc": "UTC", "local": "Local"},
    "times_what": "Times: {now}. Press to change",
    "hold": "Hold order (H)",
    "held": "Order held (H): {count} elsewhere",
    "rows": "Wearers, most urgent first",
    "side": "Alarms, teams and desk",
    "head_state": "State",
    "head_who": "Wearer",
    "head_left": "Time left",
    "head_air": "Air",
    "now": "now",
    "ahead": "+{minutes} min",
    "legend": "Strip: air so far, and forecast (dashed) down to the low-air warning (dotted). Shade and bars "
    "are the 90\u00a0% interval; ◁ turn-back, ▼ low air. Hatched: nothing heard. Crossed out: no longer "
    "fresh. Underlined: changed just now.",
    "alarms": "Alarms",
    "seen": "Seen",
    "seen_what": "Seen: {alarm}, {who}",
    "teams": "Teams",
    "prompts": "Ask for the gauge",
    "desk": "Desk",
    "notes": "Notes",
    "incident": "Incident",
    "service": "Service (by its short name, as the sets send it)",
    "no_incident_open": "not sent: open an incident first.",
    "tally": "Tally in or out",
    "set": "Set",
    "wearer": "Wearer",
    "team": "Team",
    "task": "Task",
    "tally_in": "Tally in",
    "tally_out": "Tally out",
    "tally_in_what": "Tally in {wearer_id}, set {set_id}",
    "tally_out_what": "Tally out {wearer_id}, set {set_id}",
    "tally_nobody": "Not sent: nobody is tallied in as {wearer_id} with set {set_id}. "
    "Press again to send it all the same.",
    "tally_other": "Not sent: set {set_id} is tallied in with {other}. Press again to send it all the same.",
    "close_inside": "Not sent: tallied in or under air there: {who}. Press again to send it all the same.",
    "note": "Write a note",
    "note_text": "Note",
    "note_set": "About set (optional)",
    "note_send": "Keep note",
    "note_what": "Note",
    "incident_form": "Open or close an incident",
    "incident_id": "Number",
    "incident_name": "Name",
    "incident_place": "Place",
    "incident_open": "Open",
    "incident_close": "Close",
    "open_what": "Open incident {incident_id}",
    "close_what": "Close incident {incident_id}",
    "sound_on": "Sound on for new alarms",
    "sound_off": "Sound is off: allow it",
    "asked": "Asked",
    "asked_note": "Gauge asked for: {text}",
    "asked_what": "Gauge asked for, set {set_id}",
    "undo": "Undo",
    "undo_what": "Undo: {what}",
    "done": "done",
    "withdrawn": "Withdrawn: {text}",
    "sending": "sending …",
    "sent": "sent, not yet back from the archive",
    "not_back": "sent, but it has not come back from the archive. Check the listener.",
    "not_reached": "no answer from the server: look whether it shows before you send it again.",
    "read_only": NO_DESK,
}
