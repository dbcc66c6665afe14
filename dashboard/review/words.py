"""Every word of the review page, its figures and exports."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec

from analysis.policies import POLICY_WORDS
from dashboard.rows import heads
from dashboard.words import ALARMS as ALARMS
from dashboard.words import shortened
from ingest.plurals import counted

if TYPE_CHECKING:
    from dashboard.review.desk_notes import DeskNote

# By what is looked up in them; words with a name of their own follow.
_TABLES: dict[str, dict[str, Any]] = msgspec.toml.decode(Path(__file__).with_suffix(".toml").read_bytes())

ALARMS_NARROW = {**ALARMS, "no_motion_prealarm": "no motion (1st)"}
LANE_EXPLAINED: dict[str, str] = _TABLES["lane_explained"]
LANES = {lane: text.split(" · ")[0].split(", ")[0] for lane, text in LANE_EXPLAINED.items()}
NO_READINGS = " · the set sent no reading"
NO_ALARMS = "none reported, none derived"
DESK_LANE = "Desk"
MARKS = {"turn_back": "team’s turn-back", "low_air": "low-air warning reached (derived)"}
SILENT = "silent"
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
    "Nothing is recorded in this archive yet. Bring in a capture with `underair import`, listen to a broker "
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

INCIDENT_WEAR_HEADS = heads(
    "Wearer | Team | Set | From | Until | Lasted | Cylinder | Start | End | Air used ± 90\u00a0%",
    "Mean rate | Highest | Below warning | Not heard",
)
ENTRIES = "Entries"
ENTRIES_NOTE = (
    "One row for each time that a person was inside, over restarts, outages and second cylinders. An entry "
    "ends only when somebody says so."
)
ENTRY_HEADS = heads(
    "Wearer | Team | Sets | Tallied in | First heard | Entry | Turn-back | Noted at | Late by | Lowest",
    "Tallied out | Ended | Under air | Not heard",
)
ENDED_HOW: dict[str, str] = _TABLES["ended_how"]
ALSO_IN = "{said}; also tallied in at {incident} {when}"
NOT_KNOWN = "not known"
AT_ONCE = "at once"
HEAT = "Heat"
HEAT_HEADS = ["Wearer", "Set", "Highest reading", "Class I", "Class II", "Class III", "Class IV", "Dose"]
HEAT_NOTE = (
    "Seconds of the estimated surroundings in each thermal class (NIST TN 1474). Dose: literature measure of "
    "air temperature, not what a body felt."
)
NO_HEAT = "No set reported a temperature."
TALLIES = "Tallies"
TALLY_HEADS = ["Time", "Tally", "Wearer", "Set", "Team", "Task", "Desk (account)", "Corrected"]
TALLIES_NOTE = "Every tally as it was sent. A corrected one stays in the record."
NO_TALLIES = "No desk tallied anybody at this incident."
ANSWERS = "Orders and roll calls: who answered"
ANSWER_HEADS = ["Called", "Call", "Wearer", "Set", "Team", "Answered", "Missing", "Out", "Lifted or closed"]
ANSWERS_NOTE = (
    "Everybody who was in at that moment. Answered: acknowledged by set or voice, or answered for. "
    "What was said by radio is not in this record."
)
NO_ANSWERS = "No order and no roll call while somebody was in."
CALLS = {"evacuate": "order: evacuate", "withdraw": "order: withdraw", "roll_call": "roll call"}
NEVER = "not in this record"
CORRECTED_BY = "corrected {when} by {desk}"
A_CORRECTION = "corrects an earlier one"
DESK_DID = "Orders, roll calls and what else the desk did"
DESK_HEADS = ["Time", "Heard at", "What", "Whom", "Text", "Desk (account)"]
DESK_NOTE = "“Heard at” has a time if the message came more than 5 s after it was sent."
NO_DESK = "No desk gave an order, called a roll or saw an alarm."
EVERYBODY = "everybody"
INCIDENT = "Incident"
ORDER = "Order"
ROLL_CALL = "Roll call"
GAUGE = "Gauge read by voice"
STANDBY = "Emergency team"
RESOLVED = "Resolved"
ENTRY = "the entry"
SEEN = "Seen"
REFUSED = "Received, but refused"
REFUSED_HEADS = ["Set or desk", "Kind", "Reason", "Field", "First", "Last", "Messages"]
REFUSED_NOTE = "These messages break the contract. They are kept as received, and no figure uses them."
NONE_REFUSED = "No message about this incident was refused."

OVERVIEW = "Everybody, whole incident"
OVERVIEW_EXPLAINED = (
    "Shade: lowest pressure in each {bin_s} s. Stronger means lower. Blank: not under air. Hatched: silent. "
    "Press a row to choose the wearer (▸), drag across to choose a window (framed)."
)
NOBODY = "No set was heard under air in this incident; the desk's notes are below."
LEGEND_SHADE = "pressure, full to empty"
MOVE = "Move"
MOVES = {"earlier": "◀ Earlier", "later": "Later ▶", "in": "Zoom in", "out": "Zoom out"}
MESSAGE_HEADS: dict[str, str] = _TABLES["message_heads"]
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
READOUT: dict[str, str] = _TABLES["readout"]
DOSE_NOTE = "Heat dose: a measure of air temperature from the literature, not what a body felt."
NOT_UNDER_AIR = "not under air at this moment"
NONE = "none"
NOT_HEARD = "not heard"
FORECAST_AT_LEAST = "at least {minutes} min"
YOUNG_WEAR = "first 3 min: only the early end is known"
FORECASTS = "Forecasts of the low-air warning"
FORECASTS_NOTE = (
    "Every {step_min} min of a wear, from the readings until then. The interval should hold 90\u00a0% of "
    "warnings. “If it stays as hard” uses the rate of the hardest 3 min so far. It is a scenario, not a "
    "worst case. Forecast constants: {version}."
)
FORECAST_HEADS = heads(
    "Wearer | Set | At | Minutes in | Warning expected in | 90\u00a0% interval | If it stays as hard",
    "It came after",
)
IF_HARDEST = "{minutes} min at {rate}"
NO_FORECASTS = "No wear lasted long enough for a forecast."
REPORTED = "reported"
DERIVED = "derived"
BEFORE = "{age_s} s before"

TURN_BACK = "Turn-back under each policy"
TURN_BACK_NOTE = (
    "When each policy would have turned each wearer back, the pressure then, and the minutes from then to "
    "the low-air warning (derived), if it was reached. A team turns back when its first member is due. That "
    "moment, by the policy in force, is under “team”, in the lanes and in the findings. A wear ends when the "
    "set goes off air; “left” in a finding is the tally out, if the desk gave one. Local procedure decides."
)
TURN_BACK_FIRST = ["Wearer", "Started", "Team, policy in force"]
TURN_BACK_LAST = ["Set off air", "Pressure then"]
IN_FORCE = "{policy} (in force)"
NOT_REACHED = "not reached"
NOT_HEARD_AFTER = "not heard after {when} ({pressure})"
LAST_HEARD = "last heard {when}"
BEFORE_LOW_AIR = "{minutes} min to low air"
# No screen shows a bare key of the profile.
POLICIES = POLICY_WORDS
CLOCKS_TITLE = "Clocks and what was done about them"
CLOCKS_NOTE = (
    "Times on this page are on the listener's clock. Each set's own time was moved by its offset and drift; "
    "the messages keep the original times."
)
CLOCK_HEADS = ["Set", "Power-up", "Set minus listener", "Uncertainty", "Drift", "Jumps"]
SILENCES = "Not heard"
SILENCES_NOTE = (
    "Silence of a set inside a wear. What happened then was not observed. "
    "Losses are unknown when the source does not number its messages."
)
UNCOUNTED = "unknown"
SILENCE_HEADS = ["Wearer", "Set", "From", "Until", "Lasted", "Messages lost", "Refused"]
NOTHING_SILENT = "No silence longer than three times a set's usual interval."
NO_ROWS = "none"
ALARM_TABLE = "Alarms"
ALARM_HEADS = heads(
    "Wearer or set | Alarm | Raised | Heard at | Acknowledged | Cleared | Seen by desk | Response", "Source"
)
SOURCES = {"reported": "reported only", "derived": "derived only", "both": "both"}
SET_LATE = "both, set {seconds} s later than the readings"
SET_EARLY = "both, set {seconds} s before the readings"

NOTES = "Notes"
NOTES_NOTE = (
    "Notes from the desk and from other sources, each at the moment that it is about. Notes are never "
    "edited. A withdrawn note stays, and so does the note that withdrew it."
)
NOTE_HEADS = ["Time", "Source", "Note", "Set", "Certainty", "Received", "Withdrawn"]
NO_NOTES = "Nobody wrote a note about this incident."
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
BOOKMARKS = "Bookmarks"
NO_BOOKMARKS = "none yet"
LOOKED_AT = "Looked at: “{statement}”"
LOOKED_BY = "looked at {when} by {whom}"
BOOKMARKED = "Bookmark: {name}"
FOR_SCRIPT: dict[str, Any] = {
    "grades": SEVERITY,
    "noFindings": NO_FINDINGS,
    "noteTime": NOTE_TIME,
    "noteCertainties": CERTAINTIES,
    **_TABLES["page"],
}


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
