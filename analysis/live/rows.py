"""The live board's snapshot: what a command unit is shown at one moment, as plain numbers and codes.

Moments (`..._at`) are seconds since 1970-01-01 UTC on the listener's clock. No words here: `dashboard` says
them. A number that a set no longer vouches for carries its age, and `silent_since` tells that it is not live.
"""

from __future__ import annotations

from typing import Literal

import msgspec

# In order of need, first the most urgent. Between alarms of the other kinds and "soon" the order is our own
# choice; the rest follows the questions that the page answers.
Attention = Literal[
    "distress",
    "no_motion",
    "low_air",
    "silent",
    "turn_back",
    "other_alarm",
    "turn_back_soon",
    "under_air",
    "no_air_yet",
    "valve_closed",
]
ORDER: dict[str, int] = {name: place for place, name in enumerate(Attention.__args__)}  # type: ignore[attr-defined]


class Interval(msgspec.Struct, frozen=True):
    """Minutes from now: median with the ends of the 90 % interval."""

    median: float
    low: float
    high: float


class FanPoint(msgspec.Struct, frozen=True):
    """Minutes from now until the pressure is down to `bar`."""

    bar: float
    low: float
    median: float
    high: float


class Reason(msgspec.Struct, frozen=True):
    """Why a row stands where it stands."""

    code: str
    since_at: float | None = None


class Prompt(msgspec.Struct, frozen=True):
    """One or two thirds of the expected time are used: the desk should ask for the gauge."""

    key: str
    set_id: str
    incident_id: str | None
    wearer_id: str | None
    thirds: int
    due_at: float


class Row(msgspec.Struct, frozen=True):
    """One set with its wearer."""

    key: str
    set_id: str
    wearer_id: str | None
    team: str | None
    task: str | None
    incident_id: str | None
    tallied_in_at: float | None
    tallied_out_at: float | None
    attention: Attention
    reasons: tuple[Reason, ...]
    started_at: float | None
    ended_at: float | None
    pressure_bar: float | None
    pressure_at: float | None
    silent_since_at: float | None
    cylinder_known: bool
    start_bar: float | None
    low_air_bar: float
    turn_back_bar: float | None
    turn_back_reached_at: float | None
    rate_l_min: float | None
    low_air: Interval | None
    turn_back: Interval | None
    fan: tuple[FanPoint, ...]
    low_air_was_expected_at: tuple[float, float] | None  # of a silent set: the interval as last known


class Team(msgspec.Struct, frozen=True):
    """A team turns back on its lowest member."""

    team: str
    incident_id: str
    members: int
    under_air: int
    silent: int
    lowest_set_id: str | None
    lowest_wearer_id: str | None
    lowest_bar: float | None
    lowest_at: float | None
    turn_back: Interval | None
    turn_back_reached_at: float | None
    attention: Attention


class AlarmLine(msgspec.Struct, frozen=True):
    """One alarm that is active, or over and not yet seen."""

    key: str
    service: str
    set_id: str
    wearer_id: str | None
    team: str | None
    alarm: str
    raised_at: float
    inferred: bool
    derived: bool
    acknowledged_at: float | None
    ended_at: float | None
    seen_at: float | None
    seen_by: str | None
    detail: str | None


class NoteLine(msgspec.Struct, frozen=True):
    """A note from a desk."""

    key: str
    at: float
    text: str
    incident_id: str
    desk_id: str
    set_id: str | None
    certainty: str | None


class Incident(msgspec.Struct, frozen=True):
    """An open incident."""

    incident_id: str
    name: str | None
    place: str | None
    opened_at: float


class Hearing(msgspec.Struct, frozen=True):
    """How well the messages arrive."""

    last_received_at: float | None
    received_last_minute: int
    refused_last_hour: int
    last_refusal: str | None
    delay_p95_s: float | None


class Snapshot(msgspec.Struct, frozen=True):
    """Everything of one moment; rows, teams and alarms already in the order of need.

    `desk_heard` names the latest desk messages that came through (`desk_id/boot/seq`): what a page has sent
    is done when it stands there. `set_ids` are all sets, `services` all services
    heard of.
    """

    at: float
    window_from_at: float
    rows: tuple[Row, ...]
    teams: tuple[Team, ...]
    alarms: tuple[AlarmLine, ...]
    prompts: tuple[Prompt, ...]
    notes: tuple[NoteLine, ...]
    incidents: tuple[Incident, ...]
    hearing: Hearing
    desk_heard: tuple[str, ...]
    set_ids: tuple[str, ...]
    services: tuple[str, ...]
