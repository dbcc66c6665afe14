"""When the doctrine turns a wearer back, as it can be known while the wear is going on.

The four policies and their sources stand in `turn_back`, which replays them after the fact; here only the
policy in force is followed, reading by reading.
"""

from __future__ import annotations

from dataclasses import dataclass

from analysis.air.gas import Cylinder
from analysis.live.rows import Interval
from analysis.policies import double_return_bar, half_of_usable_bar, working_minutes
from analysis.profile import Profile


@dataclass
class TurnBackWatch:
    """Follows one wear under the policy in force.

    Attributes
    ----------
    leave_bar : float or None
        The pressure at which to turn back; None where the policy names a time, or does not know it yet.
    leave_at : float or None
        The moment at which to turn back, for the policy that names one.
    reached_at : float or None
        When turn-back was reached; it stays reached.
    """

    profile: Profile
    started_at: float
    start_bar: float
    low_air_bar: float
    leave_bar: float | None = None
    leave_at: float | None = None
    reached_at: float | None = None
    objective_at: float | None = None
    soon: bool = False

    def __post_init__(self) -> None:
        rules = self.profile.turn_back
        if rules.policy == "half_of_usable":
            part = rules.half_of_usable
            reserve_bar = max(part.reserve_bar or self.low_air_bar, part.reserve_fraction * self.start_bar)
            self.leave_bar = half_of_usable_bar(self.start_bar, reserve_bar, part.round_up_bar)

    def know_cylinder(self, cylinder: Cylinder) -> None:
        """Take the wear's cylinder, whenever it is said: one policy counts from its volume."""
        rules = self.profile.turn_back
        if rules.policy == "fixed_margin":
            part_minutes = working_minutes(
                self.start_bar,
                cylinder.total_l,
                rules.fixed_margin.planning_l_min,
                rules.fixed_margin.margin_min,
            )
            self.leave_at = self.started_at + 60.0 * part_minutes

    def objective_reached(self, at: float) -> None:
        """Take the desk's word that the objective was reached; the first counts."""
        if self.objective_at is None:
            self.objective_at = at

    def reading(self, at: float, bar: float) -> None:
        """Take a pressure reading."""
        rules = self.profile.turn_back
        if rules.policy == "double_return" and self.leave_bar is None:
            # Without word from the desk the way in is taken to last as long as the profile says.
            objective_at = self.objective_at or self.started_at + 60.0 * rules.way_in_min
            if at >= objective_at:
                factor = rules.double_return.factor
                self.leave_bar = max(double_return_bar(self.start_bar, bar, factor), self.low_air_bar)
        if self.reached_at is None and self.leave_bar is not None and bar <= self.leave_bar:
            self.reached_at = at

    def ahead(self, now_s: float, low_air: Interval | None, to_leave_bar: Interval | None) -> Interval | None:
        """Return the minutes to turn-back, None when it was reached or is not known.

        Parameters
        ----------
        now_s : float
            Seconds since 1970.
        low_air : Interval or None
            The forecast of the low-air warning.
        to_leave_bar : Interval or None
            The forecast of `leave_bar`.
        """
        if self.leave_at is not None and self.reached_at is None and now_s >= self.leave_at:
            self.reached_at = self.leave_at
        rules = self.profile.turn_back
        if rules.policy == "forecast" and low_air is not None and self.reached_at is None:
            way_in_min = rules.way_in_min
            if self.objective_at is not None:
                way_in_min = (self.objective_at - self.started_at) / 60.0
            enough = way_in_min + rules.forecast.margin_min
            if low_air.low <= enough:
                self.reached_at = now_s
            # The policy itself looks at the early end: that is its middle, and the median its late end.
            early = low_air.low - enough
            return None if self.reached_at else Interval(early, early, low_air.median - enough)
        if self.reached_at is not None:
            return None
        if self.leave_at is not None:
            minutes = (self.leave_at - now_s) / 60.0  # a moment of the clock, known exactly
            return Interval(minutes, minutes, minutes)
        return to_leave_bar
