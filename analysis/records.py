"""Splits frames into power-ups: each one's messages as plain arrays in `seq` order.

Everything after this works on numpy arrays; the frames are touched once, sorted once, and freed of
duplicates once. The same identity with another payload is a conflict: the one heard first is used, and
all of them are named. A whole power-up under a number used before is separate (`analysis.uses`).
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.uses import FIRST_IN_CONFLICT, LONG_SILENCE, uses_of
from ingest.contract.fields import fields_of, speaker_field
from ingest.contract.kinds import DESK_KINDS, KINDS, SET_KINDS, Spoken

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Of = TypeVar("Of")
One = TypeVar("One")

NUMBERS: dict[str, tuple[str, ...]] = {
    "pressure": ("pressure_bar", "gas_temperature_c"),
    "motion": ("motion_m_s2", "still_s"),
    "temperature": ("temperature_c",),
}
"""Kinds that come every second are read as arrays of these columns."""
_EVERY = frozenset(Spoken.__struct_fields__)
ROWS: dict[str, tuple[str, ...]] = {
    kind: tuple(field.name for field in fields_of(kind) if field.name not in (*_EVERY, speaker_field(kind)))
    + (("service",) if kind in ("order", "tally") else ())
    for kind in KINDS
    if kind not in NUMBERS
}
"""The kinds that are read as rows, each with its own fields; an order reaches only its own service."""
MOST_STILL_S = 1e9
"""Thirty years: a set that says more is wrong, and microseconds must fit their 64 bits. Our own rule."""


UNCOUNTED = '"losses":"unknown"'
"""What a mapping writes into each message of a source that does not number them (`ingest.mapping.mapper`)."""

Key = tuple[str, str, int, int]
"""Role, name, boot and use of a power-up."""
_NAN = np.array([np.nan])
_LONG_SILENCE_US = int(LONG_SILENCE.total_seconds() * 1e6)


ARRAYS = ("seq", "time_us", "received_us", "uptime_s", "retained", "at_us")
"""What is known of every message of a channel."""


@dataclass(slots=True)
class Channel:
    """One kind from one power-up: parallel arrays, times in microseconds since 1970 (UTC).

    In `seq` order; once the clocks have been fitted, `at_us` is the reconciled time and the order is its.
    """

    seq: Ints
    time_us: Ints
    received_us: Ints
    uptime_s: Floats
    retained: Bools
    at_us: Ints
    numbers: dict[str, Floats]
    rows: list[dict[str, Any]]

    def __len__(self) -> int:
        return len(self.seq)

    def order_by_time(self) -> None:
        """Bring everything into the order of reconciled time."""
        if not (self.at_us[1:] < self.at_us[:-1]).any():
            return
        order = np.argsort(self.at_us, kind="stable")
        for name in ARRAYS:
            setattr(self, name, getattr(self, name)[order])
        self.numbers = {name: values[order] for name, values in self.numbers.items()}
        if self.rows:
            self.rows = [self.rows[position] for position in order.tolist()]


@dataclass(slots=True)
class PowerUp:
    """All that one speaker said from one power-up on; `use` counts those of the same number.

    `refused_seqs` and `refused_us` are of what came and was refused (`analysis.refused`): numbers in order,
    and times of receipt where no number could be read. `losses_known` is false when the source does not
    number its messages: the mapping that read it gave them numbers, and no number is missing then.
    """

    role: str
    name: str
    boot: int
    channels: dict[str, Channel] = field(default_factory=dict)
    conflicts: list[int] = field(default_factory=list)
    seqs: Ints = field(default_factory=lambda: np.empty(0, np.int64))
    use: int = 0
    refused_seqs: Ints = field(default_factory=lambda: np.empty(0, np.int64))
    refused_us: Ints = field(default_factory=lambda: np.empty(0, np.int64))
    # Numbers and pressures of readings that were refused for being too high.
    refused_high: tuple[Ints, Floats] = field(default_factory=lambda: (np.empty(0, np.int64), np.empty(0)))
    losses_known: bool = True
    # Array of bool: pressures that nobody believes, see `analysis.wears.too_high`; None: there are none.
    too_high: Bools | None = None
    said_as: str = ""  # the ID in its messages, where another set used that ID at the same time

    @property
    def key(self) -> Key:
        """Its identity."""
        return self.role, self.name, self.boot, self.use

    def joined(self, *names: str) -> list[NDArray[Any]]:
        """Return arrays of all its channels (`ARRAYS`), each joined in the order of the channels."""
        channels = self.channels.values()
        return [np.concatenate([getattr(one, name) for one in channels]) for name in names]

    @property
    def is_live(self) -> bool:
        """Whether any of it was heard live; its clock is known only then."""
        return any(not channel.retained.all() for channel in self.channels.values())

    def moments_of(self, seqs: Ints) -> Ints:
        """Estimate when messages were sent whose numbers alone are known, from the messages around them."""
        known, at_us, retained = self.joined("seq", "at_us", "retained")
        order = np.argsort(known, kind="stable")
        order = order[~retained[order]]
        at: Ints = np.interp(seqs, known[order], at_us[order]).astype(np.int64)
        return at

    @property
    def first_received_us(self) -> int:
        """When the first of it was received."""
        return min(int(one.received_us.min()) for one in self.channels.values())

    @property
    def span_us(self) -> tuple[int, int]:
        """First and last moment of it, microseconds since 1970 on the reconciled clock."""
        channels = [channel for channel in self.channels.values() if len(channel)]
        return min(int(one.at_us[0]) for one in channels), max(int(one.at_us[-1]) for one in channels)

    def forget_own_times(self) -> None:
        """Drop what a set's own clock said of readings: after the clocks are fitted nothing needs it."""
        for kind in NUMBERS:
            if self.role == "set" and kind in self.channels:
                self.channels[kind].time_us = np.empty(0, np.int64)
                self.channels[kind].uptime_s = np.empty(0)

    def without_words(self) -> PowerUp:
        """Return it with only the number and moment of each message."""
        channels = {kind: replace(one, numbers={}, rows=[]) for kind, one in self.channels.items()}
        return replace(self, channels=channels)

    def first_live_seq(self) -> int:
        """Return the least number that was heard live; there must be one."""
        seq, retained = self.joined("seq", "retained")
        return int(seq[~retained].min())

    def identity(self, seq: int) -> str:
        """Return a message's identity as findings show it."""
        return f"{self.said_as or self.name}/{self.boot}/{seq}"


def grouped(pairs: Iterable[tuple[Of, One]]) -> dict[Of, list[One]]:
    """Return what belongs to each key, in its order."""
    found: dict[Of, list[One]] = {}
    for key, one in pairs:
        found.setdefault(key, []).append(one)
    return found


def by_set(records: Iterable[PowerUp]) -> dict[str, list[PowerUp]]:
    """Return the power-ups of each set, by its name."""
    return grouped((one.name, one) for one in records if one.role == "set")


def power_ups(messages: Mapping[str, pl.DataFrame], sets: Collection[str] | None = None) -> list[PowerUp]:
    """Take the frames apart by speaker and power-up.

    - `messages`: frames of the archive's reader; rows in any order, duplicates allowed.
    - `sets`: only these sets (the desks are always read).

    They are sorted by role, name and boot; messages without an identity (a last will) are left out.
    """
    found: dict[Key, PowerUp] = {}
    again: set[Key] = set()
    for role, column, kinds in _SPEAKERS:
        for kind in kinds:
            again |= _take_kind(found, messages, role, column, kind, sets if role == "set" else None)
    for power_up in found.values():
        if _find_cross_conflicts(power_up) or len(power_up.conflicts) >= FIRST_IN_CONFLICT:
            again.add(power_up.key)
    for key in sorted(again):
        for one in _uses(messages, found.pop(key)):
            found[one.key] = one
    return [found[key] for key in sorted(found)]


def _take_kind(
    found: dict[Key, PowerUp],
    messages: Mapping[str, pl.DataFrame],
    role: str,
    column: str,
    kind: str,
    speakers: Collection[str] | None,
) -> set[Key]:
    """Take one kind apart, as `_take`; one at a time, for a kind may be read only when asked for."""
    if kind not in messages:
        return set()
    frame = messages[kind]
    if frame.height and frame["seq"].null_count():
        frame = frame.filter(pl.col("seq").is_not_null())
    if speakers is not None and frame.height:
        frame = frame.filter(pl.col(column).is_in(list(speakers)))
    return _take(found, frame, role, column, kind) if frame.height else set()


_SPEAKERS = (("desk", "desk_id", DESK_KINDS), ("set", "set_id", SET_KINDS))


def _uses(messages: Mapping[str, pl.DataFrame], mixed: PowerUp) -> list[PowerUp]:
    """Return separately the power-ups to which a speaker gave one number."""
    _, column, kinds = next(one for one in _SPEAKERS if one[0] == mixed.role)
    its = (pl.col(column) == mixed.name) & (pl.col("boot") == mixed.boot) & pl.col("seq").is_not_null()
    said = {kind: messages[kind].filter(its) for kind in kinds if kind in mixed.channels}
    parted = []
    for use, frames in enumerate(uses_of(said)):
        found: dict[Key, PowerUp] = {}
        for kind, frame in frames.items():
            _take(found, frame, mixed.role, column, kind)
        (one,) = found.values()
        _find_cross_conflicts(one)
        one.use = use
        parted.append(one)
    return parted


def _take(found: dict[Key, PowerUp], frame: pl.DataFrame, role: str, column: str, kind: str) -> set[Key]:
    """Take one kind's frame apart; return who said the same identity in another way after a long silence."""
    names = _names(frame[column])
    code = frame[column].cast(pl.Enum(names)).to_physical().to_numpy() if len(names) > 1 else None
    boot = frame["boot"].to_numpy()
    seq = frame["seq"].to_numpy()
    received = micros(frame["received"])
    retained = frame["retained"].to_numpy()
    order: Ints | slice = slice(None)
    conflicts: list[int] = []
    apart: set[Key] = set()
    # Often one power-up, or several one after the other (a merged day), in their own order: then nothing is
    # copied. Else all is brought into order.
    rises, several = seq[1:] > seq[:-1], code is not None or (boot != boot[0]).any()
    if code is None:
        code = np.zeros(len(seq), np.uint32)
    if several:
        rises = (boot[1:] > boot[:-1]) | ((boot[1:] == boot[:-1]) & rises)
        rises = (code[1:] > code[:-1]) | ((code[1:] == code[:-1]) & rises)
    edges: list[int] = []
    if not rises.all():
        order = np.lexsort((seq, boot, code))
        again = _said_again(seq[order], boot[order], code[order])
        if again.any():
            # A retained copy comes after the live one, so that the first of equals is the live one.
            order = np.lexsort((received, retained, seq, boot, code))
            keep, conflicts, far = _first_of_each(
                frame["payload"].gather(order).to_list(), again, received[order]
            )
            apart = {(role, names[int(code[i])], int(boot[i]), 0) for i in order[keep[far]].tolist()}
            order = order[keep]
        boot, seq, code = boot[order], seq[order], code[order]
    if several:
        edges = (np.flatnonzero((boot[1:] != boot[:-1]) | (code[1:] != code[:-1])) + 1).tolist()
    time = micros(frame["time"])[order]
    received, retained = received[order], retained[order]
    uptime = _ordered(frame["uptime_s"], order, len(seq))
    numbers = {name: _ordered(frame[name], order, len(seq)) for name in NUMBERS.get(kind, ())}
    if "still_s" in numbers and frame["still_s"].null_count() < frame.height:
        numbers["still_s"] = np.minimum(numbers["still_s"], MOST_STILL_S)
    rows = _rows(frame, ROWS.get(kind, ()), order)
    first_payload = _payload_at(frame, order) if role == "set" and "payload" in frame else None
    conflicting = set(conflicts)
    for first, last in zip([0, *edges], [*edges, len(seq)], strict=True):
        name, number = names[int(code[first])], int(boot[first])
        power_up = found.get((role, name, number, 0))
        if power_up is None:
            power_up = found[role, name, number, 0] = PowerUp(role, name, number)
        span = slice(first, last)
        if first_payload is not None and UNCOUNTED in first_payload(first):
            power_up.losses_known = False
        power_up.channels[kind] = Channel(
            seq[span],
            time[span],
            received[span],
            uptime[span],
            retained[span],
            received[span],
            {name: values[span] for name, values in numbers.items()},
            rows[span] if rows else [],
        )
        if conflicting:
            power_up.conflicts += [
                int(value)
                for position, value in enumerate(seq[span].tolist(), first)
                if position in conflicting
            ]
    return apart


def _payload_at(frame: pl.DataFrame, order: Ints | slice) -> Callable[[int], str]:
    payloads = frame["payload"]
    # One message of a kind is looked at: a mapping says it of all that it makes.
    return lambda row: str(payloads[row if isinstance(order, slice) else int(order[row])])


def micros(times: pl.Series) -> Ints:
    """Return a column of UTC times as microseconds since 1970."""
    return times.to_numpy().astype("datetime64[us]", copy=False).view(np.int64)


def floats(values: pl.Series) -> Floats:
    """Return a column of numbers as floats, null as NaN."""
    return (values if values.dtype == pl.Float64 else values.cast(pl.Float64)).to_numpy()


def _ordered(values: pl.Series, order: Ints | slice, count: int) -> Floats:
    """Return a column of numbers in another order; one that is null all over takes no room."""
    if values.null_count() == len(values):
        return np.ndarray(count, np.float64, _NAN, strides=(0,))
    return floats(values)[order]


def _names(speakers: pl.Series) -> list[str]:
    if speakers.min() == speakers.max():
        return [speakers[0]]
    return speakers.unique().sort().to_list()


def _rows(frame: pl.DataFrame, names: tuple[str, ...], order: Ints | slice) -> list[dict[str, Any]]:
    if not names:
        return []
    columns = [frame[name].to_list() for name in names]
    return [
        dict(zip(names, values, strict=True))
        for position in (range(frame.height) if isinstance(order, slice) else order.tolist())
        for values in [[column[position] for column in columns]]
    ]


def _said_again(seq: Ints, boot: Ints, code: NDArray[np.uint32]) -> Bools:
    """Return where an identity is that of the message before."""
    again: Bools = (seq[1:] == seq[:-1]) & (boot[1:] == boot[:-1]) & (code[1:] == code[:-1])
    return again


def _first_of_each(payloads: list[str], again: Bools, received: Ints) -> tuple[Ints, list[int], list[int]]:
    """Keep the first of each identity.

    Returns the kept positions; which of them (new numbering) conflict; which of these after a long silence.
    """
    starts = np.flatnonzero(np.r_[True, ~again])
    ends = np.r_[starts[1:], len(payloads)]
    keep = starts.copy()
    conflicts: list[int] = []
    far: list[int] = []
    for number in np.flatnonzero(ends - starts > 1).tolist():
        first, last = int(starts[number]), int(ends[number])
        # Heard in the same microsecond: the payload decides, so that the order of parts does not.
        same = [i for i in range(first, last) if received[i] == received[first]]
        keep[number] = min(same, key=lambda i: payloads[i])
        if len(set(payloads[first:last])) > 1:
            conflicts.append(number)
            if np.ptp(received[first:last]) > _LONG_SILENCE_US:
                far.append(number)
    return keep, conflicts, far


def _find_cross_conflicts(power_up: PowerUp) -> bool:
    """Find identities that two kinds share, which is forbidden; return whether a long silence is between."""
    (said,) = power_up.joined("seq")
    seqs = np.sort(said, kind="stable")  # runs in order already: ten times as fast
    twice = seqs[1:][seqs[1:] == seqs[:-1]]
    power_up.seqs = seqs
    if not len(twice):
        return False
    power_up.conflicts = sorted({*power_up.conflicts, *twice.tolist()})
    power_up.seqs = np.unique(seqs)
    (received,) = power_up.joined("received_us")
    apart_us = np.abs(np.diff(received[np.argsort(said, kind="stable")]))[seqs[1:] == seqs[:-1]]
    return bool(apart_us.max() > _LONG_SILENCE_US)


def lost_between(power_up: PowerUp, first_seq: int, last_seq: int) -> int:
    """Return how many sequence numbers between two heard ones were never heard.

    Source: the contract counts `seq` up by one over all kinds; reordering does not matter, since the
    numbers are counted as a set.
    """
    if last_seq <= first_seq + 1:
        return 0
    low, high = np.searchsorted(power_up.seqs, [first_seq, last_seq], side="left")
    heard = int(high - low - 1)
    return last_seq - first_seq - 1 - heard


def runs_of(flags: Bools, shortest: int = 1) -> list[tuple[int, int]]:
    """Return (first, one past the last) of every run of true that has at least `shortest` of them."""
    if not flags.any():
        return []
    edges = np.flatnonzero(flags[1:] != flags[:-1]) + 1
    if len(flags) and flags[0]:
        edges = np.concatenate([[0], edges])
    if len(edges) % 2:
        edges = np.append(edges, len(flags))
    runs = edges.reshape(-1, 2)
    return [(first, last) for first, last in runs[runs[:, 1] - runs[:, 0] >= shortest].tolist()]
