"""Pressures read by voice, which count as readings while the set itself is silent."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.air.forecast import VOICE_STEP_BAR
from analysis.records import Floats, Ints, PowerUp
from analysis.wears.corrections import corrections, moment_of, said
from analysis.wears.wears import BEGAN_WITHIN_US, Wear

UNHEARD_US = 5_000_000
"""A gauge by voice so soon after a reading of the set does not count: the reading does. Our own rule."""


@dataclass(frozen=True, slots=True)
class VoiceGauge:
    """A pressure that was read by voice, microseconds since 1970 on the reconciled clock."""

    at_us: int
    incident_id: str
    set_id: str
    pressure_bar: float
    desk_id: str
    identity: str


APART_BAR = 2.0 * VOICE_STEP_BAR
"""A gauge by voice contradicts the known pressure if they are further apart. Our own rule."""


@dataclass(frozen=True, slots=True)
class GaugeApart:
    """A gauge read by voice, and the pressure known at that moment, of which one must be wrong."""

    gauge: VoiceGauge
    known_bar: float
    known_us: int
    known_identity: str
    heard: bool  # whether the set was speaking then


def about_from_us(wear: Wear, wears: Sequence[Wear]) -> int:
    """Return from when on a gauge by voice is about the cylinder with which a wear of an entry began.

    Nobody changes a cylinder within a minute. So a gauge up to a minute before the first reading is about the
    same one, but not if it came before the set's last wear ended, or if the set was worn before and the
    opening was heard. Our own rule.
    """
    before = [one.ended_us for one in wears if one.set_id == wear.set_id and one.ended_us < wear.started_us]
    if before and wear.opening_heard:
        return wear.started_us
    return max([wear.started_us - BEGAN_WITHIN_US, *(ended_us + 1 for ended_us in before)])


def contradictions(wears: Sequence[Wear], gauges: Sequence[VoiceGauge]) -> list[GaugeApart]:
    """Return the gauges of one entry that contradict what was known.

    If the set is heard: each gauge that is far from its reading. If it is silent: each gauge that is far
    above the last known pressure, or far below the set's next reading, because no cylinder fills itself.
    After a closed valve it may be another cylinder.

    - `wears`, `gauges`: of the entry, in order of time.
    """
    found = []
    by_voice: dict[str, VoiceGauge] = {}
    for gauge in gauges:
        before, by_voice[gauge.set_id] = by_voice.get(gauge.set_id), gauge
        first = [
            wear
            for wear in wears
            if (wear.set_id, wear.started_us > gauge.at_us) == (gauge.set_id, True)
            and about_from_us(wear, wears) <= gauge.at_us
            and wear.first_bar - gauge.pressure_bar > APART_BAR
        ]
        if first:
            wear = first[0]
            found.append(GaugeApart(gauge, wear.first_bar, wear.started_us, wear.identity(0), heard=True))
            continue
        own = [wear for wear in wears if wear.set_id == gauge.set_id and wear.started_us <= gauge.at_us]
        known = None
        if own:
            wear, at_us = own[-1], own[-1].last_us(gauge.at_us)
            if at_us == wear.ended_us and wear.ended_how in ("closed", "changed"):
                continue
            heard = gauge.at_us - at_us <= UNHEARD_US
            known = GaugeApart(gauge, wear.bar_at(at_us), at_us, wear.identity_of(at_us), heard)
            place = int(wear.at_us.searchsorted(gauge.at_us, side="right"))
            if not heard and place < len(wear.seq):
                bar, then_us = float(wear.pressure_bar[place]), int(wear.at_us[place])
                if bar - gauge.pressure_bar > APART_BAR:
                    found.append(GaugeApart(gauge, bar, then_us, wear.identity(place), heard=True))
                    continue
        if before is not None and (known is None or before.at_us > known.known_us):
            known = GaugeApart(gauge, before.pressure_bar, before.at_us, before.identity, heard=False)
        if known is None:
            continue
        above_bar = gauge.pressure_bar - known.known_bar
        if above_bar > APART_BAR or (known.heard and above_bar < -APART_BAR):
            found.append(known)
    return found


def known_better(wear: Wear, gauge: VoiceGauge) -> bool:
    """Return whether the set's reading counts: it came just before the gauge and is not far above it."""
    if wear.set_id != gauge.set_id or wear.started_us > gauge.at_us:
        return False
    heard = gauge.at_us - wear.last_us(gauge.at_us) <= UNHEARD_US
    return heard and wear.bar_at(gauge.at_us) - gauge.pressure_bar <= APART_BAR


def above_word_bar(at_us: Ints, bar: Floats, gauges: Sequence[VoiceGauge]) -> Floats:
    """Return by how much each reading of a set exceeds its wearer's word, shape (n,).

    If that is over `APART_BAR`, the difference stays, whatever the set reads later, until the wearer's next
    word; a word far above the set does not end it. If the next word is far above the last one and agrees with
    the set, the last one was a slip: no cylinder fills itself. Our own rule.

    - `at_us`, `bar`: arrays, shape (n,): readings of one set on one cylinder, in order of time.
    - `gauges`: read by voice of that set and cylinder, in order of time.
    """
    above = np.zeros(len(bar))
    since, last_bar = 0, np.inf
    for gauge in gauges:
        then = int(at_us.searchsorted(gauge.at_us, side="right"))
        if then == len(bar) or at_us[0] - gauge.at_us > BEGAN_WITHIN_US:
            continue
        heard = then > 0 and gauge.at_us - int(at_us[then - 1]) <= UNHEARD_US
        apart_bar = float(bar[then - 1] if heard else bar[then]) - gauge.pressure_bar
        if apart_bar >= -APART_BAR:
            agrees = apart_bar <= APART_BAR
            slipped = agrees and gauge.pressure_bar - last_bar > APART_BAR
            above[since if slipped else then :] = 0.0 if agrees else apart_bar
            since, last_bar = then, gauge.pressure_bar
    return above


@dataclass(frozen=True, slots=True)
class Readings:
    """What is known of a wear's pressure, in order of time; arrays of shape (n,)."""

    at_us: Ints
    bar: Floats
    gas_c: Floats
    said_step_bar: Floats  # 0 for a reading of the set; the step of the gauge for one by voice
    position: Ints  # array of int: which reading of the wear it is; -1 for one by voice


def read_gauges(records: Sequence[PowerUp]) -> list[VoiceGauge]:
    """Return the gauges read by voice at the moment that they are about, in order of time.

    One that corrects another counts from the other's moment, unless it says when it was read.
    """
    messages = said(records, "gauge")
    corrected = corrections(messages)
    at_us: dict[str, int] = {}
    for one in messages:
        read_us = one.at_us
        if one.row["at"] is not None:  # on the desk's clock, like `time`: corrected alike
            # And nobody reads a gauge after telling what it said.
            read_us += min(round(one.row["at"].timestamp() * 1e6) - one.time_us, 0)
        at_us[one.identity] = read_us
    found = [
        VoiceGauge(
            at_us[one.identity] if one.row["at"] is not None else moment_of(one.identity, corrected, at_us),
            one.row["incident_id"],
            one.row["set_id"],
            one.row["pressure_bar"],
            one.desk_id,
            one.identity,
        )
        for one in messages
        if one.identity not in corrected.values()
    ]
    return sorted(found, key=lambda one: (one.at_us, one.identity))


def readings_of(wear: Wear, gauges: Sequence[VoiceGauge] = (), until_us: int | None = None) -> Readings:
    """Return the readings of a wear, and the gauges by voice before which the set was silent for over 5 s.

    - `gauges`: in order of time; of other sets too.
    - `until_us`: gauges after the last reading count up to here; without it, none of them does.
    """
    good = np.flatnonzero(~wear.spike)
    kept = wear.kept
    at_us, bar, gas_c = wear.at_us[kept], wear.pressure_bar[kept], wear.gas_temperature_c[kept]
    last_us = int(at_us[-1]) if until_us is None else until_us
    spoken = [
        one
        for one in gauges
        if one.set_id == wear.set_id
        and int(at_us[0]) < one.at_us <= last_us
        and one.at_us - int(at_us[at_us.searchsorted(one.at_us, side="right") - 1]) > UNHEARD_US
    ]
    if not spoken:
        return Readings(at_us, bar, gas_c, np.zeros(len(good)), good)
    count = len(spoken)
    at_us = np.concatenate([at_us, np.array([one.at_us for one in spoken], np.int64)])
    order = np.argsort(at_us, kind="stable")
    return Readings(
        at_us[order],
        np.concatenate([bar, [one.pressure_bar for one in spoken]])[order],
        np.concatenate([gas_c, np.full(count, np.nan)])[order],
        np.concatenate([np.zeros(len(good)), np.full(count, VOICE_STEP_BAR)])[order],
        np.concatenate([good, np.full(count, -1)])[order],
    )
