"""`underair demo`: broker, listener, simulated crew and page, each a process of its own, and a clean end.

The parent only starts the parts, says where the page is, and waits. A part that ends early ends the demo,
with the tail of its log; Ctrl-C or SIGTERM ends all of them. A part also ends when its parent is gone.
"""

import multiprocessing
import shutil
import signal
import socket
import tempfile
import threading
import time
import urllib.error
import urllib.request
import webbrowser
from multiprocessing import connection
from multiprocessing.process import BaseProcess
from pathlib import Path

from dashboard.demo.parts import HOST, MAY_END, PARTS, DemoStage, run_part
from ingest.broker.embedded_broker import EmbeddedBroker
from ingest.contract.errors import UnderairError
from ingest.shown_text import echo

ENDS_WITHIN_S = 5.0
LOG_TAIL_LINES = 15
INTRODUCTION = """\
An invented incident with invented people, published over MQTT on this machine by a simulated crew.
It is under way; an earlier, finished one is there to review. The archive {archive}
is deleted when the demo ends. Ctrl-C ends it."""


class DemoProblem(UnderairError):
    """The demo cannot start, or one of its parts has ended."""


def run_demo(port: int, *, open_browser: bool) -> None:
    """Run the demo until Ctrl-C or SIGTERM.

    - `port`: of the page, on the loopback address only.

    Raises `DemoProblem` when the port is taken, or a part ends early; `BrokerProblem` when the built-in
    broker does not come up.
    """
    page = _listen(port)
    ended = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: ended.set())
    broker = EmbeddedBroker()
    folder = Path(tempfile.mkdtemp(prefix="underair-demo-"))
    spawn = multiprocessing.get_context("spawn")
    stage = DemoStage(folder, page, broker.url, broker.username, broker.password)
    echo(f"underair demo: {stage.page_url}")
    echo(INTRODUCTION.format(archive=stage.archive), err=True)
    parts: list[BaseProcess] = []
    try:
        # They inherit that Ctrl-C is held back: before it has learnt to ignore it, each would end with a
        # traceback.
        signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        try:
            for name in PARTS:
                part = spawn.Process(target=run_part, args=(name, stage), name=name, daemon=True)
                part.start()
                parts.append(part)
            url = stage.page_url
            page.close()  # each part has its own handle; ours would keep a browser waiting at the end
            broker.start()
        finally:
            signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
        stage.moment("broker-is-up").set()
        if open_browser:
            threading.Thread(target=_open_browser, args=(url, ended), daemon=True).start()
        _wait(parts, stage, ended)
        echo("underair demo: ended", err=True)
    finally:
        _end(parts)
        broker.stop()
        _remove(folder)


def _remove(folder: Path) -> None:
    """Remove the demo's folder, though the listener's sealing process may be at its last segment still."""
    for _ in range(20):
        shutil.rmtree(folder, ignore_errors=True)
        if not folder.exists():
            return
        time.sleep(0.1)


def _listen(port: int) -> socket.socket:
    """Listen at once: a browser that is early then waits for its answer."""
    page = socket.socket()
    page.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        page.bind((HOST, port))
        page.listen(64)
    except OSError as error:
        page.close()
        raise DemoProblem(
            f"port {port} on {HOST} is not free ({error.strerror}); end what uses it, or choose another: "
            f"underair demo --port {port + 1 if port < 65535 else 8051}"
        ) from error
    return page


def _open_browser(url: str, ended: threading.Event) -> None:
    while not ended.wait(0.2):
        try:
            with urllib.request.urlopen(url, timeout=2.0):  # noqa: S310  # our own address
                break
        except (urllib.error.URLError, TimeoutError, ConnectionError):
            continue
    else:
        return
    webbrowser.open(url)


def _wait(parts: list[BaseProcess], stage: DemoStage, ended: threading.Event) -> None:
    """Wait for the end; a part that ends early without success is a fault."""
    running = list(parts)
    while not ended.is_set():
        over = connection.wait([part.sentinel for part in running], timeout=0.2)
        for part in [part for part in running if part.sentinel in over]:
            running.remove(part)
            part.join()
            if ended.is_set() or (part.exitcode == 0 and part.name in MAY_END):
                continue
            log = stage.log(part.name)
            tail = log.read_text(errors="replace").splitlines()[-LOG_TAIL_LINES:] if log.exists() else []
            raise DemoProblem(
                "\n".join([f"the demo's {part.name} has ended (exit code {part.exitcode})", *tail])
            )


def _end(parts: list[BaseProcess]) -> None:
    for part in reversed(parts):
        if part.is_alive():
            part.terminate()
    deadline = time.monotonic() + ENDS_WITHIN_S
    for part in parts:
        part.join(max(0.1, deadline - time.monotonic()))
        if part.is_alive():
            part.kill()
            part.join()
