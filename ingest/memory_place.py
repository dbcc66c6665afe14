"""Find where a set's memory belongs among what came by radio, if it has its own numbers or clock.

The pressures decide: both are readings of one sensor. A record that fits at one moment only is the same wear.
Its messages take the numbers that the radio lost, so that no wear and no air is counted twice.
"""

import json
from collections import Counter
from collections.abc import Iterator, Mapping
from datetime import timedelta
from typing import Any, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from ingest.contract.errors import RefusedMessage
from ingest.contract.frames import FrameBuilder, Messages
from ingest.contract.times import EPOCH, MICROSECOND, micros, rfc3339

LONGEST_OFF_S = 600
"""A clock that is further off counts only within the power-up that the record names."""
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


def in_one(frames: Mapping[str, pl.LazyFrame]) -> pl.LazyFrame:
    """Return sets' messages of all kinds as one frame, in the order of kinds; a pressure where it is one."""
    columns = [*SPEAKER, "boot", "seq", "time", "received", "topic", "payload", "retained"]
    none = pl.lit(None, pl.Float64).alias("pressure_bar")
    return pl.concat(
        frame.select(pl.lit(kind).alias("kind"), *columns, "pressure_bar" if kind == "pressure" else none)
        for kind, frame in frames.items()
    )


def offset_of(own: pl.DataFrame, radio: pl.DataFrame, *, however_far: bool = False) -> Offset | None:
    """Return a record's offset; None where its pressures fit at no moment, or at several.

    `own`, `radio`: `time` and `pressure_bar`, which is null in other messages than pressures.
    `however_far`: also where its clock is further off than `LONGEST_OFF_S`.
    """
    own, radio = (frame.drop_nulls("pressure_bar").sort("time") for frame in (own, radio))
    if len(own) < 2 or radio.is_empty():
        return None
    if however_far:  # so many moments are tried that a reading in ten seconds must do
        radio = radio.unique(pl.col("time").dt.truncate("10s"), keep="first").sort("time")
    own_s, radio_s = (micros_of(frame["time"]) / 1e6 for frame in (own, radio))
    own_bar, radio_bar = own["pressure_bar"].to_numpy(), radio["pressure_bar"].to_numpy()
    tried = np.arange(-LONGEST_OFF_S, LONGEST_OFF_S + 1)
    if however_far:
        tried = np.arange(int(own_s[0] - radio_s[-1]), int(own_s[-1] - radio_s[0]) + 1)
    costs, compared = np.full(len(tried), np.inf), np.zeros(len(tried), np.int64)
    for number, fast_s in enumerate(tried.tolist()):
        inside = slice(*np.searchsorted(radio_s, (own_s[0] - fast_s, own_s[-1] - fast_s)))
        said = radio_bar[inside]
        # At most and at least what the record has right before and after.
        after = np.clip(np.searchsorted(own_s, radio_s[inside] + fast_s), 1, len(own_s) - 1)
        low, high = np.sort([own_bar[after - 1], own_bar[after]], axis=0)
        apart = np.abs(said - np.clip(said, low, high))
        compared[number] = len(said)
        if (
            len(said) >= FEWEST
            and np.ptp(said) >= LEAST_FALL_BAR
            and (apart <= NEAR_BAR).mean() >= LEAST_NEAR
        ):
            costs[number] = np.minimum(apart, MOST_BAR).mean()
    # A record moved out of what the radio heard would agree with the little that is left.
    costs[2 * compared < compared.max()] = np.inf
    good = tried[costs <= costs.min() + AS_GOOD_BAR]
    if not np.isfinite(costs.min()) or good[-1] - good[0] > WIDEST_S:
        return None
    best = tried[costs <= costs.min() + 1e-9]
    middle = int(best[len(best) // 2])
    return Offset(middle, int(good[0]), int(good[-1]), int(compared[middle - tried[0]]))


def placed(told: pl.DataFrame, radio: pl.DataFrame, file: str) -> tuple[Messages, str] | None:
    """Return a record's messages with the numbers and times of the radio, and what was done, in words.

    None if the radio heard one of its power-ups, or the set at that time, and it fits at no moment or at two.
    `told`: the record's messages; `radio`: what is archived of its sets; both as `in_one` gives them.
    """
    builder, said = FrameBuilder(), list[str]()
    has_place = pl.col("payload").str.contains('"own":')
    known = {_own_identity(json.loads(text)) for text in radio.filter(has_place)["payload"]}
    for (service, set_id), of_set in told.sort(SPEAKER).group_by(SPEAKER, maintain_order=True):
        archived = radio.filter(service=service, set_id=set_id)
        heard = archived.filter(~has_place)
        boots, rows = _numbers_by_time(archived), list[_Own]()
        for (boot,), own in of_set.sort("boot", maintain_order=True).group_by("boot", maintain_order=True):
            offset, far = offset_of(own, heard), offset_of(own, heard.filter(boot=boot), however_far=True)
            if offset is None or far is None:
                offset = offset or far
            elif abs(offset.middle - far.middle) > WIDEST_S:
                return None  # its clock says another moment than its power-up
            if offset is not None:
                rows += _own_rows(own, offset, known, boots)
                said.append(_agreement(set_id, boot, offset))
            elif _is_known(own, heard, boot):
                return None
            else:
                for received, topic, payload in own.select("received", "topic", "payload").rows():
                    builder.add(micros(received), topic, payload.encode())
        if rows:
            rows.sort(key=lambda one: one.at_us)
            became = _take(builder, rows, boots, archived, file)
            said.append(
                f"{became['taken']:,} messages took numbers that the radio lost; {became['heard']:,} are of "
                f"moments that the radio heard; {became['too many']:,} are more than the numbers lost."
            )
    return builder.frames(), f"{file}: {' '.join([*said, KEPT])}" if said else ""


def goes_on(own: pl.DataFrame, radio: pl.DataFrame) -> bool:
    """Return whether a power-up's record may have the radio's numbers, by numbers and times alone.

    Some of its numbers lie among the radio's, or they go on from these as its times do. Where the radio
    heard no fall of the pressure to compare with, nothing contradicts it.

    `own`, `radio`: messages of one power-up, in the order of their numbers.
    """
    bar = radio["pressure_bar"].drop_nulls().to_numpy()
    if len(bar) < FEWEST or np.ptp(bar) < LEAST_FALL_BAR:
        return True
    (first, last), (low, high) = ((one["seq"][0], one["seq"][-1]) for one in (own, radio))
    if first <= high and last >= low:
        return True
    times = micros_of(radio["time"])
    apart_us = int(micros_of(own["time"])[0]) - int(times[-1])
    expected_us = (first - high) * int(times[-1] - times[0]) / max(high - low, 1)
    return bool(apart_us < 2 * expected_us + ALIKE_US and expected_us < 2 * apart_us + ALIKE_US)


def _is_known(own: pl.DataFrame, radio: pl.DataFrame, boot: int) -> bool:
    """Return whether the radio heard a record's power-up: that number, or the set between its times."""
    time, within = own["time"], timedelta(microseconds=ALIKE_US)
    inside = pl.col("time").is_between(time.min() + within, time.max() - within)  # type: ignore[operator]
    return radio.filter(inside | (pl.col("boot") == boot)).height > 0


def _own_identity(said: dict[str, Any]) -> tuple[Any, ...]:
    return said["kind"], said["set_id"], *said["own"].values()


def _own_rows(
    own: pl.DataFrame, offset: Offset, known: set[tuple[Any, ...]], boots: list[_Heard]
) -> Iterator[_Own]:
    """Yield a power-up's messages, each once, without those that an earlier file has placed."""
    times_us = micros_of(own["time"]) - offset.middle * 1_000_000
    low, high = times_us.min(), times_us.max()
    its = [i for i, one in enumerate(boots) if ((one.at_us >= low) & (one.at_us <= high)).any()]
    begun = [int(boots[i].at_us[0]) for i in its]
    rows = own.select("kind", "received", "topic", "payload").rows()
    for at_us, (kind, received, topic, payload) in zip(times_us.tolist(), rows, strict=True):
        said = json.loads(payload)
        said["own"] = {name: said[name] for name in ("boot", "seq", "time")}
        if (identity := _own_identity(said)) not in known:
            known.add(identity)
            which = its[max(int(np.searchsorted(begun, at_us, side="right")) - 1, 0)]
            yield _Own(at_us, which, kind, topic, said, micros(received))


def _take(
    builder: FrameBuilder, rows: list[_Own], boots: list[_Heard], radio: pl.DataFrame, file: str
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
        new = [one for one in events if not _heard(one, radio)]
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


def _numbers_by_time(radio: pl.DataFrame) -> list[_Heard]:
    """Return each power-up by radio, in the order of time."""
    frame = radio.filter(~pl.col("retained")).select("boot", "seq", "time").drop_nulls()
    found = [
        _Heard(boot, its["seq"].to_numpy(), np.maximum.accumulate(micros_of(its["time"])))
        for (boot,), its in frame.unique(["boot", "seq"]).sort("seq").group_by("boot")
    ]
    return sorted(found, key=lambda one: int(one.at_us[0]))


def micros_of(times: pl.Series) -> _Ints:
    """Return a column of times in microseconds since 1970."""
    return times.dt.epoch("us").to_numpy()


def _heard(one: _Own, radio: pl.DataFrame) -> bool:
    """Return whether the radio heard the same event at about that time."""
    fields = {name: value for name, value in one.payload.items() if name not in _OF_ANY}
    near = (pl.col("time").dt.epoch("us") - one.at_us).abs() <= ALIKE_US
    others = (json.loads(text) for text in radio.filter(near, kind=one.kind)["payload"])
    return any(all(said.get(name) == value for name, value in fields.items()) for said in others)


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


KEPT = (
    "Each message has its own number and time in its payload, and the file is kept in the archive's folder "
    "imports."
)
