"""Report, case and review page of a big incident: `python -m tests.benchmarks.big_incident [FOLDER]`.

60 wearers for three hours at 1 Hz: 1.4 million messages. Prints seconds of processor (the machine may be
busy) and the largest resident size of each command, in a process of its own as a user starts it. Then how
soon the page is ready and zooms, in Chromium, beside plain Plotly traces of every point in the same run.
"""

from __future__ import annotations

import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import click
from playwright.sync_api import Error as PlaywrightError
from playwright.sync_api import sync_playwright

from analysis.profile import Profile
from dashboard.results_store import ResultsStore
from ingest.archive.reading import Archive
from ingest.contract.captures import Heard, write_capture
from ingest.importing import import_capture
from tests.benchmarks.review_page import DRAWN, ZOOM_EVERY, ZOOM_REVIEW, every_point, ready_ms, served
from tests.conftest import CHROMIUM_FLAGS, free_port

WEARERS, SECONDS, TEMPERATURE_EVERY_S = 60, 3 * 3600, 6
INCIDENT = "I-BIG"
BEGAN = datetime(2031, 5, 4, 19, 12, tzinfo=UTC)
LIMITS = {"report": (6.0, 500.0), "case": (10.0, 600.0)}


def messages() -> Iterator[Heard]:
    """Yield the incident in the order received; cylinders are changed every 36 minutes."""
    seqs = [0] * WEARERS

    def said(at: datetime, number: int, kind: str, text: str) -> Heard:
        seqs[number] += 1
        time = at.isoformat(timespec="milliseconds").replace("+00:00", "Z")
        who = f'"set_id":"S-{number:03d}","boot":1,"seq":{seqs[number]},"time":"{time}"'
        topic = f"underair/v1/big/set/S-{number:03d}/{kind}"
        return Heard(at + timedelta(milliseconds=40), topic, f'{{"kind":"{kind}",{who},{text}}}'.encode())

    time = BEGAN.isoformat().replace("+00:00", "Z")
    head = f'"desk_id":"D-1","boot":1,"time":"{time}","incident_id":"{INCIDENT}"'
    yield Heard(
        BEGAN,
        "underair/v1/big/desk/D-1/incident",
        f'{{"kind":"incident","seq":1,{head},"action":"open"}}'.encode(),
    )
    for number in range(WEARERS):
        told = (
            f'"action":"in","set_id":"S-{number:03d}","wearer_id":"W-{number:02d}","team":"T-{number // 3}"'
        )
        payload = f'{{"kind":"tally","seq":{number + 2},{head},{told}}}'
        yield Heard(BEGAN + timedelta(seconds=1), "underair/v1/big/desk/D-1/tally", payload.encode())
    setup = '"cylinders":{"count":1,"water_volume_l":6.8,"rated_bar":300}'
    for second in range(SECONDS):
        for number in range(WEARERS):
            at = BEGAN + timedelta(seconds=5 + second, milliseconds=number)
            if second == 0:
                yield said(at, number, "setup", setup)
            within = (second + 31 * number) % 2160
            bar = 0.0 if within < 60 else 300.0 - (within - 60) / 8.6
            yield said(at, number, "pressure", f'"pressure_bar":{bar:.0f}')
            yield said(at, number, "motion", f'"motion_m_s2":{1 + (second * 7 + number) % 13 / 10}')
            if second % TEMPERATURE_EVERY_S == 0:
                yield said(at, number, "temperature", f'"temperature_c":{20 + within / 40:.1f}')


def measured(arguments: list[str]) -> tuple[float, float]:
    """Run `underair` and return its seconds of processor and largest resident size, MB."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    code = (
        "import sys\nfrom pathlib import Path\nfrom dashboard.underair import main\n"
        "try:\n    main(sys.argv[1:])\nfinally:\n"
        # VmHWM begins anew with the program; ru_maxrss would begin at the peak of this process.
        "    said = Path('/proc/self/status').read_text().split('VmHWM:')[1]\n"
        "    print('largest', said.split()[0], file=sys.stderr)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=False
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    assert done.returncode == 0, done.stderr[-2000:]
    seconds = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return seconds, int(done.stderr.split("largest ")[1].split()[0]) / 1024


def page_ms(browser: Any, archive: Path, free: int) -> tuple[float, float, float]:
    """Serve the archive as a user does; return ready and zoom of the review, ms, and the server's MB."""
    verb = ["serve", "--archive", str(archive), "--port", str(free)]
    code = "import sys\nfrom dashboard.underair import main\nmain(sys.argv[1:])"
    server = subprocess.Popen([sys.executable, "-c", code, *verb], stdout=subprocess.DEVNULL)
    try:
        page = browser.new_page(viewport={"width": 1440, "height": 900})
        address = f"http://127.0.0.1:{free}/review?incident={INCIDENT}"
        while True:
            try:
                page.goto(address, timeout=120_000)
                break
            except PlaywrightError:
                time.sleep(0.5)
        page.wait_for_function(DRAWN.format(count=6), timeout=120_000)  # the first analysis is over then
        ready = statistics.median(ready_ms(page, address, 6) for _ in range(3))
        zoom = statistics.median(page.evaluate(ZOOM_REVIEW, span) for span in (1200, 60, 300) * 3)
        status = Path(f"/proc/{server.pid}/status").read_text()
        return ready, zoom, int(status.split("VmHWM:")[1].split()[0]) / 1024
    finally:
        server.terminate()
        server.wait(60)


def plain_ms(browser: Any, archive: Path) -> tuple[float, float]:
    """Return ready and zoom of every point as plain Plotly traces, ms."""
    store = ResultsStore(Archive(archive), Profile.default())
    server = served(every_point(store, INCIDENT))
    try:
        page = browser.new_page(viewport={"width": 1440, "height": 900})
        page.set_default_timeout(300_000)
        address = f"http://127.0.0.1:{server.effective_port}/"
        ready_ms(page, address, 3)
        first = BEGAN.timestamp() * 1000
        spans = [[first + 600_000, first + 1_800_000], [first + 600_000, first + 660_000]]
        return ready_ms(page, address, 3), statistics.median(
            page.evaluate(ZOOM_EVERY, span) for span in spans
        )
    finally:
        server.close()


@click.command()
@click.argument("folder", required=False, type=click.Path(path_type=Path))
def run(folder: Path | None) -> None:
    """Print what report and case of the incident cost; the archive in FOLDER is made when it is not there."""
    with tempfile.TemporaryDirectory() as name:
        work = folder or Path(name)
        archive = work / "archive"
        if not archive.is_dir():
            work.mkdir(parents=True, exist_ok=True)
            write_capture(work / "big.ndjson.gz", messages())
            counts = import_capture(work / "big.ndjson.gz", archive)
            click.echo(f"imported: {counts}")
        base = ["--archive", str(archive), "--incident", INCIDENT]
        for verb, more in (
            ("report", ["--out", str(Path(name) / "report.html")]),
            ("case", ["--out", str(Path(name) / "case"), "--why", "benchmark"]),
        ):
            seconds, size = measured([verb, *base, *more])
            most_s, most_mb = LIMITS[verb]
            click.echo(
                f"{verb}: {seconds:.1f} s of processor (to reach {most_s:.0f}), "
                f"{size:.0f} MB (to reach {most_mb:.0f})"
            )
        with sync_playwright() as playwright:
            program = shutil.which("chromium")
            browser = playwright.chromium.launch(executable_path=program, headless=True, args=CHROMIUM_FLAGS)
            ready, zoom, size = page_ms(browser, archive, free_port())
            click.echo(
                f"page: ready {ready:.0f} ms (to reach 1500), zoom {zoom:.0f} ms (to reach 300), "
                f"server {size:.0f} MB (to reach 800)"
            )
            ready, zoom = plain_ms(browser, archive)
            click.echo(f"every point as plain traces: ready {ready:.0f} ms, zoom {zoom:.0f} ms")
            browser.close()


if __name__ == "__main__":
    run()
