"""Import a set's own memory, read out as CSV, to fill in what the radio lost.

A mapping in TOML says which column is which field, and in which unit; `memory_mapping.example.toml` beside
this module documents every option. What the contract does not allow is refused as from anywhere else.
"""

import csv
import json
from collections import Counter
from collections.abc import Iterator
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import msgspec
import polars as pl
from msgspec import Meta, Struct

from ingest.archive.folder import Counts, create_archive
from ingest.archive.imports import Brought, keep_file, keep_import
from ingest.archive.parts import part_files, scan_parts
from ingest.archive.sealing import seal_messages
from ingest.archive.store import ArchivePath, file_sha256
from ingest.contract.captures import require_file
from ingest.contract.errors import BadCapture, BadSettings, RefusedMessage
from ingest.contract.fields import Field, fields_of
from ingest.contract.frames import FrameBuilder, Messages
from ingest.contract.kinds import SET_KINDS
from ingest.contract.times import micros
from ingest.contract.topics import Topic
from ingest.contract.units import known_units, to_contract_unit
from ingest.importing import Imported
from ingest.memory_place import LONGEST_OFF_S, SPEAKER, goes_on, in_one, placed
from ingest.toml_faults import as_struct, document_in

SAME_US, APART_US, LEAST_WRONG = 2_000_000, 10_000_000, 0.05
"""So far the times of one message may be apart, and a set's clock from the order of its messages; from such a
part of all on they contradict. Our own rule."""
NO_CLOCK = (
    f"Its pressures do not place it either: no clock within {LONGEST_OFF_S // 60} min of the set's makes its "
    "pressures, and a fall in them, agree with those by radio; in the power-up that it names, no clock does. "
    "If its clock is further off, set utc_offset to correct it"
)
_EXPECTED = {"$.time.utc_offset": "an offset such as +02:00", "$.csv.decimal": 'one of ".", ","'}
EXAMPLE = Path(__file__).with_name("memory_mapping.example.toml")
ORIGIN = "memory"
SPEAKER_AND_BOOT = [*SPEAKER, "boot"]
IDENTITY = [*SPEAKER_AND_BOOT, "seq"]
_SET_ID = Field("set_id", "string", True, "")
_BOOT, _SEQ = (Field(name, "integer", True, "") for name in ("boot", "seq"))


class MemoryValue(Struct, frozen=True, forbid_unknown_fields=True):
    """Where a value comes from: a column, or it is always the same."""

    column: str = ""
    value: str | int | float | bool | None = None
    unit: str = ""
    words: dict[str, str] = {}
    optional: bool = False


class When(Struct, frozen=True, forbid_unknown_fields=True):
    """Which rows give a message."""

    column: str
    one_of: list[str]


class MessageMapping(Struct, frozen=True, forbid_unknown_fields=True):
    """One kind of message that a row can be."""

    kind: str
    fields: dict[str, MemoryValue]
    when: When | None = None
    seq: MemoryValue | None = None


class TimeMapping(Struct, frozen=True, forbid_unknown_fields=True):
    """How times are written."""

    column: str
    format: str = ""
    utc_offset: Annotated[str, Meta(pattern=r"\A[+-][0-2]\d:[0-5]\d\Z")] = "+00:00"
    zone: str = ""


class CsvMapping(Struct, frozen=True, forbid_unknown_fields=True):
    """How the file is written."""

    delimiter: Annotated[str, Meta(min_length=1, max_length=1)] = ","
    decimal: Annotated[str, Meta(pattern=r"\A[.,]\Z")] = "."
    encoding: str = "utf-8"
    skip_lines: Annotated[int, Meta(ge=0)] = 0
    columns: list[str] = []


class MemoryMapping(Struct, frozen=True, forbid_unknown_fields=True):
    """How a set's memory becomes messages."""

    service: str
    set_id: MemoryValue
    boot: MemoryValue
    seq: MemoryValue
    time: TimeMapping
    message: list[MessageMapping]
    csv: CsvMapping = CsvMapping()


def load_mapping(path: str | Path) -> MemoryMapping:
    """Read a mapping; `BadSettings` names the place of what is wrong."""
    mapping = as_struct(
        document_in(path, "mapping"), MemoryMapping, f"mapping {path}", EXAMPLE.name, _EXPECTED
    )
    if mapping.time.zone:
        try:
            ZoneInfo(mapping.time.zone)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            raise BadSettings(
                f"mapping {path}: time.zone must be an IANA name such as Europe/Berlin, "
                f"got {mapping.time.zone!r}"
            ) from None
    for number, message in enumerate(mapping.message):
        where = f"mapping {path}: message[{number}]"
        if message.kind not in SET_KINDS:
            raise BadSettings(f"{where}: kind must be one of {', '.join(SET_KINDS)}, got {message.kind!r}")
        fields = {field.name: field for field in fields_of(message.kind)}
        for name, source in message.fields.items():
            if name not in fields:
                raise BadSettings(
                    f"{where}: {message.kind} has no field {name!r}; it has {', '.join(fields)}"
                )
            units = known_units(fields[name].unit)
            if source.unit and source.unit not in units:
                raise BadSettings(
                    f"{where}.fields.{name}: unit must be one of {', '.join(units)}, got {source.unit!r}"
                )
    return mapping


def import_memory(
    path: str | Path, mapping: MemoryMapping, archive: str | ArchivePath, now: datetime
) -> Imported:
    """Bring a set's memory into an archive; `now` is the moment of receipt.

    What came by radio (the same service, set, boot and seq) stays; the same in the file counts as duplicate.
    A file with other numbers or times than the set's messages by radio is placed among them by its pressures
    (`ingest.memory_place`).

    Raises `BadCapture` when the file cannot be read, lacks a column that the mapping names, or contradicts
    the set's messages by radio.
    """
    folder = create_archive(archive)
    path = Path(path)
    messages = _messages(path, mapping, now)
    received, said = sum(frame.height for frame in messages.values()), ""
    told = in_one({kind: messages[kind].lazy() for kind in SET_KINDS}).collect()
    of_sets = pl.col("set_id").is_in(told["set_id"].unique().to_list())
    radio = in_one({kind: scan_parts(kind, part_files(folder, kind)).filter(of_sets) for kind in SET_KINDS})
    try:
        _compare_with_radio(path, told, radio)
    except BadCapture as apart:
        found = placed(told, radio.collect(), path.name)
        if found is None:
            raise BadCapture(f"{apart}. {NO_CLOCK}") from None
        refused = messages["refused"]
        messages, said = found
        messages["refused"] = pl.concat([refused, messages["refused"]])
    known = radio.select("kind", *IDENTITY).unique().collect()
    for kind in SET_KINDS:
        once = messages[kind].unique(IDENTITY, keep="first", maintain_order=True)
        of_kind = known.filter(kind=kind)
        messages[kind] = once.join(of_kind, on=IDENTITY, how="anti", maintain_order="left")
    digest = file_sha256(path)
    counts = seal_messages(folder, messages, f"import-{digest[:16]}")
    again = received - counts.received
    total = Counts(received, counts.kept, counts.duplicates + again, counts.refused)
    if received:
        copy = dict([keep_file(folder, f"{digest[:16]}.csv", path.read_bytes())]) if said else {}
        line = Brought(at=now, file=path.name, sha256=digest, first=now, last=now, placed=said, receipts=copy)
        keep_import(folder, msgspec.structs.replace(line, **asdict(total)))
    return Imported(total, Counter(messages["refused"]["reason"]), [said] if said else [])


def _messages(path: Path, mapping: MemoryMapping, now: datetime) -> Messages:
    """Return what a file's rows give; a row that cannot be read is refused."""
    builder, reader, now_us = FrameBuilder(), _Reader(mapping), micros(now)
    for number, row in _rows(path, mapping):
        given = [message for message in mapping.message if _gives(message, row)]
        for position, message in enumerate(given):
            try:
                topic, payload = reader.message(message, row, position, len(given))
            except ValueError as error:
                body = json.dumps(row, ensure_ascii=False).encode()
                refusal = RefusedMessage(f"{path.name}: {error}", f"line {number}")
                builder.refuse(now_us, "", body, False, refusal)
            else:
                builder.add(now_us, topic, payload)
    return builder.frames()


def _rows(path: Path, mapping: MemoryMapping) -> Iterator[tuple[int, dict[str, str]]]:
    form = mapping.csv
    try:
        require_file(path)
        with path.open(encoding=form.encoding, newline="") as file:
            for _ in range(form.skip_lines):
                file.readline()
            reader = csv.DictReader(
                file, form.columns or None, delimiter=form.delimiter, restval="", restkey=""
            )
            names = reader.fieldnames or ()
            if missing := sorted(_columns(mapping) - set(names)):
                has = ", ".join(names) or "none: it is empty, or skip_lines skips all"
                raise BadCapture(
                    f"{path} has no column {missing[0]!r}; it has {has}; "
                    "correct the mapping's columns, delimiter or skip_lines"
                )
            for row in reader:
                texts = {name: value.strip() for name, value in row.items() if isinstance(value, str)}
                yield reader.line_num + form.skip_lines, texts
    except OSError as error:
        raise BadCapture(f"{path} cannot be read: {error.strerror}") from error
    except (UnicodeDecodeError, LookupError, csv.Error) as error:
        raise BadCapture(f"{path} cannot be read as {form.encoding} CSV: {error}") from error


def _columns(mapping: MemoryMapping) -> set[str]:
    values = [mapping.set_id, mapping.boot, mapping.seq]
    columns = {mapping.time.column}
    for message in mapping.message:
        values += [*message.fields.values(), message.seq or mapping.seq]
        columns |= set() if message.when is None else {message.when.column}
    return columns | {value.column for value in values if value.column}


def _gives(message: MessageMapping, row: dict[str, str]) -> bool:
    if message.when is not None and row[message.when.column] not in message.when.one_of:
        return False
    return all(row[one.column] for one in message.fields.values() if one.column and not one.optional)


class _Reader:
    """Makes messages of rows.

    Numbers: the contract counts up by one over all kinds, and a row that gives several messages has one
    number for them. Those after the first take the numbers that follow, and the rows after it move up by as
    many: two messages never carry one identity.

    Times: in a zone with summer time they go by the order of the rows.
    """

    def __init__(self, mapping: MemoryMapping) -> None:
        self._mapping = mapping
        self._moved: Counter[tuple[str, int]] = Counter()
        self._before: datetime | None = None

    def message(
        self, message: MessageMapping, row: dict[str, str], position: int, given: int
    ) -> tuple[str, bytes]:
        """Return topic and payload of a row's message at `position` of `given`.

        Raises `ValueError` with what is not as the mapping says.
        """
        mapping, value = self._mapping, self._value
        set_id, boot = str(value(_SET_ID, mapping.set_id, row)), value(_BOOT, mapping.boot, row)
        seq = value(_SEQ, message.seq or mapping.seq, row)
        if message.seq is None:
            seq += self._moved[set_id, boot] + position
            self._moved[set_id, boot] += position * (position == given - 1)
        time = self._time(row[mapping.time.column])
        names = {"kind": message.kind, "set_id": set_id, "boot": boot, "seq": seq, "time": time}
        known = {field.name: field for field in fields_of(message.kind)}
        fields = {
            name: value(known[name], source, row)
            for name, source in message.fields.items()
            if not source.column or row[source.column]
        }
        payload = {**names, "origin": ORIGIN, **fields}
        topic = Topic(mapping.service, "set", set_id, message.kind).text
        return topic, json.dumps(payload, ensure_ascii=False, separators=(",", ":")).encode()

    def _value(self, field: Field, source: MemoryValue, row: dict[str, str]) -> Any:
        raw = row[source.column] if source.column else source.value
        if field.shape not in ("integer", "number"):
            return source.words.get(raw, raw) if isinstance(raw, str) else raw
        text = raw.replace(self._mapping.csv.decimal, ".") if isinstance(raw, str) else str(raw)
        try:
            if field.shape == "integer":
                return int(text)
            return to_contract_unit(float(text), source.unit or field.unit, field.unit)
        except ValueError:
            noun = "an integer" if field.shape == "integer" else "a number"
            raise ValueError(f"{field.name} must be {noun}, got {text!r}") from None

    def _time(self, text: str) -> str:
        """Return a row's time as RFC 3339."""
        form = self._mapping.time
        if not form.format and not form.zone:
            return text
        try:
            moment = datetime.strptime(text, form.format) if form.format else datetime.fromisoformat(text)
        except ValueError as error:
            raise ValueError(f"time {text!r}: {error}") from None
        if moment.tzinfo is not None:
            return moment.isoformat()
        if not form.zone:
            return moment.isoformat() + form.utc_offset
        zone = ZoneInfo(form.zone)
        earlier, later = (moment.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1))
        if earlier.astimezone(zone).replace(tzinfo=None) != moment:
            raise ValueError(f"time {text!r}: it does not exist in {zone.key} (clocks went forward)")
        # Of an hour that comes twice, the one after the last row.
        back = self._before is not None and earlier < self._before <= later
        self._before = later if back else earlier
        return self._before.isoformat()


def _compare_with_radio(path: Path, told: pl.DataFrame, by_radio: pl.LazyFrame) -> None:
    """Raise `BadCapture` when most messages cannot lie between those by radio with the numbers around theirs.

    Such a file has numbers of its own, or its times were read in a wrong zone or order of day and month: it
    would be a second wear of the same person at the same time.
    """
    told = told.select(*IDENTITY, "time").drop_nulls().sort("seq")
    radio = by_radio.filter(~pl.col("retained")).select(*IDENTITY, "time", "pressure_bar").collect()
    radio = radio.drop_nulls(["seq", "time"]).sort("seq")
    _refuse_another_boot(path, told, radio)
    _refuse_what_does_not_go_on(path, told, radio)
    radio = radio.drop("pressure_bar")
    both, numbered = told, radio.with_columns(number=pl.col("seq"))
    ways: dict[str, Literal["backward", "forward"]] = {"_before": "backward", "_after": "forward"}
    for suffix, way in ways.items():  # within a speaker both are in order, which polars cannot check
        both = both.join_asof(
            numbered, on="seq", by=SPEAKER_AND_BOOT, strategy=way, suffix=suffix, check_sortedness=False
        )
    # The same message has the same time; between others, a set's clock may be set.
    off = pl.when(pl.col("number") == pl.col("number_after")).then(SAME_US).otherwise(APART_US)
    off = pl.duration(microseconds=off.fill_null(APART_US))
    early, late = pl.col("time") < pl.col("time_before") - off, pl.col("time") > pl.col("time_after") + off
    in_order = (pl.col("time_before") <= pl.col("time_after") + off).fill_null(value=True)
    wrong = both.filter(in_order & (early | late))
    if len(wrong) < max(1, LEAST_WRONG * len(both)):
        return
    row = wrong.row(0, named=True)
    number, heard = row["number_after"], row["time_after"]
    if row["time_before"] is not None and row["time"] < row["time_before"]:
        number, heard = row["number"], row["time_before"]
    raise BadCapture(
        f"{path} contradicts what came by radio, in {len(wrong):,} of {len(both):,} messages: number "
        f"{row['seq']} of set {row['set_id']}, boot {row['boot']}, is of {row['time']:%Y-%m-%d %H:%M:%S} UTC "
        f"here, and number {number} by radio is of {heard:%Y-%m-%d %H:%M:%S} UTC. Nothing was imported. In "
        "the mapping, seq and boot must be the numbers that the set sends by radio, and time must have the "
        "right zone or offset and order of day and month"
    )


def _refuse_what_does_not_go_on(path: Path, told: pl.DataFrame, radio: pl.DataFrame) -> None:
    """Raise `BadCapture` where a power-up that was heard has numbers that the radio's do not reach."""
    heard = radio.partition_by(SPEAKER_AND_BOOT, as_dict=True)
    for of, own in told.partition_by(SPEAKER_AND_BOOT, as_dict=True).items():
        if of in heard and not goes_on(own, heard[of]):
            seq = own["seq"]
            whose = f"set {own['set_id'][0]}, boot {own['boot'][0]}"
            raise BadCapture(
                f"{path}: numbers {seq[0]} to {seq[-1]} of {whose}, do not fit those by radio (up to "
                f"{heard[of]['seq'][-1]}) at their times. Nothing was imported. In the mapping, seq and "
                "boot must be the numbers that the set sends by radio, and time must have the right zone or "
                "offset and order of day and month"
            )


def _refuse_another_boot(path: Path, told: pl.DataFrame, radio: pl.DataFrame) -> None:
    """Raise `BadCapture` where another power-up was heard at about the time of one unknown by radio.

    The same for one that was heard, if some of its messages are of moments at which the radio heard another.
    """
    time = pl.col("time")
    spans = radio.group_by(SPEAKER_AND_BOOT).agg(first=time.min(), last=time.max())
    off = pl.duration(seconds=LONGEST_OFF_S)
    there = told.join(spans, on=SPEAKER_AND_BOOT, how="anti").join(spans, on=SPEAKER, suffix="_heard")
    there = there.filter(time.is_between(pl.col("first") - off, pl.col("last") + off))
    near = told.join(radio, on=IDENTITY, how="anti").sort("time")
    at = radio.select(*SPEAKER_AND_BOOT, "time").sort("time")
    near = near.join_asof(
        at,
        on="time",
        by=SPEAKER,
        strategy="nearest",
        tolerance="10s",
        suffix="_heard",
        check_sortedness=False,
    )
    other = (pl.col("boot") != pl.col("boot_heard")).fill_null(value=False)
    wrong = near.filter(other, (other.mean() >= LEAST_WRONG).over(SPEAKER_AND_BOOT))
    there = pl.concat([there, wrong.join(radio, on=SPEAKER_AND_BOOT, how="semi")], how="diagonal")
    if len(there):
        row = there.row(0, named=True)
        raise BadCapture(
            f"{path}: {len(there):,} messages of set {row['set_id']} are of boot {row['boot']}, and by radio "
            f"boot {row['boot_heard']} was heard at about these times. Nothing was imported. In the mapping, "
            "boot must be the number that the set sends by radio"
        )
