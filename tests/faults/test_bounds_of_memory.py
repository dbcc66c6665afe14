"""What a listener holds in memory is bounded in bytes, whatever is sent; what is too long is kept in part.

CI sends a quarter. All of it: ``UNDERAIR_FAULTS=all pytest -s tests/faults/test_bounds_of_memory.py``.
"""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from ingest.archive import writing as writing_module
from ingest.archive.journal import SegmentWriter
from ingest.archive.journal_frames import Record
from ingest.archive.reading import Archive
from ingest.archive.writing import Delivery, Writing
from ingest.broker.mqtt import new_client
from ingest.contract.kinds import KEPT_OF_A_LONG_PAYLOAD_BYTES
from ingest.settings import JournalSettings, SealSettings
from ingest.status import read_statuses
from tests.faults.fault_samples import ALL_FAULTS

WaitUntil = Callable[..., Any]
LONG_TOPICS, LONG_TOPIC_BYTES = (8_000 if ALL_FAULTS else 2_000), 15_000
LONG_PAYLOADS, LONG_PAYLOAD_BYTES = (30 if ALL_FAULTS else 5), 8_000_000
MOST_MEGABYTES = 100


def _highest_megabytes(pid: int) -> float:
    found = re.search(r"^VmHWM:\s+(\d+) kB", Path(f"/proc/{pid}/status").read_text(), re.M)
    assert found is not None
    return int(found[1]) / 1024


@pytest.mark.broker
def test_listener_stays_small_with_long_topics_and_long_payloads(
    mosquitto: Any, tmp_path: Path, wait_until: WaitUntil
) -> None:
    listening = [sys.executable, "-m", "dashboard.underair", "listen", "--broker", mosquitto.url]
    log = tmp_path / "log"
    with (
        log.open("wb") as errors,
        subprocess.Popen([*listening, "--archive", str(tmp_path / "archive")], stderr=errors) as listener,
    ):
        wait_until(lambda: b"receiving from" in log.read_bytes(), what="the listener")
        client = new_client("sender")
        client.max_queued_messages_set(0)
        client.connect("127.0.0.1", mosquitto.port)
        client.loop_start()
        sent: list[Any] = []
        for number in range(LONG_TOPICS):
            topic = f"underair/v1/{number:05d}{'x' * LONG_TOPIC_BYTES}"
            sent.append(client.publish(topic, b"%d" % number, qos=1))
            if number % 500 == 0:
                sent[-1].wait_for_publish(60)
        for number in range(LONG_PAYLOADS):
            payload = b"%02d" % number * (LONG_PAYLOAD_BYTES // 2)
            client.publish("underair/v1/demo/set/S-1/motion", payload, 1).wait_for_publish(60)
        client.publish("underair/v1/demo/set/S-1/end", b"{}", qos=1).wait_for_publish(60)
        client.disconnect()
        client.loop_stop()
        folder = tmp_path / "archive"
        expected = LONG_TOPICS + LONG_PAYLOADS + 1
        wait_until(lambda: any(one.received >= expected for one in read_statuses(folder)), what="all of them")
        highest = _highest_megabytes(listener.pid)
        listener.terminate()
        assert listener.wait(60) == 0, log.read_text()
    print(f"highest memory of the listener's own process: {highest:.0f} MB")
    refused = Archive(folder).messages()["refused"]
    assert refused.height == expected
    assert refused["topic"].str.len_bytes().eq(LONG_TOPIC_BYTES + 17).sum() == LONG_TOPICS
    long_ones = refused.filter(topic="underair/v1/demo/set/S-1/motion")
    assert long_ones.height == LONG_PAYLOADS
    for number, payload in enumerate(long_ones["payload"]):
        assert payload == b"%02d" % number * (KEPT_OF_A_LONG_PAYLOAD_BYTES // 2)
    assert long_ones["reason"].unique().to_list() == [
        "the payload is 8000000 bytes; at most 4096 are allowed; its first 65536 bytes are kept"
    ]
    assert highest < MOST_MEGABYTES


def _writing(tmp_path: Path, durable: list[Delivery]) -> Writing:
    folder = tmp_path / "journal" / "listener"
    folder.mkdir(parents=True)
    return Writing(tmp_path, folder, JournalSettings(), SealSettings(), durable.extend, lambda _: None)


def test_queue_and_batches_are_bounded_in_bytes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, wait_until: WaitUntil
) -> None:
    monkeypatch.setattr(writing_module, "LARGEST_QUEUE_BYTES", 10_000)
    monkeypatch.setattr(writing_module, "LARGEST_BATCH_BYTES", 3_000)
    sizes: list[int] = []
    append = SegmentWriter.append
    queued: list[int] = []

    def looked_at(self: SegmentWriter, batch: Any) -> None:
        queued.append(writing.health.queued)
        sizes.append(sum(len(each.payload) + len(each.topic) for each in batch))
        append(self, batch)

    monkeypatch.setattr(SegmentWriter, "append", looked_at)
    durable: list[Delivery] = []
    writing = _writing(tmp_path, durable)
    sent = [Delivery(Record(n, "t" * 500, b"p" * 500, False), n, 1, 1) for n in range(100)]
    writing.start()
    for each in sent:
        assert writing.put([each])
    wait_until(lambda: len(durable) == len(sent), what="all to be durable")
    writing.drain()
    writing.finish()
    assert durable == sent
    assert max(sizes) <= 3_000
    assert max(queued) <= 10
