"""How quickly a reading is painted: from its being published to its number on the live page, with many
wearers; and whether the board stays quick and small over an hour.

Run by hand: ``python -m tests.benchmarks.live_page --wearers 200 --seconds 60``. Needs mosquitto and
chromium. Everything runs as in use, each in a process of its own: broker, ``underair listen``, ``underair
serve``, the crew, the browser. ``--hour`` feeds the board alone with an hour of messages, as fast as it takes
them, and prints its memory and its work every ten minutes of that hour.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from datetime import UTC, datetime, timedelta
from multiprocessing.queues import Queue
from pathlib import Path
from typing import Any

import numpy as np

UNDERAIR = [sys.executable, "-m", "dashboard.underair"]
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
]
SETUP = {
    "cylinders": {"count": 1, "water_volume_l": 6.8, "rated_bar": 300.0},
    "low_air_bar": 55.0,
    "no_motion_prealarm_s": 20.0,
    "no_motion_alarm_s": 30.0,
    "heat_start_c": 120.0,
}
BAR_S = 0.2  # hard work with 6.8 L; a faster fall would be an open line, and every row an alarm
# Each new number of a row, with the moment of the frame after it: then it has been painted.
OBSERVER = """
() => {
  window.painted = [];
  window.longTasks = [];
  new PerformanceObserver((list) => list.getEntries().forEach((one) => window.longTasks.push(one.duration)))
    .observe({ type: "longtask" });
  new MutationObserver((changes) => {
    const found = [];
    for (const change of changes) {
      const row = change.target.parentElement?.closest?.(".row") ?? change.target.closest?.(".row");
      const air = change.target.closest?.("span.air") ?? change.target.parentElement?.closest?.("span.air");
      if (row && air) found.push([row.dataset.key, air.textContent]);
    }
    if (found.length) requestAnimationFrame(() => setTimeout(() => {
      const at = performance.timeOrigin + performance.now();
      for (const one of found) window.painted.push([...one, at]);
    }));
  }).observe(document.querySelector(".rows"), { subtree: true, childList: true, characterData: true });
}
"""


def crew(url: str, wearers: int, seconds: int, published: Queue[dict[str, float]]) -> None:
    """Publish pressure, motion and temperature of every wearer once a second, spread over the second."""
    from ingest.broker.mqtt import Publisher

    publisher = Publisher(url)
    sent: dict[str, float] = {}
    seq = 0

    def say(set_id: str, kind: str, **fields: Any) -> None:
        now = datetime.now(UTC).isoformat()
        body = {"kind": kind, "set_id": set_id, "boot": 1, "seq": seq, "time": now, **fields}
        publisher.publish(f"underair/v1/trial/set/{set_id}/{kind}", json.dumps(body).encode())

    names = [f"S-{number:03}" for number in range(wearers)]
    for name in names:
        say(name, "setup", **SETUP)
    began = time.time()
    for second in range(seconds):
        for place, name in enumerate(names):
            wait_s = began + second + place / wearers - time.time()
            if wait_s > 0:
                time.sleep(wait_s)
            seq += 1
            bar = round(300.0 - BAR_S * second)
            sent.setdefault(f"{name} {bar} bar", time.time() * 1000.0)  # the first reading of each number
            say(name, "pressure", pressure_bar=bar)
            seq += 1
            say(name, "motion", motion_m_s2=1.0, still_s=0.0)
            seq += 1
            say(name, "temperature", temperature_c=40.0)
    published.put(sent)
    publisher.close()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def await_port(port: int) -> None:
    until = time.time() + 60
    while time.time() < until:
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1).close()
        except OSError:
            time.sleep(0.2)
        else:
            return
    raise SystemExit(f"nothing answers on port {port}")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--wearers", type=int, default=200)
    parser.add_argument("--seconds", type=int, default=60)
    parser.add_argument("--hour", action="store_true", help="the board alone, over an hour")
    options = parser.parse_args()
    if options.hour:
        hour(options.wearers)
        return
    broker_port, page_port = free_port(), free_port()
    url = f"mqtt://127.0.0.1:{broker_port}"
    folder = Path(tempfile.mkdtemp())
    archive = folder / "archive"
    archive.mkdir()
    (folder / "broker.conf").write_text(
        f"listener {broker_port} 127.0.0.1\nallow_anonymous true\nmax_inflight_messages 1000\n"
        "max_queued_messages 0\n"
    )
    mosquitto = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
    calls = [
        [mosquitto, "-c", str(folder / "broker.conf")],
        [*UNDERAIR, "listen", "--broker", url, "--archive", str(archive)],
        [*UNDERAIR, "serve", "--archive", str(archive), "--broker", url, "--port", str(page_port)],
    ]
    running = []
    try:
        for call in calls:
            running.append(subprocess.Popen(call, stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL))
            time.sleep(2.0)
        await_port(page_port)
        measure(url, f"http://127.0.0.1:{page_port}", options.wearers, options.seconds)
    finally:
        for process in reversed(running):
            process.terminate()
            process.wait(20)
        shutil.rmtree(folder, ignore_errors=True)


def measure(url: str, page_url: str, wearers: int, seconds: int) -> None:
    from playwright.sync_api import sync_playwright

    published: Queue[dict[str, float]] = multiprocessing.Queue()
    publisher = multiprocessing.Process(target=crew, args=(url, wearers, seconds, published))
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), headless=True, args=FLAGS
        )
        page = browser.new_page(viewport={"width": 1440, "height": 900})
        page.goto(f"{page_url}/live")
        page.wait_for_selector(".rows", state="attached")
        page.evaluate(OBSERVER)
        publisher.start()
        ticks = []
        until = time.time() + seconds
        while time.time() < until:
            with urllib.request.urlopen(f"{page_url}/live.json") as response:
                ticks.append(float(response.headers["Server-Timing"].split("dur=")[1]))
            page.wait_for_timeout(1000)
        sent = published.get(timeout=60)
        page.wait_for_timeout(2000)
        painted = page.evaluate("() => window.painted")
        long_tasks = page.evaluate("() => window.longTasks")
        heap_mb = page.evaluate("() => performance.memory.usedJSHeapSize / 1e6")
        browser.close()
    publisher.join()
    late_ms = [
        at - sent[name]
        for key, text, at in painted
        if (name := f"{key.split('/')[1]} {text}") in sent and int(text.split()[0]) < 298
    ]
    print(f"{wearers} wearers, {seconds} s: {len(late_ms)} numbers painted of {len(sent)} published")
    print("published to painted, ms: p50 {:.0f}, p95 {:.0f}, max {:.0f}".format(*spread(late_ms)))
    print("server work a tick, ms: p50 {:.0f}, p95 {:.0f}, max {:.0f}".format(*spread(ticks[5:])))
    print(f"browser tasks over 50 ms: {len(long_tasks)}, longest {max(long_tasks, default=0):.0f} ms")
    print(f"browser's heap at the end: {heap_mb:.0f} MB")


def hour(wearers: int) -> None:
    """Feed the board an hour, with a new cylinder for each wearer every 20 minutes; a picture every 10 s."""
    from analysis.live.board import LiveBoard
    from analysis.profile import Profile
    from dashboard.live import view
    from ingest.contract.captures import Heard
    from ingest.contract.frames import frames_from_heard

    began = datetime(2031, 5, 4, 10, tzinfo=UTC)
    board, seq = LiveBoard(Profile.default()), 0
    work_ms: list[float] = []
    held_mb: list[float] = []
    names = [f"S-{number:03}" for number in range(wearers)]
    system = view.System((), None, True, "")
    for second in range(3601):
        now = began + timedelta(seconds=second)
        lot = []
        for place, name in enumerate(names):
            since = (second + 3 * place) % 1200
            bar = 0 if since < 20 else round(300.0 - BAR_S * (since - 20))
            said: list[tuple[str, dict[str, Any]]] = [("pressure", {"pressure_bar": bar})]
            said += [
                ("motion", {"motion_m_s2": 1.0, "still_s": 0.0}),
                ("temperature", {"temperature_c": 40.0}),
            ]
            if second == 0:
                said.insert(0, ("setup", SETUP))
            for kind, fields in said:
                seq += 1
                body = {
                    "kind": kind,
                    "set_id": name,
                    "boot": 1,
                    "seq": seq,
                    "time": now.isoformat(),
                    **fields,
                }
                lot.append(Heard(now, f"underair/v1/trial/set/{name}/{kind}", json.dumps(body).encode()))
        board.take(frames_from_heard(lot))
        if second % 10 == 0:
            begin_s = time.perf_counter()
            json.dumps(view.page(board.snapshot(now), system))
            work_ms.append((time.perf_counter() - begin_s) * 1000.0)
        if second % 600 == 0 and second:
            held_mb.append(resident_mb())
            print(
                f"{second // 60} min: {held_mb[-1]:.0f} MB, a picture p50 {np.median(work_ms):.0f}, "
                f"p95 {np.percentile(work_ms, 95):.0f} ms",
                flush=True,
            )
            work_ms.clear()
    print(f"memory from minute 20 to 60: {held_mb[-1] / held_mb[1] - 1.0:+.1%} (aim: within 5 %)")


def resident_mb() -> float:
    """Return this process's memory, megabytes."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def spread(values: list[float]) -> tuple[float, float, float]:
    return float(np.median(values)), float(np.percentile(values, 95)), max(values)


if __name__ == "__main__":
    main()
