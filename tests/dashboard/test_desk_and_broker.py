"""The desk and a real broker: "sent" means acknowledged, and nothing goes out later by itself."""

from __future__ import annotations

import json
import os
import signal
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from dashboard.live.desk import Desk, orders_heard
from dashboard.serving import Served
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from ingest.broker.mqtt import Unconfirmed, new_client, parse_broker_url
from ingest.contract.captures import Heard
from ingest.contract.errors import BrokerProblem
from ingest.contract.frames import frames_from_heard

pytestmark = pytest.mark.broker

NOTE = {"incident_id": "I-1", "text": "gate open"}


def subscribe(url: str, got: list[dict[str, Any]]) -> Any:
    """Return once the broker has the subscription: what is sent from now on comes."""
    address, subscribed = parse_broker_url(url), threading.Event()
    client = new_client("reader", persistent=False)
    client.on_subscribe = lambda *_: subscribed.set()
    client.on_message = lambda *given: got.append({"retain": given[2].retain, **json.loads(given[2].payload)})
    client.connect(address.host, address.port)
    client.loop_start()
    client.subscribe("underair/v1/+/desk/#", qos=1)
    assert subscribed.wait(60)
    return client


def test_what_was_not_sent_is_said_and_never_goes_out_by_itself(
    mosquitto: Any, wait_until: Callable[..., Any]
) -> None:
    """Mended: with the broker away the desk said "sent", and the message went out once it was back."""
    desk = Desk.at_broker(mosquitto.url, "D-1")
    desk.send("note", "trial", NOTE | {"text": "first"})
    mosquitto.kill()
    wait_until(lambda: not desk.connected(), what="the desk to notice")
    for _ in range(2):
        with pytest.raises(BrokerProblem):
            desk.send("note", "trial", NOTE | {"text": "while away"})
    mosquitto.start()
    got: list[dict[str, Any]] = []
    client = subscribe(mosquitto.url, got)
    try:

        def sends() -> str:
            try:
                return desk.send("note", "trial", NOTE | {"text": "again"})
            except BrokerProblem:
                return ""

        identity = wait_until(sends, what="the desk to have its line again")
        wait_until(lambda: got, what="the note")
        time.sleep(1.5)  # longer than a client waits before it connects again
        assert [one["text"] for one in got] == ["again"]
        assert identity == f"D-1/{got[0]['boot']}/{got[0]['seq']}"
    finally:
        client.loop_stop()
        desk.close()


def test_a_broker_that_takes_it_and_does_not_answer_is_no_broker_that_has_it(
    mosquitto: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("dashboard.live.desk.SENT_WITHIN_S", 1.0)
    desk = Desk.at_broker(mosquitto.url, "D-1")
    first = desk.send("note", "trial", NOTE)
    os.kill(mosquitto.process.pid, signal.SIGSTOP)
    try:
        with pytest.raises(Unconfirmed, match="check whether it appears"):
            desk.send("note", "trial", NOTE)
    finally:
        os.kill(mosquitto.process.pid, signal.SIGCONT)
    again = desk.send("note", "trial", NOTE)
    assert int(again.split("/")[2]) == int(first.split("/")[2]) + 2  # the unconfirmed one may have arrived
    desk.close()


def test_orders_can_be_had_by_a_gateway_that_comes_later_until_they_are_lifted(
    mosquitto: Any, wait_until: Callable[..., Any]
) -> None:
    desk = Desk.at_broker(mosquitto.url, "D-1")
    order = {"incident_id": "I-1", "order": "evacuate", "state": "given"}
    desk.send("order", "trial", order)
    desk.send("order", "trial", order | {"order": "withdraw", "team": "Alder"})
    got: list[dict[str, Any]] = []
    client = subscribe(mosquitto.url, got)
    try:
        wait_until(lambda: got, what="the retained order")
        assert [(one["order"], one.get("team")) for one in got[0]["standing"]] == [
            ("evacuate", None),
            ("withdraw", "Alder"),
        ]
        desk.send("order", "trial", order | {"state": "lifted"})
        wait_until(lambda: len(got) > 1, what="the order lifted")
        assert [one["order"] for one in got[1]["standing"]] == ["withdraw"]
    finally:
        client.loop_stop()
        desk.close()


def test_a_broker_without_memory_has_the_order_again(mosquitto: Any, wait_until: Callable[..., Any]) -> None:
    """Mended: a broker that was started again had no order, and the page showed it in force."""

    def forgets() -> None:
        mosquitto.kill()
        mosquitto.start("persistence false\n")

    def had_later(state: str) -> dict[str, Any]:
        """Return the order that a gateway has when it connects now, and nothing else."""
        got: list[dict[str, Any]] = []
        client = subscribe(mosquitto.url, got)
        try:
            wait_until(lambda: got, what=f"the order {state}")
            time.sleep(0.5)
            assert {one["state"] for one in got} == {state}
            return got[0] | {"retain": True}
        finally:
            client.disconnect()
            client.loop_stop()

    forgets()
    desk = Desk.at_broker(mosquitto.url, "D-1")
    order = {"incident_id": "I-1", "order": "evacuate", "state": "given"}
    try:
        desk.send("order", "trial", order)
        first = had_later("given")
        forgets()
        assert had_later("given") == first  # under its own number and time: no new order
        wait_until(desk.connected, what="the desk to have its line")
        desk.send("order", "trial", order | {"state": "lifted"})
        lifted = had_later("lifted")
        assert lifted["standing"] == []
        forgets()
        assert had_later("lifted") == lifted
    finally:
        desk.close()


def test_a_command_unit_that_lost_its_power_gives_its_order_again(
    mosquitto: Any, tmp_path: Path, wait_until: Callable[..., Any]
) -> None:
    """Broker without memory, desk without memory: the archive has what was ordered, and what was lifted."""
    now = datetime.now(UTC)
    heard = []
    for seq, (service, state, ago_h) in enumerate(
        (("old", "given", 13), ("trial", "given", 2), ("south", "given", 2), ("south", "lifted", 1))
    ):
        at = now - timedelta(hours=ago_h)
        fields = {"incident_id": "I-1", "order": "evacuate", "state": state, "standing": []}
        said = {"kind": "order", "desk_id": "D-1", "boot": 7, "seq": seq, "time": at.isoformat(), **fields}
        topic = f"underair/v1/{service}/desk/D-1/order"
        heard += [Heard(at, topic.replace("D-1", "D-2"), json.dumps(said | {"desk_id": "D-2"}).encode())]
        heard += [Heard(at, topic, json.dumps(said).encode())]
    seal_messages(tmp_path, frames_from_heard(heard), "before")
    got: list[dict[str, Any]] = []
    client = subscribe(mosquitto.url, got)
    served = Served(tmp_path, mosquitto.url, desk_id="D-1")
    try:
        served.start()
        wait_until(lambda: len(got) > 1, what="both orders")
        assert [(one["desk_id"], one["boot"], one["seq"], one["state"]) for one in got] == [
            ("D-1", 7, 3, "lifted"),
            ("D-1", 7, 1, "given"),
        ]
    finally:
        served.close()
        client.disconnect()
        client.loop_stop()


def test_an_archive_that_cannot_be_read_keeps_no_desk_from_its_own_orders(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert orders_heard(Archive(tmp_path / "none"), "D-1") == {}
    assert caplog.messages == []
    monkeypatch.setattr(Archive, "messages", lambda *_: (tmp_path / "gone").stat())
    assert orders_heard(Archive(tmp_path), "D-1") == {}
    assert "cannot be read" in caplog.text


def test_a_desk_that_was_restarted_goes_on_from_the_orders_that_are_in_force() -> None:
    got: list[bytes] = []

    class Line:
        connected = True

        def publish(self, topic: str, payload: bytes, retain: bool = False, timeout_s: float = 0.0) -> None:
            got.append(payload)

        def close(self, timeout_s: float = 0.0) -> None:
            pass

    desk = Desk(lambda: Line(), "D-1")  # type: ignore[arg-type,return-value]
    before = [{"incident_id": "I-1", "order": "evacuate", "since": "2031-05-04T10:00:00.000Z"}]
    fields = {"incident_id": "I-1", "order": "withdraw", "state": "given", "team": "Elm"}
    desk.send("order", "trial", fields, before)
    assert [one["order"] for one in json.loads(got[0])["standing"]] == ["evacuate", "withdraw"]
