"""Turn-back policies: one class each, with its numbers in the profile, its words and its rule.

A policy judges by the readings of one cylinder, from the pressure with which the wearer went in. The
smoothed curve knows the future, and the live page can never agree with it. The profiles name the sources.
Nominal litres (volume x bar) appear only in `fixed_margin`, because that doctrine is written in them.
"""

import math
from dataclasses import dataclass, replace
from typing import Annotated, Any, ClassVar, Literal, Protocol

import msgspec
import numpy as np
from msgspec import Meta
from numpy.typing import NDArray

from analysis.air.gas import Cylinder, nominal_air_l

PressureBar = Annotated[float, Meta(ge=0, le=500)]
Minutes = Annotated[float, Meta(ge=0, le=600)]
RateLMin = Annotated[float, Meta(gt=0, le=1000)]
Fraction = Annotated[float, Meta(ge=0, le=1)]
PolicyName = Literal["double_return", "half_of_usable", "fixed_margin", "forecast"]


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


@dataclass(frozen=True, slots=True)
class Course:
    """How one cylinder went down, as far as it is known; moments in microseconds since 1970."""

    # `entry_us`, `entry_bar`: int, float: when and with how much the wearer opened it; where that was not
    # heard, the first reading's moment, and a full cylinder
    entry_us: int
    entry_bar: float
    # `at_us`, `bar`: arrays, shape (n,): its pressure readings in order of time, without slips of the sensor
    at_us: NDArray[np.int64]
    bar: NDArray[np.float64]
    low_air_bar: float  # the warning
    cylinder: Cylinder  # where the set never said, a usual one
    objective_us: int | None  # when the desk noted that the objective was reached
    way_in_min: float  # the way in where nobody noted that
    until_us: int  # until when this is known: the last reading, or now
    # `early_at_us`, `early_min`: arrays, shape (m,): the early end of the forecast of minutes to the warning,
    # as it was known at each moment
    early_at_us: NDArray[np.int64]
    early_min: NDArray[np.float64]
    opening_heard: bool = True

    @property
    def way_in_us(self) -> int:
        """How long the way in took."""
        if self.objective_us is None or not self.opening_heard:
            return round(self.way_in_min * 60e6)
        return max(self.objective_us - self.entry_us, 0)

    def first_at_or_below(self, bar: float, since_us: int) -> int | None:
        """Return the moment of the first reading at or below a pressure from a moment on."""
        first = int(self.at_us.searchsorted(since_us))
        below = np.flatnonzero(self.bar[first:] <= bar)
        return int(self.at_us[first + below[0]]) if len(below) else None

    def bar_at(self, at_us: int) -> float | None:
        """Return the last reading at a moment."""
        position = int(self.at_us.searchsorted(at_us, side="right")) - 1
        return float(self.bar[position]) if position >= 0 else None


@dataclass(frozen=True, slots=True)
class TurnBackMoment:
    """What one policy says of one cylinder."""

    policy: PolicyName
    at_us: int | None  # when turn-back was reached; None when not (yet)
    pressure_bar: float | None  # the reading at that moment
    # The pressure at which to turn back; None where the policy names a time, or does not know it yet, unless
    # the warning came first.
    leave_bar: float | None
    leave_us: int | None = None  # the moment at which to turn back, for a policy that names one


class Policy(Protocol):
    """What each policy is: its name, its words on screens, and its rule."""

    name: ClassVar[PolicyName]
    words: ClassVar[str]
    # Whether nothing between two new lows of the pressure can change its moment: the live board lets those
    # readings go once the wear is over.
    by_new_lows: ClassVar[bool]

    def judge(self, course: Course) -> TurnBackMoment:
        """Say when this policy turns a wearer back, from the readings so far."""


class _Rule(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Base of a policy: its fields are its part of the profile."""

    name: ClassVar[PolicyName]

    def _reached(
        self, course: Course, at_us: int | None, leave_bar: float | None, leave_us: int | None = None
    ) -> TurnBackMoment:
        bar = course.bar_at(at_us) if at_us is not None else None
        return TurnBackMoment(self.name, at_us, bar, leave_bar, leave_us)


class DoubleReturn(_Rule, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Leave by `factor` times the pressure used on the way in."""

    name: ClassVar[PolicyName] = "double_return"
    words: ClassVar[str] = "twice the way in"
    by_new_lows: ClassVar[bool] = False
    factor: Annotated[float, Meta(ge=1, le=5)] = 2.0

    def judge(self, course: Course) -> TurnBackMoment:
        """Leave by the way in, once that is over."""
        objective_us = course.entry_us + (course.way_in_us if course.opening_heard else 0)
        if not len(course.at_us) or objective_us > int(course.at_us[-1]):
            return self._reached(course, None, None)
        used_bar = float(course.bar[int(course.at_us.searchsorted(objective_us))])
        leave_bar = max(double_return_bar(course.entry_bar, used_bar, self.factor), course.low_air_bar)
        return self._reached(course, course.first_at_or_below(leave_bar, objective_us), leave_bar)


class HalfOfUsable(_Rule, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Leave at reserve plus half of (start minus reserve)."""

    name: ClassVar[PolicyName] = "half_of_usable"
    words: ClassVar[str] = "half of the usable air"
    by_new_lows: ClassVar[bool] = True
    reserve_bar: PressureBar = 0.0
    reserve_fraction: Fraction = 0.0
    round_up_bar: PressureBar = 0.0

    def judge(self, course: Course) -> TurnBackMoment:
        """Half of what is above the reserve is for the way back."""
        reserve_bar = max(self.reserve_bar or course.low_air_bar, self.reserve_fraction * course.entry_bar)
        half_bar = half_of_usable_bar(course.entry_bar, reserve_bar, self.round_up_bar)
        leave_bar = max(half_bar, course.low_air_bar)
        return self._reached(course, course.first_at_or_below(leave_bar, course.entry_us), leave_bar)


class FixedMargin(_Rule, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Leave after nominal volume over planning rate, less a margin."""

    name: ClassVar[PolicyName] = "fixed_margin"
    words: ClassVar[str] = "planning rate and margin"
    by_new_lows: ClassVar[bool] = True
    planning_l_min: RateLMin = 40.0
    margin_min: Minutes = 10.0

    def judge(self, course: Course) -> TurnBackMoment:
        """A moment of the clock: known as soon as the cylinder is."""
        # Of an unheard beginning the time is not known either: then what was read first counts from there.
        first_bar = course.entry_bar if course.opening_heard else float(course.bar[0])
        minutes = working_minutes(first_bar, course.cylinder.total_l, self.planning_l_min, self.margin_min)
        leave_us = course.entry_us + round(minutes * 60e6)
        return self._reached(course, leave_us if leave_us <= course.until_us else None, None, leave_us)


class ForecastMargin(_Rule, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Leave when the early end of the forecast no longer covers the way in plus a margin."""

    name: ClassVar[PolicyName] = "forecast"
    words: ClassVar[str] = "forecast, early end"
    by_new_lows: ClassVar[bool] = False
    margin_min: Minutes = 2.0

    def judge(self, course: Course) -> TurnBackMoment:
        """Where there is no forecast (NaN), this policy is silent."""
        enough_min = course.way_in_us / 60e6 + self.margin_min
        short = np.flatnonzero(course.early_min <= enough_min)
        return self._reached(course, int(course.early_at_us[short[0]]) if len(short) else None, None)


POLICY_TYPES: tuple[type[Policy], ...] = (DoubleReturn, HalfOfUsable, FixedMargin, ForecastMargin)
POLICIES: tuple[PolicyName, ...] = tuple(one.name for one in POLICY_TYPES)
BY_NEW_LOWS = tuple(one.name for one in POLICY_TYPES if one.by_new_lows)
POLICY_WORDS: dict[str, str] = {one.name: one.words for one in POLICY_TYPES}


def judge_by(name: PolicyName, rules: Any, course: Course) -> TurnBackMoment:
    """Return what one policy says of a cylinder, with the numbers of a profile's part `turn_back`.

    None turns back later than at the warning: that is the latest start of the way back (EN 137, secondary
    source).
    """
    rule: Policy = getattr(rules, name)
    judged = rule.judge(course)
    low_us = course.first_at_or_below(course.low_air_bar, course.entry_us)
    if low_us is None or (judged.at_us is not None and judged.at_us <= low_us):
        return judged
    return replace(judged, at_us=low_us, pressure_bar=course.bar_at(low_us), leave_bar=course.low_air_bar)
