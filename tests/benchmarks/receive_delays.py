"""How long a message takes from being published to being safe on disk, while sealing goes on.

Run by hand: ``python -m tests.benchmarks.receive_delays [seconds] [rate ...]``. Publisher, broker and
listener are processes of their own; the time stands in the payload, all clocks are one machine's. Prints the
resident memory of the listener too, at the start and at the end.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from datetime import UTC, datetime
from pathlib import Path

from tests.benchmarks.receive_rates import start_broker

WARM_UP_S = 3.0


def publish(port: int, rate: float, seconds: float, set_id: str) -> None:
    """Publish at a steady rate, in a process of its own."""
    from ingest.broker.mqtt import Publisher

    topic = f"underair/v1/demo/set/{set_id}/motion"
    with Publisher(f"mqtt://127.0.0.1:{port}", window=5000) as publisher:
        began = time.perf_counter()
        seq = 0
        while (elapsed := time.perf_counter() - began) < seconds:
            due = int(elapsed * rate)
            while seq < due:
                at = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
                who = f'"kind":"motion","set_id":"{set_id}","boot":1,"seq":{seq}'
                publisher.publish(topic, f'{{{who},"time":"{at}","motion_m_s2":1}}'.encode())
                seq += 1
            time.sleep(0.001)


def _resident_mb() -> float:
    fields = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in fields if line.startswith("VmRSS")) / 1024


def listen(port: int, seconds: float, rate: float) -> None:
    """Receive, in a process of its own; print the figures."""
    import numpy as np

    from ingest.archive.writing import Delivery
    from ingest.listener import Listener
    from ingest.settings import SealSettings, Settings

    archive = tempfile.mkdtemp(prefix="underair-benchmark-")
    settings = Settings(seal=SealSettings(seconds=5))
    listener = Listener(f"mqtt://127.0.0.1:{port}", archive, settings)
    safe: list[tuple[int, list[bytes]]] = []
    acknowledge = listener._acknowledge

    def durable(batch: list[Delivery]) -> None:
        safe.append((time.time_ns(), [each.record.payload for each in batch]))
        acknowledge(batch)

    listener._writing._durable = durable
    listener.start()
    listener.subscribed.wait(20)
    print("ready", flush=True)
    threading.Event().wait(WARM_UP_S)
    first_mb = _resident_mb()
    threading.Event().wait(seconds - WARM_UP_S + 2)
    last_mb = _resident_mb()
    counts = listener.stop()
    shutil.rmtree(archive)
    delays = []
    for at_ns, payloads in safe:
        for payload in payloads:
            sent = datetime.fromisoformat(json.loads(payload)["time"]).timestamp()
            delays.append(at_ns / 1e6 - sent * 1e3)
    warm = np.array(delays[int(len(delays) * WARM_UP_S / seconds) :])
    p50, p99 = np.percentile(warm, [50, 99])
    print(
        f"{rate:8,.0f}/s asked, {counts.received / seconds:8,.0f}/s received: "
        f"p50 {p50:7.1f} ms, p99 {p99:7.1f} ms, longest {warm.max():7.1f} ms; "
        f"memory {first_mb:.0f} -> {last_mb:.0f} MB, with the payloads that are kept to measure"
    )


def main() -> None:
    """Measure and print."""
    if sys.argv[1:2] == ["--publish"]:
        publish(int(sys.argv[2]), float(sys.argv[3]), float(sys.argv[4]), sys.argv[5])
        return
    if sys.argv[1:2] == ["--listen"]:
        listen(int(sys.argv[2]), float(sys.argv[3]), float(sys.argv[4]))
        return
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 20.0
    for rate in [float(each) for each in sys.argv[2:]] or [200.0, 2000.0, 10_000.0]:
        with tempfile.TemporaryDirectory() as folder:
            broker, port = start_broker(Path(folder))
            here = [sys.executable, "-m", "tests.benchmarks.receive_delays"]
            listener = subprocess.Popen(
                [*here, "--listen", str(port), str(seconds), str(rate)], stdout=subprocess.PIPE, text=True
            )
            if listener.stdout is None or listener.stdout.readline().strip() != "ready":
                raise RuntimeError("the listener did not begin")
            publishers = [
                subprocess.Popen([*here, "--publish", str(port), str(rate / 2), str(seconds), f"S-{number}"])
                for number in range(2)
            ]
            for each in publishers:
                each.wait()
            output, _ = listener.communicate()
            print(output.strip(), flush=True)
            broker.terminate()
            broker.wait()


if __name__ == "__main__":
    main()
