"""What mapped topics cost: receiving against own topics, reading against own messages of the same content.

Run by hand: ``python -m tests.benchmarks.mapped [objects] [rounds]``, about a minute by default. The two
take turns on one broker; each ratio is within one round, and the least and the median are printed.
"""

from __future__ import annotations

import json
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from ingest.archive.folder import create_archive
from ingest.archive.mappings import keep_mapping
from ingest.broker.mqtt import Publisher, new_client
from ingest.contract.captures import Heard
from ingest.contract.frames import FrameBuilder, heard_of
from ingest.contract.times import micros
from ingest.contract.topics import EVERY_TOPIC
from ingest.listener import Listener
from ingest.mapping.mapper import Mapper
from ingest.mapping.rules import EXAMPLES, load_mapping
from ingest.settings import BrokerSettings, Settings
from tests.benchmarks.receive_rates import start_broker

FLAT = EXAMPLES / "flat_object.toml"
BEGAN_US = 1_935_740_000_000_000
SETS = 200


def flat_objects(objects: int, length: int = 0) -> Iterator[tuple[str, bytes]]:
    """Yield topics and payloads of the invented maker; `length` pads each to so many bytes."""
    for number in range(objects):
        n = number // SETS
        told = {"u": f"K{number % SETS}", "n": n, "up": n, "ts": BEGAN_US // 1000 + 1000 * n}
        told |= {"psi": 4200 - n % 4000, "tF": 88.2, "still": 3, "mode": "OK", "pad": ""}
        written = json.dumps(told, separators=(",", ":"))
        told["pad"] = "x" * max(length - len(written), 0)
        yield f"bench7/telemetry/K{number % SETS}", json.dumps(told, separators=(",", ":")).encode()


def own_messages(messages: int) -> Iterator[tuple[str, bytes]]:
    """Yield as many messages of the contract, each as the mapping would make it."""
    mapper = Mapper([load_mapping(FLAT)])
    made = 0
    for number, (topic, payload) in enumerate(flat_objects(messages)):
        heard = heard_of((BEGAN_US + number, topic, payload, False))
        for message in mapper.take(heard).messages:
            if made == messages:
                return
            made += 1
            yield message.topic, message.payload


def received_per_s(port: int, said: list[tuple[str, bytes]], filters: list[str], *, mapped: bool) -> float:
    """Return messages/s until all that waited at the broker is synced and acknowledged."""
    subscribed = threading.Event()
    client = new_client("receiver", persistent=True)
    client.on_connect = lambda client, *_: client.subscribe([(each, 1) for each in filters])
    client.on_subscribe = lambda *_: subscribed.set()
    client.connect("127.0.0.1", port)
    client.loop_start()
    subscribed.wait(30)
    client.disconnect()
    client.loop_stop()
    with Publisher(f"mqtt://127.0.0.1:{port}") as publisher:
        for topic, payload in said:
            publisher.publish(topic, payload)
    with tempfile.TemporaryDirectory(prefix="underair-benchmark-") as folder:
        archive = create_archive(Path(folder) / "archive")
        if mapped:
            keep_mapping(archive, FLAT)
        broker = BrokerSettings(client_id="receiver", client_id_random=False)
        listener = Listener(f"mqtt://127.0.0.1:{port}", archive, Settings(broker=broker), say=lambda _: None)
        took, began = listener._take, []

        def first(*taken: Any) -> None:
            if not began:
                began.append(time.perf_counter())
            took(*taken)

        listener._take = first  # type: ignore[method-assign]
        listener.start()
        while listener.health.journalled < len(said):
            time.sleep(0.002)
        rate = len(said) / (time.perf_counter() - began[0])
        counts = listener.stop()
        if counts.kept != len(said):
            raise RuntimeError(f"{counts}")
    gone = new_client("receiver")
    gone.connect("127.0.0.1", port)
    gone.loop_start()
    time.sleep(0.2)
    gone.disconnect()
    gone.loop_stop()
    return rate


def read_us(said: list[Heard], mapper: Mapper | None) -> tuple[float, int]:
    """Return microseconds to make frames of what was heard, and how many messages they hold."""
    began = time.perf_counter()
    builder = FrameBuilder(mapper)
    for received, topic, payload, retained in said:
        builder.add(micros(received), topic, payload, retained)
    frames = builder.frames()
    took = time.perf_counter() - began
    messages = sum(frame.height for kind, frame in frames.items() if kind not in ("originals", "refused"))
    return took * 1e6, messages


def main() -> None:
    """Measure and print."""
    objects = int(sys.argv[1]) if len(sys.argv) > 1 else 40_000
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 3
    own = list(own_messages(objects))
    length = round(statistics.mean(len(payload) for _, payload in own))
    mapped = list(flat_objects(objects, length))
    receiving, reading, per_object = [], [], []
    with tempfile.TemporaryDirectory(prefix="underair-benchmark-") as folder:
        broker, port = start_broker(Path(folder))
        try:
            for _ in range(rounds):
                ours = received_per_s(port, own, [EVERY_TOPIC], mapped=False)
                theirs = received_per_s(port, mapped, [EVERY_TOPIC, "bench7/telemetry/+"], mapped=True)
                receiving.append(theirs / ours)
                print(f"received/s: own {ours:,.0f}, mapped {theirs:,.0f}, ratio {theirs / ours:.2f}")
        finally:
            broker.terminate()
            broker.wait(30)
    heard = [heard_of((BEGAN_US + n, topic, payload, False)) for n, (topic, payload) in enumerate(own)]
    originals = [heard_of((BEGAN_US + n, topic, payload, False)) for n, (topic, payload) in enumerate(mapped)]
    for _ in range(rounds):
        own_us, own_made = read_us(heard, None)
        mapped_us, made = read_us(originals, Mapper([load_mapping(FLAT)]))
        reading.append((mapped_us / made) / (own_us / own_made))
        per_object.append(mapped_us / len(originals))
        print(
            f"reading, us a message made: own {own_us / own_made:.1f}, mapped {mapped_us / made:.1f}, ",
            end="",
        )
        print(f"ratio {reading[-1]:.2f}; {per_object[-1]:.1f} us an object of {made / len(originals):.1f}")
    print(f"receiving, mapped against own ({length} bytes each): ", end="")
    print(f"least {min(receiving):.2f}, median {statistics.median(receiving):.2f}")
    print(f"reading, mapped against own: most {max(reading):.2f}, median {statistics.median(reading):.2f}")


if __name__ == "__main__":
    main()
