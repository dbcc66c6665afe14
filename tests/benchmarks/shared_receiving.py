"""What a second listener on one shared subscription brings: `python -m tests.benchmarks.shared_receiving`.

Arguments: [messages] [rounds] [processes ...]. MQTT 5 throughout, since only it shares. The listeners
subscribe and are halted; the messages are published and wait in the broker, dealt out between them; then all
go on at once. The rate is from the first message received to the last one durable, over all; 1 and 2
processes take turns. Each listener is a process of its own with its own journal, into one archive.

Two costs: processor a message until it is durable (the listener's own process: receiving, journal, sync), and
until all is sealed too (that, the rest of the listener, and its sealing process: decoding, Parquet, and the
start of that process, which many messages share). The broker's processor is in neither.
"""

from __future__ import annotations

import json
import os
import resource
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from tests.benchmarks.receive_rates import _payload, start_broker

QUIET_S = 3.0


def receive(port: int, archive: str, name: str) -> None:
    """Be one listener: say when subscribed, then when the first and the last message were durable."""
    from ingest.listener import Listener
    from ingest.settings import BrokerSettings, Settings

    broker = BrokerSettings(
        client_id=name, client_id_random=False, protocol="5", shared_group="benchmark", keepalive_s=3600
    )
    listener = Listener(f"mqtt://127.0.0.1:{port}", archive, Settings(name=name, broker=broker))
    took = listener._take
    began: list[float] = []
    spent: list[float] = []

    def first(*taken: Any) -> None:
        if not began:
            began.append(time.monotonic())
            spent.append(time.process_time())
        took(*taken)

    listener._take = first  # type: ignore[method-assign]
    listener.start()
    listener.subscribed.wait(20)
    print("subscribed", flush=True)
    seen, last = 0, time.monotonic()
    while not seen or time.monotonic() - last < QUIET_S:
        now = listener.health.journalled
        if now != seen:
            seen, last, busy = now, time.monotonic(), time.process_time()
        time.sleep(0.005)
    counts = listener.stop()
    sealer = resource.getrusage(resource.RUSAGE_CHILDREN)
    sealed = time.process_time() - spent[0] + sealer.ru_utime + sealer.ru_stime
    print(json.dumps([began[0], last, seen, counts.kept, busy - spent[0], sealed]), flush=True)


def measured(messages: int, processes: int) -> tuple[float, float, float]:
    """Return messages/s until durable; microseconds of processor a message until durable, until sealed."""
    from ingest.broker.mqtt import Publisher

    with tempfile.TemporaryDirectory(prefix="underair-shared-") as folder:
        broker, port = start_broker(Path(folder))
        itself = [sys.executable, "-m", "tests.benchmarks.shared_receiving", "--receive", str(port)]
        itself.append(str(Path(folder) / "archive"))
        own = [
            subprocess.Popen([*itself, f"listener-{number}"], stdout=subprocess.PIPE, text=True)
            for number in range(processes)
        ]
        try:
            for one in own:
                if one.stdout is None or one.stdout.readline().strip() != "subscribed":
                    raise RuntimeError("a listener did not subscribe")
                os.kill(one.pid, signal.SIGSTOP)
            with Publisher(f"mqtt://127.0.0.1:{port}") as publisher:
                for number in range(messages):
                    publisher.publish(*_payload(number))
            for one in own:
                os.kill(one.pid, signal.SIGCONT)
            said = [json.loads(one.communicate(timeout=300)[0]) for one in own]
        finally:
            for one in own:
                one.kill()
            broker.terminate()
            broker.wait()
    if sum(row[3] for row in said) != messages:
        raise RuntimeError(f"kept {[row[3] for row in said]} of {messages}")
    took = max(row[1] for row in said) - min(row[0] for row in said)
    durable, sealed = (sum(row[column] for row in said) / messages * 1e6 for column in (4, 5))
    return messages / took, durable, sealed


def main() -> None:
    """Measure and print."""
    if sys.argv[1:2] == ["--receive"]:
        receive(int(sys.argv[2]), sys.argv[3], sys.argv[4])
        return
    messages, rounds, *counts = (
        int(word) for word in [*sys.argv[1:], "100000", "3"][: max(len(sys.argv) - 1, 2)]
    )
    counts = counts or [1, 2]
    rates: dict[int, list[tuple[float, float, float]]] = {count: [] for count in counts}
    print(f"load of the machine before: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    for _ in range(rounds):
        for count in counts:
            rates[count].append(measured(messages, count))
    base = statistics.median(rate for rate, *_ in rates[counts[0]])
    for count, rows in rates.items():
        rate, durable, sealed = (statistics.median(column) for column in zip(*rows, strict=True))
        name = f"{count} process" + ("es" if count > 1 else "")
        print(
            f"{name:12} durable {rate:8,.0f}/s = {rate / base:4.2f}   processor a message: {durable:5.1f} us "
            f"until durable, {sealed:5.1f} us until sealed"
        )


if __name__ == "__main__":
    main()
