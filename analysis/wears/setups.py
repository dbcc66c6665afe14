"""What a set says of itself: its cylinders, and the thresholds of its alarms."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from analysis.air.gas import Cylinder
from analysis.profile import Profile
from analysis.records import Key, PowerUp
from ingest.contract.kinds import MOST_CYLINDERS, RATED_BAR, WATER_VOLUME_L

POSSIBLE = {
    "low_air_bar": (10.0, 250.0),  # and at most half of the cylinder's rated pressure
    "no_motion_prealarm_s": (3.0, 600.0),
    "no_motion_alarm_s": (3.0, 600.0),
    "heat_start_c": (20.0, 1000.0),
}
"""Least and most of a threshold: an unset 0 would be a warning that never comes. Our own rule."""


@dataclass(frozen=True, slots=True)
class Thresholds:
    """The alarm thresholds of a set: from its setup, else from the profile."""

    low_air_bar: float
    no_motion_prealarm_s: float
    no_motion_alarm_s: float
    heat_start_c: float
    impossible: tuple[tuple[str, float], ...] = ()  # what the setup named, and cannot be


@dataclass(frozen=True, slots=True)
class HeardSetup:
    """What one `setup` message said, and in which power-up."""

    at_us: int
    identity: str
    said: dict[str, Any]
    power_up: Key


def heard_setups(power_ups: Sequence[PowerUp]) -> list[HeardSetup]:
    """Return all setups of a set in order of time."""
    found = []
    for power_up in power_ups:
        channel = power_up.channels.get("setup")
        if channel is not None:
            for position, row in enumerate(channel.rows):
                identity = power_up.identity(int(channel.seq[position]))
                found.append(HeardSetup(int(channel.at_us[position]), identity, row, power_up.key))
    return sorted(found, key=lambda setup: (setup.at_us, setup.identity))


def setup_at(setups: list[HeardSetup], power_up: Key | None, at_us: int) -> HeardSetup | None:
    """Return the latest setup by a moment, else the first after it; those of its own power-up come first."""
    for known in ([setup for setup in setups if setup.power_up == power_up], setups):
        before = [setup for setup in known if setup.at_us <= at_us]
        if before or known:
            return before[-1] if before else known[0]
    return None


def cylinder_at(setups: list[HeardSetup], power_up: PowerUp) -> Cylinder | None:
    """Return the cylinder at the first readings of a power-up."""
    channel = power_up.channels.get("pressure")
    if channel is None or not len(channel):
        return None
    setup = setup_at(setups, power_up.key, int(channel.at_us[np.argmin(channel.retained)]))
    return cylinder_of(setup.said) if setup is not None else None


def cylinder_of(setup: dict[str, Any]) -> Cylinder | None:
    """Return the cylinders that a `setup` message names; None when it names none that can be used."""
    row = setup.get("cylinders")
    if not row:
        return None
    count, water_volume_l, rated_bar = row.get("count"), row.get("water_volume_l"), row.get("rated_bar")
    if count is None or water_volume_l is None or rated_bar is None:
        return None
    # These comparisons are false for NaN and infinity.
    worn = 1 <= count <= MOST_CYLINDERS and WATER_VOLUME_L[0] <= water_volume_l <= WATER_VOLUME_L[1]
    if not worn or not RATED_BAR[0] <= rated_bar <= RATED_BAR[1]:
        return None
    return Cylinder(int(count), float(water_volume_l), float(rated_bar))


def worst_of(said: Sequence[dict[str, Any]], profile: Profile) -> tuple[Cylinder | None, Thresholds]:
    """Return cylinder and thresholds of a wear: of several setups the least air and the highest warning.

    Nobody knows which of them is right. Our own rule.
    """
    cylinders = [one for one in map(cylinder_of, said) if one is not None]
    each = [thresholds_of(one, profile) for one in said or (None,)]
    low_air_bar = max(one.low_air_bar for one in each)
    impossible = tuple(dict.fromkeys(name for one in each for name in one.impossible))
    return (
        min(cylinders, key=lambda one: one.total_l, default=None),
        replace(each[0], low_air_bar=low_air_bar, impossible=impossible),
    )


def thresholds_of(setup: dict[str, Any] | None, profile: Profile) -> Thresholds:
    """Return the thresholds that a `setup` names; the profile's for those that are missing or impossible."""
    said = setup or {}
    cylinder = cylinder_of(said)
    highest = {"low_air_bar": cylinder.rated_bar / 2} if cylinder is not None else {}
    numbers = {
        "low_air_bar": profile.air.low_air_bar,
        "no_motion_prealarm_s": profile.motion.no_motion_prealarm_s,
        "no_motion_alarm_s": profile.motion.no_motion_alarm_s,
        "heat_start_c": profile.heat.heat_start_c,
    }
    impossible = []
    for name, (least, most) in POSSIBLE.items():
        value = said.get(name)
        if value is not None and least <= value <= highest.get(name, most):  # false for NaN and infinity too
            numbers[name] = float(value)
        elif value is not None:
            impossible.append((name, float(value)))
    return Thresholds(**numbers, impossible=tuple(impossible))
