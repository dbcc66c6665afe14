"""One row of the live page, every text finished: one quantity a column, and the strip."""

from typing import Any

from analysis.live.rows import Interval, Row
from dashboard.live import sentences, words
from dashboard.live.display import Display

DIFFER = {
    "set_differs",
    "voice_higher",
    "risen",
    "sent_unbelieved",
}  # these name the pressure that does not count
FIELDS = ("service", "incident_id", "set_id", "wearer_id", "team", "task")
MOST_REASONS = 4
OLD_S = 60.0  # a reading by voice, or of an empty or shut cylinder, is crossed out after this; our own rule
LONG_MIN = 600  # from here on whole hours say enough
IN_COLUMNS = {"turn_back", "team_turn_back", "turn_back_soon", "low_air"}  # the columns say these already

EMPTY = (
    *("team", "sub", "place", "turn_range", "turn_bar", "low_range", "low_what", "air_sub", "entered"),
    *("out_by", "aside", "soon", "hardest"),
)


def row_view(row: Row, now: float, display: Display) -> dict[str, Any]:
    """Return a row as the script paints it; `now`: seconds since 1970."""
    turn, turn_range, turn_bar = _turn_back(row, now, display)
    low, low_range, low_what = _low_air(row, now, display)
    air, air_sub = _air(row, now, display)
    state = words.ATTENTION[row.attention]
    if row.attention == "other_alarm":
        state = next((sentences.ALARMS[r.code] for r in row.reasons if r.code in sentences.ALARMS), state)
    lost = row.lost.code if row.lost is not None else None
    is_out = row.tallied_out_at is not None and row.started_at is None  # shown for an alarm
    why = [
        sentences.reason(
            reason.code,
            reason.since_at,
            now,
            state,
            display.pressure(bar)
            if (bar := row.sent_bar if reason.code == "sent_unbelieved" else row.other_bar) is not None
            and reason.code in DIFFER
            else reason.who,
            sentences.times(reason.repeated, display),
        )
        for reason in row.reasons
        if not (reason.code in IN_COLUMNS and (row.pressure_bar is not None or reason.code != "low_air"))
        and not (reason.code == "silent" and lost == "silent")
    ]
    if len(why) > MOST_REASONS:
        # One set with every alarm must not push the others off the screen; the list of alarms has all.
        kept = MOST_REASONS - 1
        why[kept:] = [words.MORE_REASONS.format(count=len(why) - kept)]
    return {
        "key": row.key,
        "a": row.attention,
        "incident": row.incident_id,
        "incidents": row.incidents,
        "state": state,
        "why": " · ".join(why),
        "who": sentences.whose(row, display),
        "team": row.team or "",
        "sub": sentences.joined(row.set_id if row.wearer_id else "", row.task or ""),
        "place": sentences.place(row.incident_id, display),
        "turn": turn,
        "turn_range": turn_range,
        "turn_bar": turn_bar,
        "low": low,
        "low_range": low_range,
        "low_what": low_what,
        "air": air,
        "air_sub": air_sub,
        "entry": display.pressure(row.entry_bar) if row.entry_bar is not None else words.NONE,
        "entered": _entered(row, display),
        "inside": words.NONE if is_out else _inside(row, now),
        "out_by": _out_by(row, now, display),
        "silent": _is_old(row, now),
        "aside": _by_voice(row, display),
        "over": row.started_at is None,
        "soon": sentences.relief(row.relief_at, now, display),
        "hardest": _hardest(row, display),
        "fields": _fields(row),
        "tally": row.tally_identity,
        "gauge": None if row.gauge is None else row.gauge.identity,
        "aside_gauge": "" if row.gauge is None else sentences.gauge_read(row.gauge, display),
        "strip": _strip(row),
    }


def _is_old(row: Row, now: float) -> bool:
    """Return whether the pressure shown is struck out: not of now, whether the set is heard or not."""
    age_s = now - (row.pressure_at or 0.0)
    if row.by_voice:
        return (age_s if row.gauge is None else now - row.gauge.at) > OLD_S
    lost = row.lost.code if row.lost is not None else None
    unheard = lost not in (None, "missing", "tally_refused")
    if lost in ("empty", "valve_closed") or (lost == "missing" and row.started_at is None):
        unheard = age_s > OLD_S
    risen = any(reason.code == "risen" for reason in row.reasons)  # what the set read before it rose
    return unheard or risen or row.silent_since_at is not None


def bare_row_view(row: Row) -> dict[str, Any]:
    """Return a row that could not be painted: who it is and what state, and nothing that could be wrong."""
    nothing = dict.fromkeys(EMPTY, "")
    unknown = dict.fromkeys(("turn", "low", "air", "entry", "inside"), words.NONE)
    return {
        **nothing,
        **unknown,
        "key": row.key,
        "a": row.attention,
        "incident": row.incident_id,
        "incidents": row.incidents,
        "state": words.ATTENTION[row.attention],
        "why": words.NOT_PAINTED,
        "who": sentences.who(row.wearer_id, row.set_id),
        "silent": True,
        "over": True,
        "fields": _fields(row),
        "strip": None,
    }


def _fields(row: Row) -> dict[str, Any]:
    """Return what the forms of a row begin with."""
    said = {name: getattr(row, name) for name in FIELDS}
    # Whoever is shown after the word out may be closed as well.
    lost = row.lost is not None or row.tallied_out_at is not None
    return said | {"inside": row.tallied_in_at is not None, "lost": lost}


def _turn_back(row: Row, now: float, display: Display) -> tuple[str, str, str]:
    """Return minutes, interval and pressure of turn-back."""
    at_bar = (
        words.AT_PRESSURE.format(pressure=display.pressure(row.turn_back_bar))
        if row.turn_back_bar is not None and (row.started_at is not None or row.by_voice)
        else ""
    )
    past = [
        (reason.since_at, reason.code, reason.who or "")
        for reason in row.reasons
        if reason.code in words.WHOSE_MOMENT and reason.since_at is not None
    ]
    if past:
        since_at, code, team = min(past)  # a later moment does not begin the count again
        said = words.WITH_TEAM.format(team=team) if team else words.WHOSE_MOMENT[code]
        if row.turn_back_not_before is not None and row.turn_back_not_before < since_at:
            said = words.PERHAPS.format(age=sentences.duration(now - row.turn_back_not_before))
        return words.PAST.format(age=sentences.duration(now - since_at)), said, at_bar
    if row.turn_back_was_expected_at is not None:
        return _by(row.turn_back_was_expected_at[0], now, display), words.AS_LAST_HEARD, at_bar
    return *_ahead(row.turn_back, row.planned), at_bar


def _air(row: Row, now: float, display: Display) -> tuple[str, str]:
    """Return the pressure with its age; for a silent set with the time of the reading."""
    if row.pressure_bar is None or row.pressure_at is None:
        return words.NONE, ""
    pressure, at = display.pressure(row.pressure_bar), display.clock(row.pressure_at)
    if row.by_voice:
        if row.gauge is not None and row.pressure_at > row.gauge.at:  # less what the set has fallen since
            at = sentences.gauge_read(row.gauge, display)
        return pressure, words.BY_VOICE.format(gauge=at)
    if row.started_at is None or row.silent_since_at is not None:
        return pressure, words.AT.format(at=at)
    rate = f" · {display.rate(row.rate_l_min)}" if row.rate_l_min is not None else ""
    return pressure, f"{sentences.age(now - row.pressure_at)} ago{rate}"


def _by(at: float, now: float, display: Display) -> str:
    """Return by when, or since when it is past: a clock alone would be read as one that comes."""
    if at <= now:
        return words.PAST.format(age=sentences.duration(now - at))
    return words.BY.format(at=display.clock(at, "%H:%M"))


def _low_air(row: Row, now: float, display: Display) -> tuple[str, str, str]:
    """Return minutes, interval and meaning of the low-air column: to the warning, then to empty."""
    if row.losing_min is not None:
        return sentences.minutes(row.losing_min), "", words.TO_EMPTY_NOW
    if row.to_empty is not None:
        return *sentences.interval(row.to_empty), words.TO_EMPTY
    if row.low_air_was_expected_at is not None:
        return _by(row.low_air_was_expected_at[0], now, display), words.AS_LAST_HEARD, ""
    there = row.started_at is not None or row.by_voice
    if row.low_air is None and there and (row.pressure_bar or 0.0) <= row.low_air_bar:
        return words.NONE, words.BELOW.format(pressure=display.pressure(row.low_air_bar)), ""
    return *_ahead(row.low_air, row.planned), _hard(row)


def _hard(row: Row) -> str:
    """Return the plain scenario beside the interval, where it is sooner than the forecast's middle."""
    hard, ahead = row.if_hardest, row.low_air
    if hard is None or ahead is None or (hard.minutes >= ahead.median and not ahead.early_only):
        return ""
    return words.HARD.format(minutes=sentences.minutes(hard.minutes))


def _hardest(row: Row, display: Display) -> str:
    """Return the plain scenario in a sentence, for the row that is open."""
    hard = row.if_hardest
    if hard is None:
        return ""
    return words.HARDEST.format(minutes=sentences.minutes(hard.minutes), rate=display.rate(hard.rate_l_min))


def _ahead(target: Interval | None, planned: bool) -> tuple[str, str]:
    middle, ends = sentences.interval(target)
    return (middle or words.NONE), (words.PLANNED if planned and middle else ends)


def _inside(row: Row, now: float) -> str:
    if not row.entered_at:
        return words.NONE
    minutes = int((now - row.entered_at) // 60)
    since = words.INSIDE.format(minutes=minutes) if minutes < LONG_MIN else f"{minutes // 60} h"
    return words.OVER.format(time=since) if _went_in_earlier(row) else since


def _entered(row: Row, display: Display) -> str:
    if not row.entered_at:
        return ""
    said = words.BY if _went_in_earlier(row) else words.AT
    return said.format(at=display.clock(row.entered_at, "%H:%M"))


def _went_in_earlier(row: Row) -> bool:
    """Return whether the wear began unheard, and no earlier tally says when the wearer went in."""
    unheard = any(reason.code == "beginning_not_heard" for reason in row.reasons)
    return unheard and row.entered_at != row.tallied_in_at


def _out_by(row: Row, now: float, display: Display) -> str:
    """Return when the wearer should be out: before the low-air warning, by its early end; our own rule."""
    if row.low_air_was_expected_at is not None:
        at = row.low_air_was_expected_at[0]
    elif row.low_air is not None:
        at = now + 60.0 * row.low_air.low
    else:
        return ""
    return words.OUT_BY.format(at=display.clock(at, "%H:%M"))


def _by_voice(row: Row, display: Display) -> str:
    """Return the gauge read by voice, where it is newer than what the set said."""
    if (
        row.gauge is None
        or row.by_voice
        or (row.pressure_at is not None and row.pressure_at > row.gauge.at + 60.0)
    ):
        return ""
    return words.BY_VOICE.format(gauge=sentences.gauge_read(row.gauge, display))


def _strip(row: Row) -> dict[str, Any] | None:
    """Return what the strip is drawn from: moments in seconds since 1970, forecasts in seconds from now."""
    if row.started_at is None or row.pressure_at is None or row.pressure_bar is None or row.start_bar is None:
        return None

    def seconds(interval: Interval | None) -> list[float] | None:
        if interval is None:
            return None
        if interval.early_only:
            return [round(interval.low * 60.0, 1)] * 3
        return [
            None if m is None else round(m * 60.0, 1) for m in (interval.low, interval.median, interval.high)
        ]

    return {
        "from": round(min(row.started_at, row.entered_at or row.started_at), 1),
        "start": round(row.started_at, 1),
        "started_bar": row.start_bar,
        "last": [round(row.pressure_at, 1), round(row.pressure_bar, 1)],
        "silent": None if row.silent_since_at is None else round(row.silent_since_at, 1),
        "low": row.low_air_bar,
        "fan": [
            [round(point.bar, 1), *[round(m * 60.0, 1) for m in (point.low, point.median, point.high)]]
            for point in (() if row.low_air is not None and row.low_air.early_only else row.fan)
        ],
        "turn_back": seconds(row.turn_back),
        "turned": None if row.turn_back_reached_at is None else round(row.turn_back_reached_at, 1),
        "turn_back_bar": row.turn_back_bar,
        "low_air": seconds(row.low_air),
    }
