"""The listener against a real mosquitto broker, and against the built-in one."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from ingest.archive.folder import Counts
from ingest.archive.reading import Archive
from ingest.broker.embedded_broker import EmbeddedBroker
from ingest.broker.mqtt import Login, Publisher
from ingest.broker.paho_batches import is_possible as batches_are_possible
from ingest.contract.captures import Heard
from ingest.contract.errors import ArchiveProblem, BrokerProblem
from ingest.listener import Listener
from ingest.settings import BrokerSettings, JournalSettings, SealSettings, Settings

Pressure = Callable[..., Heard]
WaitUntil = Callable[..., Any]
pytestmark = [pytest.mark.broker, pytest.mark.usefixtures("seals_here")]

SETUP = (
    b'{"kind":"setup","set_id":"S-014","boot":17,"seq":9000,"time":"2031-05-04T10:00:00Z","cylinders":'
    b'{"count":1,"water_volume_l":6.8,"rated_bar":300},"low_air_bar":60,"no_motion_prealarm_s":20,'
    b'"no_motion_alarm_s":30,"heat_start_c":80}'
)
SETUP_TOPIC = "underair/v1/demo/set/S-014/setup"


@pytest.fixture
def said() -> list[str]:
    return []


def _listening(url: str, archive: Path, said: list[str], **settings: Any) -> Listener:
    return Listener(url, archive, Settings(**settings), say=said.append)


@pytest.mark.parametrize("batches", [True, False], ids=["in batches", "public API"])
@pytest.mark.parametrize("protocol", ["3.1.1", "5"])
def test_everything_published_is_in_the_archive(
    mosquitto: Any,
    tmp_path: Path,
    pressure: Pressure,
    said: list[str],
    protocol: Any,
    batches: bool,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert batches_are_possible(), "this paho is not the one that the batches were written for"
    if not batches:
        monkeypatch.setattr("ingest.broker.mqtt.batches_are_possible", lambda: False)
    heard = [pressure(seq) for seq in range(1000)]
    listener = _listening(mosquitto.url, tmp_path, said, broker=BrokerSettings(protocol=protocol))
    listener.start()
    assert listener.subscribed.wait(60)
    with Publisher(mosquitto.url) as publisher:
        for each in heard:
            publisher.publish(each.topic, each.payload)
        publisher.publish(heard[0].topic, heard[0].payload)
        publisher.publish("underair/v1/demo/set/S-014/pressure", b"\xff")
        publisher.publish("underair/v1/demo/van/S-014/pressure", b"{}")
    _wait_for(listener, 1003)
    counts = listener.stop()
    assert counts == Counts(received=1003, kept=1000, duplicates=1, refused=2)
    assert Archive(tmp_path).scan("pressure").collect()["payload"].to_list() == [
        h.payload.decode() for h in heard
    ]
    reasons = Archive(tmp_path).scan("refused").collect()["reason"].to_list()
    assert [part in reason for part, reason in zip(("UTF-8", "set or desk"), reasons, strict=True)] == [
        True
    ] * 2
    assert list((tmp_path / "journal").rglob("*.journal")) == []


def _wait_for(listener: Listener, messages: int) -> None:
    deadline = threading.Event()
    for _ in range(3000):
        if listener.health.journalled >= messages:
            return
        deadline.wait(0.02)
    pytest.fail(f"{listener.health.journalled} of {messages} messages journalled after 60 s")


def test_what_comes_while_the_listener_is_away_waits_in_the_broker(
    mosquitto: Any, tmp_path: Path, pressure: Pressure, said: list[str]
) -> None:
    with _listening(mosquitto.url, tmp_path, said) as listener:
        assert listener.subscribed.wait(60)
    with Publisher(mosquitto.url) as publisher:
        for seq in range(500):
            publisher.publish(pressure(seq).topic, pressure(seq).payload)
    listener = _listening(mosquitto.url, tmp_path, said)
    listener.start()
    _wait_for(listener, 500)
    assert listener.stop() == Counts(received=500, kept=500, duplicates=0, refused=0)
    assert not any("did not keep our session" in sentence for sentence in said)


def test_lost_session_is_said(mosquitto: Any, tmp_path: Path, said: list[str]) -> None:
    with _listening(mosquitto.url, tmp_path, said) as listener:
        assert listener.subscribed.wait(60)
    mosquitto.stop()
    (mosquitto.folder / "mosquitto.db").unlink()
    mosquitto.start()
    with _listening(mosquitto.url, tmp_path, said) as listener:
        assert listener.subscribed.wait(60)
    lost = "the broker did not keep our session: what was sent while we were away may be lost"
    assert any(sentence.startswith(lost) for sentence in said)


def test_retained_message_is_marked_and_kept_once(
    mosquitto: Any, tmp_path: Path, said: list[str], wait_until: WaitUntil
) -> None:
    with Publisher(mosquitto.url) as publisher:
        publisher.publish(SETUP_TOPIC, SETUP, retain=True)
    for _ in range(2):
        listener = _listening(mosquitto.url, tmp_path, said)
        listener.start()
        _wait_for(listener, 1)
        listener.stop()
    setups = Archive(tmp_path).scan("setup").collect()
    assert setups["retained"].to_list() == [True]
    assert setups["cylinders"].to_list() == [{"count": 1, "water_volume_l": 6.8, "rated_bar": 300.0}]


def test_seals_by_rows_and_by_time_while_it_runs(
    mosquitto: Any, tmp_path: Path, pressure: Pressure, said: list[str], wait_until: WaitUntil
) -> None:
    archive = Archive(tmp_path)
    with (
        _listening(mosquitto.url, tmp_path, said, seal=SealSettings(rows=100, seconds=0.5)) as listener,
        Publisher(mosquitto.url) as publisher,
    ):
        assert listener.subscribed.wait(60)
        for seq in range(101):
            publisher.publish(pressure(seq).topic, pressure(seq).payload)
        wait_until(lambda: archive.scan("pressure").collect().height == 101, what="all rows to be sealed")
        wait_until(lambda: listener.health.sealed.kept == 101, what="the count of them")
        assert listener.health.last_sealed is not None


def test_left_over_segment_and_torn_tail_are_dealt_with_at_the_start(
    mosquitto: Any, tmp_path: Path, pressure: Pressure, said: list[str], wait_until: WaitUntil
) -> None:
    from ingest.archive.journal import Record
    from tests.faults.journal_reading import segment_bytes

    folder = tmp_path / "journal" / "listener"
    folder.mkdir(parents=True)
    whole = segment_bytes([[Record(1_935_656_467_000_000, pressure(1).topic, pressure(1).payload, False)]])
    segment = folder / "20310504T102107000000Z.journal"
    segment.write_bytes(whole + whole[:40])
    half = tmp_path / "pressure" / "date=2031-05-04" / ".listener-20310504T102106000000Z-ab12.parquet.tmp"
    half.parent.mkdir(parents=True)
    half.touch()
    with _listening(mosquitto.url, tmp_path, said):
        wait_until(lambda: not segment.exists(), what="the segment to be sealed")
    assert Archive(tmp_path).scan("pressure").collect()["seq"].to_list() == [1]
    torn = (
        f"bytes {len(whole)} to {len(whole) + 40} contain no complete frame; a torn tail was kept in refused"
    )
    assert any(torn in sentence for sentence in said)
    assert not half.exists()


def test_two_listeners_of_one_name_cannot_write_one_archive(
    mosquitto: Any, tmp_path: Path, said: list[str]
) -> None:
    with _listening(mosquitto.url, tmp_path, said):
        with pytest.raises(ArchiveProblem, match="another listener named 'listener' writes into"):
            _listening(mosquitto.url, tmp_path, said)
        with _listening(mosquitto.url, tmp_path, said, name="second") as second:
            assert second.subscribed.wait(60)


def test_waits_for_a_broker_that_comes_later(
    mosquitto: Any, tmp_path: Path, said: list[str], wait_until: WaitUntil
) -> None:
    mosquitto.stop()
    with _listening(mosquitto.url, tmp_path, said) as listener:
        wait_until(lambda: said, what="a word about the broker")
        assert f"nobody listens at {mosquitto.url}" in said[0]
        mosquitto.start()
        assert listener.subscribed.wait(60)
        mosquitto.stop()
        wait_until(lambda: "was lost" in said[-1] or "nobody" in said[-1], what="a word about the loss")
        listener.subscribed.clear()
        mosquitto.start()
        assert listener.subscribed.wait(60)


def test_refusal_ends_the_run_with_a_sentence(tmp_path: Path, said: list[str]) -> None:
    with EmbeddedBroker() as broker:
        listener = Listener(broker.url, tmp_path, login=Login("demo", "wrong"), say=said.append)
        with pytest.raises(BrokerProblem, match=r"refuses us: not authorized; set UNDERAIR_MQTT_USERNAME"):
            listener.run(threading.Event())


def test_slow_disk_fills_the_queue_and_stops_the_reading_but_loses_nothing(
    mosquitto: Any, tmp_path: Path, pressure: Pressure, said: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from ingest.archive.journal import SegmentWriter

    go_on = threading.Event()
    append = SegmentWriter.append

    def slow(self: SegmentWriter, batch: Any) -> None:
        go_on.wait(60)
        append(self, batch)

    monkeypatch.setattr(SegmentWriter, "append", slow)
    listener = _listening(mosquitto.url, tmp_path, said, journal=JournalSettings(queue_messages=100))
    listener.start()
    assert listener.subscribed.wait(60)
    with Publisher(mosquitto.url) as publisher:
        for seq in range(1000):
            publisher.publish(pressure(seq).topic, pressure(seq).payload)
    assert listener.health.queued <= 100
    assert listener.health.journalled == 0
    go_on.set()
    _wait_for(listener, 1000)
    counts = listener.stop()
    assert counts.kept == 1000
    assert counts.received == counts.kept + counts.duplicates


@pytest.fixture(scope="module")
def embedded() -> Iterator[EmbeddedBroker]:
    with EmbeddedBroker() as broker:
        yield broker


def test_built_in_broker_serves_listener_and_publisher(
    embedded: EmbeddedBroker, tmp_path: Path, pressure: Pressure, said: list[str]
) -> None:
    listener = Listener(
        embedded.url, tmp_path, login=Login(embedded.username, embedded.password), say=said.append
    )
    listener.start()
    assert listener.subscribed.wait(60)
    with Publisher(embedded.url, login=Login(embedded.username, embedded.password)) as publisher:
        for seq in range(300):
            publisher.publish(pressure(seq).topic, pressure(seq).payload)
        _wait_for(listener, 300)  # from Python 3.13 on it drops what it holds of a publisher that leaves
    assert listener.stop().kept == 300


def test_built_in_broker_is_on_loopback_with_a_password_of_its_own(embedded: EmbeddedBroker) -> None:
    assert embedded.url == f"mqtt://127.0.0.1:{embedded.port}"
    assert len(embedded.password) >= 20
    assert embedded.password != EmbeddedBroker(1).password
    assert EmbeddedBroker().port not in (embedded.port, EmbeddedBroker().port)
    for username, password in ((None, None), ("demo", "wrong"), ("other", embedded.password)):
        with pytest.raises(BrokerProblem, match="refuses us"):
            Publisher(embedded.url, login=Login(username, password))


def test_built_in_broker_says_when_its_port_is_taken(embedded: EmbeddedBroker) -> None:
    with pytest.raises(
        BrokerProblem, match=f"could not start on port {embedded.port}: .*address already in use"
    ):
        EmbeddedBroker(embedded.port).start()
