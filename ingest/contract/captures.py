"""Capture files: what a listener heard, one message a line (``.ndjson``, ``.ndjson.gz``, ``.ndjson.zst``)."""

import base64
import binascii
import gzip
import stat
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
import pyarrow as pa

from ingest.contract.errors import BadCapture, RefusedMessage
from ingest.contract.messages import depth_exceeds
from ingest.contract.times import parse_time, rfc3339

SUFFIXES = (".ndjson", ".ndjson.gz", ".ndjson.zst")
_SHAPE = '{"received": TIME, "topic": TEXT, "payload": {...}}'
_DAMAGED = "the file is damaged, or ends in the middle of its compression"
# What comes in is bounded, whatever it claims to be: a line, and how much a file may unpack to. Captures of
# the contract's messages pack 10 to 30 times; files made to fill a disk pack a thousand times and more.
LONGEST_LINE_BYTES = 16 * 1024 * 1024
KEPT_OF_A_LONG_LINE_BYTES = 64 * 1024
MOST_UNPACKED_TO_PACKED = 300
_UNPACKED_WITHOUT_ASKING_BYTES = 16 * 1024 * 1024
_BLOCK_BYTES = 1 << 20


class Heard(NamedTuple):
    """One message as the listener heard it."""

    received: datetime  # the listener's clock; aware
    topic: str
    payload: bytes  # verbatim
    retained: bool = False  # the broker had kept it for newcomers: knowledge, not news


class BadLine(NamedTuple):
    """A line of a capture that holds no message."""

    number: int
    reason: str
    line: bytes


class _UnpacksTooFar(Exception):
    """The file unpacks to far more than any capture."""


class _Line(msgspec.Struct):
    received: str
    topic: str
    payload: msgspec.Raw | msgspec.UnsetType = msgspec.UNSET
    payload_b64: str | None = None
    retained: bool = False


_decode_line = msgspec.json.Decoder(_Line).decode
_decode_object = msgspec.json.Decoder(dict[str, msgspec.Raw]).decode
_quote = msgspec.json.Encoder().encode


def read_capture(path: str | Path) -> Iterator[Heard]:
    """Read a capture in its order.

    Raises `BadCapture` at the first line that holds no message, or when the file ends in the middle of its
    compression.
    """
    for item in read_lines(path):
        if isinstance(item, BadLine):
            raise BadCapture(f"{path}, line {item.number}: {item.reason}")
        yield item


def read_lines(path: str | Path) -> Iterator[Heard | BadLine]:
    """Read a capture in its order, with each bad line in its place.

    Raises `BadCapture` when the file is not there, or its name says no known format.
    """
    path = Path(path)
    number = 0
    require_file(path)
    try:
        for line in _lines_of(path):
            number += 1
            if line.isspace():
                continue
            if len(line) > LONGEST_LINE_BYTES:
                kept = line[:KEPT_OF_A_LONG_LINE_BYTES]
                yield BadLine(
                    number, f"it is longer than {LONGEST_LINE_BYTES} bytes; its start is kept", kept
                )
                continue
            try:
                yield _heard(line)
            except ValueError as error:
                yield BadLine(number, str(error), line)
    except (EOFError, gzip.BadGzipFile, zlib.error, pa.ArrowInvalid) as error:
        yield BadLine(number + 1, f"{_DAMAGED}: {error}", b"")
    except _UnpacksTooFar as error:
        yield BadLine(number + 1, f"nothing is read from here on: {error}", b"")
    except OSError as error:
        if error.errno is not None:
            raise BadCapture(f"{path} cannot be read: {error.strerror}") from error
        yield BadLine(number + 1, f"{_DAMAGED}: {error}", b"")  # pyarrow's word for broken zstd data


def require_file(path: Path) -> None:
    """Raise `BadCapture` for what is not a file: a named pipe may never begin, a device never ends."""
    try:
        mode = path.stat().st_mode
    except OSError as error:
        raise BadCapture(f"{path} cannot be read: {error.strerror}") from error
    if not stat.S_ISREG(mode):
        what = "a named pipe" if stat.S_ISFIFO(mode) else "a folder" if stat.S_ISDIR(mode) else "no file"
        raise BadCapture(f"{path} is {what}; write what it gives into a file first, and name that")


def _heard(line: bytes) -> Heard:
    try:
        told = _decode_line(line)
    except (msgspec.MsgspecError, ValueError, RecursionError) as error:
        broken = "; is there a line break in its payload?" if "truncated" in str(error) else ""
        raise ValueError(f"it is not a capture line ({_SHAPE}): {error}{broken}") from None
    try:
        received = parse_time(told.received)
    except ValueError as error:
        raise ValueError(f"received {told.received!r}: {error}") from None
    if told.payload_b64 is not None:
        try:
            payload = base64.b64decode(told.payload_b64, validate=True)
        except (binascii.Error, ValueError) as error:
            raise ValueError(f"payload_b64 is not Base64: {error}") from None
    elif told.payload is not msgspec.UNSET:
        payload = bytes(told.payload)
    else:
        raise ValueError("it has neither payload nor payload_b64")
    return Heard(received, told.topic, payload, told.retained)


def write_capture(path: str | Path, heard: Iterable[Heard]) -> int:
    """Write a capture; the same messages give the same bytes.

    - `path`: ends in ``.ndjson``, ``.ndjson.gz`` or ``.ndjson.zst``.

    Returns how many messages were written.
    """
    path = Path(path)
    count = 0
    with _created(path) as file:
        for message in heard:
            file.write(capture_line(message))
            count += 1
    return count


def capture_line(message: Heard) -> bytes:
    """Return the line of one message, with its line end.

    A payload that would not come back byte for byte (no JSON object, or one with line ends) is in Base64.
    """
    payload = message.payload
    if _fits_a_line(payload):
        body = b'"payload":' + payload
    else:
        body = b'"payload_b64":"' + base64.b64encode(payload) + b'"'
    retained = b',"retained":true' if message.retained else b""
    received = rfc3339(message.received).encode()
    return b'{"received":"%s","topic":%s,%s%s}\n' % (received, _quote(message.topic), body, retained)


def _fits_a_line(payload: bytes) -> bool:
    if not (payload.startswith(b"{") and payload.endswith(b"}")) or b"\n" in payload or b"\r" in payload:
        return False
    try:
        payload.decode()
        if payload.count(b"{") + payload.count(b"[") > 24 and depth_exceeds(payload):
            return False
        _decode_object(payload)
    except (msgspec.MsgspecError, ValueError, RecursionError, RefusedMessage):
        return False
    return True


def _packing(path: Path) -> str:
    """Return which of `SUFFIXES` a capture's name ends in; BadCapture when it is none."""
    for suffix in SUFFIXES:
        if path.name.endswith(suffix):
            return suffix
    raise BadCapture(f"{path.name}: a capture's name ends in {', '.join(SUFFIXES)}")


def _blocks_of(path: Path) -> Iterator[bytes]:
    """Yield a capture's bytes, unpacked; raises only when all that is before the damage was given."""
    packing = _packing(path)
    if packing == ".ndjson.zst":
        yield from _zstd_blocks_of(path)
        return
    with gzip.open(path, "rb") if packing == ".ndjson.gz" else path.open("rb") as file:
        # Not `read`: where a file breaks off, that throws away what it has of the block.
        yield from iter(lambda: file.read1(_BLOCK_BYTES), b"")


def _zstd_blocks_of(path: Path) -> Iterator[bytes]:
    def unpacked() -> Any:
        return pa.CompressedInputStream(pa.OSFile(str(path)), "zstd")

    given = 0
    try:
        with unpacked() as stream:
            while block := stream.read(_BLOCK_BYTES):
                given += len(block)
                yield block
    except (OSError, pa.ArrowInvalid):
        # pyarrow drops what it has unpacked of a block when it fails inside it: byte by byte it gives all.
        found = bytearray()
        with unpacked() as stream, suppress(OSError, pa.ArrowInvalid):
            while given:
                given -= len(stream.read(min(given, _BLOCK_BYTES)))
            while byte := stream.read(1):
                found += byte
        yield bytes(found)
        raise


def _lines_of(path: Path) -> Iterator[bytes]:
    """Yield lines with their ends; of one that is too long, only enough to show that it is."""
    most_bytes = max(_UNPACKED_WITHOUT_ASKING_BYTES, MOST_UNPACKED_TO_PACKED * path.stat().st_size)
    rest = b""
    passing_over = False
    unpacked = 0
    try:
        for block in _blocks_of(path):
            unpacked += len(block)
            if unpacked > most_bytes:
                raise _UnpacksTooFar(
                    f"it unpacks to more than {MOST_UNPACKED_TO_PACKED} times its size, which no capture does"
                )
            *lines, rest = (rest + block).split(b"\n")
            if passing_over and lines:
                del lines[0]
                passing_over = False
            for line in lines:
                yield line + b"\n"
            if passing_over:
                rest = b""
            elif len(rest) > LONGEST_LINE_BYTES:
                yield rest
                rest = b""
                passing_over = True
    except (OSError, EOFError, zlib.error, pa.ArrowInvalid):
        if rest:
            yield rest
        raise
    if rest:
        yield rest


@contextmanager
def _created(path: Path) -> Iterator[Any]:
    packing = _packing(path)
    if packing == ".ndjson.zst":
        with pa.OSFile(str(path), "wb") as raw, pa.CompressedOutputStream(raw, "zstd") as packed:
            yield packed
        return
    with path.open("wb") as file:
        if packing == ".ndjson":
            yield file
            return
        # No name and no time in the header: the same messages give the same bytes.
        with gzip.GzipFile("", "wb", 9, file, mtime=0) as packed:
            yield packed
