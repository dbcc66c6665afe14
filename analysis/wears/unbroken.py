"""Wears of one cylinder whose air is computed as one: its set restarted, or its sensor dropped out."""

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.records import Floats, Ints
from analysis.wears.gauges import Readings, VoiceGauge, readings_of
from analysis.wears.valve import CHANGED_RISE_BAR
from analysis.wears.wears import Wear

SECOND_US = 1_000_000
GOES_ON_US = 120 * SECOND_US
"""The filter cannot know how a longer silence was breathed. Our own rule; on CoolProp's gas the litres were
within 2 % even when the valve was closed for so long."""
RESTED_US = 3600 * SECOND_US
"""Three times as long as its wall takes (3600 J/K by 3 W/K, `Vessel`), and gas has the temperature of the air
around it."""


@dataclass(frozen=True, slots=True)
class Unbroken:
    """Readings of wears that go on from each other, on one grid of seconds; arrays of shape (n,).

    Each wear begins on a whole second of the grid; so the time between two may be wrong by one second.
    """

    wears: Sequence[Wear]
    first_s: list[int]  # by wear: the second with which it begins
    readings: list[Readings]  # by wear
    at_s: Floats
    wear: Ints  # array of int: which wear each reading is of

    def joined(self, name: str) -> Floats:
        """Return a column of the readings of all wears."""
        columns = [getattr(one, name) for one in self.readings]
        whole: Floats = columns[0] if len(columns) == 1 else np.concatenate(columns)
        return whole

    @property
    def zero_us(self) -> int:
        """The moment of second 0 by the last wear."""
        return self.wears[-1].started_us - SECOND_US * self.first_s[-1]


def goes_on_from(wear: Wear) -> Wear | None:
    """Return the wear that this one continues from the same cylinder, else None."""
    before = wear.previous
    if before is None or before.cylinder != wear.cylinder:
        return None
    dropped_out = before.ended_how == "changed" and wear.first_bar - before.last_bar <= CHANGED_RISE_BAR
    soon = wear.started_us - before.ended_us < GOES_ON_US
    return before if soon and (dropped_out or wear.restarted_from is not None) else None


def unbroken(wear: Wear) -> list[Wear]:
    """Return the wears that a wear continues, in order of time, and itself."""
    found = [wear]
    while (before := goes_on_from(found[-1])) is not None:
        found.append(before)
    return found[::-1]


def all_unbroken(wears: Sequence[Wear]) -> Iterator[list[Wear]]:
    """Yield the wears, sorted by set and time, in groups that continue each other."""
    for wear, after in itertools.zip_longest(wears, wears[1:]):
        if after is None or goes_on_from(after) is not wear:
            yield unbroken(wear)


def begins_rested(wear: Wear) -> bool:
    """Return whether its gas began as warm as its surroundings, because nobody had just breathed it."""
    before = wear.previous
    if not wear.opening_heard or wear.restarted_from is not None:
        return False
    if before is None or wear.started_us - before.ended_us >= RESTED_US:
        return True
    is_another = wear.first_bar - before.last_bar > CHANGED_RISE_BAR
    return is_another or before.first_bar - before.last_bar <= CHANGED_RISE_BAR  # it was only tried


def join(wears: Sequence[Wear], gauges: Sequence[VoiceGauge] = (), until_us: int | None = None) -> Unbroken:
    """Return the readings of wears that go on from each other, with those by voice in their silences.

    `until_us`: see `readings_of`.
    """
    first_s: list[int] = []
    readings: list[Readings] = []
    at_s: list[Floats] = []
    for wear, after in itertools.zip_longest(wears, wears[1:]):
        readings.append(readings_of(wear, gauges, until_us if after is None else after.started_us - 1))
        since_s = (wear.started_us - wears[0].started_us) // SECOND_US
        first_s.append(max(since_s, int(at_s[-1][-1]) + 1) if at_s else 0)
        zero_us = wear.started_us - SECOND_US * first_s[-1]
        at_s.append((readings[-1].at_us - zero_us).astype(np.float64) * 1e-6)
    number = np.repeat(np.arange(len(wears)), [len(one) for one in at_s])
    return Unbroken(wears, first_s, readings, at_s[0] if len(at_s) == 1 else np.concatenate(at_s), number)
