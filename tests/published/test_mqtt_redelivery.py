"""MQTT 3.1.1 and 5.0 (OASIS, 2014 and 2019), section 4.3.2: at QoS 1 a message comes at least once.

Worked example 55 of the project's reference (from memory): the same message twice, DUP 0 and then 1, is one
record and two receptions.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from ingest.archive.folder import Counts
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from ingest.contract.captures import Heard
from ingest.contract.frames import frames_from_heard

RECEIVED = datetime(2031, 5, 4, 10, 21, 7, tzinfo=UTC)
TOPIC = "underair/v1/demo/set/S-014/motion"
PAYLOAD = (
    b'{"kind":"motion","set_id":"S-014","boot":17,"seq":9,"time":"2031-05-04T10:21:07Z","motion_m_s2":0.5}'
)
ONCE = Heard(RECEIVED, TOPIC, PAYLOAD)
AGAIN = Heard(RECEIVED + timedelta(seconds=20), TOPIC, PAYLOAD)


def test_same_message_delivered_twice_is_one_record_and_two_receptions(tmp_path: Path) -> None:
    counts = seal_messages(tmp_path, frames_from_heard([ONCE, AGAIN]), "part")
    assert counts == Counts(received=2, kept=1, duplicates=1, refused=0)
    kept = Archive(tmp_path).scan("motion").collect()
    assert kept["received"].to_list() == [RECEIVED]


def test_redelivery_after_the_first_is_archived_is_still_one_record(tmp_path: Path) -> None:
    first = seal_messages(tmp_path, frames_from_heard([ONCE]), "one")
    second = seal_messages(tmp_path, frames_from_heard([AGAIN]), "two")
    assert first + second == Counts(received=2, kept=1, duplicates=1, refused=0)
    assert Archive(tmp_path).scan("motion").collect().height == 1


def test_same_identity_with_another_payload_is_a_conflict_and_both_are_kept(tmp_path: Path) -> None:
    other = AGAIN._replace(payload=PAYLOAD.replace(b"0.5", b"2.5"))
    counts = seal_messages(tmp_path, frames_from_heard([ONCE, other]), "part")
    assert counts == Counts(received=2, kept=2, duplicates=0, refused=0)
    assert Archive(tmp_path).messages()["motion"]["motion_m_s2"].to_list() == [0.5, 2.5]
