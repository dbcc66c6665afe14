"""Memory of the listener and its sealing process, together, at a steady rate.

Run by hand: ``python -m tests.benchmarks.receive_memory [minutes] [rate]``, by default 10 minutes at 5,000
messages/s. `underair listen` runs as a user starts it; publishers and broker are processes of their own.
Printed are the proportional sizes (a page that two processes share counts half in each) summed over all
processes of the listener; flat means that the last third is no higher than the second.
"""

from __future__ import annotations

import signal
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.benchmarks.receive_rates import start_broker

LOOK_EVERY_S = 2.0


def _tree(pid: int) -> list[int]:
    """Return a process and all that it started."""
    found = [pid]
    for task in Path(f"/proc/{pid}/task").iterdir():
        for child in (task / "children").read_text().split():
            found += _tree(int(child))
    return found


def _megabytes(pid: int) -> float:
    lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("Pss:")) / 1024


def _summed(pid: int) -> float:
    total = 0.0
    for each in _tree(pid):
        try:
            total += _megabytes(each)
        except (FileNotFoundError, ProcessLookupError):
            continue  # a merge that has just ended
    return total


def main() -> None:
    """Measure and print."""
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
    rate = float(sys.argv[2]) if len(sys.argv) > 2 else 5000.0
    with tempfile.TemporaryDirectory(prefix="underair-memory-") as folder:
        broker, port = start_broker(Path(folder))
        listen = [
            sys.executable,
            "-m",
            "dashboard.underair",
            "listen",
            "--broker",
            f"mqtt://127.0.0.1:{port}",
        ]
        listener = subprocess.Popen(
            [*listen, "--archive", f"{folder}/archive"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        if listener.stderr is None or "receiving from" not in listener.stderr.readline():
            raise RuntimeError("the listener did not begin")
        publish = [sys.executable, "-m", "tests.benchmarks.receive_delays", "--publish", str(port)]
        publishers = [
            subprocess.Popen([*publish, str(rate / 2), str(minutes * 60), f"S-{number}"])
            for number in range(2)
        ]
        sizes: list[float] = []
        while any(each.poll() is None for each in publishers):
            time.sleep(LOOK_EVERY_S)
            sizes.append(_summed(listener.pid))
        listener.send_signal(signal.SIGTERM)
        began = time.monotonic()
        output, _ = listener.communicate()
        ended_s = time.monotonic() - began
        broker.terminate()
        broker.wait()
    third = len(sizes) // 3
    parts = [sizes[:third], sizes[third : 2 * third], sizes[2 * third :]]
    highest = ", ".join(f"{max(part):.0f}" for part in parts)
    median = ", ".join(f"{statistics.median(part):.0f}" for part in parts)
    print(f"{minutes:g} min at {rate:,.0f}/s: {output.strip()}; SIGTERM to end {ended_s:.1f} s")
    print(f"memory of all processes, MB, by thirds: highest {highest}; median {median}")


if __name__ == "__main__":
    main()
