"""The parts of the demo: what runs in each of its processes. Heavy imports wait until a part needs them."""

import logging
import multiprocessing
import os
import shutil
import signal
import socket
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from ingest.broker.mqtt import PASSWORD_VARIABLE, USERNAME_VARIABLE

HOST = "127.0.0.1"


@dataclass(frozen=True)
class Moment:
    """Something that the parts wait for.

    It is a file: setting multiprocessing's `Event` hangs for ever once a waiting process was killed.
    """

    file: Path

    def set(self) -> None:
        """Say that it has come."""
        self.file.touch()

    def wait(self) -> None:
        """Wait until it has come."""
        while not self.file.exists():
            time.sleep(0.05)


@dataclass(frozen=True)
class DemoStage:
    """What the parts share; it travels to each of them through a pipe, the password with it."""

    folder: Path  # the demo's own folder; it goes at the end
    page: socket.socket  # listens already, so that a browser that is early waits and is not turned away
    broker_url: str  # of the built-in broker, made for this run
    username: str
    password: str

    def moment(self, name: str) -> Moment:
        """Return one of the moments that parts wait for.

        - ``broker-is-up``: it accepts connections.
        - ``listener-listens``: it has subscribed; the built-in broker keeps nothing for absent clients.
        - ``past-is-written``: the archive holds what happened before the demo began.
        - ``kernels-are-warm``: the live page finds its compiled loops in numba's cache.
        """
        return Moment(self.folder / name)

    @property
    def archive(self) -> Path:
        """The archive's folder."""
        return self.folder / "archive"

    @property
    def page_url(self) -> str:
        """Where the page is."""
        return f"http://{HOST}:{self.page.getsockname()[1]}/"

    def log(self, part: str) -> Path:
        """The log file of a part."""
        return self.folder / f"{part}.log"


def run_part(name: str, stage: DemoStage) -> None:
    """Run one part in the process that was made for it."""
    # The terminal's Ctrl-C reaches the whole group: only the parent acts on it.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, _leave)
    threading.Thread(target=_leave_with_parent, args=(stage.folder,), daemon=True).start()
    log = stage.log(name).open("a", buffering=1)
    for stream in (1, 2):
        os.dup2(log.fileno(), stream)
    sys.stdout = sys.stderr = log
    logging.basicConfig(stream=log, level=logging.WARNING)
    os.environ[USERNAME_VARIABLE] = stage.username
    os.environ[PASSWORD_VARIABLE] = stage.password
    if name != "page":
        stage.page.close()
    PARTS[name](stage)


def _leave(*_: object) -> None:
    # At once and without tidying: all that a part holds goes with the demo's folder.
    os._exit(0)


def _leave_with_parent(folder: Path) -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        shutil.rmtree(folder, ignore_errors=True)
        os._exit(1)


def _crew(stage: DemoStage) -> None:
    from dashboard.demo import crew as demo_crew
    from ingest.broker.mqtt import Publisher

    rest = demo_crew.begin(stage.archive, datetime.now(UTC))
    stage.moment("past-is-written").set()
    stage.moment("listener-listens").wait()
    with Publisher(stage.broker_url) as publisher:
        demo_crew.go_on_for_ever(rest, publisher.publish)


def _page(stage: DemoStage) -> None:
    from dashboard.serving import Served

    stage.archive.mkdir(parents=True, exist_ok=True)

    def prepare() -> None:
        # Compiling here would freeze the page; it answers at once, and says that it is starting.
        for ready in ("past-is-written", "broker-is-up", "kernels-are-warm"):
            stage.moment(ready).wait()

    Served(stage.archive, stage.broker_url, listening=stage.page, prepare=prepare).start()
    threading.Event().wait()


def _listener(stage: DemoStage) -> None:
    from ingest.listener import Listener

    stage.moment("broker-is-up").wait()
    with Listener(stage.broker_url, stage.archive) as listener:
        listener.subscribed.wait()
        stage.moment("listener-listens").set()
        threading.Event().wait()


def _history(stage: DemoStage) -> None:
    """Fill numba's cache for the live page, write what happened before, then fill it for the review."""
    compile_live()
    stage.moment("kernels-are-warm").set()
    os.nice(10)  # the page goes first
    from dashboard.demo import crew as demo_crew

    demo_crew.bring_in_three_years(stage.archive, datetime.now(UTC))
    demo_crew.write_history(stage.archive, datetime.now(UTC))
    compile_analysis()


def compile_live() -> None:
    """Run each compiled loop of the live page once, so that its process finds them in numba's cache.

    Two to three seconds with an empty cache.
    """
    from analysis.air.breathing import LiveAir
    from analysis.air.gas import Cylinder

    air = LiveAir(Cylinder())
    for second in range(3):
        air.add(float(second), 300.0 - second)
    air.at(3.0).minutes_to(55.0)


def compile_analysis() -> None:
    """Run each compiled loop of the review once, on a small wear; some ten seconds with an empty cache."""
    import numpy as np

    from analysis.air.breathing import reconstruct
    from analysis.air.gas import Cylinder
    from analysis.incident import analyse
    from analysis.profile import Profile
    from dashboard.demo.crew import RUNNING, played
    from ingest.contract.frames import frames_from_heard

    seconds = np.arange(30.0)
    reconstruct(seconds, 300.0 - seconds / 5.0, Cylinder())
    heard = played(RUNNING, datetime.now(UTC) - timedelta(hours=2), {"S-012"})
    analyse(frames_from_heard(heard), Profile.default())


# In the order in which they are started: what takes longest to be ready goes first.
PARTS: dict[str, Callable[[DemoStage], None]] = {
    "page": _page,
    "history": _history,
    "crew": _crew,
    "listener": _listener,
}
MAY_END = {"history"}
