"""Every word of the review page, its figures and exports."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec

from analysis.policies import POLICY_WORDS
from dashboard.rows import Table, heads
from dashboard.words import ALARMS as ALARMS
from dashboard.words import shortened
from ingest.plurals import counted

if TYPE_CHECKING:
    from dashboard.review.desk_notes import DeskNote

# By what is looked up in them; words with a name of their own follow.
_LOOKED_UP: dict[str, dict[str, Any]] = msgspec.toml.decode(Path(__file__).with_suffix(".toml").read_bytes())

ALARMS_NARROW = {**ALARMS, "no_motion_prealarm": "no motion (1st)"}
TABLES: dict[str, dict[str, Any]] = _LOOKED_UP["tables"]
LANE_EXPLAINED: dict[str, str] = _LOOKED_UP["lane_explained"]
LANES = {lane: text.split(" · ")[0].split(", ")[0] for lane, text in LANE_EXPLAINED.items()}
NO_READINGS = " · the set sent no reading"
DESK_LANE = "Desk"
MARKS = {"turn_back": "team’s turn-back", "low_air": "low-air warning reached (derived)"}
SILENT = "silent"
NEVER_HEARD = "never heard"
PEOPLE_HEARD = "{people}, {heard} heard"
NOT_YET_KNOWN = "not yet known to the desk"
LOW_AIR_LEVEL = "low-air warning"
SET = "Set"
WEARER = "Wearer"
TEAM = "Team"
NOT_TALLIED = "not tallied"

INCIDENTS = "Incidents"
WEARS = "Wears"
FIND = "Find"
FIND_INCIDENT_HINT = "incident, place, date …"
FIND_WEAR_HINT = "wearer, set, team, incident …"
NO_INCIDENTS = (
    "Nothing is recorded in this archive yet. Import a capture with `underair import`, listen to a broker "
    "with `underair listen`, or look at `underair demo`."
)
NOT_ANALYSED = "⚠ Not in these lists: {problem}"
UNTALLIED_NAME = "Wears without a tally"
ALL_INCIDENTS = "All incidents"
INCIDENT_HEADS = ["Incident", "Where", "Started (UTC)", "Lasted", "Wearers", "Wears", "Alarms", "Findings"]
WEAR_HEADS = heads(
    "Wearer | Team | Set | Incident | Started (UTC) | Under air | Start | End | Air used | Mean rate",
    "Below warning | Not heard",
)

ENDED_HOW: dict[str, str] = _LOOKED_UP["ended_how"]
ALSO_IN = "{said}; also tallied in at {incident} {when}"
NOT_KNOWN = "not known"
AT_ONCE = "at once"
AT_LEAST = "at least {dose}"
NOT_MEASURED = "not measured"
CALLS = {"evacuate": "order: evacuate", "withdraw": "order: withdraw", "roll_call": "roll call"}
NEVER = "not in this record"
CORRECTED_BY = "corrected {when} by {desk}"
A_CORRECTION = "corrects an earlier one"
EVERYBODY = "everybody"
INCIDENT = "Incident"
ORDER = "Order"
ROLL_CALL = "Roll call"
GAUGE = "Gauge read by voice"
STANDBY = "Emergency team"
RESOLVED = "Closed"
ENTRY = "the entry"
SEEN = "Seen"

OVERVIEW = "Everybody, whole incident"
OVERVIEW_EXPLAINED = (
    "Shade: lowest pressure in each {bin_s} s. Stronger colour means lower. Blank: not under air. "
    "Hatched: silent. Press a row to choose the wearer (▸), drag across to choose a window (framed)."
)
NOBODY = "No set was heard under air in this incident; the desk's notes are below."
LEGEND_SHADE = "pressure, full to empty"
MOVE = "Move"
MOVES = {"earlier": "◀ Earlier", "later": "Later ▶", "in": "Zoom in", "out": "Zoom out"}
MESSAGE_HEADS: dict[str, str] = _LOOKED_UP["message_heads"]
EVIDENCE_NOTE = "{shown} of the {total} messages that the finding names."
FINDER_TITLE = "Find an incident or a wear"
FINDINGS = "Findings"
NO_FINDINGS = "No rule found anything. This does not prove that nothing happened: see what was not heard."
SEVERITY = {"serious": "▲ serious", "caution": "◆ caution", "note": "○ note"}
WINDOW = "Window"
WINDOWS = {"all": "Whole", "1200": "20 min", "300": "5 min", "60": "1 min", "10": "10 s"}
PEOPLE = "Wearers (1 to 6)"
SHOW_LANES = "Lanes"
CLOCK = "Times"
CLOCKS = {"utc": "UTC", "local": "Local"}
TIMES_ARE = "times on this page: {zone}"
UNITS = "Units"
UNIT_CHOICES = {"metric": "bar, °C, L", "imperial": "psi, °F, ft³"}
EXPORT = "Export"
EXPORTS = {"csv": "This window as CSV", "parquet": "as Parquet"}
REPORT = "Report on the incident (HTML)"
SHOWN_THINNED = (
    "Lines show the lowest and highest of each {bin_s} s: {shown} of {total} readings. Zoom in for every one."
)
SHOWN_NONE = "There is no reading to draw."
SHOWN_ALL = "Every reading of the window is drawn: {total}."
LANES_LABEL = (
    "Lanes of the chosen wearers on one clock. Arrow keys move the cursor by a second, with Shift by ten; "
    "plus and minus zoom; Enter shows the messages."
)
OVERVIEW_LABEL = "Overview of all wearers; the tables below have the same content."

AT_CURSOR = "At the cursor"
CURSOR_HINT = "Move over the lanes; click to keep the moment and see the messages behind it."
MESSAGES = "Messages behind this moment"
MESSAGES_HINT = "Word for word: messages within 5 s of the moment, and the last of each kind before it."
NO_MESSAGES = "No message within 5 s of this moment, and none of any kind before it."
EVIDENCE = "Evidence of the finding"
ABOUT_FINDING = "What this finding says and cannot know"
READOUT: dict[str, str] = _LOOKED_UP["readout"]
DOSE_NOTE = "Heat dose: a measure of air temperature from the literature, not what a body felt."
NOT_UNDER_AIR = "not under air at this moment"
NONE = "none"
NOT_HEARD = "not heard"
NOT_HEARD_HERE = "not heard here, see {incident}"
FORECAST_AT_LEAST = "at least {minutes} min"
YOUNG_WEAR = "first 3 min: only the early end is known"
IF_HARDEST = "{minutes} min at {rate}"
REPORTED = "reported"
DERIVED = "derived"
BEFORE = "{age_s} s before"

TURN_BACK_FIRST = ["Wearer", "Started", "Team, policy in force"]
TURN_BACK_LAST = ["Set off air", "Pressure then"]
IN_FORCE = "{policy} (in force)"
NOT_REACHED = "not reached"
LEAST = "at least "
NOT_HEARD_AFTER = "not heard after {when} ({pressure})"
LAST_HEARD = "last heard {when}"
BEFORE_LOW_AIR = "{minutes} min to low air"
# No screen shows a bare key of the profile.
POLICIES = POLICY_WORDS
UNCOUNTED = "unknown"
NO_ROWS = "none"
SOURCES = {"reported": "reported only", "derived": "derived only", "both": "both"}
SET_LATE = "both, set {seconds} s later than the readings"
SET_EARLY = "both, set {seconds} s before the readings"

WITHDRAW = "Withdraw …"
WITHDRAWN_AT = "withdrawn, {when} UTC"
WITHDRAWAL = "Withdrawn: {reason}"
A_WITHDRAWAL = "withdraws a note"
CERTAINTIES = {"recorded": "recorded", "estimated": "estimated"}

ANALYSING = "Analysing the messages of {incident} …"
ANALYSING_ALL = "Analysing the messages of this archive …"
ANALYSING_NOTE = (
    "This happens once for new messages. A large incident takes some seconds; the next time it opens at once."
)

NOTE_TOO_LARGE = "This note is too large: 2,000 characters at most."
NOTE_NOT_YOURS = "You can write notes only into incidents on the live page."
NOTE_NEEDS_INCIDENT = "These wears belong to no incident; a note needs one. Tally the sets first."
NOTE_NOT_SENT = "Not sent, and not kept: {problem}. Write it again when the broker is back."
NOTE_TIME = "Moment that it is about"

COMPARE = "Compare"
OVERLAY = "On one axis"
OVERLAY_AIR = "Pressure, {pressure} · estimates"
OVERLAY_RATE = "Breathing rate, {rate} · estimates"
PICTURES = {"png": "Lanes as PNG"}
LANES_SVG = "Lanes as SVG"
BOOKMARKS = "Saved views"
NO_BOOKMARKS = "none yet"
LOOKED_AT = "Looked at: “{statement}”"
LOOKED_BY = "looked at {when} by {whom}"
BOOKMARKED = "Bookmark: {name}"
FOR_SCRIPT: dict[str, Any] = {
    "grades": SEVERITY,
    "noFindings": NO_FINDINGS,
    "noteTime": NOTE_TIME,
    "noteCertainties": CERTAINTIES,
    **_LOOKED_UP["page"],
}


def table(name: str, rows: list[list[Any]], numeric: Sequence[int] = (), **said: Any) -> Table:
    """Return a table of one incident with its words; `said`: heads or note that are not always the same."""
    own = TABLES[name]
    own = {"note": "", **own, "heads": heads(own.get("heads", "")), **said}
    return Table(f"review-{name}", rows=rows, numeric=numeric, **own)


def note_mark(note: DeskNote) -> str:
    """Return a note for the desk's lane: its source where that is not the desk, and what is uncertain."""
    doubts = ["estimated"] * (note.certainty == "estimated") + ["withdrawn"] * bool(note.withdrawn)
    told = f"“{note.text}”" + (f" ({', '.join(doubts)})" if doubts else "")
    return f"{note.source}: {told}" if note.outside else told


def alarm_rate_text(rate: dict[str, Any] | None) -> str:
    """Say how fast alarms came, beside the published limits that were exceeded; nothing without an alarm."""
    if rate is None or not rate["alarms"]:
        return ""
    text = (
        f"Reported: {counted(rate['alarms'], 'alarm')}, at most {rate['most_in_minute']} in a minute, "
        f"{rate['most_in_ten_minutes']} in ten minutes, {rate['most_in_hour']} in an hour. "
    )
    limits = "the limits published for control rooms (EEMUA 191)"
    if rate["beyond"]:
        return f"{text}Beyond {limits}: {rate['beyond']}."
    return f"{text}Within {limits}."


def duration_text(seconds: float | None) -> str:
    """Return a duration for people: "47 min", "3 min 02 s", "12 s"; a dash for none."""
    if seconds is None or seconds != seconds:
        return "–"
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 600:
        return f"{whole // 60} min {whole % 60:02d} s"
    if whole < 5400:
        return f"{whole / 60:.0f} min"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def person_title(wearer_id: str | None, team: str | None, set_ids: tuple[str, ...], room: int = 1000) -> str:
    """Return the heading of one person's lanes; long names share the letters that there is room for."""
    names = [(WEARER, wearer_id) if wearer_id else ("", NOT_TALLIED.capitalize())]
    names += [(TEAM, team)] if team else []
    names.append((SET, ", ".join(set_ids)))
    left = room - sum(len(what) + 1 for what, _ in names) - 3 * (len(names) - 1)
    if sum(len(name) for _, name in names) > left:
        share = max(left // len(names), 8)
        names = [(what, shortened(name, share)) for what, name in names]
    return " · ".join(f"{what} {name}".strip() for what, name in names)
