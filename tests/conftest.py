"""Brokers and browsers that the tests start themselves, on free loopback ports, and stop by pid."""

from __future__ import annotations

import functools
import gc
import itertools
import logging
import os
import re
import shutil
import socket
import subprocess
import tempfile
import time
from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.compiled_once import CACHES, begin, take, write_modules

# Which of pytest-xdist's workers this is; the only one without it.
WORKER = os.environ.get("PYTEST_XDIST_WORKER", "gw0")
# What each worker begins with, and nothing that a test starts: polars wakes no second thread for a few rows,
# those of linear algebra do not wait for each other at full speed on a core that another worker needs, and
# glibc keeps the memory of arrays that go, up to the 32 MiB that it allows.
OF_WORKERS = {
    "POLARS_MAX_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "MALLOC_TRIM_THRESHOLD_": str(2**30),
    "MALLOC_MMAP_THRESHOLD_": str(2**25),
    "MALLOC_TOP_PAD_": str(2**24),
}
if "PYTEST_XDIST_WORKER" in os.environ:
    os.environ.setdefault("NUMBA_CACHE_DIR", str(CACHES / f"numba-{WORKER}"))
    import polars  # noqa: F401  # counts its threads now
    import scipy.linalg  # noqa: F401  # likewise, and brings numpy

    for setting in OF_WORKERS:
        os.environ.pop(setting, None)
# To what tests start. Later a cluster may set one for its workers.
PASSED_ON = OF_WORKERS.keys() & os.environ.keys()

# Below the ports that the system itself gives away, so that nobody is given one between asking and using;
# each worker has 500 of its own, and processes begin at different ones.
PORTS = range(12_000 + 500 * (int(WORKER.removeprefix("gw")) % 32), 28_000)[:500]
ports = itertools.islice(itertools.cycle(PORTS), os.getpid() % 500, None)

# Each process that a test starts would compile the program again.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# Files of the tests are in memory where there is room, in the tests' process and in those that it starts: an
# archive waits for the disk with each message and part. TMPDIR=/var/tmp has them on a disk.
IN_MEMORY, ROOM_BYTES = Path("/dev/shm"), 4 * 2**30  # a whole run needs a quarter of that
if "TMPDIR" not in os.environ and IN_MEMORY.is_dir():
    memory = os.statvfs(IN_MEMORY)
    # Some tests run what they compiled.
    if memory.f_bavail * memory.f_frsize > ROOM_BYTES and not memory.f_flag & os.ST_NOEXEC:
        tempfile.tempdir = os.environ["TMPDIR"] = str(IN_MEMORY)

# What is collected stays: looking through its half a million objects took a tenth of a worker's time.
gc.disable()

LONGEST_TEXT = 4000  # of a page, in the report of a failed test

CHROMIUM_FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    # Each new context would load two pages of its own for the address bar, which nobody sees: two thirds of
    # what a context costs. Of two such flags the last counts, so playwright's that matter are named again.
    "--disable-features=WebUIOmniboxPopup,WebUIOmniboxAimPopup,PaintHolding,HttpsUpgrades,MediaRouter,"
    "OptimizationHints,AvoidUnnecessaryBeforeUnloadCheckSync,ThirdPartyStoragePartitioning",
]


ENDS_AT = {"analysis": 1.0, "dashboard": 1.0}
SPREAD = 0.8  # of the run, for the files of any other folder: the last ones must not be long
LONG = ("test_spread.py", "test_verbs_on_a_store.py", "test_trends_page_officer.py")  # would end last


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mix the folders where several processes run: what waits for a browser beside what computes."""
    if "PYTEST_XDIST_WORKER" not in os.environ:
        return
    folders: dict[Path, dict[Path, int]] = {}
    for item in items:
        files = folders.setdefault(item.path.parent, {})
        files.setdefault(item.path, len(files))
    place = {
        path: (number + 0.5) / len(files) * ENDS_AT.get(folder.name, SPREAD)
        for folder, files in folders.items()
        for path, number in files.items()
    }
    items.sort(key=lambda item: place[item.path] / 2 if item.path.name in LONG else place[item.path])


COMPILING = pytest.StashKey[subprocess.Popen[bytes]]()


def pytest_configure(config: pytest.Config) -> None:
    if getattr(config.option, "numprocesses", None) and not config.option.collectonly:
        config.stash[COMPILING] = begin()
        write_modules(config)
        os.environ.update(OF_WORKERS)


def pytest_unconfigure(config: pytest.Config) -> None:
    # Dask's scheduler ends after the stream that its log was given, and would complain of that.
    logging.getLogger("distributed").handlers.clear()
    if COMPILING in config.stash:
        config.stash[COMPILING].wait(60)


def pytest_collection_finish() -> None:
    if os.environ.get("NUMBA_CACHE_DIR") == str(CACHES / f"numba-{WORKER}"):
        take(CACHES / f"numba-{WORKER}")
    gc.freeze()  # without a search for garbage before it: there is next to none
    # Tests make and drop tables by the thousand: looking for circles so often took a thirtieth of their time.
    gc.set_threshold(20_000, 20, 50)
    gc.enable()


def missing(what: str, install: str) -> None:
    """Fail in CI, where nothing may be skipped; elsewhere skip and say how to install."""
    sentence = f"{what} is not installed; on Debian: {install}"
    if os.environ.get("CI"):
        pytest.fail(sentence)
    pytest.skip(sentence)


def free_port() -> int:
    """Return a loopback port that nobody holds, and that no other test of this run is given."""
    for port in itertools.islice(ports, len(PORTS)):
        with socket.socket() as probe:
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            return port
    raise OSError(f"no port from {PORTS[0]} to {PORTS[-1]} is free on 127.0.0.1; end what holds them")


def wait_until(condition: Callable[[], Any], timeout_s: float = 60.0, what: str = "the condition") -> Any:
    """Poll `condition` until it gives something true, and return that; fail after `timeout_s`.

    The limit is for what never comes: a loaded machine may take long for what comes.
    """
    deadline = time.monotonic() + timeout_s
    while True:
        result = condition()
        if result:
            return result
        if time.monotonic() > deadline:
            pytest.fail(f"waited {timeout_s} s in vain for {what}")
        time.sleep(0.02)


@pytest.fixture(scope="session", autouse=True)
def own_state(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """What this machine remembers of cases and archives is kept in a folder of the tests.

    Files in memory go at the end, unless a test failed.
    """
    os.environ["UNDERAIR_WORK_FOLDER"] = str(tmp_path_factory.mktemp("state"))
    yield
    if tempfile.gettempdir() == str(IN_MEMORY) and not request.session.testsfailed:
        shutil.rmtree(tmp_path_factory.getbasetemp(), ignore_errors=True)


@pytest.fixture
def seals_here(monkeypatch: pytest.MonkeyPatch) -> None:
    """Have listeners seal in this process, which spares each the start of another."""
    from tests.seals_here import SealsHere

    monkeypatch.setattr("ingest.archive.writing.SealingProcess", SealsHere)


@pytest.fixture(name="wait_until")
def wait_until_fixture() -> Callable[..., Any]:
    return wait_until


@pytest.fixture(name="free_port")
def free_port_fixture() -> Callable[[], int]:
    return free_port


@dataclass
class Mosquitto:
    """A mosquitto broker of the test's own: stop it, start it again, it keeps its sessions on disk."""

    folder: Path
    port: int
    program: str
    process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"mqtt://127.0.0.1:{self.port}"

    def start(self, extra_configuration: str = "") -> None:
        configuration = self.folder / "mosquitto.conf"
        configuration.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence true\n"
            f"persistence_location {self.folder}/\nautosave_on_changes true\nautosave_interval 1\n"
            "max_queued_messages 0\nmax_inflight_messages 1000\n"
            f"user root\n{extra_configuration}"
        )
        log = (self.folder / "mosquitto.log").open("ab")
        self.process = subprocess.Popen(
            [self.program, "-c", str(configuration)], stdout=log, stderr=subprocess.STDOUT
        )
        log.close()
        wait_until(lambda: self.accepts(self.port), what="mosquitto to accept connections")

    def accepts(self, port: int) -> bool:
        assert self.process is not None
        assert self.process.poll() is None, (self.folder / "mosquitto.log").read_text()
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1).close()
        except OSError:
            return False
        return True

    def stop(self) -> None:
        if self.process is None:
            return
        process, self.process = self.process, None

        def ended() -> bool:
            process.terminate()  # told before its loop runs, mosquitto forgets it
            try:
                process.wait(2)
            except subprocess.TimeoutExpired:
                return False
            return True

        wait_until(ended, what="mosquitto to end")

    def kill(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait(60)
            self.process = None


@pytest.fixture
def mosquitto(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosquitto]:
    """A running mosquitto broker on a free loopback port, with `.url`, `.stop()`, `.kill()`, `.start()`."""
    program = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
    if program is None:
        missing("mosquitto", "apt-get install mosquitto")
        return
    broker = Mosquitto(tmp_path_factory.mktemp("mosquitto"), free_port(), program)
    broker.start()
    yield broker
    broker.stop()


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """A headless Chromium for the session (a playwright browser)."""
    # The shell without a window's frame spends half as much on each new context.
    program = shutil.which("chromium-headless-shell") or shutil.which("chromium")
    if program is None:
        missing("chromium", "apt-get install chromium-headless-shell")
        return
    from playwright.sync_api import expect, sync_playwright

    expect.set_options(timeout=60_000)  # for what never comes, as in `wait_until`

    with sync_playwright() as playwright:
        # What one page compiled of plotly serves the next at that address: half of what drawing costs.
        flags = [*CHROMIUM_FLAGS, "--process-per-site"]
        browser = playwright.chromium.launch(executable_path=program, headless=True, args=flags)
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def browsing(chromium: Any) -> Iterator[Any]:
    """Where each test opens its page: a browser's context, which keeps its process while no test has one."""
    context = chromium.new_context(viewport={"width": 1440, "height": 900})
    keeper = context.new_page()
    keeper.route("**/*", lambda route: route.fulfill(body="", content_type="text/html"))
    keeper.goto("http://127.0.0.1/")  # of the same site as every port
    yield context
    context.close()


@pytest.fixture
def page(browsing: Any) -> Iterator[Any]:
    """A browser page; any script error, console error or request off loopback fails the test.

    Set ``page.expected_console`` (a list of substrings) for console errors that the test provokes itself.
    Nothing that it keeps (cookies, storage) is there for the next test.
    """
    page = browsing.new_page()
    origins: set[str] = set()
    page.set_default_timeout(60_000)  # for what never comes, as in `wait_until`
    page.expected_console = []
    # Asked at each frame, a page draws sixty of them a second for as long as a test waits.
    page.wait_for_function = functools.partial(page.wait_for_function, polling=100)
    faults: list[str] = []

    def on_console(message: Any) -> None:
        if message.type == "error" and not any(part in message.text for part in page.expected_console):
            faults.append(f"console: {message.text}")

    def on_request(request: Any) -> None:
        if not request.url.startswith(("http://127.0.0.1", "data:", "blob:", "file:", "about:")):
            faults.append(f"request off loopback: {request.url}")
        if request.url.startswith("http://"):
            origins.add("/".join(request.url.split("/")[:3]))

    page.on("console", on_console)
    page.on("pageerror", lambda error: faults.append(f"script error: {error}"))
    page.on("request", on_request)
    yield page
    keeper, *used = browsing.pages
    for one in used:
        one.close()
    browsing.set_offline(False)
    browsing.clear_cookies()
    storage = browsing.new_cdp_session(keeper)
    for origin in origins:
        storage.send("Storage.clearDataForOrigin", {"origin": origin, "storageTypes": "all"})
    storage.detach()
    assert faults == []


PICTURES = CACHES / "pictures"


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """A browser test that fails leaves a picture of its page, and says where."""
    report = yield
    page = getattr(item, "funcargs", {}).get("page")
    if report.when == "call" and report.failed and page is not None:
        for number, one in enumerate(page.context.pages[1:]):
            report.sections.append((f"page {number}", picture_of(one, f"{item.name}-{number}")))
    return report


def picture_of(page: Any, name: str) -> str:
    """Take a picture of a page; return where it is, the page's address, and its rows and text."""
    PICTURES.mkdir(parents=True, exist_ok=True)
    path = PICTURES / f"{re.sub(r'[^A-Za-z0-9_-]+', '-', name)[:100]}.png"
    try:
        page.screenshot(path=path, timeout=10_000)
        rows = page.locator(".row").evaluate_all("rows => rows.map((row) => row.cloneNode(false).outerHTML)")
        text = page.locator("body").inner_text(timeout=10_000)[:LONGEST_TEXT]
    except Exception as error:  # noqa: BLE001  # a page that crashed must not hide why the test failed
        return f"no picture of {page.url}: {error}"
    return "\n".join([f"{path}, of {page.url}", *rows, text])
