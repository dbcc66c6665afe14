"""Find where a set's memory belongs among what came by radio, if it has its own numbers or clock.

The pressures decide: both are readings of one sensor. A record that fits at one moment only is the same wear.
Its messages take the numbers that the radio lost, so that no wear and no air is counted twice.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ingest.contract.errors import RefusedMessage
from ingest.contract.frames import FrameBuilder, Messages
from ingest.contract.kinds import SET_KINDS
from ingest.contract.times import EPOCH, MICROSECOND, micros, rfc3339

LONGEST_OFF_S = 600
"""A clock that is further off was read in a wrong zone or order of day and month: the mapping must say it."""
NEAR_BAR, MOST_BAR = 5.0, 10.0
"""Two readings of one moment, one of them rounded, differ by less; more than the second counts as that."""
LEAST_NEAR, FEWEST, LEAST_FALL_BAR = 0.95, 10, 20.0
"""Such a part of the readings by radio, so many, over such a fall, must agree."""
AS_GOOD_BAR, WIDEST_S = 0.25, 60
"""Offsets whose mean difference is so near to the least are as good; they must lie within so many seconds."""
ALIKE_US = 10_000_000  # an event and the same by radio are no further apart
# All of them our own rules.
READINGS = ("pressure", "temperature", "motion")
"""Kinds of which a set sends more than are needed: of these the lost numbers decide how many are taken."""
SPEAKER = ["service", "set_id"]
_Ints = NDArray[np.int64]


class Offset(NamedTuple):
    """By how much a record's clock is fast against the set's times by radio, in seconds."""

    middle: int
    low: int
    high: int
    compared: int  # readings by radio that it was compared with


class _Heard(NamedTuple):
    """What the radio heard of a power-up."""

    boot: int
    seq: _Ints
    at_us: _Ints  # only grow


class _Own(NamedTuple):
    """A message of the record."""

    at_us: int  # by the set's clock by radio
    which: int  # power-up by radio that it belongs to
    kind: str
    topic: str
    payload: dict[str, Any]
    received_us: int


def offset_of(own: pl.DataFrame, radio: pl.DataFrame) -> Offset | None:
    """Return a record's offset; None where its pressures fit at no moment, or at several.

    `own`, `radio`: `time` and `pressure_bar`, in the order of time.
    """
    own_s, radio_s = (micros_of(frame["time"]) / 1e6 for frame in (own, radio))
    own_bar, bar = own["pressure_bar"].to_numpy(), radio["pressure_bar"].to_numpy()
    tried = np.arange(-LONGEST_OFF_S, LONGEST_OFF_S + 1)
    costs, compared = np.full(len(tried), np.inf), np.zeros(len(tried), np.int64)
    if len(own) < 2:
        return None
    for number, fast_s in enumerate(tried.tolist()):
        at_s = radio_s + fast_s
        inside = (at_s >= own_s[0]) & (at_s <= own_s[-1])
        after = np.clip(np.searchsorted(own_s, at_s[inside]), 1, len(own_s) - 1)
        before_bar, after_bar, said = own_bar[after - 1], own_bar[after], bar[inside]
        low, high = np.minimum(before_bar, after_bar), np.maximum(before_bar, after_bar)
        apart = np.maximum(np.maximum(low - said, said - high), 0.0)
        compared[number] = len(said)
        if (
            len(said) >= FEWEST
            and np.ptp(said) >= LEAST_FALL_BAR
            and (apart <= NEAR_BAR).mean() >= LEAST_NEAR
        ):
            costs[number] = np.minimum(apart, MOST_BAR).mean()
    # A record moved out of what the radio heard would agree with the little that is left.
    costs[2 * compared < compared.max()] = np.inf
    if not np.isfinite(costs.min()):
        return None
    good = np.flatnonzero(costs <= costs.min() + AS_GOOD_BAR)
    low_s, high_s = int(tried[good[0]]), int(tried[good[-1]])
    if high_s - low_s > WIDEST_S:
        return None
    best = np.flatnonzero(costs <= costs.min() + 1e-9)
    middle = int(tried[best[len(best) // 2]])
    return Offset(middle, low_s, high_s, int(compared[middle + LONGEST_OFF_S]))


def placed(told: Messages, radio: Messages, file: str) -> tuple[Messages, str] | None:
    """Return a record's messages with the numbers and times of the radio, and what was done, in words.

    None where a power-up of it that was heard by radio at that time fits at no moment.
    `told`: the record's messages; `radio`: what is archived of its sets.
    """
    builder, said = FrameBuilder(), list[str]()
    known = {_own_identity(text) for kind in SET_KINDS for text in radio[kind]["payload"] if '"own":' in text}
    heard = {kind: radio[kind].filter(~pl.col("payload").str.contains('"own":')) for kind in SET_KINDS}
    for service, set_id in _speakers(told, SPEAKER):
        its = (pl.col("service") == service) & (pl.col("set_id") == set_id)
        of_set, by_radio = ({kind: one[kind].filter(its) for kind in SET_KINDS} for one in (radio, heard))
        boots, rows = _numbers_by_time(of_set), list[_Own]()
        for _, _, boot in _speakers({kind: told[kind].filter(its) for kind in SET_KINDS}, [*SPEAKER, "boot"]):
            own = {kind: told[kind].filter(its & (pl.col("boot") == boot)) for kind in SET_KINDS}
            offset = offset_of(own["pressure"].sort("time"), by_radio["pressure"].sort("time"))
            if offset is not None:
                rows += _own_rows(own, offset, known, boots)
                said.append(_agreement(set_id, boot, offset))
            elif _is_known(own, by_radio, boot):
                return None
            else:
                _as_it_is(builder, own)
        rows.sort(key=lambda one: one.at_us)
        if rows:
            said.append(_outcome(_take(builder, rows, boots, of_set, file)))
    messages = builder.frames()
    messages["refused"] = pl.concat([told["refused"], messages["refused"]])
    return messages, f"{file}: {' '.join([*said, KEPT])}" if said else ""


def _speakers(told: Messages, columns: list[str]) -> list[tuple[Any, ...]]:
    frames = [told[kind].select(columns) for kind in SET_KINDS if told[kind].height]
    return pl.concat(frames).unique().sort(columns).rows() if frames else []


def _is_known(own: Messages, radio: Messages, boot: int) -> bool:
    """Return whether the radio heard a record's power-up: that number, or the set between its times."""
    times = pl.concat(own[kind]["time"] for kind in SET_KINDS)
    within = pl.duration(microseconds=ALIKE_US)
    inside = pl.col("time").is_between(pl.lit(times.min()) + within, pl.lit(times.max()) - within)
    its = inside | (pl.col("boot") == boot)
    return any(radio[kind].filter(its).height for kind in SET_KINDS)


def _own_identity(payload: str) -> tuple[Any, ...]:
    said = json.loads(payload)
    return said["kind"], said["set_id"], *said["own"].values()


def _as_it_is(builder: FrameBuilder, own: Messages) -> None:
    for kind in SET_KINDS:
        for received, topic, payload in own[kind].select("received", "topic", "payload").rows():
            builder.add(micros(received), topic, payload.encode())


def _own_rows(
    own: Messages, offset: Offset, known: set[tuple[Any, ...]], boots: list[_Heard]
) -> Iterator[_Own]:
    """Yield a power-up's messages, each once, without those that an earlier file has placed."""
    times = pl.concat(own[kind]["time"] for kind in SET_KINDS)
    of_all = micros_of(times) - offset.middle * 1_000_000
    low, high = of_all.min(), of_all.max()
    its = [i for i, one in enumerate(boots) if ((one.at_us >= low) & (one.at_us <= high)).any()]
    begun = [int(boots[i].at_us[0]) for i in its]
    for kind in SET_KINDS:
        for time, received, topic, payload in own[kind].select("time", "received", "topic", "payload").rows():
            said = json.loads(payload)
            own_words = {name: said[name] for name in ("boot", "seq", "time")}
            identity = kind, said["set_id"], *own_words.values()
            if identity in known:
                continue
            known.add(identity)
            at_us = micros(time) - offset.middle * 1_000_000
            which = its[max(int(np.searchsorted(begun, at_us, side="right")) - 1, 0)]
            yield _Own(at_us, which, kind, topic, {**said, "own": own_words}, micros(received))


def _take(
    builder: FrameBuilder, rows: list[_Own], boots: list[_Heard], radio: Messages, file: str
) -> Counter[str]:
    """Give each message that the radio lost one of the numbers that it lost; return how many became what."""
    became: Counter[str] = Counter()
    silences: dict[tuple[int, int], list[_Own]] = {}
    for one in rows:
        position = int(np.searchsorted(boots[one.which].at_us, one.at_us, side="right"))
        silences.setdefault((one.which, position), []).append(one)
    for (which, position), lost in silences.items():
        boot, seq, _ = boots[which]
        low = int(seq[position - 1]) if position else -1
        free = int(seq[position]) - low - 1 if position < len(seq) else len(lost)
        events = [one for one in lost if one.kind not in READINGS]
        new = [one for one in events if not _heard(one, radio[one.kind])]
        became["heard"] += len(events) - len(new)
        for one in new[free:]:
            reason = f"{file}: the radio lost no number at that time, and heard no such {one.kind}"
            body = json.dumps(one.payload, ensure_ascii=False).encode()
            builder.refuse(one.received_us, one.topic, body, False, RefusedMessage(reason))
        readings = [one for one in lost if one.kind in READINGS]
        room = min(max(free - len(new), 0), len(readings))
        spread = [readings[(2 * i + 1) * len(readings) // (2 * room)] for i in range(room)]
        became["too many" if free else "heard"] += len(readings) - room
        taken = sorted([*new[:free], *spread], key=lambda one: one.at_us)
        became["taken"] += len(taken)
        for number, one in enumerate(taken, 1):
            # Spread over the numbers that were lost, as the messages were over the time.
            seq_of_it = low + number * (free + 1) // (len(taken) + 1)
            time = rfc3339(EPOCH + one.at_us * MICROSECOND)
            said = {**one.payload, "boot": boot, "seq": seq_of_it, "time": time}
            body = json.dumps(said, ensure_ascii=False, separators=(",", ":")).encode()
            builder.add(one.received_us, one.topic, body)
    return became


def _numbers_by_time(radio: Messages) -> list[_Heard]:
    """Return each power-up by radio, in the order of time."""
    columns = ["boot", "seq", "time"]
    frame = pl.concat(radio[kind].filter(~pl.col("retained")).select(columns) for kind in SET_KINDS)
    frame = frame.drop_nulls().unique(["boot", "seq"]).sort("seq")
    found = []
    for (boot,), its in frame.group_by("boot"):
        at_us = np.maximum.accumulate(micros_of(its["time"]))
        found.append(_Heard(boot, its["seq"].to_numpy(), at_us))
    return sorted(found, key=lambda one: int(one.at_us[0]))


def micros_of(times: pl.Series) -> _Ints:
    """Return a column of times in microseconds since 1970."""
    return times.dt.epoch("us").to_numpy()


def _heard(one: _Own, radio: pl.DataFrame) -> bool:
    """Return whether the radio heard the same event at about that time."""
    fields = {name: value for name, value in one.payload.items() if name not in _OF_ANY}
    for position in np.flatnonzero(np.abs(micros_of(radio["time"]) - one.at_us) <= ALIKE_US).tolist():
        said = json.loads(radio["payload"][position])
        if all(said.get(name) == value for name, value in fields.items()):
            return True
    return False


_OF_ANY = ("boot", "seq", "time", "own", "origin", "uptime_s")


def _agreement(set_id: str, boot: int, offset: Offset) -> str:
    clock = "with its clock as it is"
    if not offset.low <= 0 <= offset.high:
        side = "fast" if offset.middle > 0 else "slow"
        low, high = sorted((abs(offset.low), abs(offset.high)))
        by = f"{abs(offset.middle)} s {side} ({low} s to {high} s)"
        clock = f"if its clock is {by}, so its times were moved"
    return (
        f"power-up {boot} of set {set_id} has numbers or times of its own; its pressures agree with "
        f"{offset.compared:,} by radio {clock}."
    )


def _outcome(became: Counter[str]) -> str:
    return (
        f"{became['taken']:,} messages took numbers that the radio lost; {became['heard']:,} are of moments "
        f"that the radio heard; {became['too many']:,} are more than the numbers lost."
    )


KEPT = (
    "Each message has its own number and time in its payload, and the file is kept in the archive's folder "
    "imports."
)
