"""The cylinders of an entry. Without a higher pressure, or if nothing explains a rise, it is the same one."""

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.air.gas import Cylinder
from analysis.policies import Course
from analysis.profile import Profile
from analysis.records import Floats, Ints
from analysis.wears.gauges import APART_BAR, VoiceGauge, about_from_us, above_word_bar
from analysis.wears.valve import CHANGED_RISE_BAR, DROPPED_OUT_S, OPEN_ABOVE_BAR, SPIKE_BACK_S
from analysis.wears.wears import BEGAN_WITHIN_US, USUAL_CYLINDER, Wear

NOTHING: NDArray[np.float64] = np.empty(0)
NO_MOMENTS: NDArray[np.int64] = np.empty(0, np.int64)
EarlyEnds = Mapping[str, tuple[NDArray[np.int64], NDArray[np.float64]]]
"""By wear: moments, and the early end of the forecast of minutes to the warning as it was known then."""
UNSEEN_US = 10_000_000
"""So long without a reading, a cylinder may have been changed unseen. Our own rule."""


@dataclass(slots=True)
class Charge:
    """One filling of one cylinder: the wears that breathed it, or what was read of it by voice alone."""

    wears: list[Wear]
    # `spoken`: its gauges by voice while it was in use. Without a wear, `warning_bar`: the warning;
    # `entered_us`: when its wearer went in; `named`: what its set says that it is
    spoken: Sequence[VoiceGauge] = ()
    warning_bar: float = 0.0
    entered_us: int = 0
    named: Cylinder | None = None

    @property
    def set_id(self) -> str:
        """The set that carried it last."""
        return self.wears[-1].set_id if self.wears else self.spoken[-1].set_id

    @property
    def entry_us(self) -> int:
        """When it was opened first, as far as it is known."""
        return self.wears[0].started_us if self.wears else self.spoken[0].at_us

    @property
    def entry_bar(self) -> float:
        """Its first reading: the entry pressure; by voice alone the highest."""
        return self.wears[0].first_bar if self.wears else max(one.pressure_bar for one in self.spoken)

    @property
    def opening_heard(self) -> bool:
        """Whether its first reading was its entry pressure; by voice alone, one said soon after going in."""
        if self.wears:
            return self.wears[0].opening_heard
        return self.spoken[0].at_us - self.entered_us <= BEGAN_WITHIN_US

    @property
    def full_bar(self) -> float:
        """With how much it began; where that was not heard, as a full one."""
        if self.wears:
            return self.wears[0].full_bar
        rated_bar = 0.0 if self.opening_heard else (self.named or USUAL_CYLINDER).rated_bar
        return max(self.entry_bar, rated_bar)

    @property
    def unheard_us(self) -> int:
        """For how long before it the team's turn-back counts, too: sets are not all first heard at once."""
        return 0 if self.opening_heard else BEGAN_WITHIN_US

    @property
    def known_entry_bar(self) -> float | None:
        """The entry pressure; None where the opening was not heard."""
        return self.entry_bar if self.opening_heard else None

    @property
    def low_air_bar(self) -> float:
        """The warning of the set that carries it."""
        return self.wears[-1].thresholds.low_air_bar if self.wears else self.warning_bar

    @property
    def cylinder(self) -> Cylinder | None:
        """The first that its sets named."""
        return next((wear.cylinder for wear in self.wears if wear.cylinder is not None), self.named)

    @property
    def rises(self) -> list[tuple[Wear, Wear]]:
        """The wears before and after each rise that nothing explains."""
        return [
            (before, after)
            for before, after in itertools.pairwise(self.wears)
            if after.first_bar - before.last_bar > CHANGED_RISE_BAR
        ]

    def unseen_since(
        self,
        at_us: int,
        gauges: Sequence[VoiceGauge],
        began_us: int,
        hung_us: Sequence[tuple[int, int]] = (),
    ) -> int | None:
        """Return the last reading before `at_us`, if it was too long before to know what happened between.

        - `began_us`: the earliest moment of an opening that was not heard.
        - `hung_us`: from when until when its gauge hung: what it read then is no reading.
        """
        hangs_us = min(
            (from_us for from_us, until_us in hung_us if from_us < at_us <= until_us), default=at_us
        )
        read = [min(wear.last_us(at_us - 1), hangs_us) for wear in self.wears if wear.started_us < at_us]
        read += [one.at_us for one in gauges if one.set_id == self.set_id and one.at_us < at_us]
        if not read and self.opening_heard:
            return None
        before_us = max(read, default=began_us)
        return before_us if at_us - before_us > UNSEEN_US else None

    def hear(
        self, gauges: Sequence[VoiceGauge], until_us: int, wears: Sequence[Wear] = (), entered_us: int = 0
    ) -> None:
        """Keep those gauges by voice, up to a moment, that are about this cylinder.

        - `wears`, `entered_us`: of the entry; by them a word shortly before the first reading counts, too.
        """
        since_us = max(about_from_us(self.wears[0], wears), entered_us)
        sets = {wear.set_id for wear in self.wears}
        of_sets = [one for one in gauges if one.set_id in sets]
        self.spoken = [one for one in of_sets if since_us <= one.at_us <= until_us]

    def readings(self) -> tuple[Ints, Floats, Floats]:
        """Return its readings without slips: moments, bar, and by how much each exceeds its wearer's word."""
        at_us = _joined([wear.at_us[wear.kept] for wear in self.wears], NO_MOMENTS)
        bar = _joined([wear.pressure_bar[wear.kept] for wear in self.wears], NOTHING)
        above = np.zeros(len(bar))
        for set_id in {one.set_id for one in self.spoken}:
            of_set = _joined(
                [np.full(len(wear.at_us[wear.kept]), wear.set_id == set_id) for wear in self.wears],
                np.empty(0, np.bool_),
            )
            said = [one for one in self.spoken if one.set_id == set_id]
            above[of_set] = above_word_bar(at_us[of_set], bar[of_set], said)
        return at_us, bar, above

    @property
    def lowest_by_word_bar(self) -> float:
        """The lowest of its readings, each less the amount by which it exceeds its wearer's word."""
        _, bar, above = self.readings()
        return max(float((bar - above).min()), 0.0)

    @property
    def low_by_word_us(self) -> list[int]:
        """The moments whose reading is at or below the warning once that amount is taken off."""
        if not self.spoken:
            return []
        at_us, bar, above = self.readings()
        low = (above > 0.0) & (bar - above <= self.low_air_bar)
        return [int(one) for one in at_us[low]]

    def course(self, objective_us: int | None, profile: Profile, until_us: int, early: EarlyEnds) -> Course:
        """Return how its pressure fell until a moment; a gauge by voice counts like a reading."""
        at_us, bar, above = self.readings()
        bar = bar - above if self.spoken else bar
        if self.spoken:
            since = [one for one in self.spoken if not self.wears or one.at_us > self.entry_us]
            at_us = np.concatenate([at_us, np.array([one.at_us for one in since], np.int64)])
            bar = np.concatenate([bar, np.array([one.pressure_bar for one in since])])
            order = np.argsort(at_us, kind="stable")
            at_us, bar = at_us[order], bar[order]
        known = [early[wear.wear_id] for wear in self.wears if wear.wear_id in early]
        return Course(
            entry_us=self.entry_us,
            entry_bar=self.full_bar,
            at_us=at_us,
            bar=bar,
            low_air_bar=self.low_air_bar,
            cylinder=self.cylinder or USUAL_CYLINDER,
            objective_us=objective_us,
            way_in_min=profile.turn_back.way_in_min,
            until_us=until_us,
            early_at_us=_joined([one[0] for one in known], NO_MOMENTS),
            early_min=_joined([one[1] for one in known], NOTHING),
            opening_heard=self.opening_heard,
        )


def charges_of(
    wears: Sequence[Wear], gauges: Sequence[VoiceGauge] = (), tallied: Sequence[tuple[str, int]] = ()
) -> list[Charge]:
    """Return the cylinders of an entry: a new one begins only with a higher pressure than before.

    Two sets under air at the same time breathe from two cylinders, whatever their pressures. Nobody changes a
    cylinder between two readings: a rise without a closed valve, a pause or a person's word may be the
    sensor's, or another set's reading, so the cylinder before it still counts. Our own rule.

    - `wears`, `gauges`: of the entry, in order of time.
    - `tallied`: each set that its wearer was tallied in with, and when.
    """
    charges: list[Charge] = []
    for wear in wears:
        before = next((one for one in reversed(charges) if _may_go_on(one.wears[-1], wear)), None)
        if before is not None and (
            wear.first_bar - before.wears[-1].last_bar <= CHANGED_RISE_BAR
            or not _explained(before.wears[-1], wear, wears, gauges, tallied)
        ):
            before.wears.append(wear)
        else:
            charges.append(Charge([wear]))
    return charges


def _explained(
    before: Wear,
    after: Wear,
    wears: Sequence[Wear],
    gauges: Sequence[VoiceGauge],
    tallied: Sequence[tuple[str, int]],
) -> bool:
    if before.ended_how != "changed" or before.power_up is not after.power_up:
        return True
    channel = before.power_up.channels["pressure"]
    heard_us = channel.at_us[~channel.retained]
    between = heard_us[(heard_us >= before.ended_us) & (heard_us <= after.started_us)]
    if np.diff(between).max(initial=0) >= UNSEEN_US:
        return True
    if any(set_id == after.set_id and at_us >= before.ended_us for set_id, at_us in tallied):
        return True
    higher = [
        one
        for one in gauges
        if (one.set_id, one.at_us >= after.started_us) == (after.set_id, True)
        and one.pressure_bar > before.last_bar + APART_BAR
    ]
    own = [wear for wear in wears if wear.set_id == after.set_id]
    reads = [[wear for wear in own if wear.started_us <= one.at_us][-1].bar_at(one.at_us) for one in higher]
    return any(abs(one.pressure_bar - bar) <= APART_BAR for one, bar in zip(higher, reads, strict=True))


def is_surely_another(before: Sequence[Charge], after: Charge, limit_bar: float) -> bool:
    """Return whether a cylinder is surely not one of those before it: then their turn-back is over.

    - `limit_bar`: the turn-back pressure that was reached before.

    Three things must have been heard: for a minute the pressure at or below turn-back (longer than a sensor
    drops out); then a closed valve or a new power-up; then for a minute more than that cylinder can still
    have held. So lost messages can delay the answer, but never cause it. Our own rule.
    """
    if not after.wears:
        return False
    last = max((wear for one in before for wear in one.wears), key=lambda wear: wear.ended_us)
    first = after.wears[0]
    began_anew = last.set_id == first.set_id and last.power_up is not first.power_up
    return (
        last.ended_us < first.started_us
        and (last.ended_how in ("closed", "off") or began_anew)
        and any(_was_between(one, OPEN_ABOVE_BAR, limit_bar) for one in before)
        and _was_between(after, limit_bar + CHANGED_RISE_BAR, math.inf)
    )


def differed(charges: Sequence[Charge], number: int) -> bool:
    """Return whether the set exceeded its wearer's word on an earlier cylinder, with no word since."""
    charge = charges[number]
    if charge.spoken or not charge.wears:
        return False
    set_id = charge.wears[0].set_id
    said = [one for one in charges[:number] if one.wears and one.spoken and one.set_id == set_id]
    return bool(said) and float(said[-1].readings()[2][-1]) > 0.0


def _was_between(charge: Charge, above_bar: float, most_bar: float) -> bool:
    """Return whether readings stayed in a range for longer than a drop-out lasts."""
    at_us = _joined([wear.at_us[wear.kept] for wear in charge.wears], NO_MOMENTS)
    bar = _joined([wear.pressure_bar[wear.kept] for wear in charge.wears], NOTHING)
    at_us = at_us[(bar > above_bar) & (bar <= most_bar)]
    breaks = np.flatnonzero(np.diff(at_us) > SPIKE_BACK_S * 1e6)
    firsts, lasts = np.r_[0, breaks + 1], np.r_[breaks, len(at_us) - 1]
    return len(at_us) > 0 and bool((at_us[lasts] - at_us[firsts]).max() > DROPPED_OUT_S * 1e6)


def _may_go_on(before: Wear, wear: Wear) -> bool:
    return before.set_id == wear.set_id or before.ended_us < wear.started_us


def _joined(parts: list[NDArray[Any]], nothing: NDArray[Any]) -> NDArray[Any]:
    if not parts:
        return nothing
    return parts[0] if len(parts) == 1 else np.concatenate(parts)
