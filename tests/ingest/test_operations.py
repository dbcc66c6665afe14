"""Metrics, alive and ready: what an IT department scrapes, read by the format's own parser."""

from __future__ import annotations

import signal
import urllib.error
import urllib.request
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from prometheus_client.parser import text_string_to_metric_families

from ingest.contract.captures import Heard
from ingest.contract.errors import BadSettings
from ingest.listener import Listener
from ingest.operations import Operations, figure, listener_metrics
from ingest.settings import BrokerSettings, Settings
from ingest.status import Status, read_statuses, why_none_listens

NOW = datetime(2031, 5, 4, 19, 0, tzinfo=UTC)


def asked(url: str) -> tuple[int, str]:
    try:
        with urllib.request.urlopen(url, timeout=60) as answer:  # loopback
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as refusal:
        with refusal:
            return refusal.code, refusal.read().decode()


def samples(text: str) -> dict[str, float]:
    families = text_string_to_metric_families(text)
    return {
        f"{sample.name}{sorted(sample.labels.items()) or ''}": sample.value
        for family in families
        for sample in family.samples
    }


def status(**told: Any) -> Status:
    return Status(**{"listener": "north", "state": "up", "at": NOW, "connected": True, **told})


def test_the_formats_own_parser_reads_every_figure_of_a_listener() -> None:
    told = status(received=120, kept=100, refused=3, queued=7, delay_ms=2.5, disk_free_bytes=10**9)
    with Operations("0", lambda: listener_metrics([told]), str, str) as running:
        code, text = asked(f"{running.url}/metrics")
    assert code == 200
    read = samples(text)
    north = "[('listener', 'north')]"
    assert read[f"underair_received_total{north}"] == 120
    assert read[f"underair_refused_total{north}"] == 3
    assert read[f"underair_queued{north}"] == 7
    assert read[f"underair_delay_seconds{north}"] == 0.0025
    assert read[f"underair_broker_connected{north}"] == 1
    assert read[f"underair_last_sealed_timestamp_seconds{north}"] == 0


def test_ready_says_why_not_and_other_addresses_are_not_found() -> None:
    why = ["not connected to mqtt://127.0.0.1:1"]
    with Operations("0", lambda: [figure("live_ready", "ready", 0)], str, lambda: why[0]) as running:
        assert asked(f"{running.url}/ready") == (503, "not connected to mqtt://127.0.0.1:1\n")
        assert asked(f"{running.url}/alive") == (200, "ok\n")
        why[0] = ""
        assert asked(f"{running.url}/ready") == (200, "ok\n")
        assert asked(f"{running.url}/")[0] == 404
        assert asked(f"{running.url}/metrics/../etc")[0] == 404


@pytest.mark.parametrize("address", ["", "metrics", "127.0.0.1:", "127.0.0.1:99999", "-1"])
def test_an_address_that_is_none_is_refused_in_a_sentence(address: str) -> None:
    with pytest.raises(BadSettings, match=r"--metrics must be PORT or HOST:PORT"):
        Operations(address, list, str, str)


def test_a_port_in_use_is_refused_in_a_sentence() -> None:
    with Operations("0", list, str, str) as running:
        port = running.url.rpartition(":")[2]
        with pytest.raises(BadSettings, match="choose another port"):
            Operations(port, list, str, str)


def test_a_listener_without_its_broker_is_alive_and_not_ready(tmp_path: Path) -> None:
    listener = Listener("mqtt://127.0.0.1:9", tmp_path, Settings(), say=lambda _: None)
    listener.start()
    try:
        assert listener.why_not_alive() == ""
        assert listener.why_not_ready() == "not connected to mqtt://127.0.0.1:9"
    finally:
        listener.stop()
    assert "restart" in listener.why_not_alive()


@pytest.mark.broker
def test_a_full_disk_makes_listener_and_page_not_ready_before_anything_is_lost_on_it(
    mosquitto: Any, tmp_path: Path, wait_until: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A page was ready while its listener could keep nothing; so was an idle listener on a full disk."""
    free = [10**10]
    monkeypatch.setattr("ingest.status.shutil.disk_usage", lambda _: SimpleNamespace(free=free[0]))
    listener = Listener(mosquitto.url, tmp_path, Settings(), say=lambda _: None)
    listener.start()

    def page() -> str:
        return why_none_listens(read_statuses(tmp_path), datetime.now(UTC))

    try:
        assert listener.subscribed.wait(60)
        wait_until(lambda: not page(), what="the page to be ready")
        free[0] = 4096
        assert listener.why_not_ready() == "the archive's disk is full"
        wait_until(lambda: page().endswith("cannot keep what arrives: the archive's disk is full"))
        free[0] = 10**10
        assert listener.why_not_ready() == ""
        wait_until(lambda: not page(), what="the page to be ready again")
    finally:
        listener.stop()


@pytest.mark.broker
def test_a_broker_that_hangs_is_noticed(
    mosquitto: Any, tmp_path: Path, wait_until: Callable[..., Any]
) -> None:
    """Its connection stays open: only the missing signs of life say it, after twice `keepalive_s` at most."""
    assert BrokerSettings().keepalive_s <= 10
    settings = Settings(broker=BrokerSettings(keepalive_s=5))
    listener = Listener(mosquitto.url, tmp_path, settings, say=lambda _: None)
    listener.start()
    try:
        assert listener.subscribed.wait(60)
        mosquitto.process.send_signal(signal.SIGSTOP)
        wait_until(lambda: "not connected" in listener.why_not_ready(), what="the listener to notice")
        mosquitto.process.send_signal(signal.SIGCONT)
        wait_until(lambda: not listener.why_not_ready(), what="the listener to be ready again")
    finally:
        mosquitto.process.send_signal(signal.SIGCONT)
        listener.stop()


@pytest.mark.broker
def test_a_listener_that_receives_is_ready(
    mosquitto: Any, tmp_path: Path, pressure: Callable[..., Heard], wait_until: Callable[..., Any]
) -> None:
    listener = Listener(mosquitto.url, tmp_path, Settings(), say=lambda _: None)
    listener.start()
    try:
        assert listener.subscribed.wait(60)
        wait_until(lambda: not listener.why_not_ready(), what="the listener to be ready")
        wait_until(lambda: listener.status.connected, what="the listener to say so")
    finally:
        listener.stop()


def test_a_page_is_not_ready_while_nothing_listens() -> None:
    assert why_none_listens([], NOW) == ""
    assert why_none_listens([status()], NOW + timedelta(seconds=15)) == ""
    assert "north last said 16 s ago that it is up" in why_none_listens(
        [status()], NOW + timedelta(seconds=16)
    )
    assert "not connected" in why_none_listens([status(connected=False)], NOW)
    full = status(cannot_keep="the archive's disk is full")
    assert (
        why_none_listens([full], NOW) == "listener north cannot keep what arrives: the archive's disk is full"
    )
    assert why_none_listens([full, status(listener="south")], NOW) == ""
    stopped = status(state="stopped", connected=False)
    assert "no listener is running" in why_none_listens([stopped], NOW)
    assert why_none_listens([stopped, status(listener="south")], NOW) == ""
