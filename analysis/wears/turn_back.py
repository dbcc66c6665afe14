"""Turn-back: when each of four policies would have sent a wear, and its team, back.

Sources of the policies stand in the profiles. The moment is read from the smoothed pressure (after the
fact) or from the forecast as it was known then. Nominal litres (volume x bar) appear only in `fixed_margin`,
because that doctrine is written in them.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.air.breathing import AirTrack
from analysis.air.gas import nominal_air_l
from analysis.profile import POLICIES, Policy, Profile
from analysis.records import PowerUp
from analysis.wears.wears import Wear


def double_return_bar(start_bar: float, objective_bar: float, factor: float = 2.0) -> float:
    """Return the pressure at which to leave when `factor` times the air of the way in is kept.

    Source: FwDV 7 as restated in training literature (secondary source): leave when
    p <= 2 x (p_start - p_objective), with the lowest gauge of the team.
    """
    return factor * (start_bar - objective_bar)


def half_of_usable_bar(start_bar: float, reserve_bar: float, round_up_bar: float = 0.0) -> float:
    """Return reserve + (start - reserve) / 2, rounded up to a step.

    Source: practitioners' arithmetic (a firefighters' forum, not doctrine): reserve 60 bar, up to the next
    10 bar.
    """
    leave_bar = reserve_bar + (start_bar - reserve_bar) / 2.0
    return math.ceil(round(leave_bar / round_up_bar, 9)) * round_up_bar if round_up_bar else leave_bar


def working_minutes(
    start_bar: float, water_volume_l: float, planning_l_min: float, margin_min: float
) -> float:
    """Return the nominal working duration, volume x pressure / rate - margin, minutes; never below zero.

    Source: V p / 40 - 10 min, UK and marine training literature.
    """
    return max(nominal_air_l(start_bar, water_volume_l) / planning_l_min - margin_min, 0.0)


def prompt_times_s(expected_minutes: float) -> tuple[float, float]:
    """Return when to ask a team for its pressures: a third and two thirds of the expected time, seconds.

    Source: FwDV 7 (2002) 7.4.
    """
    return expected_minutes * 60.0 / 3.0, expected_minutes * 120.0 / 3.0


def is_ready(start_bar: float, rated_bar: float, ready_fraction: float = 0.9) -> bool:
    """Return whether a cylinder is full enough. Source: FwDV 7, 90 % of nominal (secondary source)."""
    return start_bar >= ready_fraction * rated_bar


@dataclass(frozen=True, slots=True)
class TurnBackMoment:
    """What one policy says of one wear; `second` on the wear's grid is None when it never would have."""

    policy: Policy
    second: int | None
    pressure_bar: float | None
    leave_bar: float | None


@dataclass(frozen=True, slots=True)
class Note:
    """A desk's note about a set, microseconds since 1970 on the reconciled clock."""

    at_us: int
    incident_id: str
    set_id: str | None
    text: str
    identity: str


def read_notes(records: Sequence[PowerUp]) -> list[Note]:
    """Return the desks' notes at the moment that they are about, in order of time."""
    notes = []
    for power_up in records:
        channel = power_up.channels.get("note") if power_up.role == "desk" else None
        for position, row in enumerate(channel.rows if channel else ()):
            if channel is None:
                continue
            # `at` is on the desk's clock, like `time`: the same correction holds.
            about_us = int(channel.at_us[position])
            if row["at"] is not None:
                own_us = round(row["at"].timestamp() * 1e6)
                about_us += own_us - int(channel.time_us[position])
            identity = power_up.identity(int(channel.seq[position]))
            notes.append(Note(about_us, row["incident_id"], row["set_id"], row["text"], identity))
    return sorted(notes, key=lambda note: (note.at_us, note.identity))


def first_note(notes: Sequence[Note], wear: Wear, words: str, *, of_team: bool = False) -> Note | None:
    """Return the first note (of `notes`, in order of time) with these words about a wear's set during it.

    A note without a set counts when it names the wear's team; with `of_team`, so does one that names the
    team beside another set (a team reaches its objective together, but its members may turn back apart).
    """
    team = (wear.tally.team or "").lower() if wear.tally else ""
    first = bisect_left(notes, wear.started_us, key=lambda note: note.at_us)
    last = bisect_right(notes, wear.ended_us, key=lambda note: note.at_us)
    for note in notes[first:last]:
        text = note.text.lower()
        if words.lower() not in text:
            continue
        names_team = bool(team) and team in text
        if note.set_id == wear.set_id or (names_team and (note.set_id is None or of_team)):
            return note
    return None


def replay(wear: Wear, air: AirTrack, profile: Profile, notes: Sequence[Note]) -> list[TurnBackMoment]:
    """Return what each of the four policies says of a wear, in the order of `POLICIES`.

    Parameters
    ----------
    wear : Wear
    air : AirTrack
        Smoothed pressure and the forecast as known at each second.
    profile : Profile
        For the numbers of all four.
    notes : sequence of Note
        Of the desk, for the moment at which the objective was reached.
    """
    objective = first_note(notes, wear, profile.turn_back.objective_word, of_team=True)
    way_in_s = profile.turn_back.way_in_min * 60.0
    if objective is not None:
        way_in_s = (objective.at_us - wear.started_us) * 1e-6
    return [_replay_one(policy, wear, air, profile, way_in_s) for policy in POLICIES]


def _replay_one(
    policy: Policy, wear: Wear, air: AirTrack, profile: Profile, way_in_s: float
) -> TurnBackMoment:
    rules, low_air_bar = profile.turn_back, wear.thresholds.low_air_bar
    last = len(air.pressure_bar) - 1
    leave_bar: float | None = None
    second: int | None = None
    if policy == "half_of_usable":
        reserve_bar = max(
            rules.half_of_usable.reserve_bar or low_air_bar,
            rules.half_of_usable.reserve_fraction * air.start_bar,
        )
        leave_bar = half_of_usable_bar(air.start_bar, reserve_bar, rules.half_of_usable.round_up_bar)
        second = _first(air.pressure_bar <= leave_bar, 0)
    elif policy == "double_return":
        objective_s = round(way_in_s)
        if objective_s <= last:
            used_bar = float(air.pressure_bar[objective_s])
            # Never below the warning: that is the latest start of the way back (EN 137, secondary source).
            leave_bar = max(
                double_return_bar(air.start_bar, used_bar, rules.double_return.factor), low_air_bar
            )
            second = _first(air.pressure_bar <= leave_bar, objective_s)
    elif policy == "fixed_margin":
        if wear.cylinder is not None:
            minutes = working_minutes(
                air.start_bar,
                wear.cylinder.total_l,
                rules.fixed_margin.planning_l_min,
                rules.fixed_margin.margin_min,
            )
            second = round(minutes * 60.0) if minutes * 60.0 <= last else None
    else:
        enough = way_in_s / 60.0 + rules.forecast.margin_min
        # NaN compares false: where there is no forecast, this policy is silent.
        second = _first(air.low_air_lo_min <= enough, 0)
    pressure_bar = float(air.pressure_bar[second]) if second is not None else None
    return TurnBackMoment(policy, second, pressure_bar, leave_bar)


def _first(flags: np.ndarray[tuple[int, ...], np.dtype[np.bool_]], start: int) -> int | None:
    where = int(np.argmax(flags[start:])) if len(flags) > start else 0
    return start + where if len(flags) > start and flags[start + where] else None


def team_moments(wears: Sequence[Wear], own_us: Mapping[str, int | None]) -> dict[str, int | None]:
    """Return when each wear's team should have turned: the earliest moment of the members under air with it.

    Parameters
    ----------
    wears : sequence of Wear
    own_us : mapping of wear_id to microseconds or None
        Each wear's own moment under one policy.

    Notes
    -----
    A team turns back on its lowest member. Wears count together when incident and team are the same and
    their times overlap; a member's moment counts for another only while that one is under air.
    """
    teams: dict[tuple[str, str], list[Wear]] = {}
    for wear in wears:
        if wear.tally is not None and wear.tally.team is not None:
            teams.setdefault((wear.tally.incident_id, wear.tally.team), []).append(wear)
    moments: dict[str, int | None] = {}
    for wear in wears:
        together = [wear]
        if wear.tally is not None and wear.tally.team is not None:
            together = teams[(wear.tally.incident_id, wear.tally.team)]
        times = [
            at_us
            for other in together
            if (at_us := own_us.get(other.wear_id)) is not None and wear.started_us <= at_us <= wear.ended_us
        ]
        moments[wear.wear_id] = min(times) if times else None
    return moments
