"""How quickly the review page is there and zooms, in Chromium: `python -m tests.benchmarks.review_page`.

For each size the same run also measures the plain way, every point of every wearer sent as one figure.
"ready" and "zoom" leave the first analysis out, which is measured and printed beside them.
"""

from __future__ import annotations

import shutil
import statistics
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

import click
from dash import Dash, dcc, html
from playwright.sync_api import sync_playwright
from waitress.server import create_server

from analysis.incident import analyse
from analysis.profile import Profile
from dashboard import results_store
from dashboard.app import create_app
from dashboard.context import PageContext
from dashboard.pages import review as review_page
from dashboard.review.drawing import typed
from dashboard.review.lanes import people_of
from dashboard.review.view import Bench, request_of
from tests.conftest import CHROMIUM_FLAGS
from tests.dashboard.invented_incident import INCIDENT, Incident, archive_with, store_with

DRAWN = "() => document.querySelectorAll('.js-plotly-plot .main-svg').length >= {count}"
REPEATS = 3


def every_point(store: Any, incident: str = INCIDENT) -> Dash:
    """An application of one page: every reading of everybody in one figure, offset lane by lane."""
    record = store.incident(incident)
    traces = []
    everybody = list(people_of(record.results).iter_rows(named=True))
    for number, lanes in enumerate(Bench(store).lanes(record, everybody)):
        for channel, series in enumerate((lanes.pressure, lanes.motion, lanes.temperature)):
            y = (series.y - series.y.min()) / (series.y.max() - series.y.min() + 1e-9)
            offset = typed(y * 0.9 + 3 * number + channel, "f4")
            traces.append({"type": "scatter", "mode": "lines", "x": typed(series.x), "y": offset})
    figure = {"data": traces, "layout": {"height": 900, "showlegend": False, "xaxis": {"type": "date"}}}
    app = Dash(__name__)
    app.layout = html.Div(dcc.Graph(id="every", figure=figure))
    return app


def served(app: Dash) -> Any:
    """Serve an application on a free loopback port; close what is returned."""
    server = create_server(app.server, host="127.0.0.1", port=0, threads=6)
    threading.Thread(target=server.run, daemon=True).start()
    return server


def ready_ms(page: Any, address: str, drawn: int) -> float:
    """From asking for the page to its last figure's first drawing, with scripts already in the cache."""
    began = time.perf_counter()
    page.goto(address, wait_until="commit")
    while not page.evaluate(DRAWN.format(count=drawn)):
        time.sleep(0.005)
    # Two frames later it is painted.
    page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
    return (time.perf_counter() - began) * 1000


ZOOM_REVIEW = """(seconds) => new Promise((done) => {
    const gd = document.querySelector('#review-lanes .js-plotly-plot');
    const began = performance.now();
    const seen = () => {
        const [start, end] = gd.layout.xaxis.range.map(
            (e) => typeof e === 'number' ? e : Date.parse(String(e).replace(' ', 'T') + 'Z'));
        if (Math.abs((end - start) / 1000 - seconds) > 1) return;
        gd.removeListener('plotly_afterplot', seen);
        requestAnimationFrame(() => requestAnimationFrame(() => done(performance.now() - began)));
    };
    gd.on('plotly_afterplot', seen);
    document.querySelector(`[data-set="span:${seconds}"]`).click();
})"""
ZOOM_EVERY = """([start, end]) => new Promise((done) => {
    const gd = document.querySelector('#every .js-plotly-plot');
    const began = performance.now();
    gd.on('plotly_afterplot', () =>
        requestAnimationFrame(() => requestAnimationFrame(() => done(performance.now() - began))));
    window.Plotly.relayout(gd, {'xaxis.range': [start, end]});
})"""


def measured(wearers: int, minutes: int, page: Any) -> None:
    """Print one size's figures."""
    incident = Incident(wearers, minutes)
    with tempfile.TemporaryDirectory() as folder:
        store = store_with(incident, Path(folder))
        archive: Any = archive_with(Path(folder), incident.messages)
        results_store._stores[archive] = store
        began = time.perf_counter()
        store.incidents()
        Bench(store).look(request_of({"incident": INCIDENT}))
        click.echo(f"\n{wearers} wearers x {minutes} min x 3 readings a second")
        click.echo(f"  server, first look: {(time.perf_counter() - began) * 1000:6.0f} ms")
        began = time.perf_counter()
        analyse(incident.messages, Profile.default())
        seconds = time.perf_counter() - began
        click.echo(
            f"  first analysis:     {seconds * 1000:6.0f} ms, once an incident, left out of ready and zoom"
        )
        context = PageContext(archive=archive, profile=Profile.default())
        review_server = served(create_app(context, pages={"/review": review_page}))
        every_server = served(every_point(store))
        try:
            review = f"http://127.0.0.1:{review_server.effective_port}/review?incident={INCIDENT}"
            every = f"http://127.0.0.1:{every_server.effective_port}/"
            ready_ms(page, review, 6)  # fills the browser's cache
            ready = [ready_ms(page, review, 6) for _ in range(REPEATS)]
            zooms = [page.evaluate(ZOOM_REVIEW, s) for _ in range(REPEATS) for s in (1200, 60, 300)]
            ready_ms(page, every, 3)
            plain = [ready_ms(page, every, 3) for _ in range(REPEATS)]
            first = incident.results["wears"]["started"][0].timestamp() * 1000
            spans = [[first, first + 1_200_000], [first + 600_000, first + 660_000]]
            plain_zooms = [page.evaluate(ZOOM_EVERY, span) for span in spans]
        finally:
            review_server.close()
            every_server.close()
    for name, times, its_zooms in (("review", ready, zooms), ("every point", plain, plain_zooms)):
        click.echo(
            f"  {name:12} ready {statistics.median(times):6.0f} ms   "
            f"zoom {statistics.median(its_zooms):5.0f} ms (slowest {max(its_zooms):.0f})"
        )


def main() -> None:
    """Print ready and zoom times of two sizes."""
    program = shutil.which("chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, headless=True, args=CHROMIUM_FLAGS)
        page = browser.new_page(viewport={"width": 1440, "height": 900})
        for wearers, minutes in ((20, 60), (100, 120)):
            measured(wearers, minutes, page)
        browser.close()


if __name__ == "__main__":
    main()
