"""How the live page says durations, forecasts, names and reasons: numbers and words put together."""

import math

from analysis.live.rows import AlarmLine, FromMemory, GaugeRow, Interval, Out, Row
from dashboard import words as dashboard_words
from dashboard.live import words
from dashboard.live.display import Display
from dashboard.words import shortened

ALARMS = {kind: f"{name[0].upper()}{name[1:]}" for kind, name in dashboard_words.ALARMS.items()}
DAY_S = 86_400
LONGEST_CAUSE = 120


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
    return f"{int(left)} min" if left >= 1 else words.SHORT


def interval(target: Interval | None) -> tuple[str, str]:
    """Return the median and the 90 % interval of a forecast (``11 min``, ``8 to 15``)."""
    if target is None:
        return "", ""
    if target.early_only:  # too early in the wear for more than the early end
        return minutes(target.low), words.AT_LEAST
    return minutes(target.median), f"{int(target.low)} to {max(math.ceil(target.high), 1)}"


def interval_in_line(target: Interval, *, planned: bool = False) -> str:
    """Return a forecast with its interval in one line (``11 min, 8 to 15``); a plan has none."""
    middle, ends = interval(target)
    if planned:
        return f"{middle} ({words.PLANNED})"
    return f"{ends} {middle}" if target.early_only else f"{middle}, {ends}"


def place(incident_id: str | None, display: Display) -> str:
    """Return the incident of a line; empty where the page shows only one."""
    return incident_id if incident_id and display.names_incidents else ""


def joined(*parts: str) -> str:
    """Return those parts of a line that say something."""
    return " · ".join(filter(None, parts))


def team(name: str | None) -> str:
    """Return a team's name on the page; empty without one."""
    return words.TEAM.format(team=name) if name else ""


def who(wearer_id: str | None, set_id: str, service: str = "") -> str:
    """Return the wearer's name on the page: the number, or the set where nobody is tallied in.

    `service`: named before it.
    """
    of = f"{service}:" if service else ""
    return of + wearer_id if wearer_id else f"Set {of}{set_id}"


def whose(line: AlarmLine | Row | Out, display: Display) -> str:
    """Return whose a line is; where two services use the name, with the service."""
    shared = (line.wearer_id or line.set_id) in display.shared_names
    return who(line.wearer_id, line.set_id, line.service if shared else "")


def reason(
    code: str, since_at: float | None, now: float, named: str, who: str | None = None, again: str = ""
) -> str:
    """Return why a row has its place; it does not repeat what its state already says.

    - `again`: how often it came, of an alarm that came more than once.
    """
    template = "for {age}"
    if ALARMS.get(code) != named:
        template = words.REASONS.get(code) or f"{dashboard_words.ALARMS[code]} for {{age}}"
    about = shortened(who or "", LONGEST_CAUSE)
    if since_at is None:
        return template.replace(" for {age}", "").replace(" {age} ago", "").replace("{who}", about)
    said, comma, more = template.format(age=duration(now - since_at), who=about).partition(",")
    return f"{said}, {again}{comma}{more}" if again else f"{said}{comma}{more}"


def times(repeated: tuple[int, float] | None, display: Display) -> str:
    """Return how often an alarm came and since when; empty for one that came once."""
    return words.REPEATED.format(count=repeated[0], at=display.clock(repeated[1])) if repeated else ""


def gauge_read(gauge: GaugeRow, display: Display) -> str:
    """Return a gauge read by voice, with its moment."""
    return f"{display.pressure(gauge.bar)}, {display.clock(gauge.at, '%H:%M')}"


def from_memory(one: FromMemory, display: Display) -> str:
    """Return an alarm or a tally that only the broker's memory has, with the moment that it names."""
    who, at = one.who, display.clock(one.said_at)
    if one.alarm is None:
        return words.TALLY_FROM_MEMORY.format(who=who, at=at)
    return words.ALARM_FROM_MEMORY.format(alarm=ALARMS[one.alarm], who=who, at=at)


def relief(at: float | None, now: float, display: Display) -> str:
    """Return by when the next wearer or team must be ready, or how long past; empty where not known."""
    if at is None:
        return ""
    return (
        words.RELIEF_DUE.format(age=duration(now - at))
        if at <= now
        else words.RELIEF.format(at=display.clock(at, "%H:%M"))
    )
