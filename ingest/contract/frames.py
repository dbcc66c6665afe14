"""Turn heard messages into typed frames, one a kind, and `refused` for what breaks the contract."""

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from operator import attrgetter
from typing import Any, Protocol

import msgspec
import polars as pl

from ingest.contract.captures import Heard
from ingest.contract.columns import APART, FRAME_SCHEMAS, TABLES, empty_frame
from ingest.contract.errors import RefusedMessage
from ingest.contract.fields import Field, fields_of
from ingest.contract.kinds import KINDS, Message
from ingest.contract.messages import decode_known, too_long
from ingest.contract.times import EPOCH, micros, parse_time
from ingest.contract.topics import parse_topic

Messages = dict[str, pl.DataFrame]
"""A frame for each kind and for ``refused``; always all of them, with their types."""

FEW = 30  # polars takes as long for these as for one, and Python no longer
_TIME = pl.Datetime("us", "UTC")
_Row = tuple[Message, str, int, str, bytes, bool]  # message, service, received (us), topic, payload, retained


@dataclass
class Mapped:
    """What became of an object of another form."""

    mapping: str  # name and version of the mapping that read it
    # Messages of the contract, received when the object was.
    messages: list[Heard] = field(default_factory=list)
    faults: list[RefusedMessage] = field(default_factory=list)  # what could not be mapped, and why
    again: bool = False  # the same object came before: nothing was made of it


class Reads(Protocol):
    """What makes messages of objects of another form (`ingest.mapping.mapper.Mapper`)."""

    def knows(self, topic: str) -> bool:
        """Return whether it reads what is published there."""

    def take(self, heard: Heard) -> Mapped:
        """Return what one object becomes."""


class FrameBuilder:
    """Collects messages as they were heard and makes frames of them.

    - `mapper`: reads what was published on topics of others; each such object is kept in ``originals``.
    - `only`: what is certainly of no such table is left out undecoded.
    - `of_a_case`: a message that a mapping could not make is refused with the reason noted at that time.
    """

    def __init__(
        self, mapper: Reads | None = None, only: Collection[str] = TABLES, of_a_case: bool = False
    ) -> None:
        self._mapper = mapper
        self._of_a_case = of_a_case
        self._only = KINDS if "refused" in only else only  # whether it is refused shows when it is decoded
        self._originals: list[tuple[int, str, bytes, bool, str, int | None, int]] = []
        self._rows: dict[str, list[_Row]] = {kind: [] for kind in KINDS}
        self._refused: list[tuple[int, str, bytes, bool, str, str | None]] = []

    def add(
        self, received_us: int, topic: str, payload: bytes, retained: bool = False, whole_bytes: int = 0
    ) -> None:
        """Decode one message; what breaks the contract becomes a row of ``refused``.

        - `received_us`: microseconds since 1970 on the listener's clock.
        - `whole_bytes`: how long the payload was when only its start was kept, else 0.
        """
        if whole_bytes:
            reason = f"{too_long(whole_bytes)}; its first {len(payload)} bytes are kept"
            self.refuse(received_us, topic, payload, retained, RefusedMessage(reason))
            return
        if self._mapper is not None and self._mapper.knows(topic):
            self._add_original(self._mapper, received_us, topic, payload, retained)
            return
        if self._of_a_case and (noted := _noted(payload)) is not None:
            self.refuse(received_us, topic, payload, retained, noted)
            return
        try:
            known = parse_topic(topic)
            if known.kind not in self._only:
                return
            message = decode_known(known, payload)
        except RefusedMessage as refusal:
            self.refuse(received_us, topic, payload, retained, refusal)
        else:
            self._rows[known.kind].append((message, known.service, received_us, topic, payload, retained))

    def _add_original(
        self, mapper: Reads, received_us: int, topic: str, payload: bytes, retained: bool
    ) -> None:
        mapped = mapper.take(heard_of((received_us, topic, payload, retained)))
        made = None if mapped.again else len(mapped.messages)
        self._originals.append(
            (received_us, topic, payload, retained, mapped.mapping, made, len(mapped.faults))
        )
        for message in mapped.messages:
            self.add(received_us, message.topic, message.payload, retained)
        for fault in mapped.faults:
            self.refuse(received_us, *(fault.meant or (topic, payload)), retained, fault)

    def refuse(
        self, received_us: int, topic: str, payload: bytes, retained: bool, refusal: RefusedMessage
    ) -> None:
        """Add a row of ``refused``."""
        # A topic may hold what no text column can (half a surrogate pair out of a capture).
        topic = topic.encode(errors="replace").decode()
        self._refused.append((received_us, topic, payload, retained, refusal.reason, refusal.path))

    def frames(self) -> Messages:
        """Return the frames of all messages added so far."""
        messages = {kind: _frame(kind, rows) for kind, rows in self._rows.items()}
        messages["originals"] = _frame_apart("originals", self._originals)
        messages["refused"] = _frame_apart("refused", self._refused)
        return messages


def heard_of(record: Sequence[Any]) -> Heard:
    """Return a record of the journal (received in microseconds, topic, payload, retained) as it was heard."""
    received_us, topic, payload, retained = record[:4]
    return Heard(EPOCH + timedelta(microseconds=received_us), topic, payload, retained)


def _noted(payload: bytes) -> RefusedMessage | None:
    if b'"unmapped":' not in payload:
        return None
    try:
        return RefusedMessage(*msgspec.json.decode(payload, type=_Unmapped).unmapped)
    except (msgspec.MsgspecError, ValueError, RecursionError):
        return None


class _Unmapped(msgspec.Struct):
    unmapped: tuple[str, str | None]


def frames_from_heard(
    heard: Iterable[Heard], of_a_case: bool = False, mapper: Reads | None = None
) -> Messages:
    """Return typed frames of what was heard, in that order, duplicates included.

    Returns all kinds and ``refused``. `of_a_case` and `mapper` as in `FrameBuilder`.
    """
    builder = FrameBuilder(mapper, of_a_case=of_a_case)
    add = builder.add
    for received, topic, payload, retained in heard:
        add(micros(received), topic, payload, retained)
    return builder.frames()


def _frame(kind: str, rows: list[_Row]) -> pl.DataFrame:
    if not rows:
        return empty_frame(kind)
    messages, services, received, topics, payloads, retained = zip(*rows, strict=True)
    schema = FRAME_SCHEMAS[kind]
    columns = [
        pl.Series("service", services, pl.String),
        *(_column(field, messages, schema[field.name]) for field in fields_of(kind)),
        pl.Series("received", received, pl.Int64).cast(_TIME),
        pl.Series("topic", topics, pl.String),
        pl.Series("payload", [payload.decode() for payload in payloads], pl.String),
        pl.Series("retained", retained, pl.Boolean),
    ]
    return pl.DataFrame(columns)


def _column(field: Field, messages: tuple[Message, ...], dtype: pl.DataType) -> pl.Series:
    read: Callable[[Message], Any] = attrgetter(field.name)
    if field.is_time:
        return _times(field.name, [read(message) for message in messages])
    values = [read(message) for message in messages]
    if field.shape == "object":
        values = [None if each is None else _members(field, each) for each in values]
    elif field.shape == "array":
        values = [None if each is None else [_members(field, one) for one in each] for each in values]
    return pl.Series(field.name, values, dtype)


def _members(field: Field, value: Any) -> dict[str, Any]:
    read = ((member, getattr(value, member.name)) for member in field.members)
    return {
        member.name: parse_time(held) if member.is_time and held is not None else held
        for member, held in read
    }


def _times(name: str, texts: list[str | None]) -> pl.Series:
    """Return instants; the usual spelling of many in bulk, a few and any other one by one."""
    if len(texts) > FEW:
        written = pl.Series(name, texts, pl.String)
        times = written.str.to_datetime(
            "%Y-%m-%dT%H:%M:%S%.fZ", time_unit="us", time_zone="UTC", strict=False
        )
        if times.null_count() == written.null_count():
            return times
    instants = [None if text is None else micros(parse_time(text)) for text in texts]
    return pl.Series(name, instants, pl.Int64).cast(_TIME)


def _frame_apart(table: str, rows: Sequence[tuple[Any, ...]]) -> pl.DataFrame:
    if not rows:
        return empty_frame(table)
    received, *rest = zip(*rows, strict=True)
    _, *columns = FRAME_SCHEMAS[table].items()
    return pl.DataFrame(
        [
            pl.Series("received", received, pl.Int64).cast(_TIME),
            *(pl.Series(name, values, dtype) for (name, dtype), values in zip(columns, rest, strict=True)),
        ]
    )


def no_messages() -> Messages:
    """Return the frames of nothing heard."""
    return {kind: empty_frame(kind) for kind in TABLES}


def concat(parts: Iterable[Messages]) -> Messages:
    """Return several lots of messages as one, in their order."""
    lots = list(parts)
    if not lots:
        return no_messages()
    return {kind: _joined([lot[kind] for lot in lots]) for kind in TABLES}


def _joined(frames: list[pl.DataFrame]) -> pl.DataFrame:
    """Return frames as one; of most kinds most lots have none, and joining nothing takes its time too."""
    filled = [frame for frame in frames if frame.height]
    return pl.concat(filled) if len(filled) > 1 else (filled or frames)[0]


def drop_duplicates(messages: Messages) -> Messages:
    """Return messages with each kept once, the first of each in order; conflicts keep both.

    What was refused, and what a mapping read, stays each time that it was heard.
    """
    return {
        kind: frame if kind in APART or frame.is_empty() else frame.filter(first_of_each(kind))
        for kind, frame in messages.items()
    }


def first_of_each(kind: str) -> pl.Expr:
    """Return the expression that is true for the first row of each message of a kind."""
    return pl.struct(message_key(kind)).is_first_distinct()


def message_key(kind: str) -> list[pl.Expr]:
    """Return the columns in which two receptions of one message agree (nulls count as equal).

    The identity (set_id or desk_id, boot, seq) is in the payload, but not the service: two services' sets of
    one ID that are switched on together say the same bytes. MQTT delivers again byte for byte what it
    delivered, so that a repetition is found without taking JSON apart; and a message of the same identity
    that is written in any other way, if only in its spaces, was not the same sending: both are kept, so that
    nothing that was heard is lost to a judgement about what it meant. A `link` without identity is the same
    only if received at the same time.
    """
    key = [pl.col("payload"), pl.col("service")]
    if kind == "link":
        nameless = pl.col("boot").is_null() | pl.col("seq").is_null()
        key.append(pl.when(nameless).then("received").alias("nameless_received"))
    return key
