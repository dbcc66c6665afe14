"""The id of the listener's session cannot be guessed, survives restarts, and what becomes of it is told."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from ingest.broker.mqtt import Publisher, new_client
from ingest.listener import Listener
from ingest.session_id import session_id
from ingest.settings import BrokerSettings
from ingest.status import read_statuses

pytestmark = pytest.mark.usefixtures("seals_here")

WaitUntil = Callable[..., Any]
TOPIC = "underair/v1/demo/set/S-1/motion"
NAMED = BrokerSettings(client_id="station-4")


@pytest.mark.parametrize(("settings", "beginning"), [(BrokerSettings(), "underair-"), (NAMED, "station-4-")])
def test_id_is_random_even_when_named_and_stays(
    tmp_path: Path, settings: BrokerSettings, beginning: str
) -> None:
    known, first = session_id(tmp_path, settings)
    assert not known
    assert first.startswith(beginning)
    assert len(first) == len(beginning) + 16
    assert session_id(tmp_path, settings) == (True, first)
    other = tmp_path / "other"
    other.mkdir()
    assert session_id(other, settings)[1] != first


def test_another_name_in_the_settings_begins_a_new_session(tmp_path: Path) -> None:
    _, first = session_id(tmp_path, NAMED)
    known, second = session_id(tmp_path, BrokerSettings(client_id="station-5"))
    assert not known
    assert second.startswith("station-5-")
    assert first != second


def test_broker_that_demands_a_certain_id_gets_it(tmp_path: Path) -> None:
    demanded = BrokerSettings(client_id="listener", client_id_random=False)
    assert session_id(tmp_path, demanded) == (False, "listener")
    assert session_id(tmp_path, demanded) == (True, "listener")


@pytest.mark.parametrize(("settings", "then"), [(BrokerSettings(), "underair-0a1b2c"), (NAMED, "station-4")])
def test_upgrade_keeps_the_session_in_which_messages_may_wait(
    tmp_path: Path, settings: BrokerSettings, then: str
) -> None:
    (tmp_path / "client-id").write_text("underair-0a1b2c\n")
    assert session_id(tmp_path, settings) == (True, then)
    assert session_id(tmp_path, settings) == (True, then)


def _take(mosquitto: Any, client_id: str) -> None:
    """Connect under the listener's id with a clean session, as somebody would who has learned it."""
    connected = threading.Event()
    thief = new_client(client_id)
    thief.on_connect = lambda *_: connected.set()
    thief.connect("127.0.0.1", mosquitto.port)
    thief.loop_start()
    assert connected.wait(60)
    thief.disconnect()
    thief.loop_stop()


@pytest.mark.broker
def test_session_that_somebody_took_while_we_were_away_is_told_with_what_to_do(
    mosquitto: Any, tmp_path: Path, wait_until: WaitUntil
) -> None:
    said: list[str] = []
    with Listener(mosquitto.url, tmp_path, say=said.append) as listener:
        assert listener.subscribed.wait(60)
    _take(mosquitto, (tmp_path / "journal/listener/session-id").read_text().strip())
    with Listener(mosquitto.url, tmp_path, say=said.append):
        wait_until(
            lambda: any(one.possible_loss for one in read_statuses(tmp_path)), what="a word in the status"
        )
    told = read_statuses(tmp_path)[0].possible_loss
    assert told in said
    assert "the broker did not keep our session: what was sent while we were away may be lost" in told
    assert "Somebody connected under our client ID" in told
    assert "journal/listener/session-id" in told


@pytest.mark.broker
def test_client_that_takes_our_connection_is_told_and_we_come_back(
    mosquitto: Any, tmp_path: Path, wait_until: WaitUntil
) -> None:
    said: list[str] = []
    with Listener(mosquitto.url, tmp_path, say=said.append) as listener:
        assert listener.subscribed.wait(60)
        _take(mosquitto, (tmp_path / "journal/listener/session-id").read_text().strip())
        taken = "Somebody connected under our client ID and began a new session"
        wait_until(lambda: any(taken in each for each in said), what="a word about it")
        with Publisher(mosquitto.url) as publisher:
            publisher.publish(TOPIC, b"{}")
        wait_until(lambda: listener.health.journalled >= 1, what="messages again")


def test_broker_that_names_the_reason_is_quoted(tmp_path: Path) -> None:
    """MQTT 5, 3.14.2.1: reason code 0x8E, "Session taken over"."""
    said: list[str] = []
    listener = Listener("mqtt://127.0.0.1:1", tmp_path, say=said.append)
    reason = ReasonCode(PacketTypes.DISCONNECT, "Session taken over")
    listener._on_disconnect(listener._client, None, None, reason, None)
    listener._lock_file.close()
    assert said[0].startswith("another client connected under our client ID and took over our session")
    assert listener._possible_loss == said[0]
