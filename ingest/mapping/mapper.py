"""Applies a mapping to what was received: one original gives any number of messages of the contract.

What cannot be known is not invented. A source without a counter gives messages whose `seq` is our own count:
its payload says so (`"losses": "unknown"`), since nobody can tell what of it was lost.
"""

import json
import math
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, timedelta
from hashlib import blake2b
from operator import itemgetter
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import msgspec

from ingest.contract.captures import BadLine, Heard
from ingest.contract.errors import RefusedMessage
from ingest.contract.fields import Field, fields_of
from ingest.contract.frames import Mapped
from ingest.contract.kinds import ID_WORDS
from ingest.contract.messages import decode_known, depth_exceeds
from ingest.contract.times import micros, parse_time, rfc3339
from ingest.contract.topics import Topic, is_id, parse_topic
from ingest.contract.units import to_contract_unit
from ingest.mapping.rules import FlagRule, Mapping, Source, TimeValue, Value

# An object of another system may be larger than a message of ours; beyond this it is no telemetry.
LARGEST_ORIGINAL_BYTES = 64 * 1024
LISTED_VALUES = 20  # of a flag
REMEMBERED = 64  # more than a broker has on its way to one client for one set
_UPTIME_SLACK_S = 5.0  # a set's uptime and the receiving clock may differ by this within one power-up
_decode_object = msgspec.json.Decoder(dict[str, Any] | list[Any]).decode


class SetState(msgspec.Struct):
    """What the mapper must remember of one set; it can be written as JSON and read back."""

    boot: int
    heard_us: int
    seq: int = 0
    up_since_s: float | None = None
    counters: dict[str, int] = {}  # by the source's topic and the counter's place: each counts alone
    flags: dict[str, bool] = {}
    unread: dict[str, str] = {}  # the present value of each flag, if the mapping does not list it
    once: list[str] = []
    recent: list[int] = []  # marks of the latest objects, so that one that MQTT delivers again counts once


class _Reading(NamedTuple):
    """The unit that a source reads: an object, or an item of a list in it."""

    source: Source
    first_rule: int  # number of its first rule among those of all sources of its topic
    levels: dict[str, str]
    document: Any
    item: tuple[int, ...] = ()  # what each ``*`` of a pointer stands for

    def at(self, pointer: str) -> Any:
        return at_pointer(self.document, self.place(pointer) if self.item else pointer)

    def place(self, pointer: str) -> str:
        for number in self.item:
            pointer = pointer.replace("/*", f"/{number}", 1)
        return pointer

    def fault(
        self, fault: RefusedMessage, service: str = "", meant: dict[str, Any] | None = None
    ) -> RefusedMessage:
        """Return a fault with its place in this object, and what is known of the message that it is about."""
        item = f"{self.source.each}/*" if self.item else ""
        field = (fault.path or "").startswith("$")  # of the message that was made of the item
        path = f"{item} {fault.path}".strip() if field else fault.path or item
        place = self.place(path) or None
        told = _written(service, {**meant, "unmapped": (fault.reason, place)}) if meant else None
        return RefusedMessage(fault.reason, place, told)


class Mapper:
    """Applies mappings to originals, in the order of receipt.

    Its `state` can be that of an earlier mapper, to go on from there.
    """

    def __init__(self, mappings: Iterable[Mapping]) -> None:
        self.state: dict[str, SetState] = {}
        self._mappings = list(mappings)
        self._by_topic: dict[str, tuple[Mapping, list[_Reading]] | None] = {}
        self._seen: dict[tuple[str, str], dict[Any, bool | None]] = {}  # values of each flag, and how read

    def knows(self, topic: str) -> bool:
        """Return whether a mapping names this topic."""
        return self._found(topic) is not None

    def take(self, heard: Heard) -> Mapped:
        """Return what one original becomes; `knows` must be true of its topic."""
        found = self._found(heard.topic)
        if found is None:
            raise ValueError(f"no mapping names the topic {heard.topic!r}")
        mapping, sources = found
        mapped = Mapped(mapping.origin)
        timed: list[tuple[str, str, _Reading]] = []
        try:
            document = _object(heard.payload)
            readings = [each for source in sources for each in _readings(source, document, mapped.faults)]
        except RefusedMessage as fault:
            mapped.faults.append(fault)
            return mapped
        for reading in readings:
            source, set_id = reading.source, ""
            try:
                set_id = str(_required(source.set_id, reading, "set_id"))
                if not is_id(set_id):
                    raise RefusedMessage(
                        f"set_id must be {ID_WORDS}, got {set_id[:60]!r}", source.set_id.pointer
                    )
                timed.append((_time(source.time, reading, heard.received), set_id, reading))
            except RefusedMessage as fault:
                mapped.faults += _unplaced(mapping, set_id, reading, fault)
        again = self._heard_again(mapping, timed, heard)
        unused: list[RefusedMessage] = []
        for time, set_id, reading in sorted(timed, key=itemgetter(0)):
            if set_id not in again and not self._read(mapping, time, set_id, reading, heard, mapped):
                nothing = RefusedMessage(f"mapping {mapping.name} finds none of its fields in it")
                (mapped.faults if reading.item else unused).append(reading.fault(nothing))
        if not mapped.messages and not mapped.faults:
            mapped.again = bool(again)
            if len(unused) == len(timed):
                mapped.faults += unused[:1]
        return mapped

    def flag_lines(self) -> Iterator[str]:
        """Yield for each flag the values that were there, and how each was read."""
        for (alarm, pointer), seen in self._seen.items():
            parts, listed = [], [*seen.items()][:LISTED_VALUES]
            for name, read in (("true", True), ("false", False), ("refused", None)):
                values = [json.dumps(value)[:40] for (_, value), how in listed if how is read]
                parts += [f"{name} = {', '.join(values)}"] if values else []
            more = " and more" if len(seen) > LISTED_VALUES else ""
            yield f"flag {alarm} at {pointer}: {'; '.join(parts) or 'never active'}{more}"

    def _heard_again(
        self, mapping: Mapping, timed: list[tuple[str, str, _Reading]], heard: Heard
    ) -> set[str]:
        """Return the sets of an object that came before. One without time or counter can be said twice."""
        sources = [reading.source for _, _, reading in timed]
        if not any(one.time.form != "received" or one.counter is not None for one in sources):
            return set()
        mark, sets = _mark(heard), {set_id for _, set_id, _ in timed}
        before = {set_id: self.state.get(f"{mapping.service}/{set_id}") for set_id in sets}
        return {set_id for set_id, state in before.items() if state is not None and mark in state.recent}

    def _read(
        self, mapping: Mapping, time: str, set_id: str, reading: _Reading, heard: Heard, mapped: Mapped
    ) -> bool:
        """Make the messages of one reading; return whether there was anything for its rules."""
        source, faults = reading.source, len(mapped.faults)
        try:
            state = self._state_of(mapping, set_id, reading, heard)
        except RefusedMessage as fault:
            mapped.faults += _unplaced(mapping, set_id, reading, fault)
            return True
        something = bool(source.flag) or all(rule.once for rule in source.message)

        def say(kind: str, fields: dict[str, Any] | RefusedMessage, **meant: str) -> bool:
            """Add a message that the contract's own decoder accepts, or else a refusal of it."""
            fault = fields if isinstance(fields, RefusedMessage) else None
            payload = {"kind": kind, "set_id": set_id, "boot": state.boot, "seq": state.seq}
            payload |= meant if isinstance(fields, RefusedMessage) else {"time": time, **fields}
            payload["origin"] = mapping.origin
            if source.counter is None:
                payload["losses"] = "unknown"
            if source.boot is None:
                payload["power_up"] = "inferred"
            if source.time.form == "received":
                payload["clock"] = "listener"
            state.seq += 1  # also for a refused message, so that its number does not count as lost
            topic, written = _written(mapping.service, payload)
            try:
                if fault is not None:
                    raise fault
                decode_known(parse_topic(topic), written)
            except RefusedMessage as broken:
                mapped.faults.append(reading.fault(broken, mapping.service, payload))
                return False
            mapped.messages.append(Heard(heard.received, topic, written, heard.retained))
            return True

        for number, rule in enumerate(source.message, start=reading.first_rule):
            key = f"{source.topic} {number}"
            if rule.once and key in state.once:
                continue
            try:
                fields: dict[str, Any] | RefusedMessage | None = _made(
                    rule.fields, fields_of(rule.kind), reading
                )
            except RefusedMessage as fault:
                fields = fault
            if fields is None:
                continue
            something |= not rule.once
            if say(rule.kind, fields) and rule.once:
                state.once.append(key)
        for flag in source.flag:
            key = f"{source.topic} {flag.alarm} {flag.pointer}"
            try:
                event = _event(
                    flag, reading, state, key, self._seen.setdefault((flag.alarm, flag.pointer), {})
                )
            except RefusedMessage as fault:
                raw = str(reading.at(flag.pointer))[:60]
                if state.unread.get(key) != raw:  # said when it changes, like an alarm
                    state.unread[key] = raw
                    say("alarm", fault, alarm=flag.alarm, flag=raw)
            else:
                state.unread.pop(key, None)
                if event is not None:
                    say("alarm", event)
        return something or len(mapped.faults) > faults

    def _found(self, topic: str) -> tuple[Mapping, list[_Reading]] | None:
        """Return the mapping that names a topic, and all its sources that do."""
        if topic not in self._by_topic:
            if len(self._by_topic) > 65_536:
                self._by_topic.clear()
            self._by_topic[topic] = None
            for mapping in self._mappings:
                sources, rules = [], dict.fromkeys((one.topic for one in mapping.source), 0)
                for source in mapping.source:
                    if match := source.matches.fullmatch(topic):
                        sources.append(_Reading(source, rules[source.topic], match.groupdict(), None))
                    rules[source.topic] += len(source.message)
                if sources:
                    self._by_topic[topic] = mapping, sources
                    break
        return self._by_topic[topic]

    def _state_of(self, mapping: Mapping, set_id: str, reading: _Reading, heard: Heard) -> SetState:
        """Return the set's state in its present power-up: the source's own number, else inferred."""
        source, key = reading.source, f"{mapping.service}/{set_id}"
        state = self.state.get(key)
        now_us = micros(heard.received)
        up_since_s = None
        if source.uptime_s is not None and (raw := _raw(source.uptime_s, reading)) is not None:
            up_since_s = now_us / 1e6 - _in_unit("uptime_s", raw, source.uptime_s, "s")
        if source.boot is not None:
            boot = _whole("boot", _required(source.boot, reading, "boot"))
            fresh = state is None or state.boot != boot
        else:
            boot = now_us // 1_000_000
            fresh = state is None or _is_new_power_up(state, source, now_us, up_since_s)
        if state is None or fresh:
            state = self.state[key] = SetState(boot, now_us)
        state.heard_us = max(state.heard_us, now_us)
        if (mark := _mark(heard)) not in state.recent:
            state.recent = [*state.recent[1 - REMEMBERED :], mark]
        if up_since_s is not None:
            # The earliest: a message that was held up on its way makes the set look younger than it is.
            state.up_since_s = min(up_since_s, state.up_since_s or up_since_s)
        if source.counter is not None:
            counter = _whole("counter", _required(source.counter, reading, "counter"))
            place = f"{source.topic}{source.counter.pointer}"
            last = state.counters.get(place, counter)
            state.seq += max(counter - last - 1, 0)  # one number for each original that did not come
            state.counters[place] = max(counter, last)
        return state


def _written(service: str, payload: dict[str, Any]) -> tuple[str, bytes]:
    """Return topic and payload of a message of the contract."""
    topic = Topic(service, "set", payload["set_id"], payload["kind"]).text
    return topic, json.dumps(payload, ensure_ascii=False, separators=(",", ":")).encode(errors="replace")


def _unplaced(
    mapping: Mapping, set_id: str, reading: _Reading, fault: RefusedMessage
) -> Iterator[RefusedMessage]:
    """Yield the refusals of a reading without time or number: each flag that is not off, else one message."""
    known = {"set_id": set_id, "origin": mapping.origin}
    raised = [
        {"kind": "alarm", **known, "alarm": flag.alarm, "flag": str(raw)[:60]}
        for flag in reading.source.flag
        if (raw := reading.at(flag.pointer)) is not None and not _is_off(flag, raw)
    ]
    kinds = sorted((rule.kind for rule in reading.source.message if not rule.once), key="pressure".__ne__)
    payloads = raised or [{"kind": kind, **known} for kind in kinds[:1]]
    for payload in payloads if payloads and is_id(set_id) else [{}]:
        yield reading.fault(fault, mapping.service, payload)


def _is_off(flag: FlagRule, raw: Any) -> bool:
    reads = [flag.read(each) for each in _active(raw)]
    return True not in reads if isinstance(raw, list) else reads == [False]


def _active(raw: Any) -> list[Any]:
    return [
        int(each) if isinstance(each, float) and each.is_integer() else each
        for each in (raw if isinstance(raw, list) else [raw])
    ]


def _mark(heard: Heard) -> int:
    # 48 bits: two objects of one set that differ and have the same mark come once in a million years.
    return int.from_bytes(blake2b(heard.topic.encode() + b" " + heard.payload, digest_size=6).digest())


def _is_new_power_up(state: SetState, source: Source, now_us: int, up_since_s: float | None) -> bool:
    if up_since_s is not None and state.up_since_s is not None:
        return up_since_s > state.up_since_s + max(_UPTIME_SLACK_S, source.new_power_up_after_s / 10)
    return now_us - state.heard_us > source.new_power_up_after_s * 1e6


def mapped_lines(lines: Iterable[Heard | BadLine], mapper: Mapper) -> Iterator[Heard | BadLine]:
    """Yield a capture's lines with each object that a mapping reads replaced by what it becomes.

    What could not be mapped is a bad line with the reason; what is on other topics stays as it is.
    """
    for number, line in enumerate(lines, start=1):
        if isinstance(line, BadLine) or not mapper.knows(line.topic):
            yield line
            continue
        mapped = mapper.take(line)
        yield from mapped.messages
        for fault in mapped.faults:
            yield BadLine(number, f"{line.topic}: {fault}", line.payload)


def _object(payload: bytes) -> dict[str, Any] | list[Any]:
    if len(payload) > LARGEST_ORIGINAL_BYTES:
        raise RefusedMessage(
            f"the object has {len(payload):,} bytes; a mapping reads at most {LARGEST_ORIGINAL_BYTES:,}"
        )
    if depth_exceeds(payload):
        raise RefusedMessage("the object is nested too deep")
    try:
        return _decode_object(payload)
    except (msgspec.MsgspecError, ValueError, RecursionError) as error:
        raise RefusedMessage(f"the payload is not a JSON object: {error}") from None


def _readings(source: _Reading, document: Any, faults: list[RefusedMessage]) -> Iterator[_Reading]:
    """Yield what a source reads of an object: all of it, or each item of its list; add what is no list."""
    whole = source._replace(document=document)
    if source.source.each is None:
        if isinstance(document, dict):
            yield whole
        else:
            faults.append(
                RefusedMessage("the payload is not a JSON object; a list needs `each` in the mapping")
            )
        return
    found = [whole]
    lists = source.source.each.split("/*")
    for depth in range(len(lists)):
        inner = []
        for one in found:
            pointer = "/*".join(lists[: depth + 1])
            items = one.at(pointer)
            if isinstance(items, list):
                inner += [one._replace(item=(*one.item, number)) for number in range(len(items))]
            else:
                faults.append(RefusedMessage("the mapping expects a list", one.place(pointer) or None))
        found = inner
    yield from found


def at_pointer(document: Any, pointer: str) -> Any:
    """Return the value at a JSON Pointer (RFC 6901), None when there is none.

    Examples
    --------
    >>> at_pointer({"a": [{"b/c": 5}]}, "/a/0/b~1c")
    5
    """
    value = document
    for token in pointer.split("/")[1:]:
        name = token.replace("~1", "/").replace("~0", "~")
        if isinstance(value, dict):
            value = value.get(name)
        elif isinstance(value, list) and name.isdigit() and int(name) < len(value):
            value = value[int(name)]
        else:
            return None
    return value


def _raw(value: Value, reading: _Reading) -> Any:
    if value.pointer:
        found = reading.at(value.pointer)
    elif value.level:
        found = reading.levels[value.level]
    else:
        found = value.value
    return value.words.get(found, found) if isinstance(found, str) else found


def _required(value: Value, reading: _Reading, name: str) -> Any:
    raw = _raw(value, reading)
    if raw is None:
        raise RefusedMessage(f"{name} is missing; the mapping expects it at {value.pointer}", value.pointer)
    return raw


def _made(values: dict[str, Value], fields: tuple[Field, ...], reading: _Reading) -> dict[str, Any] | None:
    """Return the fields of a message, None when the source does not give one that it needs."""
    known = {each.name: each for each in fields}
    made: dict[str, Any] = {}
    for name, value in values.items():
        field = known[name]
        raw: Any = _made(value.parts, field.members, reading) if value.parts else _raw(value, reading)
        if raw is None:
            if value.optional:
                continue
            return None
        if field.shape == "number":
            raw = _in_unit(name, raw, value, field.unit)
        elif field.shape == "integer":
            raw = _whole(name, raw)
        made[name] = raw
    return made


def _in_unit(name: str, raw: Any, value: Value, unit: str) -> float:
    return to_contract_unit(_number(name, raw, value.pointer) * value.times, value.unit or unit, unit)


def _number(name: str, raw: Any, pointer: str) -> float:
    try:
        number = math.nan if isinstance(raw, bool) else float(raw)
    except (TypeError, ValueError, OverflowError):
        number = math.nan
    if not math.isfinite(number):
        raise RefusedMessage(f"{name} must be a number, got {str(raw)[:60]!r}", pointer)
    return number


def _whole(name: str, raw: Any) -> int:
    number = _number(name, raw, "")
    if number != int(number) or not 0 <= number <= 2**53 - 1:
        raise RefusedMessage(f"{name} must be an integer 0..{2**53 - 1}, got {str(raw)[:60]!r}")
    return int(number)


def _time(rule: TimeValue, reading: _Reading, received: datetime) -> str:
    if rule.form == "received":
        return rfc3339(received)
    raw = reading.at(rule.pointer)
    if raw is None:
        raise RefusedMessage(f"the time is missing; the mapping expects it at {rule.pointer}", rule.pointer)
    try:
        if rule.form == "rfc3339":
            return rfc3339(parse_time(str(raw)))
        if rule.form == "local":
            said = datetime.fromisoformat(str(raw)).replace(tzinfo=ZoneInfo(rule.zone))
            return rfc3339(min((said, said.replace(fold=1)), key=lambda one: abs(one - received)))
        seconds = _number("time", raw, rule.pointer) / (1000 if rule.form == "epoch_ms" else 1)
        return rfc3339(datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds))
    except (ValueError, OverflowError) as error:
        raise RefusedMessage(
            f"the time must be {rule.form}, got {str(raw)[:60]!r}: {error}", rule.pointer
        ) from None


def _event(
    flag: FlagRule, reading: _Reading, state: SetState, key: str, seen: dict[Any, bool | None]
) -> dict[str, Any] | None:
    raw = reading.at(flag.pointer)
    if raw is None:
        return None
    active = _active(raw)
    if not all(isinstance(each, bool | int | str) for each in active):
        raise RefusedMessage(
            f"the flag must be true, false, a word or a list of words, got {str(raw)[:60]!r}", flag.pointer
        )
    reads = [flag.read(each) for each in active]
    if isinstance(raw, list):
        reads = [read is True for read in reads]  # whatever else a list names
    if len(seen) <= LISTED_VALUES:
        seen.update(((type(each), each), read) for each, read in zip(active, reads, strict=True))
    now = True in reads
    if None in reads:
        raise RefusedMessage(
            f"the flag {flag.alarm} must be one of its values for true or false, got {str(raw)[:60]!r}; the "
            "alarm stays as it was",
            flag.pointer,
        )
    before = state.flags.get(key)
    state.flags[key] = now
    if now == before or (before is None and not now):
        return None
    event = {"alarm": flag.alarm, "state": "raised" if now else "cleared"}
    if before is None:
        event["detail"] = "already active when this set was first heard"
    return event
