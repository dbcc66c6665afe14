"""A record that grows: what was received so far, kept as the arrays that every rule reads.

The live page keeps no state of rules. It extends this record and asks the review's own functions about it, as
of now. New messages are read by the same `power_ups` and joined on; late ones are put in their place. Clocks
are fitted by the review's function: every ten seconds or more, and at once when a message lies off.
"""

from __future__ import annotations

import itertools
import zlib
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.clocks.clocks import MOST_UPTIME_S, ClockFit, fit_clock, in_the_same_queue
from analysis.records import ARRAYS, Bools, Channel, Floats, Ints, Key, PowerUp, power_ups
from analysis.uses import FIRST_IN_CONFLICT, SILENCE, expected_us

FIT_EVERY_US = 10_000_000
FIT_EVERY_PART = 0.02
"""A clock is fitted again after so long and so great a part of its record, some half as much later. Our own
rule."""
OFF_US = 750_000
"""A message further off than this says that the clock moved: fit at once. Our own rule."""
LONG_LATE_US = 10_000_000
"""An alarm that comes so late may be of before a jump of the clock: fit at once. Our own rule."""
_LEAST = 64
_SILENCE_US = int(SILENCE.total_seconds() * 1e6)


class _Grown:
    """One kind of one power-up, in `seq` order, with room to grow."""

    def __init__(self, first: Channel) -> None:
        self.size = 0
        self.rows: list[dict[str, Any]] = []
        self.in_order = True
        self._latest_us = 0
        self._arrays: dict[str, NDArray[Any]] = {}
        self._numbers = tuple(first.numbers)
        self.append(first)

    @property
    def last_seq(self) -> int:
        return int(self._arrays["seq"][self.size - 1])

    def append(self, new: Channel) -> None:
        """Join on what comes after all before."""
        count = len(new)
        if not self._arrays or self.size + count > len(self._arrays["seq"]):
            # By a quarter and not twice: over hours with many sets, empty room would be half of the memory.
            room = max((self.size + count) * 5 // 4, self.size + count + _LEAST)
            old, self._arrays = self._arrays, {}
            for name, values in _columns(new).items():
                self._arrays[name] = np.empty(room, values.dtype)
                if old:
                    self._arrays[name][: self.size] = old[name][: self.size]
        for name, values in _columns(new).items():
            self._arrays[name][self.size : self.size + count] = values
        self.size += count
        self.rows += new.rows

    def merge(self, new: Channel) -> list[int]:
        """Put late messages in their place, each identity once; return the numbers that conflict."""
        old = self.channel()
        seq = np.concatenate([old.seq, new.seq])
        order = np.argsort(seq, kind="stable")  # what was heard first comes first of its number
        again = np.r_[False, seq[order][1:] == seq[order][:-1]]
        values = {name: np.concatenate([one, _columns(new)[name]]) for name, one in _columns(old).items()}
        conflicts = [
            int(seq[order[at]])
            for at in np.flatnonzero(again).tolist()
            if values["time_us"][order[at]] != values["time_us"][order[at - 1]]
        ]
        keep = order[~again]
        self._arrays = {name: one[keep] for name, one in values.items()}
        rows = [*old.rows, *new.rows]
        self.rows = [rows[at] for at in keep.tolist()] if rows else []
        self.size = len(keep)
        return conflicts

    def leave_out(self, keep: Bools) -> Callable[[], None]:
        """Keep some readings, by place; return what takes that back while nothing new has come."""
        before = self.size, self._arrays
        self._arrays = {name: values[: self.size][keep] for name, values in self._arrays.items()}
        self.size = int(np.count_nonzero(keep))

        def back() -> None:
            self.size, self._arrays = before

        return back

    def channel(self) -> Channel:
        """Return it as a channel; nothing is copied."""
        part = {name: values[: self.size] for name, values in self._arrays.items()}
        numbers = {name: part.pop(name) for name in self._numbers}
        return Channel(numbers=numbers, rows=self.rows, **part)

    def time_at(self, seq: int) -> int | None:
        """Return the speaker's time of a number, None when it was not heard."""
        position = int(np.searchsorted(self._arrays["seq"][: self.size], seq))
        if position < self.size and int(self._arrays["seq"][position]) == seq:
            return int(self._arrays["time_us"][position])
        return None

    def place(self, fit: ClockFit | None, since: int) -> tuple[bool, bool]:
        """Give readings from number `since` on their reconciled time; return (all in order, any off)."""
        if self.size - since == 1 and since and fit is not None and self._has_clock(fit):
            return self._place_last(fit)
        part = slice(since, self.size)
        received_us = self._arrays["received_us"][part]
        at_us = self._arrays["at_us"]
        if fit is None:
            at_us[part] = received_us
        else:
            columns = (self._arrays[name][part] for name in ("seq", "time_us", "uptime_s"))
            at_us[part] = fit.at_us(*columns)
        live = ~self._arrays["retained"][part]
        placed_us = at_us[part]
        latest_us = np.maximum.accumulate(placed_us)
        if since:
            latest_us = np.maximum(latest_us, self._latest_us)
        self._latest_us = int(latest_us[-1])
        # Behind the latest, not the one before: after a clock was set back, until its new times are proved.
        behind_us = latest_us - placed_us
        off = bool(np.any((placed_us - received_us > OFF_US) & live)) or bool(np.any(behind_us > OFF_US))
        off |= bool(self.rows) and bool(np.any((received_us - placed_us > LONG_LATE_US) & live))
        in_order = not behind_us.any()
        self.in_order = in_order and (self.in_order or since == 0)
        return self.in_order, off

    def _has_clock(self, fit: ClockFit) -> bool:
        """Return whether the last reading has what the clock's fit needs."""
        return not fit.by_uptime or bool(abs(self._arrays["uptime_s"][self.size - 1]) < MOST_UPTIME_S)

    def _place_last(self, fit: ClockFit) -> tuple[bool, bool]:
        """Do the same for the last reading alone: arrays of one are slow."""
        last = self.size - 1
        arrays = self._arrays
        said_us, uptime_s = int(arrays["time_us"][last]), float(arrays["uptime_s"][last])
        moment_us = fit.at_us_of(int(arrays["seq"][last]), said_us, uptime_s)
        arrays["at_us"][last] = moment_us
        ahead_us = moment_us - int(arrays["received_us"][last])
        late = not arrays["retained"][last] and (
            ahead_us > OFF_US or (self.rows and -ahead_us > LONG_LATE_US)
        )
        behind_us = self._latest_us - moment_us
        self._latest_us = max(self._latest_us, moment_us)
        self.in_order = self.in_order and behind_us <= 0
        return self.in_order, bool(late) or behind_us > OFF_US


def _columns(one: Channel) -> dict[str, NDArray[Any]]:
    return {name: getattr(one, name) for name in ARRAYS} | one.numbers


class _GrownPowerUp:
    """One power-up that grows, with its clock."""

    def __init__(
        self, first: PowerUp, use: int, before: _GrownPowerUp | None = None, *, beside: bool = False
    ) -> None:
        self._before = None if beside else before
        self._beside = before if beside else None
        self.key: Key = (first.role, first.name, first.boot, use)
        self.kinds: dict[str, _Grown] = {}
        self.conflicts: list[int] = []
        self.contradicting: list[Mapping[str, pl.DataFrame]] = []  # lots with numbers heard before
        self.fit: ClockFit | None = None
        self.last_received_us = 0
        self._fitted_us = 0
        # Some later than others: sets that were switched on together must not all be fitted at one tick.
        self._fit_later = 1.0 + 0.5 * (zlib.crc32(first.name.encode()) % 64) / 64
        self._first_us = first.first_received_us
        self._seqs: Ints = np.empty(0, np.int64)
        self._seqs_room: Ints = self._seqs
        self._shown: PowerUp | None = None
        self.join(first)

    @property
    def is_of_two(self) -> bool:
        """Whether two sets use its number at the same time."""
        return self._beside is not None or len(self.conflicts) >= FIRST_IN_CONFLICT

    def is_beside(self, other: _GrownPowerUp) -> bool:
        """Return whether it is of a second set that used the same number at the same time."""
        return self._beside is other

    @property
    def last_seq(self) -> int:
        """Its greatest number so far."""
        return int(self._seqs[-1])

    def said_us(self, seq: Ints) -> Floats:
        """Return when its numbers were said, or are to be expected, by the speaker's clock."""
        known = [grown.channel() for grown in self.kinds.values()]
        numbers = np.concatenate([one.seq for one in known])
        order = np.argsort(numbers, kind="stable")
        return expected_us(seq, numbers[order], np.concatenate([one.time_us for one in known])[order])

    def is_another(self, new: PowerUp) -> bool:
        """Return whether messages start their numbers again: the boot number was used again.

        As `analysis.uses`: after a silence, a number heard before that was said at another time.
        """
        silence_us = new.first_received_us - self.last_received_us
        return silence_us >= _SILENCE_US and self.contradicts(new)

    def contradicts(self, new: PowerUp) -> bool:
        """Return whether a number heard before was said at another time."""
        for kind, channel in new.channels.items():
            known = self.kinds.get(kind)
            if known is None or int(channel.seq[0]) > known.last_seq:
                continue
            for at in np.flatnonzero(~channel.retained)[:4].tolist():
                said_us = known.time_at(int(channel.seq[at]))
                if said_us is not None and said_us != int(channel.time_us[at]):
                    return True
        return False

    def join(self, new: PowerUp) -> None:
        """Join on new messages."""
        off = self.fit is None
        fresh: list[Ints] = []
        for kind, channel in new.channels.items():
            known = self.kinds.get(kind)
            if known is None:
                known = self.kinds[kind] = _Grown(channel)
                since = 0
            elif int(channel.seq[0]) > known.last_seq:
                since = known.size
                known.append(channel)
            else:
                self.conflicts += known.merge(channel)
                since = 0
            fresh.append(channel.seq)
            off |= known.place(self.fit, since)[1]
            live = channel.received_us[~channel.retained]
            if len(live):
                self.last_received_us = max(self.last_received_us, int(live.max()))
        self._count(np.sort(np.concatenate(fresh)))
        span_us = self.last_received_us - self._first_us
        every_us = self._fit_later * max(FIT_EVERY_US, FIT_EVERY_PART * span_us)
        if off or self.last_received_us - self._fitted_us > every_us:
            self._fit()
        self._shown = None

    def _count(self, added: Ints) -> None:
        """Keep which numbers were heard."""
        before, count = len(self._seqs), len(added)
        if before and added[0] <= self._seqs[-1]:
            self._seqs = self._seqs_room = np.union1d(self._seqs, added)
            return
        if before + count > len(self._seqs_room):
            self._seqs_room = np.empty((before + count) * 5 // 4 + _LEAST, np.int64)
            self._seqs_room[:before] = self._seqs
        self._seqs_room[before : before + count] = added
        self._seqs = self._seqs_room[: before + count]

    def leave_out(self, keep: Mapping[str, Bools]) -> Callable[[], None]:
        """Keep some readings of some kinds, those in order of time; return what takes that back."""
        backs = []
        for kind, of_kind in keep.items():
            grown = self.kinds[kind]
            if grown.in_order and not grown.rows and len(of_kind) == grown.size:
                backs.append(grown.leave_out(of_kind))
        self._shown = None

        def back() -> None:
            for one in backs:
                one()
            self._shown = None

        return back

    def settle(self) -> None:
        """Fit the clock again."""
        self._fit()
        self._shown = None

    def _fit(self) -> None:
        raw = PowerUp(self.key[0], self.key[1], self.key[2])
        raw.channels = {kind: grown.channel() for kind, grown in self.kinds.items()}
        self.fit = fit_clock(raw)
        if self.fit is not None and self._before is not None:
            self.fit = in_the_same_queue(self.fit, raw, self._before.fit, self._before.power_up)
        self._fitted_us = self.last_received_us
        for grown in self.kinds.values():
            grown.place(self.fit, 0)

    @property
    def power_up(self) -> PowerUp:
        """The power-up as every rule reads it: reconciled, in order of time."""
        if self._shown is None:
            role, name, boot, use = self.key
            one = PowerUp(role, name, boot, conflicts=sorted(set(self.conflicts)), seqs=self._seqs, use=use)
            for kind, grown in self.kinds.items():
                one.channels[kind] = grown.channel()
                if not grown.in_order:
                    one.channels[kind].order_by_time()
            self._shown = one
        return self._shown


class GrowingRecord:
    """Everything received so far; `extend` with what is new, in any lots and order, repeats allowed."""

    def __init__(self) -> None:
        self._power_ups: dict[tuple[str, str], list[_GrownPowerUp]] = {}

    def extend(self, messages: Mapping[str, pl.DataFrame]) -> set[tuple[str, str]]:
        """Take new messages; return whose they are, as (role, name)."""
        news = set()
        begun: set[tuple[str, str, int]] = set()  # power-ups of which this lot has the beginning
        for new in power_ups(messages):
            speaker = (new.role, new.name)
            news.add(speaker)
            own = self._power_ups.setdefault(speaker, [])
            known = [one for one in own if one.key[2] == new.boot]
            if new.use and new.key[:3] in begun:
                beside = new.first_received_us < known[-1].last_received_us
                own.append(_GrownPowerUp(new, len(known), own[-1], beside=beside))
                continue
            if new.use and known[-1].is_of_two:
                continue  # handed on with the first
            if not known:
                begun.add(new.key[:3])
            # A lot may hold the end of one power-up and, under the same number, the beginning of the next.
            lots = [new]
            if known and known[-1].contradicts(new):
                lots = _runs(messages, new)
                if not known[-1].is_another(lots[0]):
                    known[-1].contradicting.append(_said_by(messages, new))
            if known and known[-1].is_of_two and not known[-1].is_another(lots[0]):
                lots = self._of_two(_said_by(messages, new), known, own)
            for lot in lots:
                if not known or known[-1].is_another(lot):
                    known.append(_GrownPowerUp(lot, len(known), own[-1] if own else None))
                    own.append(known[-1])
                else:
                    known[-1].join(lot)
        return news

    @staticmethod
    def _of_two(
        said: Mapping[str, pl.DataFrame], known: list[_GrownPowerUp], own: list[_GrownPowerUp]
    ) -> list[PowerUp]:
        """Hand on the messages of two sets that use one ID and one number at once; nothing is left."""
        first = known[-2] if len(known) > 1 and known[-1].is_beside(known[-2]) else known[-1]
        other = known[-1] if first is not known[-1] else None
        if other is None:  # what was dropped for its number so far
            lots = [*first.contradicting, said]
            said = {kind: pl.concat(lot[kind] for lot in lots if kind in lot) for kind in _kinds(lots)}
        first.contradicting.clear()
        mine, others = _parted(said, first, other)
        for lot, of in ((mine, first), (others, other)):
            if lot is not None and of is not None:
                of.join(lot)
        if others is not None and other is None:
            known.append(_GrownPowerUp(others, len(known), first, beside=True))
            own.append(known[-1])
        return []

    def settle(self) -> None:
        """Fit every clock again."""
        for own in self._power_ups.values():
            for one in own:
                one.settle()

    def of_set(self, set_id: str) -> list[PowerUp]:
        """Return a set's power-ups, in the order in which they were first heard."""
        return [one.power_up for one in self._power_ups.get(("set", set_id), ())]

    def leave_out(self, set_id: str, place: int, keep: Mapping[str, Bools]) -> Callable[[], None]:
        """Let readings of a set go.

        - `place`: which of `of_set`.
        - `keep`: mapping of kind to array of bool: in order of time: what to keep.

        What is returned takes it back, as long as nothing new of the set has come.
        """
        return self._power_ups["set", set_id][place].leave_out(keep)

    def of_desks(self) -> list[PowerUp]:
        """Return all desks' power-ups."""
        return [one.power_up for (role, _), own in self._power_ups.items() if role == "desk" for one in own]


def _said_by(messages: Mapping[str, pl.DataFrame], one: PowerUp) -> dict[str, pl.DataFrame]:
    its = (pl.col(f"{one.role}_id") == one.name) & (pl.col("boot") == one.boot) & pl.col("seq").is_not_null()
    return {kind: messages[kind].filter(its) for kind in one.channels}


def _kinds(lots: list[Mapping[str, pl.DataFrame]]) -> dict[str, None]:
    return dict.fromkeys(kind for lot in lots for kind in lot)


def _parted(
    said: Mapping[str, pl.DataFrame], first: _GrownPowerUp, other: _GrownPowerUp | None
) -> tuple[PowerUp | None, PowerUp | None]:
    """Part messages by which of two speakers' times they fit; without a second one, by the first's."""
    parts: list[dict[str, pl.DataFrame]] = [{}, {}]
    for kind, frame in said.items():
        seq, time_us = frame["seq"].to_numpy(), frame["time"].to_physical().to_numpy()
        off_us = np.abs(time_us - first.said_us(seq))
        if other is None:  # what comes after all that it said is its own
            other_off_us = np.where(seq > first.last_seq, np.inf, _SILENCE_US)
        else:
            other_off_us = np.abs(time_us - other.said_us(seq))
        of_other = pl.Series(off_us > other_off_us)
        for part, chosen in zip(parts, (~of_other, of_other), strict=True):
            part[kind] = frame.filter(chosen)
    found = [power_ups(part) for part in parts]
    return (found[0][0] if found[0] else None, found[1][0] if found[1] else None)


def _runs(messages: Mapping[str, pl.DataFrame], mixed: PowerUp) -> list[PowerUp]:
    """Part what one speaker said under one boot number where it was silent for long."""
    column = f"{mixed.role}_id"
    received = np.sort(mixed.joined("received_us")[0])
    begins = [int(received[0]), *received[1:][np.diff(received) > _SILENCE_US].tolist()]
    received_us = pl.col("received").dt.epoch("us")
    its = (pl.col(column) == mixed.name) & (pl.col("boot") == mixed.boot)
    found = []
    for first_us, next_us in itertools.pairwise([*begins, int(received[-1]) + 1]):
        part = its & (received_us >= first_us) & (received_us < next_us)
        found += power_ups({kind: messages[kind].filter(part) for kind in mixed.channels})
    return found
