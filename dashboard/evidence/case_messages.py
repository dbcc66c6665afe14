"""The messages of one incident as they go into a case: chosen, in one order, written as a capture."""

import gzip
import hashlib
from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np
import polars as pl

from analysis.incident import sets_of
from analysis.pieces.archive_pieces import light_incident_piece
from analysis.pieces.batch_messages import LightMessages
from analysis.pieces.identity import incident_id_of
from analysis.records import Ints, micros
from ingest.archive.mappings import file_of, mappings_folder, may_hold_mapped
from ingest.archive.reading import Archive
from ingest.archive.store import ArchivePath
from ingest.contract.captures import Heard, capture_line, read_capture
from ingest.contract.errors import ArchiveProblem
from ingest.contract.fields import speaker_field
from ingest.contract.kinds import KINDS, SET_KINDS
from ingest.mapping.mapper import Mapper
from ingest.mapping.rules import read_mapping

LINES_AT_ONCE = 50_000
SECOND_US = 1_000_000
READ_AT_ONCE = 200_000  # a part's rows come in groups of 50,000: less reads each group several times
PACKING = 3  # gzip: of 1 to 9; more costs three times the time for a tenth of the size
_ORDER = ("received", "topic", "seq", "payload")
# What can be written as it is; anything else goes one by one through `capture_line`, which knows all cases.
_PLAIN_TOPIC = r"^[A-Za-z0-9/_.:-]+$"


def messages_of(folder: ArchivePath, incident_id: str) -> tuple[Mapping[str, pl.DataFrame], int]:
    """Return an incident's messages from an archive; readings are read when asked for where that can be.

    With them, until when the archive goes on, as far as it matters to the incident: microseconds since 1970.

    Raises `ArchiveProblem` when the archive has no such incident; the text names those that it has.
    """
    (messages, scope), asked = light_incident_piece(folder, incident_id), incident_id
    incident_id = incident_id_of(asked)
    refused = messages["power"].filter(pl.col("state") == "refused")["set_id"]
    chosen = chosen_of(messages, {*sets_of(messages, incident_id), *refused}, incident_id)
    if not any(len(received_of(chosen, kind)) for kind in chosen):
        raise ArchiveProblem(f"the archive {folder} holds no message of incident {asked!r}")
    return chosen, scope.heard_until_us


def chosen_of(
    messages: Mapping[str, pl.DataFrame], sets: set[str], incident_id: str
) -> Mapping[str, pl.DataFrame]:
    """Return what belongs to an incident.

    Messages of its sets, those of desks about it or about its sets, and every tally of those who wore its
    sets or were in there: at another incident, too, it says whose a wear is. What was refused is all that the
    incident's piece of the archive has (`analysis.pieces`).
    """
    of_its_sets = pl.col("set_id").is_in(list(sets))
    about_it = pl.col("incident_id") == incident_id
    held = messages.kept if isinstance(messages, LightMessages) else messages
    wearers = held["tally"].filter(about_it | of_its_sets)["wearer_id"]
    chosen: dict[str, pl.DataFrame] = {}
    for kind in ("tally", *(kind for kind in KINDS if kind != "tally")):
        frame = held[kind]
        wanted = of_its_sets if "set_id" in frame.columns else pl.lit(value=False)
        if kind == "tally":
            wanted |= pl.col("wearer_id").is_in(wearers.implode())
        if kind == "incident":
            wanted = pl.col("incident_id").is_in([incident_id, *chosen["tally"]["incident_id"]])
        elif "incident_id" in frame.columns:
            wanted |= about_it
        chosen[kind] = _with_corrections(frame, wanted).sort(*_ORDER)
    chosen["refused"] = messages["refused"].sort("received", "topic", "payload")
    return messages.only(chosen, of_its_sets) if isinstance(messages, LightMessages) else chosen


def _with_corrections(frame: pl.DataFrame, wanted: pl.Expr) -> pl.DataFrame:
    """Return what is wanted, what corrects it and what it corrects: else a withdrawn word would count."""
    kept = frame.filter(wanted)
    if "corrects" not in frame.columns:
        return kept
    names = ("desk_id", "boot", "seq")
    own = pl.concat_str(*names, separator="/")
    corrected = pl.concat_str(*(pl.col("corrects").struct.field(name) for name in names), separator="/")
    height = -1
    while kept.height > height:
        height = kept.height
        mine, theirs = (kept.select(one).to_series().drop_nulls().implode() for one in (own, corrected))
        kept = frame.filter(wanted | own.is_in(theirs) | corrected.is_in(mine) | own.is_in(mine))
    return kept


def received_of(messages: Mapping[str, pl.DataFrame], kind: str) -> Ints:
    """Return when the messages of a kind were received, microseconds since 1970."""
    if isinstance(messages, LightMessages) and kind in messages.readings:
        return messages.readings[kind]
    return micros(messages[kind]["received"])


def counts_of(messages: Mapping[str, pl.DataFrame]) -> dict[str, int]:
    """Count a case's messages: the fields of `Origin` that say how many."""
    kept = conflicting = 0
    for kind in KINDS:
        if isinstance(messages, LightMessages) and kind in messages.readings:
            kept += len(messages.readings[kind])  # of one identity each
            continue
        frame = messages[kind]
        identity = [pl.col(speaker_field(kind)), pl.col("boot"), pl.col("seq")]
        kept += len(frame)
        named = frame.drop_nulls(["boot", "seq"])
        conflicting += len(named) - named.select(pl.struct(identity).n_unique()).item() if len(named) else 0
    return {"kept": kept, "refused": len(messages["refused"]), "conflicting": conflicting}


def capture_lines(messages: Mapping[str, pl.DataFrame]) -> Iterator[bytes | memoryview]:
    """Yield a case's messages as the lines of a capture, in the order received, many at a time.

    Topic, number and payload settle the order of what came in the same microsecond: same bytes every time.
    """
    for lot in messages.stretches(READ_AT_ONCE) if isinstance(messages, LightMessages) else [messages]:
        yield from _lines_of(lot)


def _lines_of(messages: Mapping[str, pl.DataFrame]) -> Iterator[bytes | memoryview]:
    number, text = pl.col("seq").cast(pl.Int64), pl.col("payload").alias("text")
    no_bytes, no_text = pl.lit(None, pl.Binary).alias("bytes"), pl.lit(None, pl.String).alias("text")
    no_number, as_heard = pl.lit(None, pl.Int64).alias("seq"), pl.col("payload").alias("bytes")
    parts = [messages[kind].select("received", "topic", number, text, no_bytes, "retained") for kind in KINDS]
    refused = messages["refused"].select("received", "topic", no_number, no_text, as_heard, "retained")
    lot = pl.concat([*parts, refused]).sort("received", "topic", "seq", "text", "bytes")
    for start in range(0, len(lot), LINES_AT_ONCE):
        yield _lines(lot.slice(start, LINES_AT_ONCE))


def _lines(lot: pl.DataFrame) -> bytes | memoryview:
    """Return rows as lines; those of a usual form all at once, which takes a tenth of the time."""
    text = pl.col("text")
    topics = lot["topic"].unique()
    usual = topics.filter(topics.str.contains(_PLAIN_TOPIC))
    plain = (
        # Two searches for a letter take a fifth of the time of a pattern.
        text.str.starts_with("{")
        & text.str.ends_with("}")
        & ~text.str.contains("\n", literal=True)
        & ~text.str.contains("\r", literal=True)
        & (pl.col("topic").is_in(usual.implode()) if len(usual) < len(topics) else pl.lit(value=True))
    ).fill_null(value=False)
    retained = pl.when("retained").then(pl.lit(',"retained":true}\n')).otherwise(pl.lit("}\n"))
    line = pl.concat_str(
        pl.lit('{"received":"'),
        _seconds(lot["received"]),
        (pl.col("received").to_physical() % SECOND_US + SECOND_US).cast(pl.String).str.slice(1),
        pl.lit('Z","topic":"'),
        "topic",
        pl.lit('","payload":'),
        "text",
        retained,
    )
    made = lot.select(pl.when(plain).then(line))[:, 0]
    if not made.null_count():
        # One text after the other in Arrow's memory: these are the bytes (Arrow columnar format 1.5).
        column = made.to_arrow(compat_level=pl.CompatLevel.oldest())
        return memoryview(column.buffers()[2])[: int(made.str.len_bytes().sum())]
    parts = []
    for row, (received_at, topic, _, text, raw, kept) in zip(made, lot.iter_rows(), strict=True):
        payload = text.encode() if raw is None else raw
        heard = Heard(received_at, topic, payload, bool(kept))
        parts.append(capture_line(heard) if row is None else row.encode())
    return b"".join(parts)


def _seconds(received: pl.Series) -> pl.Series:
    """Return the text of times in order up to their decimal point, made once for each second."""
    runs = (received.to_physical() // SECOND_US).rle().struct.unnest()
    texts = (runs["value"] * SECOND_US).cast(pl.Datetime("us")).dt.strftime("%Y-%m-%dT%H:%M:%S.")
    return texts.gather(np.repeat(np.arange(len(runs)), runs["len"]))


_MADE_BY = r'"origin":"([^"/]+/[1-9][0-9]*)"'
ORIGINALS, MAPPINGS = "originals.ndjson.gz", "mappings"


def _made_by_mappings(folder: ArchivePath, messages: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """Return which messages of a case a mapping made: mapping, set_id, received."""
    if not may_hold_mapped(folder):  # else all of them are held, with their payloads
        return pl.DataFrame(schema=["mapping", "set_id", "received", "topic"])
    mapping = pl.col("payload").str.extract(_MADE_BY).alias("mapping")
    made = pl.concat([messages[kind].select(mapping, "set_id", "received", "topic") for kind in SET_KINDS])
    there = [name for name in made["mapping"].unique().drop_nulls() if _mapping_file(folder, name).is_file()]
    return made.filter(pl.col("mapping").is_in(there))


def _mapping_file(folder: ArchivePath, mapping: str) -> Path:
    return mappings_folder(folder) / f"{mapping.replace('/', '-')}.toml"


def mappings_said(folder: ArchivePath, messages: Mapping[str, pl.DataFrame]) -> tuple[str, ...]:
    """Say by which mappings of an archive which sets of a case were read, with the SHA-256 of each."""
    made = _made_by_mappings(folder, messages).group_by("mapping").agg(pl.col("set_id").unique().sort())
    return tuple(f"{file_of(folder, name)}: {', '.join(sets)}" for name, sets in sorted(made.iter_rows()))


def write_originals(case: Path, folder: ArchivePath, messages: Mapping[str, pl.DataFrame]) -> None:
    """Write what other makers' sets sent, verbatim, and the mappings that made a case's messages of it.

    What was made or refused of an original was received with it. What gives only messages of other sets was
    received in the same moment by chance.
    """
    made = _made_by_mappings(folder, messages)
    if made.is_empty():
        return
    received = pl.concat([made["received"], messages["refused"]["received"]])
    of_them = pl.col("received").is_in(received.implode())
    found = Archive(folder).messages(only={"originals": of_them})["originals"]
    texts = [_mapping_file(folder, name) for name in made["mapping"].unique()]
    mapper, topics = Mapper([read_mapping(text.read_bytes(), text.name) for text in texts]), {*made["topic"]}
    with (case / ORIGINALS).open("wb") as file, gzip.GzipFile("", "wb", PACKING, file, mtime=0) as packed:
        for row in found.select("received", "topic", "payload", "retained").iter_rows():
            heard = Heard(*row)
            gives = mapper.take(heard).messages if mapper.knows(heard.topic) else []
            if not gives or any(one.topic in topics for one in gives):
                packed.write(capture_line(heard))
    (case / MAPPINGS).mkdir()
    for text in texts:
        (case / MAPPINGS / text.name).write_bytes(text.read_bytes())


def hash_of(messages: Mapping[str, pl.DataFrame]) -> str:
    """Return the SHA-256 of a case's messages, as its uncompressed capture has it."""
    digest = hashlib.sha256()
    for lines in capture_lines(messages):
        digest.update(lines)
    return digest.hexdigest()


def write_messages(path: Path, messages: Mapping[str, pl.DataFrame]) -> str:
    """Write a case's capture; return the SHA-256 of its lines. The same messages give the same file."""
    digest = hashlib.sha256()
    with path.open("wb") as file, gzip.GzipFile("", "wb", PACKING, file, mtime=0) as packed:
        for lines in capture_lines(messages):
            digest.update(lines)
            packed.write(lines)
    return digest.hexdigest()


def capture_sha256(path: Path) -> str:
    """Return the SHA-256 of a capture's lines, as `write_messages` returned it.

    Raises `BadCapture` when a line cannot be read.
    """
    digest = hashlib.sha256()
    for heard in read_capture(path):
        digest.update(capture_line(heard))
    return digest.hexdigest()
