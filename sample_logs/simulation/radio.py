"""From what a set says to what the listener hears: identity, the set's own clock, delay, loss, silence.

A simulated :class:`Speaker` (a set, or the command desk) collects what it says at true times. :func:`carry`
then gives every message its ``seq`` and the time on the speaker's own clock, and lets it through an
imperfect radio. What was done to each message stays available to the tests.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ingest.contract.captures import Heard

FASTEST_DELAY_S = 0.040  # the lower envelope that the clock fit finds
TYPICAL_EXTRA_DELAY_S = 0.055
STORED_PER_SECOND = 25.0  # a gateway empties its store at about this rate


@dataclass(frozen=True, slots=True)
class SetClock:
    """How a speaker's clock runs against the listener's.

    - `offset_s`: speaker minus listener at the moment of power-up, seconds.
    - `drift_ppm`: parts per million by which it runs fast.
    - `steps`: tuple of (float, float): at this true time (seconds from the incident's opening) it jumps by so
      many seconds.
    - `fraction_digits`: digits of the second that it writes, 0 to 6.
    - `says_uptime`: whether the speaker also reports ``uptime_s``.
    """

    offset_s: float = 0.0
    drift_ppm: float = 0.0
    steps: tuple[tuple[float, float], ...] = ()
    fraction_digits: int = 3
    says_uptime: bool = True

    def reads_s(self, true_s: NDArray[np.float64], powered_s: float) -> NDArray[np.float64]:
        """Return what the clock shows (seconds from the opening, on its own scale) at true times."""
        shown = true_s + self.offset_s + (true_s - powered_s) * self.drift_ppm * 1e-6
        for at_s, jump_s in self.steps:
            shown = shown + np.where(true_s >= at_s, jump_s, 0.0)
        return np.asarray(shown, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Silence:
    """No radio between two true times; what was said then is lost, or kept and handed on afterwards."""

    started_s: float
    ended_s: float
    kept: bool = False


@dataclass(frozen=True, slots=True)
class RadioPath:
    """What happens between a speaker and the listener.

    - `loss`: fraction of messages lost at random.
    - `repeated`: fraction heard twice, byte for byte (QoS 1 delivers at least once).
    - `late`: fraction that comes one to four seconds late, and so out of order.
    - `silences`: longer interruptions.
    """

    loss: float = 0.002
    repeated: float = 0.0005
    late: float = 0.0
    silences: tuple[Silence, ...] = ()


@dataclass(frozen=True, slots=True)
class SimulatedWord:
    """One message before it has an identity; `fields` is its own JSON text without braces."""

    true_s: float
    kind: str
    fields: str
    retained: bool = False
    certain: bool = False  # never lost at random (tests rely on it being heard)


@dataclass(slots=True)
class Speaker:
    """A set or the desk from one power-up on, and all that it says."""

    service: str
    role: str  # "set" or "desk"
    name: str
    boot: int
    powered_s: float
    clock: SetClock = SetClock()
    path: RadioPath = RadioPath()
    said: list[SimulatedWord] = field(default_factory=list)

    def say(
        self,
        true_s: float,
        kind: str,
        fields: dict[str, Any],
        *,
        retained: bool = False,
        certain: bool = False,
    ) -> None:
        """Say one message at a true time (seconds from the opening)."""
        text = json.dumps(fields, separators=(",", ":"), ensure_ascii=False)[1:-1]
        self.said.append(SimulatedWord(true_s, kind, text, retained, certain))


@dataclass(frozen=True, slots=True)
class Carried:
    """What came of a speaker's messages, in the order in which they were said (``seq`` is the index).

    ``received_s`` is NaN for what was lost; ``repeats`` are (index, received_s) of identical second copies.
    """

    received_s: NDArray[np.float64]
    payloads: list[bytes]
    topics: list[str]
    retained: list[bool]
    true_s: NDArray[np.float64]
    repeats: list[tuple[int, float]]

    @property
    def lost(self) -> NDArray[np.int64]:
        """The ``seq`` of every message that never arrived."""
        return np.flatnonzero(np.isnan(self.received_s)).astype(np.int64)


def clock_texts(opened: datetime, shown_s: NDArray[np.float64], fraction_digits: int) -> list[str]:
    """Return RFC 3339 texts in UTC for seconds after `opened`, with so many digits of the second."""
    base = np.datetime64(opened.replace(tzinfo=None), "us")
    step_us = 10 ** (6 - fraction_digits)
    microseconds = np.floor(shown_s * 1e6 / step_us).astype(np.int64) * step_us
    texts = np.datetime_as_string(base + microseconds.astype("timedelta64[us]"), unit="us")
    keep = 19 if fraction_digits == 0 else 20 + fraction_digits
    return [text[:keep] + "Z" for text in texts.tolist()]


def carry(speaker: Speaker, opened: datetime, rng: np.random.Generator) -> Carried:
    """Give identity and set time to all that a speaker said, and let it through the radio.

    - `opened`: the moment (UTC) from which all seconds count.
    - `rng`: draws delay, loss and repetition.

    Returns one entry a message, in the order said.
    """
    said = sorted(speaker.said, key=lambda one: one.true_s)
    count = len(said)
    true_s = np.array([one.true_s for one in said], dtype=np.float64)
    texts = clock_texts(
        opened, speaker.clock.reads_s(true_s, speaker.powered_s), speaker.clock.fraction_digits
    )
    payloads = _payloads(speaker, said, texts, true_s)
    prefix = f"underair/v1/{speaker.service}/{speaker.role}/{speaker.name}/"
    topic_of = {kind: prefix + kind for kind in {one.kind for one in said}}

    delay_s = FASTEST_DELAY_S + rng.exponential(TYPICAL_EXTRA_DELAY_S, count)
    delay_s += np.where(rng.random(count) < speaker.path.late, rng.uniform(1.0, 4.0, count), 0.0)
    received_s = true_s + delay_s
    certain = np.array([one.certain for one in said], dtype=bool)
    received_s[(rng.random(count) < speaker.path.loss) & ~certain] = np.nan
    for silence in speaker.path.silences:
        inside = (true_s > silence.started_s) & (true_s < silence.ended_s)
        if silence.kept:
            queue = np.cumsum(inside)[inside] / STORED_PER_SECOND
            received_s[inside] = silence.ended_s + FASTEST_DELAY_S + queue
        else:
            received_s[inside] = np.nan
    twice = np.flatnonzero((rng.random(count) < speaker.path.repeated) & ~np.isnan(received_s))
    later_s = rng.uniform(0.2, 3.0, twice.size)
    repeats = [
        (int(index), float(received_s[index] + extra)) for index, extra in zip(twice, later_s, strict=True)
    ]
    return Carried(
        received_s,
        payloads,
        [topic_of[one.kind] for one in said],
        [one.retained for one in said],
        true_s,
        repeats,
    )


def _payloads(
    speaker: Speaker, said: list[SimulatedWord], texts: list[str], true_s: NDArray[np.float64]
) -> list[bytes]:
    who = f'"{speaker.role}_id":"{speaker.name}","boot":{speaker.boot},"seq":'
    uptimes = [f'"uptime_s":{uptime},' for uptime in np.round(true_s - speaker.powered_s, 3).tolist()]
    if not speaker.clock.says_uptime:
        uptimes = [""] * len(said)
    return [
        f'{{"kind":"{one.kind}",{who}{seq},"time":"{text}",{uptime}{one.fields}}}'.encode()
        for seq, (one, text, uptime) in enumerate(zip(said, texts, uptimes, strict=True))
    ]


def as_heard(carried: Carried, opened: datetime) -> list[Heard]:
    """Return what the listener heard of one speaker, in no particular order."""
    heard = []
    for index, received_s in enumerate(carried.received_s.tolist()):
        if received_s == received_s:  # not lost
            heard.append(_heard(carried, index, received_s, opened))
    heard.extend(_heard(carried, index, received_s, opened) for index, received_s in carried.repeats)
    return heard


def _heard(carried: Carried, index: int, received_s: float, opened: datetime) -> Heard:
    # `retained` stays False: the listener was there when it was published, the broker did not replay it.
    return Heard(
        received=opened + timedelta(microseconds=int(received_s * 1e6)),
        topic=carried.topics[index],
        payload=carried.payloads[index],
        retained=False,
    )
