"""Checks a capture against the contract, message by message; for makers of sets and gateways."""

import difflib
import statistics
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache
from itertools import pairwise
from typing import Literal

import msgspec

from ingest.contract.captures import BadLine, Heard
from ingest.contract.errors import RefusedMessage
from ingest.contract.fields import fields_of
from ingest.contract.kinds import RATED_BAR, WATER_VOLUME_L, Message
from ingest.contract.messages import decode_known
from ingest.contract.times import SLOWEST, STANDS_MESSAGES, STANDS_S
from ingest.contract.topics import Topic, parse_topic
from ingest.plurals import counted

# Our own rules, all about what a maker would want to know; none of them makes a message refused.
CLOCK_WORTH_A_WORD_S = 5.0
LEAST_WARNING_BAR = 10.0  # our own rule
_REMEMBERED = 4096  # identities a power-up, to tell a message sent twice from a counter that runs backwards

# What underair itself writes into messages that it makes of a mapping or of a set's memory.
OWN_MARKS = ("origin", "losses", "power_up", "clock")

Weight = Literal["refused", "advice"]


class _Numbers(msgspec.Struct):
    boot: int
    seq: int


_numbers_of = msgspec.json.Decoder(_Numbers).decode
_names_of = msgspec.json.Decoder(dict[str, msgspec.Raw]).decode


@dataclass
class Remark:
    """One thing to mend."""

    # Of the message in the capture, from 1, empty lines not counted; 0 when it is about a whole speaker.
    number: int
    # ``refused`` (underair does not take it) or ``advice`` (taken, but something is lost by it).
    weight: Weight
    topic: str
    what: str  # what is wrong, what was expected, and what it costs
    path: str | None = None  # JSON path of the field
    times: int = 1  # how often the same was found with this speaker; the first is shown


@dataclass
class Voice:
    """What one set or desk was heard to say."""

    service: str
    speaker: str
    speaker_id: str
    kinds: dict[str, int] = field(default_factory=dict)
    power_ups: int = 0
    missing: int = 0  # numbers of `seq` that were passed over and never came
    # Kind to the median of the seconds from one message to the next, by the speaker's clock.
    every_s: dict[str, float] = field(default_factory=dict)
    # Median of the speaker's clock against the listener's, retained messages left out.
    clock_fast_s: float | None = None


@dataclass
class Checked:
    """All that was found, counts first."""

    messages: int = 0
    refused: int = 0
    remarks: list[Remark] = field(default_factory=list)
    speakers: list[Voice] = field(default_factory=list)


class _Speaker(Voice):
    """A voice while its messages are being read."""

    def __init__(self, topic: Topic) -> None:
        super().__init__(topic.service, topic.speaker, topic.speaker_id)
        self.last: dict[int, tuple[int, datetime]] = {}
        self.recent: dict[tuple[int, int], bytes] = {}
        self.times: dict[str, list[float]] = {}
        self.said: list[tuple[datetime, datetime]] = []  # time and receipt

    def remarks_on(self, message: Message, heard: Heard, topic: Topic) -> Iterator[tuple[str, str | None]]:
        self.kinds[topic.kind] = self.kinds.get(topic.kind, 0) + 1
        yield from _unknown_names(topic.kind, heard.payload)
        if topic.kind == "setup" and not heard.retained:
            yield from _odd_setup(message)
        if message.boot is None or message.seq is None or message.time is None:
            return
        boot, seq, at = message.boot, message.seq, datetime.fromisoformat(message.time).astimezone(UTC)
        if not heard.retained:
            self.said.append((at, heard.received))
            self.times.setdefault(topic.kind, []).append(at.timestamp())
        if (boot, seq) in self.recent:
            if self.recent[boot, seq] != heard.payload:
                yield (
                    f"boot {boot}, seq {seq} came before with another payload: an identity names one "
                    "message; count seq up by one for each, over all kinds, and change boot at each power-up",
                    "$.seq",
                )
            return
        self.recent[boot, seq] = heard.payload
        if len(self.recent) > _REMEMBERED:
            del self.recent[next(iter(self.recent))]
        if heard.retained:
            return  # the broker kept it from another day: no sign of what came between
        if boot not in self.last:
            self.power_ups += 1
        elif seq < self.last[boot][0] and at > self.last[boot][1]:
            yield (
                f"seq falls from {self.last[boot][0]} to {seq} while time goes on and boot stays {boot}: "
                "boot must change at every power-up, or messages cannot be distinguished",
                "$.boot",
            )
            return
        self.count(boot, seq, at)

    def count(self, boot: int, seq: int, at: datetime) -> None:
        """Count what lies between a number and the last; one that is older was late by radio."""
        last = self.last.get(boot, (seq - 1, at))[0]
        self.missing += seq - last - 1 if seq > last else -(seq < last)
        if seq > last:
            self.last[boot] = seq, at

    def passed_over(self, payload: bytes, received: datetime) -> None:
        """Count a refused message as one that came, where it says which."""
        with suppress(msgspec.MsgspecError, ValueError, RecursionError):
            numbers = _numbers_of(payload)
            self.count(numbers.boot, numbers.seq, self.last.get(numbers.boot, (0, received))[1])

    def in_the_end(self) -> Iterator[str]:
        for kind, times in self.times.items():
            if steps := [later - earlier for earlier, later in pairwise(sorted(times))]:
                self.every_s[kind] = round(statistics.median(steps), 3)
        if self.said:
            fast_s = [(at - received).total_seconds() for at, received in self.said]
            off_s = self.clock_fast_s = round(statistics.median(fast_s), 3)
            ran_s, heard_s = ((max(one) - min(one)).total_seconds() for one in zip(*self.said, strict=True))
            if len(fast_s) >= STANDS_MESSAGES and heard_s >= STANDS_S and ran_s <= SLOWEST * heard_s:
                yield (
                    f"its time ran {ran_s:.1f} s in {heard_s:,.0f} s: it is no clock, and without uptime_s "
                    "every message is placed where it was received; is it in s, and read as ms?"
                )
            elif abs(off_s) > CLOCK_WORTH_A_WORD_S:
                yield (
                    f"its clock is {abs(off_s):,.0f} s {'fast' if off_s > 0 else 'slow'} against the "
                    "listener's; the analysis corrects it as well as the link allows"
                )
        heard = sum(self.kinds.values())
        if self.missing > heard:
            yield (
                f"seq skipped {counted(self.missing, 'number')} in {counted(heard, 'message')}: it must "
                "count up by one for each message, over all kinds; else nobody can tell what was lost"
            )
        if self.speaker == "set" and "pressure" in self.kinds and "setup" not in self.kinds:
            yield (
                "it sent no setup: without the cylinder its air is shown in bar only, never in litres or "
                "minutes; publish setup, retained, at every power-up"
            )


def check(lines: Iterable[Heard | BadLine], progress: Callable[[int], object] = int) -> Checked:
    """Check a capture against the contract.

    Returns what underair would refuse, and what it takes but would rather have otherwise.
    """
    checked = Checked()
    speakers: dict[Topic, _Speaker] = {}
    first: dict[tuple[str, str | None], Remark] = {}
    for number, heard in enumerate(lines, start=1):
        checked.messages += 1
        if number % 1000 == 0:
            progress(number)
        if isinstance(heard, BadLine):
            checked.refused += 1
            checked.remarks.append(Remark(number, "refused", "", heard.reason))
            continue
        speaker = None
        try:
            topic = parse_topic(heard.topic)
            who = topic._replace(kind="")
            speaker = speakers.get(who) or speakers.setdefault(who, _Speaker(topic))
            message = decode_known(topic, heard.payload)
        except RefusedMessage as error:
            checked.refused += 1
            checked.remarks.append(Remark(number, "refused", heard.topic, error.reason, error.path))
            if speaker is not None:
                speaker.passed_over(heard.payload, heard.received)
            continue
        for what, path in speaker.remarks_on(message, heard, topic):
            # An identity is a matter of all kinds together; any other field is one of its kind's.
            alike = (who.text if path in ("$.seq", "$.boot") else heard.topic, path)
            if alike in first:
                first[alike].times += 1
            else:
                first[alike] = Remark(number, "advice", heard.topic, what, path)
                checked.remarks.append(first[alike])
    for who, speaker in sorted(speakers.items()):
        if speaker.kinds:  # else all that it said was refused, and said so above
            about = [Remark(0, "advice", who.text.rstrip("/"), what) for what in speaker.in_the_end()]
            checked.remarks += about
            checked.speakers.append(speaker)
    progress(checked.messages)
    return checked


@cache
def _known_names(kind: str) -> frozenset[str]:
    return frozenset({"kind", *OWN_MARKS} | {each.name for each in fields_of(kind)})


def _unknown_names(kind: str, payload: bytes) -> Iterator[tuple[str, str | None]]:
    """A newer set may say more than version 1 names; a typing error looks the same, so `check` reports it."""
    known = _known_names(kind)
    for name in _names_of(payload):
        if name in known:
            continue
        close = difflib.get_close_matches(name, known, n=1, cutoff=0.75)
        meant = f"; did you mean {close[0]}?" if close else ""
        shown = name[:60]
        yield f"version 1 names no field {shown!r} in {kind}: it is stored and ignored{meant}", f"$.{shown}"


def _odd_setup(message: Message) -> Iterator[tuple[str, str | None]]:
    cylinders = getattr(message, "cylinders", None)
    low_air_bar = getattr(message, "low_air_bar", None)
    for name, unit, (least, most) in (
        ("water_volume_l", "l", WATER_VOLUME_L),
        ("rated_bar", "bar", RATED_BAR),
    ):
        value = getattr(cylinders, name, None)
        if value is not None and not least <= value <= most:
            yield (
                f"{name} {value:g} {unit} is not a cylinder that a wearer carries "
                f"(expected {least:g} to {most:g} {unit}): it counts as unknown, without litres and minutes",
                f"$.cylinders.{name}",
            )
    if low_air_bar is not None and not low_air_bar >= LEAST_WARNING_BAR:
        yield (
            f"low_air_bar {low_air_bar:g} bar is no warning (expected {LEAST_WARNING_BAR:g} bar or more): it "
            "counts as not sent, the profile's value is used",
            "$.low_air_bar",
        )
    if cylinders is not None and low_air_bar is not None and low_air_bar >= cylinders.rated_bar:
        yield (
            f"low_air_bar {low_air_bar:g} bar is not below rated_bar {cylinders.rated_bar:g} bar: "
            "it would warn with a full cylinder",
            "$.low_air_bar",
        )
