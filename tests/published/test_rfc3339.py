"""RFC 3339, "Date and Time on the Internet: Timestamps" (2002), examples of section 5.8 and rules of 4.3 and
5.6.

Worked example 52 of the project's reference; the RFC's text from memory, the arithmetic recomputed.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime

import pytest

from ingest.contract.captures import Heard
from ingest.contract.errors import RefusedMessage
from ingest.contract.frames import frames_from_heard
from ingest.contract.messages import decode
from ingest.contract.times import parse_time

TOPIC = "underair/v1/demo/set/S-014/link"


def _payload(time: str) -> bytes:
    return json.dumps(
        {"kind": "link", "set_id": "S-014", "boot": 1, "seq": 1, "time": time, "state": "up"}
    ).encode()


@pytest.mark.parametrize(
    ("text", "instant"),
    [
        # RFC 3339, 5.8 (from memory; instants recomputed)
        ("1985-04-12T23:20:50.52Z", datetime(1985, 4, 12, 23, 20, 50, 520_000, UTC)),
        ("1996-12-19T16:39:57-08:00", datetime(1996, 12, 20, 0, 39, 57, 0, UTC)),
        # RFC 3339, 4.3 (from memory): the offset to local time is unknown, the instant is known
        ("1996-12-20T00:39:57-00:00", datetime(1996, 12, 20, 0, 39, 57, 0, UTC)),
        # RFC 3339, 5.6, note (from memory): "T" and "Z" may be lower case, a space may stand for the "T"
        ("1996-12-20t00:39:57z", datetime(1996, 12, 20, 0, 39, 57, 0, UTC)),
        ("1996-12-20 00:39:57Z", datetime(1996, 12, 20, 0, 39, 57, 0, UTC)),
    ],
)
def test_published_times_are_these_instants_in_code_and_in_frames(text: str, instant: datetime) -> None:
    assert parse_time(text) == instant
    assert decode(TOPIC, _payload(text)).time == text
    frame = frames_from_heard([Heard(instant, TOPIC, _payload(text))])["link"]
    assert frame["time"].to_list() == [instant]


def test_a_published_time_before_1969_is_read_but_is_no_time_of_a_message() -> None:
    # RFC 3339, 5.8 (from memory); messages are of 1969 to 2199 (our own rule)
    text = "1937-01-01T12:00:27.87+00:20"
    assert parse_time(text) == datetime(1937, 1, 1, 11, 40, 27, 870_000, UTC)
    with pytest.raises(RefusedMessage, match="the years 1969 to 2199 are expected") as refusal:
        decode(TOPIC, _payload(text))
    assert refusal.value.path == "$.time"


@pytest.mark.parametrize("text", ["1990-12-31T23:59:60Z", "1990-12-31T15:59:60-08:00"])
def test_published_leap_seconds_are_reported_and_never_silently_moved(text: str) -> None:
    # RFC 3339, 5.8 (from memory): both are the leap second at the end of 1990
    with pytest.raises(RefusedMessage, match="a leap second cannot be stored without moving it") as refusal:
        decode(TOPIC, _payload(text))
    assert refusal.value.path == "$.time"
    frames = frames_from_heard([Heard(datetime(1991, 1, 1, tzinfo=UTC), TOPIC, _payload(text))])
    assert frames["link"].is_empty()
    assert frames["refused"]["payload"].to_list() == [_payload(text)]
