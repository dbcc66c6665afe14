"""Units and meanings of the trends' tables, for what is handed out of them.

A table's own columns come first, then what every table calls alike.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from analysis.tables import Notes, Told
from analysis.trends.ledger import THERMAL_CLASSES
from analysis.trends.measures import FLAGS, PER_WEARS

THOUSANDTHS = "‰"
"""Wears with the event per 1000 wears."""
_EVENT = {
    "low_air_exits": "left below the low-air warning",
    "no_motion_wears": "with a no-motion alarm",
    "distress_wears": "with a distress alarm",
    "silent_wears": "with a minute of silence or more",
}
_LENGTHS = {
    "under_air_min": ("min", "time under air"),
    "hard_min": ("min", "time breathing hard"),
    "heat_dose": ("", "heat dose by the profile's law; not what a body felt"),
    "silent_min": ("min", "time not heard"),
}
_CLASSES = {f"class_{one}_s": ("s", f"time in thermal class {one}") for one in THERMAL_CLASSES}
_EVERYWHERE: dict[str, Told] = {
    "month": ("", "month of the wears' start (UTC)"),
    "period": ("", "month, quarter or year"),
    "year": ("", "year; `all` is every year"),
    "part": ("", "service, station, role, kind, wearer or set"),
    "name": ("", "which of them"),
    "wears": ("", "wears"),
    "wearers": ("", "people; a set without a wearer counts as one"),
    "hours": ("h", "time under air"),
    "heat_dose_wears": ("", "wears whose heat dose is known"),
    "low_air_exits_unknown": ("", "wears whose end was not heard: in no rate of low-air exits"),
    "never_heard": ("", "entries of which no set was heard under air: in no other column"),
    **{
        f"never_heard_{flag}": ("", f"of the entries never heard, {_EVENT[flag]}, by voice or by an alarm")
        for flag in FLAGS[:-1]
    },
    "no_motion_alarms": ("", "no-motion alarms"),
    "distress_alarms": ("", "distress alarms"),
    "heat_dose_a_wear": ("", "mean heat dose of the wears where it is known"),
    **{name: (unit, f"{what}, sum") for name, (unit, what) in _LENGTHS.items()},
    **{f"{name}_mean": (unit, f"{what}, mean a wear") for name, (unit, what) in _LENGTHS.items()},
    **_CLASSES,
    **{flag: ("", f"wears {_EVENT[flag]}") for flag in FLAGS},
    "task": ("", "task; `all` is every task"),
    "quantile": ("", "part of the wears whose mean rate is at most this"),
    "rate_l_min": ("L/min", "that rate"),
    "low_l_min": ("L/min", "low end of its 95 % interval"),
    "high_l_min": ("L/min", "high end of its 95 % interval"),
    "set_id": ("", "the set"),
    "wearer_id": ("", "wearer, from the desk's tally"),
    "station": ("", "station, from the roster"),
    "last": ("", "start of the newest wear that counts"),
}
_RATES = f"per {PER_WEARS:.0f} wears"
_INSIDE_RATES: dict[str, Told] = {
    f"{flag}_{end}": (THOUSANDTHS, f"wears {_EVENT[flag]} {_RATES}{of}")
    for flag in FLAGS
    for end, of in (
        ("rate", ""),
        ("low", ", low end of the 95 % interval"),
        ("high", ", high end of the 95 % interval"),
    )
}
_PUBLISHED: dict[str, Told] = {
    **{
        f"{flag}_{end}": ("", f"wears {_EVENT[flag]}, {end} end of the range")
        for flag in FLAGS
        for end in ("low", "high")
    },
    **{
        f"{flag}_rate_{end}": (THOUSANDTHS, f"wears {_EVENT[flag]} {_RATES}, {end} end of the range")
        for flag in FLAGS
        for end in ("low", "high")
    },
    "hours": ("h", "time under air, to 5 hours"),
    **{f"{name}_mean": (unit, f"{what}, mean, two figures") for name, (unit, what) in _LENGTHS.items()},
}
_OWN: dict[str, dict[str, Told]] = {
    "sets": {
        "charges": ("", "wears whose battery charge at the start is known"),
        "decline": ("", "rank correlation of that charge with time; negative: falling"),
        "readings_stuck": ("", "times that readings were stuck"),
        "clock": ("", "times that the clock was wrong or stepped"),
        "battery": ("", "times that the battery was low at the start, or refused"),
        "pressure_fell_closed": ("", "times that the pressure fell while the valve was closed"),
    },
    "forecasts": {
        "ahead_min": ("min", "minutes ahead; `all` is every one"),
        "said": ("", "forecasts"),
        "known": ("", "forecasts whose wear reached the warning"),
        "inside": ("", "known ones inside their 90 % interval"),
        "early": ("", "known ones before the early end"),
        "late": ("", "known ones after the late end"),
        "not_early": ("", "forecasts that did not come before their early end"),
        "of_early": ("", "forecasts of which that is known"),
        "median_error_min": ("min", "median of how far off the median was"),
    },
    "rest": {
        "rule": ("", "rule in force"),
        "rest_min": ("min", "least rest that it asks for"),
        "too_short": ("", "rests that were shorter"),
        "from_memory": ("", "whether the rule is from memory, without its source at hand"),
        "source": ("", "source of the rule"),
    },
    "standing_out": {
        "measure": ("", "what is compared"),
        "how": ("", "more than expected, rise or fall over the months, higher than its own earlier wears"),
        "value": (
            "",
            "what it has: events per 1000 wears, mean a wear, or change a year, as the measure says",
        ),
        "rest": ("", "what the rest has, in the same unit; for a trend the mean level"),
        "false_rate": ("", "part of what is named so surely that may be chance"),
    },
    "smallest_effects": {
        "expected": ("", "wears with the event that a middling one is expected to have"),
        "count": ("", "wears with the event that would be named 8 times in 10"),
        "times_expected": ("", "their ratio"),
    },
    "before_after": {
        "measure": ("", "what is compared"),
        "wears_before": ("", "wears before the date"),
        "wears_after": ("", "wears from the date on"),
        "before": ("", "wears with the event, or mean a wear, before"),
        "after": ("", "the same after"),
        "ratio": ("", "after over before, with kind and task taken into account"),
        "low": ("", "low end of its 95 % interval"),
        "high": ("", "high end of its 95 % interval"),
        "season_taken_into_account": ("", "whether the season is taken into account"),
    },
    "chance": {
        "what": ("", "what chance alone did"),
        "ledgers": ("", "copies without a difference in which it did"),
        "drawn": ("", "copies drawn"),
        "share": ("", "part of the copies"),
        "at_most": ("", "high end of its 95 % interval"),
    },
    "training": {
        "wears": ("", "wears in drills and training"),
        "hours": ("h", "time under air in drills and training"),
        "missing_wears": ("", "wears that the yearly minimum still asks"),
        "missing_hours": ("h", "hours that the yearly minimum still asks"),
        "behind": ("", "whether the person is behind at this time of the year"),
    },
    "tests": {
        "what": ("", "set or cylinder"),
        "id": ("", "which one"),
        "test": ("", "kind of test"),
        "done": ("", "day of the last test"),
        "due": ("", "day when the next one is due"),
        "overdue_days": ("d", "days since then; negative until it is due"),
    },
}


def notes_of(shown: Mapping[str, pl.DataFrame], *, published: bool) -> dict[str, Notes]:
    """Return unit and meaning of each column of tables.

    - `shown`: tables by name, such as ``by_month``.
    - `published`: whether they are those that may leave the service: their ends are ranges, not intervals.

    Raises `KeyError` when a column has none.
    """
    ends = _PUBLISHED if published else _INSIDE_RATES
    every = {**_EVERYWHERE, **ends}
    return {
        name: {column: {**every, **_OWN.get(name, {})}[column] for column in table.columns}
        for name, table in shown.items()
    }
