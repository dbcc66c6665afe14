"""The words and number formats of the live page (`dashboard.words` has the shared ones)."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import msgspec

from analysis.live.rows import SPOKEN, AlarmLine, GaugeRow, Interval, Row, Team
from analysis.wears.calls import ACKNOWLEDGED_BY_VOICE
from dashboard import words as dashboard_words
from dashboard.live.display import Display
from dashboard.words import shortened

# By what is looked up in them; words with a name of their own follow.
_TABLES: dict[str, dict[str, Any]] = msgspec.toml.decode(Path(__file__).with_suffix(".toml").read_bytes())

TITLE = "Live: who is under air"
STARTING = "Starting: nothing is live yet. Use voice contact."
CATCHING_UP = (
    "Catching up with earlier messages: {part} done, at {at} of {to}. Nothing below is live. "
    "Use voice contact."
)
UNREADABLE = "Nothing below is live. Use voice contact. The archive cannot be read: {problem}"
FEED_STOPPED = (
    "This server stopped reading the archive. Nothing below is live. Restart the server. Use voice contact."
)
FAULTY = "Could not process messages from {names}. Their rows may be wrong"
LISTENER_SILENT = (
    "Nothing received for {age}, since {at}. Nothing below is live. Check the listener and the broker. "
    "Use voice contact."
)

FORECAST = "Forecast constants: {version}."
BOARD_TITLE = "The board as it was"
RECONSTRUCTED = (
    "Reconstruction, not live: the board at {at}. It uses the messages received by then. "
    "Made by underair {version}."
)
PAST_READ_ONLY = "This is a past moment: nothing can be sent."

NOBODY = "Nobody is tallied in or under air."
NOBODY_KNOWN = "Nothing has been received yet: nobody is known here."
NO_ALARMS = "No alarm is active."
NO_ALARMS_KNOWN = "Nothing has been received yet."
IN_ALL = "{count} in"
UNDER_AIR = "{count} under air"
NOT_ACCOUNTED = "{count} not accounted for"
NOT_YET = "{count} not on air yet"
IN_DISTRESS = "{count} in distress or motionless"
SILENT = "{count} silent"
TO_TURN_BACK = "{count} past turn-back"
COUNTS = (IN_ALL, UNDER_AIR, NOT_ACCOUNTED, NOT_YET, IN_DISTRESS, SILENT, TO_TURN_BACK)
AT_PLACES = "{who} at {places}"
BREATHES_TWICE = "{said}, {count} sets under air: one is on somebody else"
TALLIES_UNREAD = "{tallies} refused: who went in?"
NO_STANDBY = "No emergency team ready"
NO_STANDBY_AT = "No emergency team ready at {incidents}"
STANDBY = {
    "ready": "Emergency team ready: {teams}",
    "inside": "Emergency team marked ready, but inside: {teams}",
    "committed": "Emergency team inside: {teams}",
    "out_again": "Emergency team out again, neither ready nor stood down: {teams}",
}

LISTENER_BAD = "{state}. Nothing below is live. Use voice contact."
NO_LISTENER = "No listener on this archive"
LISTENER_UP = "Listener and broker connected"
LISTENER_STOPPED = "The listener stopped at {at}"
LISTENER_STALE = "No sign of life from the listener for {age}"
LISTENER_ALONE = "The listener has no connection to its broker"
LISTENER_TROUBLE = "Listener: {trouble}"
CLOCK_AHEAD = "{listener} is {by} ahead of this server's clock. Times shown follow it. Synchronise the clocks"
CLOCK_BEHIND = "{listener} is {by} behind this server's clock. Times shown follow it. Synchronise the clocks"
CLOCK_SET_BACK = "{listener}: computer's clock was set back by {by}. Times shown follow the earlier clock"
CLOCK_SET_FORWARD = (
    "{listener}: computer's clock was set forward by {by}. Times shown follow the earlier clock"
)
DESK_NAME = "This desk: {desk}"
NO_BROKER = "This desk can only read"
BROKER_UP = "This desk can send"
BROKER_DOWN = "This desk cannot send: no broker"
NOTHING_HEARD = "Nothing received yet"
BEGAN = "First message at {at}: what was said before is not known here"
HEARD = "Last message {age} ago"
PER_MINUTE = "{count} messages in the last minute"
DELAY = "Delay {seconds:.1f} s"

ATTENTION: dict[str, str] = _TABLES["attention"]
ALARMS = {kind: f"{name[0].upper()}{name[1:]}" for kind, name in dashboard_words.ALARMS.items()}
REASONS: dict[str, str] = {
    **{kind: f"{name} for {{age}}" for kind, name in dashboard_words.ALARMS.items()},
    **_TABLES["reasons"],
}

NOT_PAINTED = "no figures: underair has a fault. Ask by voice"
NONE = "–"
AS_LAST_HEARD = "as last heard"
PLANNED = "planned"
TO_EMPTY = "to empty"
TO_EMPTY_NOW = "to empty at this rate"
BELOW = "below {pressure}"
PAST = "past {age}"
WHOSE_MOMENT = {"turn_back": "", "team_turn_back": "with its team"}
AT_PRESSURE = "at {pressure}"
AT_LEAST = "at least"
BY = "by {at}"
AT = "at {at}"
INSIDE = "{minutes} min"
OVER = "over {time}"  # the beginning was not heard
OUT_BY = "out by {at}"
BY_VOICE = "by voice {gauge}"
RELIEF = "next team ready by {at}"
RELIEF_DUE = "next team due now, past {age}"
HARD = "hard: {minutes}"
HARDEST = "If it stays as hard as the hardest 3 min: {minutes} ({rate})"
SHORT = "< 1 min"
DAY_S = 86_400
REPEATED = "{count} times since {at}"
MOST_REASONS = 4
MORE_REASONS = "and {count} more"
MOST_INCIDENTS = 2
LONGEST_CAUSE = 120
LONGEST_NAME = 18  # two lines of a row on the narrowest page
TEAM = "Team {team}"
TEAM_TURN_BACK = "turn back in {interval}"
TEAM_TURNED = "past turn-back {age}"
TEAM_NO_TURN_BACK = "turn-back not known"
TEAM_PAST = "past turn-back {age}, as last heard"
TEAM_BY = "turn back by {at}, as last heard"
TEAM_UNKNOWN = "{count} not known"
ESTIMATED = "about {at}"
PROMPT = {1: "{who}: a third of the expected time used", 2: "{who}: two thirds of the expected time used"}
"""Whom the desk should ask for the gauge, and why now: by the thirds that are over."""


def duration(seconds: float) -> str:
    """Return a duration as minutes and seconds (``1:05``), with hours from one hour on (``1:02:05``).

    From a day on, in days and whole hours (``1 d 3 h``).
    """
    whole = max(0, int(seconds))
    if whole >= DAY_S:
        return f"{whole // DAY_S} d {whole % DAY_S // 3600} h"
    hours, rest = divmod(whole, 3600)
    minutes, left = divmod(rest, 60)
    return f"{hours}:{minutes:02}:{left:02}" if hours else f"{minutes}:{left:02}"


def age(seconds: float) -> str:
    """Return an age: seconds below a minute, else minutes and seconds."""
    return f"{max(0, int(seconds))} s" if seconds < 60 else duration(seconds)


def minutes(left: float) -> str:
    """Return minutes, rounded down so that a forecast never seems longer; below one it says so."""
    return f"{int(left)} min" if left >= 1 else SHORT


def interval(target: Interval | None) -> tuple[str, str]:
    """Return the median and the 90 % interval of a forecast (``11 min``, ``8 to 15``)."""
    if target is None:
        return "", ""
    if target.early_only:  # too early in the wear for more than the early end
        return minutes(target.low), AT_LEAST
    return minutes(target.median), f"{int(target.low)} to {max(math.ceil(target.high), 1)}"


def interval_in_line(target: Interval) -> str:
    """Return a forecast with its interval in one line (``11 min, 8 to 15``)."""
    middle, ends = interval(target)
    return f"{ends} {middle}" if target.early_only else f"{middle}, {ends}"


def place(incident_id: str | None, display: Display) -> str:
    """Return the incident of a line; empty where the page shows only one."""
    return named(incident_id) if incident_id and display.names_incidents else ""


def joined(*parts: str) -> str:
    """Return those parts of a line that say something."""
    return " · ".join(filter(None, parts))


def team(name: str | None) -> str:
    """Return a team's name on the page; empty without one."""
    return TEAM.format(team=named(name)) if name else ""


def air(row: Row, now: float, display: Display) -> tuple[str, str]:
    """Return the pressure with its age; for a silent set with the time of the reading."""
    if row.pressure_bar is None or row.pressure_at is None:
        return "–", ""
    seconds = now - row.pressure_at
    pressure = display.pressure(row.pressure_bar)
    if row.by_voice:
        return pressure, BY_VOICE.format(gauge=display.clock(row.pressure_at))
    if row.started_at is None or row.silent_since_at is not None:
        return pressure, f"at {display.clock(row.pressure_at)}"
    rate = f" · {display.rate(row.rate_l_min)}" if row.rate_l_min is not None else ""
    return pressure, f"{age(seconds)} ago{rate}"


def who(wearer_id: str | None, set_id: str) -> str:
    """Return the wearer's name on the page: the number, or the set where nobody is tallied in."""
    return named(wearer_id) if wearer_id else f"Set {named(set_id)}"


def named(name: str) -> str:
    """Return a name as this page shows it: of a long one its beginning and its end."""
    return shortened(name, LONGEST_NAME)


def reason(
    code: str, since_at: float | None, now: float, named: str, who: str | None = None, again: str = ""
) -> str:
    """Return why a row has its place; it does not repeat what its state already says.

    - `again`: how often it came, of an alarm that came more than once.
    """
    template = "for {age}" if ALARMS.get(code) == named else REASONS[code]
    about = shortened(who or "", LONGEST_CAUSE if code == "lost_tally_refused" else LONGEST_NAME)
    if since_at is None:
        return template.replace(" for {age}", "").replace(" {age} ago", "").replace("{who}", about)
    said, comma, more = template.format(age=duration(now - since_at), who=about).partition(",")
    return f"{said}, {again}{comma}{more}" if again else f"{said}{comma}{more}"


def times(repeated: tuple[int, float] | None, display: Display) -> str:
    """Return how often an alarm came and since when; empty for one that came once."""
    return REPEATED.format(count=repeated[0], at=display.clock(repeated[1])) if repeated else ""


def alarm_age(line: AlarmLine, now: float, display: Display) -> str:
    """Return how long an alarm has lasted, or when it ended."""
    if line.ended_at is not None:
        return f"ended {display.clock(line.ended_at)}"
    return f"for {duration(now - line.raised_at)}"


def alarm_state(line: AlarmLine, display: Display) -> str:
    """Return since when, by whom it was acknowledged and seen, and where it comes from."""
    parts = [times(line.repeated, display) or f"since {display.clock(line.raised_at)}"]
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


def gauge_read(gauge: GaugeRow, display: Display) -> str:
    """Return a gauge read by voice, with its moment."""
    return f"{display.pressure(gauge.bar)}, {display.clock(gauge.at, '%H:%M')}"


def relief(at: float | None, now: float, display: Display) -> str:
    """Return by when the next wearer or team must be ready, or how long past; empty where not known."""
    if at is None:
        return ""
    return (
        RELIEF_DUE.format(age=duration(now - at))
        if at <= now
        else RELIEF.format(at=display.clock(at, "%H:%M"))
    )


def team_members(team: Team, now: float, display: Display) -> str:
    """Return how many of a team are under air, how many are silent or lost, and who is lowest."""
    parts = [f"{team.under_air} of {team.members} under air"]
    if team.not_accounted:
        parts.append(NOT_ACCOUNTED.format(count=team.not_accounted))
    if team.silent:
        parts.append(SILENT.format(count=team.silent))
    told = (", ".join(parts), _lowest(team, now, display), relief(team.relief_at, now, display))
    return " · ".join(filter(None, told))


def _lowest(team: Team, now: float, display: Display) -> str:
    """Return the lowest member of a team with the reading's age when it is not fresh."""
    if team.lowest_bar is None or team.lowest_set_id is None or team.lowest_at is None:
        return "no reading"
    seconds = now - team.lowest_at
    old = f", {age(seconds)} old" if seconds > 10 else ""
    lowest = who(team.lowest_wearer_id, team.lowest_set_id)
    return f"lowest {lowest}, {display.pressure(team.lowest_bar)}{old}"


def disk(free_bytes: int) -> str:
    """Return the room left on the archive's disk."""
    free = f"{free_bytes / 1e9:.0f} GB" if free_bytes >= 1e9 else f"{free_bytes / 1e6:.0f} MB"
    return f"Disk {free} free"


def incidents(texts: list[str]) -> str:
    """Return the line of open incidents; of many only how many there are."""
    if not texts:
        return "No incident is open"
    return " | ".join(texts) if len(texts) <= MOST_INCIDENTS else f"{len(texts)} incidents open"


def refused(count: int, last: str | None) -> str:
    """Return how many messages were refused in the last hour, with the latest reason."""
    if not count:
        return "0 refused"
    return f"{count} refused in the last hour (last: {last})"


NO_DESK = "This server cannot send: it was started without --broker."
NO_SUCH_ACTION = "There is no such action."
TOO_LARGE = "The request is too large."
NO_SUCH_DISPLAY = "Unknown units or local time. Reload the page."
NO_PRESSURE = "Type the pressure as a number."
WHICH_SERVICE = "Choose the service: this server hears more than one."
NOT_YOUR_INCIDENT = "Not sent: choose an incident that this page shows, or open a new one."
NOT_YOUR_TALLY = "Not sent: this page no longer shows what this corrects. Send it again."
USED_BEFORE = "Not sent: an earlier incident has this ID. Choose another."
NOT_SENT = "Not sent: {problem}"

# Orders, roll calls, desks.
ORDERS = {"evacuate": "Evacuate", "withdraw": "Withdraw"}
ORDER_LINE = "{order} ordered {at}, {acknowledged} of {meant} acknowledged, {out} out"
ORDER_TO = "{order} {whom}"
ORDER_WAITING = "Not yet: {who}"
ORDER_LIFTED_BY = "{desks} lifted it. It stays until {desk}, who gave it, lifts it"
ORDER_LIFTED_BY_NAMESAKE = "another desk named {desk}"
ORDER_UNANSWERED = "Order unanswered"
ROLL_LINE = "Roll call {at}: {answered} of {count} answered, {missing} missing"
ROLL_NO_TALLY = "not tallied in"
ROLL_COMPLETE = "complete after {time}"
SIGNALLED = "{count} sets: {who}"
SIGNALLED_ACKNOWLEDGED = "since {at} · {acknowledged} of {count} acknowledged at the set"
SAID: dict[str, str] = _TABLES["said"]
CONTRADICTION = "Two desks differ on {about}: {first} said {said_first}, {second} said {said_second} ({at})"
WHOSE = "{desk} closed the entry of set {set_id} ({at}), but {who} are in with it. Close it in the row"
SAME_NAME = (
    "Two desks differ: two use the name {desk} (since {at}). Neither ends the other's orders and roll calls. "
    "Start one with another --desk"
)
NOT_IN = "{desk} tallied out {about} with {set_id}, who was not tallied in ({at})"
OUT_LINE = "{who}, {team} {how} {at}"
OUT_UNTALLIED = "{who}, not tallied in, {how} {at}"
OUT_HOW: dict[str, str] = _TABLES["out_how"]
OUT_AIR = "{pressure} left"
OUT_LAST = "{pressure} as last heard {at}"
OUT_VOICE = "{pressure} by voice {at}"
OUT_UNDER_AIR = "{minutes} min under air"
OUT_HEARD = "heard under air for {minutes} of {inside} min inside"
OUT_NEVER_HEARD = "never heard under air, {inside} min inside"
OUT_REST = "rest until {at} ({source})"
OUT_NO_REST = "no rest rule applies"
# A note that says that the desk has seen a state; `state_alarms` finds it again by these words.
SEEN_STATE = {
    "not_accounted": "Seen: not accounted for",
    "losing_air": "Seen: losing air",
    "order": "Seen: order unanswered",
}

# What the page's script shows; it has no words of its own.
FOR_SCRIPT: dict[str, Any] = {
    **_TABLES["page"],
    "order_by_voice": ACKNOWLEDGED_BY_VOICE,
    "read_only": NO_DESK,
}
FOR_SCRIPT_PAST = _TABLES["past"]
