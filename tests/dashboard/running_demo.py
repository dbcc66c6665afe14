"""`underair demo` as a person runs it, and what must be in its archive."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

from dashboard.demo import crew as demo_crew
from ingest.archive.reading import Archive
from sample_logs.simulation.scenario import build_incident
from tests.simulated_truth import truth_of


class Demo:
    """A running demo in a session of its own, so that every process of it can be found again."""

    def __init__(self, port: int, temporary: Path) -> None:
        self.temporary = temporary
        self.url = f"http://127.0.0.1:{port}"
        self.process = subprocess.Popen(
            [sys.executable, "-m", "dashboard.underair", "demo", "--port", str(port), "--no-browser"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
            env={**os.environ, "TMPDIR": str(temporary)},
        )

    def processes(self) -> list[str]:
        """The command lines of every process of the demo's session that is not a zombie."""
        listing = subprocess.run(
            ["ps", "-o", "pid=,stat=,args=", "-s", str(self.process.pid)], capture_output=True, text=True
        )
        return [line for line in listing.stdout.splitlines() if line.split()[1][0] != "Z"]

    def folders(self) -> list[Path]:
        return list(self.temporary.glob("underair-demo-*"))

    def end(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(60)
        for line in self.processes():
            os.kill(int(line.split()[0]), signal.SIGKILL)
        for pipe in (self.process.stdout, self.process.stderr):
            if pipe is not None:
                pipe.close()


def nothing_is_lost_between_the_written_past_and_what_comes_over_mqtt(archive: Path) -> None:
    messages = Archive(archive).messages(since=datetime.now(UTC) - timedelta(hours=1))
    planned = truth_of(build_incident(demo_crew.RUNNING, datetime.now(UTC))).lost
    heard: dict[str, set[int]] = {}
    for kind in ("pressure", "motion", "temperature", "power", "alarm", "setup", "link"):
        for set_id, seq in messages[kind].select("set_id", "seq").drop_nulls().iter_rows():
            heard.setdefault(set_id, set()).add(seq)
    assert len(heard) == 9
    for set_id, numbers in heard.items():
        lost = {int(one.split("/")[2]) for one in planned if one.startswith(f"{set_id}/")}
        # The newest may still be on their way, out of order.
        assert set(range(max(numbers) - 20)) - numbers <= lost
