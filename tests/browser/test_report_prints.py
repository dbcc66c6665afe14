"""The report opens without a network and prints: tables' heads again on every page, no row or plot cut."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from pypdfium2 import PdfDocument
from pypdfium2.raw import FPDF_PAGEOBJ_PATH

from analysis.profile import Profile
from dashboard.evidence.origin import Origin
from dashboard.evidence.report import report_html
from dashboard.results_store import record_of
from dashboard.units import IMPERIAL, METRIC
from dashboard.words import CAUTION
from ingest.contract.captures import read_capture
from ingest.contract.frames import frames_from_heard

pytestmark = pytest.mark.browser

# Marks in 1 px, too small to move anything, that tell on which sheet each end of each cell came to stand.
MARK = """() => {
    const mark = (name) => Object.assign(document.createElement('span'),
        {textContent: ` ${name} `, style: 'font-size: 1px; white-space: nowrap'});
    document.querySelectorAll('tr, .finding').forEach((part, n) => {
        for (const cell of part.matches('tr') ? part.children : [part]) {
            cell.prepend(mark(`@row${n}@`));
            cell.append(mark(`@row${n}@`));
        }
    });
    document.querySelectorAll('h2, h3').forEach((head, n) => {
        head.append(mark(`@head${n}@`));
        const next = head.parentElement.matches('figure') ? null : head.nextElementSibling;
        const first = next && (next.querySelector('td, dt, p, li, h3') || next);
        if (first) first.prepend(mark(`@head${n}@`));
    });
}"""
SAMPLE = Path(__file__).parents[2] / "sample_logs" / "cooperage_fire.ndjson.gz"


ORIGIN = Origin(made=datetime(2031, 6, 1, tzinfo=UTC), sha256="0" * 64, kept=1)


@pytest.fixture(scope="module")
def record() -> Any:
    return record_of(frames_from_heard(read_capture(SAMPLE)), Profile.default(), "TH-20310504-1912", None)


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory, record: Any) -> Path:
    path = tmp_path_factory.mktemp("report") / "report.html"
    path.write_text(report_html(record, Profile.default(), ORIGIN), encoding="utf-8")
    return path


def test_it_opens_without_a_network_and_keeps_whole_what_fits_a_sheet(page: Any, report: Path) -> None:
    page.context.set_offline(True)
    page.goto(report.as_uri())
    assert page.locator("svg").count() == 13
    assert page.locator("h2").count() >= 12
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    page.emulate_media(media="print")
    kept_whole = page.evaluate(
        """() => [...document.querySelectorAll('tr, figure, .finding')]
            .every((part) => getComputedStyle(part).breakInside === 'avoid')"""
    )
    assert kept_whole
    heads = page.evaluate(
        "() => [...document.querySelectorAll('thead')].map((head) => getComputedStyle(head).display)"
    )
    assert set(heads) == {"table-header-group"}
    # What is kept whole must fit a sheet: 297 mm less the margins, at 96 pixels an inch.
    tallest = page.evaluate(
        "() => Math.max(...[...document.querySelectorAll('tr, figure, .finding')].map((p) => p.offsetHeight))"
    )
    assert tallest < 267 / 25.4 * 96


@pytest.mark.parametrize(
    "choices", [(METRIC, "UTC"), (IMPERIAL, "America/St_Johns")], ids=["as recorded", "local and imperial"]
)
def test_no_row_is_cut_no_heading_left_behind_and_nothing_wider_than_the_sheet(
    page: Any, tmp_path: Path, record: Any, choices: tuple[Any, str]
) -> None:
    written = tmp_path / "report.html"
    written.write_text(report_html(record, Profile.default(), ORIGIN, *choices), encoding="utf-8")
    page.goto(written.as_uri())
    page.evaluate(MARK)
    sheets_of: dict[str, set[int]] = defaultdict(set)
    times_seen: Counter[str] = Counter()
    whole = ""
    margin, head, foot = 13 / 25.4 * 72, 16 / 25.4 * 72, 18 / 25.4 * 72
    paper = PdfDocument(page.pdf(prefer_css_page_size=True))
    assert 6 <= len(paper) <= 24
    for number, sheet in enumerate(paper, 1):
        width, height = sheet.get_size()
        text = sheet.get_textpage()
        told = "".join(text.get_text_range().split())
        whole += told
        for mark in re.findall(r"@(\w+?)@", told):
            sheets_of[mark].add(number)
            times_seen[mark] += 1
        boxes = [text.get_rect(one) for one in range(text.count_rects())]
        assert max(right for _, _, right, _ in boxes) <= width - margin + 1
        assert min(left for left, _, _, _ in boxes) >= margin - 1
        rules = [one.get_bounds() for one in sheet.get_objects(filter=[FPDF_PAGEOBJ_PATH])]
        rights = [right for left, _, right, _ in rules if right - left > 20]
        assert max(rights, default=0.0) <= width - margin + 1
        # Between head and foot, nothing reaches into the foot.
        assert min(bottom for _, bottom, _, top in boxes if foot <= top <= height - head) >= foot - 1
        edges = text.get_text_bounded(bottom=height - head) + text.get_text_bounded(top=foot)
        edges = "".join(edges.split())
        assert "TH-20310504-1912" in edges
        assert f"page{number}of{len(paper)}" in edges
        assert "".join(CAUTION[:90].split()) in edges
    assert whole.count("".join(CAUTION[:90].split())) == len(paper) + 1
    rows = [mark for mark in sheets_of if mark.startswith("row")]
    heads = [mark for mark in sheets_of if mark.startswith("head")]
    assert len(rows) > 100
    assert len(heads) > 12
    assert {times_seen[mark] for mark in heads if times_seen[mark] > 1} == {2}
    # A table's head stands again on every sheet; all else on one.
    repeated = page.evaluate(
        "() => [...document.querySelectorAll('thead tr th:first-child')].map(h => h.innerText)"
    )
    of_heads = {f"row{number}" for number in re.findall(r"@row(\d+)@", " ".join(repeated))}
    assert of_heads
    assert {mark for mark in rows if len(sheets_of[mark]) > 1} <= of_heads
    assert {mark for mark in heads if len(sheets_of[mark]) > 1} == set()
