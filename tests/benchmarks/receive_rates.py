"""How fast messages are received and made durable, against a paho client whose callback does nothing.

Run by hand: ``python -m tests.benchmarks.receive_rates [messages] [rounds]``, under two minutes by default.
The same broker, publisher and protocol version for all; the messages wait in the broker's queue before the
clock starts, for all receivers alike, so that the publisher costs nothing and the receiver is what is
measured. The receivers take turns; each ratio is to paho alone in the same round, and the least and the
median over the rounds are printed: absolute figures do not travel.
"""

from __future__ import annotations

import json
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

TOPIC = "underair/v1/demo/set/S-%03d/%s"
SEALING_PREPARES_S = 2.0  # a listener that runs has its sealing process ready long before
PROTOCOLS = {"3.1.1": False, "5": True}


def _payload(number: int) -> tuple[str, bytes]:
    set_id = number % 200
    kind, field = (("pressure", '"pressure_bar":201.5'), ("motion", '"motion_m_s2":0.42'))[number % 2]
    body = (
        f'{{"kind":"{kind}","set_id":"S-{set_id:03d}","boot":17,"seq":{number // 200},'
        f'"time":"2031-05-04T10:{number // 60000 % 60:02d}:{number // 1000 % 60:02d}.{number % 1000:03d}Z",'
        f'"uptime_s":{number / 1000},{field}}}'
    )
    return TOPIC % (set_id, kind), body.encode()


def _baseline(port: int, messages: int, mqtt5: bool) -> float:
    """Receive with paho alone, in its own process; return messages/s."""
    from ingest.broker.mqtt import new_client, session

    seen = 0
    began = 0.0
    done = threading.Event()

    def on_message(_client: Any, _data: Any, _message: Any) -> None:
        nonlocal seen, began
        if seen == 0:
            began = time.perf_counter()
        seen += 1
        if seen == messages:
            done.set()

    client = new_client("receiver", persistent=True, mqtt5=mqtt5)
    client.on_message = on_message
    if mqtt5:
        client.connect("127.0.0.1", port, **session(3600, mqtt5=True))
    else:
        client.connect("127.0.0.1", port)
    client.loop_start()
    if not done.wait(120):
        raise RuntimeError(f"{seen} of {messages} came")
    rate = messages / (time.perf_counter() - began)
    client.disconnect()
    client.loop_stop()
    return rate


def _durable(port: int, messages: int, mqtt5: bool, batching: bool) -> tuple[float, float, float]:
    """Receive with the listener; return messages/s until all is synced and acknowledged, messages/s until
    all is sealed into Parquet too, and bytes a message stored.
    """
    import ingest.broker.mqtt
    from ingest.listener import Listener
    from ingest.settings import BrokerSettings, Settings

    if not batching:
        ingest.broker.mqtt.batches_are_possible = lambda: False
    archive = tempfile.mkdtemp(prefix="underair-benchmark-")
    broker = BrokerSettings(client_id="receiver", client_id_random=False, protocol="5" if mqtt5 else "3.1.1")
    listener = Listener(f"mqtt://127.0.0.1:{port}", archive, Settings(broker=broker))
    took = listener._take  # the moment of the first message
    began: list[float] = []

    def first(*taken: Any) -> None:
        if not began:
            began.append(time.perf_counter())
        took(*taken)

    listener._take = first  # type: ignore[method-assign]
    listener._writing._sealing.start()
    time.sleep(SEALING_PREPARES_S)
    listener.start()
    while listener.health.journalled < messages:
        time.sleep(0.002)
    durable = time.perf_counter()
    counts = listener.stop()
    sealed = time.perf_counter()
    if counts.kept + counts.duplicates != messages:
        raise RuntimeError(f"{counts}")
    stored = sum(path.stat().st_size for path in Path(archive).rglob("*.parquet"))
    shutil.rmtree(archive)
    return messages / (durable - began[0]), messages / (sealed - began[0]), stored / messages


def _queue_up(port: int, messages: int, mqtt5: bool) -> None:
    """Have the broker keep messages for the receiver that is away."""
    from ingest.broker.mqtt import Publisher, new_client, session
    from ingest.contract.topics import EVERY_TOPIC

    subscribed = threading.Event()
    client = new_client("receiver", persistent=True, mqtt5=mqtt5)
    client.on_connect = lambda client, *_: client.subscribe(EVERY_TOPIC, qos=1)
    client.on_subscribe = lambda *_: subscribed.set()
    if mqtt5:
        client.connect("127.0.0.1", port, **session(3600, mqtt5=True))
    else:
        client.connect("127.0.0.1", port)
    client.loop_start()
    subscribed.wait(10)
    client.disconnect()
    client.loop_stop()
    with Publisher(f"mqtt://127.0.0.1:{port}") as publisher:
        for number in range(messages):
            publisher.publish(*_payload(number))


def start_broker(folder: Path) -> tuple[subprocess.Popen[bytes], int]:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    configuration = folder / "mosquitto.conf"
    configuration.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\nuser root\n"
        "max_queued_messages 0\nmax_inflight_messages 2000\n"
    )
    program = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
    process = subprocess.Popen([program, "-c", str(configuration)], stderr=subprocess.DEVNULL)
    time.sleep(0.5)
    return process, port


def main() -> None:
    """Measure and print."""
    if sys.argv[1:2] == ["--receive"]:
        kind, port, messages, protocol = sys.argv[2:]
        mqtt5 = PROTOCOLS[protocol]
        if kind == "paho alone":
            rate = _baseline(int(port), int(messages), mqtt5)
            print(json.dumps([rate, rate, 0]))
        else:
            print(json.dumps(_durable(int(port), int(messages), mqtt5, kind == "durable, batches")))
        return
    messages, rounds = (int(each) for each in [*sys.argv[1:], "40000", "3"][:2])
    kinds = ("paho alone", "durable, public API", "durable, batches")
    for protocol, mqtt5 in PROTOCOLS.items():
        measured: dict[str, list[list[float]]] = {kind: [] for kind in kinds}
        for _ in range(rounds):
            for kind in kinds:
                with tempfile.TemporaryDirectory() as folder:
                    broker, port = start_broker(Path(folder))
                    _queue_up(port, messages, mqtt5)
                    command = [
                        sys.executable,
                        __file__,
                        "--receive",
                        kind,
                        str(port),
                        str(messages),
                        protocol,
                    ]
                    run = subprocess.run(command, stdout=subprocess.PIPE, text=True, check=True)
                    measured[kind].append(json.loads(run.stdout))
                    broker.terminate()
                    broker.wait()
        base = [durable for durable, _, _ in measured[kinds[0]]]
        for kind, rows in measured.items():
            told = []
            for column, name in enumerate(("durable", "sealed")):
                rate = statistics.median(row[column] for row in rows)
                ratios = [row[column] / alone for row, alone in zip(rows, base, strict=True)]
                ratio = f"least {min(ratios):5.2f} median {statistics.median(ratios):5.2f}"
                told.append(f"{name} {rate:8,.0f}/s, ratio {ratio}")
            size = statistics.median(row[2] for row in rows)
            print(f"MQTT {protocol:5}  {kind:20}  {'  '.join(told)}  {size:4.1f} bytes a message", flush=True)


if __name__ == "__main__":
    main()
