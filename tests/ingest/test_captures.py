from __future__ import annotations

import gzip
import hashlib
from collections.abc import Callable
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.contract.captures import (
    SUFFIXES,
    BadLine,
    Heard,
    capture_line,
    read_capture,
    read_lines,
    write_capture,
)
from ingest.contract.errors import BadCapture
from tests.any_text import TEXT

Pressure = Callable[..., Heard]

AT = datetime(2031, 5, 4, 10, 21, 7, 412_003, UTC)


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_capture_comes_back_as_it_was_written(tmp_path: Path, pressure: Pressure, suffix: str) -> None:
    heard = [
        *(pressure(seq) for seq in range(100)),
        Heard(AT, "underair/v1/demo/set/S-014/setup", b'{"kind":"setup"}', retained=True),
        Heard(AT, "any/topic/ä", b"\xff\x00 no JSON"),
        Heard(AT, "t", b""),
        Heard(AT, "t", b'{"a":\n1}'),
        Heard(AT, "t", b' {"a":1} '),
        Heard(AT, "t", b'{"a":1}{"b":2}'),
        Heard(AT, "t", b'{"a":' + b"[" * 3000 + b"]" * 3000 + b"}"),
        Heard(AT, "t", b'{"a":"\\ud800"}'),
        Heard(AT, "t", b'{"a":"\xff"}'),
    ]
    path = tmp_path / f"log{suffix}"
    assert write_capture(path, heard) == len(heard)
    assert list(read_capture(path)) == heard


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_same_messages_give_the_same_bytes(tmp_path: Path, pressure: Pressure, suffix: str) -> None:
    one, two = tmp_path / f"one{suffix}", tmp_path / f"another-name{suffix}"
    write_capture(one, [pressure(seq) for seq in range(50)])
    write_capture(two, [pressure(seq) for seq in range(50)])
    assert one.read_bytes() == two.read_bytes()


def test_line_is_the_contract_s() -> None:
    heard = Heard(AT, "underair/v1/demo/set/S-014/pressure", b'{"kind":"pressure"}')
    assert capture_line(heard) == (
        b'{"received":"2031-05-04T10:21:07.412003Z","topic":"underair/v1/demo/set/S-014/pressure",'
        b'"payload":{"kind":"pressure"}}\n'
    )
    assert b'"payload_b64":"/w=="' in capture_line(heard._replace(payload=b"\xff"))


def test_received_is_written_in_utc() -> None:
    local = AT.astimezone(timezone(timedelta(hours=5, minutes=30)))
    assert b"10:21:07.412003Z" in capture_line(Heard(local, "t", b"{}"))


@given(topic=st.text(TEXT, max_size=40), payload=st.binary(max_size=60))
def test_any_message_survives_a_line(
    topic: str, payload: bytes, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("capture") / "log.ndjson"
    write_capture(path, [Heard(AT, topic, payload)])
    assert list(read_capture(path)) == [Heard(AT, topic, payload)]


@given(body=st.binary(max_size=200))
def test_any_bytes_in_a_capture_give_messages_or_bad_lines(
    body: bytes, tmp_path_factory: pytest.TempPathFactory
) -> None:
    for suffix in SUFFIXES:
        path = tmp_path_factory.mktemp("capture") / f"log{suffix}"
        path.write_bytes(body)
        for item in read_lines(path):
            assert isinstance(item, Heard | BadLine)


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (b"xx", "not a capture line"),
        (b"[]", "not a capture line"),
        (b"{}", "missing required field `received`"),
        (b'{"received":"2031-05-04T10:21:07Z","payload":{}}', "missing required field `topic`"),
        (b'{"received":"2031-05-04T10:21:07Z","topic":"t"}', "neither payload nor payload_b64"),
        (b'{"received":"2031-05-04T10:21:07","topic":"t","payload":{}}', "UTC offset is missing"),
        (b'{"received":"2031-05-04T10:21:07Z","topic":"t","payload_b64":"*"}', "not Base64"),
        (b'{"received":"2031-05-04T10:21:07Z","topic":"\\ud800","payload":{}}', "not a capture line"),
        (b"[" * 100_000, "not a capture line"),
        (b"\xff", "not a capture line"),
    ],
)
def test_bad_line_is_named_and_the_others_are_read(tmp_path: Path, line: bytes, reason: str) -> None:
    path = tmp_path / "log.ndjson"
    good = Heard(AT, "t", b"{}")
    path.write_bytes(capture_line(good) + line + b"\n\n" + capture_line(good))
    first, bad, last = read_lines(path)
    assert first == last == good
    assert isinstance(bad, BadLine)
    assert bad.number == 2
    assert bad.line.rstrip(b"\n") == line
    assert reason in bad.reason
    with pytest.raises(BadCapture, match=r"log.ndjson, line 2: "):
        list(read_capture(path))


def test_last_line_needs_no_line_end(tmp_path: Path) -> None:
    for suffix in SUFFIXES:
        path = tmp_path / f"log{suffix}"
        body = capture_line(Heard(AT, "t", b"{}")).rstrip()
        if suffix == ".ndjson.gz":
            body = gzip.compress(body)
        elif suffix == ".ndjson.zst":
            body = pa.compress(body, "zstd", asbytes=True)
        path.write_bytes(body)
        assert len(list(read_capture(path))) == 1


@pytest.mark.parametrize("suffix", [".ndjson.gz", ".ndjson.zst"])
def test_cut_off_compression_keeps_what_came_before_and_says_so(
    tmp_path: Path, pressure: Pressure, suffix: str
) -> None:
    path = tmp_path / f"log{suffix}"
    heard = [pressure(seq, note="x" * (seq * 37 % 101)) for seq in range(20_000)]
    write_capture(path, heard)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    items = list(read_lines(path))
    assert isinstance(items[-1], BadLine)
    whole = [item for item in items if isinstance(item, Heard)]
    assert len(whole) > 1000
    assert whole == heard[: len(whole)]


@pytest.mark.parametrize("suffix", [".ndjson.gz", ".ndjson.zst"])
def test_a_small_capture_that_breaks_off_is_not_lost_whole(
    tmp_path: Path, pressure: Pressure, suffix: str
) -> None:
    # Less than is unpacked in one go: the failure used to take all of it along.
    path = tmp_path / f"log{suffix}"
    heard = [pressure(seq, note=hashlib.sha512(b"%d" % seq).hexdigest()) for seq in range(2000)]
    write_capture(path, heard)
    path.write_bytes(path.read_bytes()[: path.stat().st_size * 3 // 4])
    *items, half, damage = read_lines(path)
    assert items == heard[: len(items)]
    assert len(items) > 1000
    assert isinstance(half, BadLine)
    assert isinstance(damage, BadLine)
    assert half.line
    assert capture_line(heard[len(items)]).startswith(half.line)
    assert "ends in the middle of its compression" in damage.reason


def test_file_that_is_not_there_and_unknown_format_are_named(tmp_path: Path) -> None:
    with pytest.raises(BadCapture, match=r"nowhere.ndjson cannot be read: No such file"):
        list(read_capture(tmp_path / "nowhere.ndjson"))
    other = tmp_path / "log.csv"
    other.touch()
    with pytest.raises(BadCapture, match=r"log.csv: a capture's name ends in .ndjson"):
        list(read_capture(other))
    with pytest.raises(BadCapture, match=r"a capture's name ends in"):
        write_capture(other, [])
