"""What came over an earlier connection is never acknowledged on this one."""

from __future__ import annotations

from pathlib import Path

import pytest

from ingest.archive.journal_frames import Record
from ingest.archive.writing import Delivery
from ingest.listener import Listener

pytestmark = pytest.mark.usefixtures("seals_here")


@pytest.mark.parametrize("batches", [True, False], ids=["in batches", "public API"])
def test_nothing_of_an_earlier_connection_is_acknowledged(
    tmp_path: Path, batches: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its packet ID may be another message's by now, which the broker would then never send again."""
    if not batches:
        monkeypatch.setattr("ingest.broker.mqtt.batches_are_possible", lambda: False)
    listener = Listener("mqtt://127.0.0.1:1", tmp_path, say=lambda sentence: None)
    acknowledged: list[int] = []
    monkeypatch.setattr(listener._client, "acknowledge", acknowledged.extend, raising=False)
    monkeypatch.setattr(listener._client, "ack", lambda mid, qos: acknowledged.append(mid))
    record = Record(1_935_000_000_000_000, "underair/v1/demo/set/S-1/pressure", b"{}", False, 0)
    batch = [Delivery(record, 7, 1, 1), Delivery(record, 8, 1, 2), Delivery(record, 9, 0, 2)]

    listener._generation, listener._connected = 2, False
    listener._acknowledge(batch)
    assert acknowledged == [], "nobody is there to be told"
    listener._connected = True
    listener._acknowledge(batch)
    assert acknowledged == [8], "of this connection, at QoS 1"
    listener._lock_file.close()
