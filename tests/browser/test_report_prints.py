"""The report opens without a network and prints: tables' heads again on every page, no row or plot cut."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pdfplumber
import pytest

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


def test_it_opens_without_a_network(page: Any, report: Path) -> None:
    page.context.set_offline(True)
    page.goto(report.as_uri())
    assert page.locator("svg").count() == 13
    assert page.locator("h2").count() >= 12
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_it_prints_on_a4_and_cuts_nothing(page: Any, report: Path) -> None:
    page.goto(report.as_uri())
    pdf = page.pdf(prefer_css_page_size=True)
    sheets = len(re.findall(rb"/Type\s*/Page\b", pdf))
    assert 6 <= sheets <= 24
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


@pytest.fixture(scope="module", params=["as recorded", "local and imperial"])
def other_choices(request: pytest.FixtureRequest) -> tuple[Any, str]:
    return {"as recorded": (METRIC, "UTC"), "local and imperial": (IMPERIAL, "America/St_Johns")}[
        request.param
    ]


def test_no_row_is_cut_no_heading_left_behind_and_nothing_wider_than_the_sheet(
    page: Any, tmp_path: Path, record: Any, other_choices: tuple[Any, str]
) -> None:
    written = tmp_path / "report.html"
    written.write_text(report_html(record, Profile.default(), ORIGIN, *other_choices), encoding="utf-8")
    page.goto(written.as_uri())
    page.evaluate(MARK)
    page.pdf(path=tmp_path / "report.pdf", prefer_css_page_size=True)
    sheets_of: dict[str, set[int]] = defaultdict(set)
    times_seen: Counter[str] = Counter()
    whole = ""
    margin, head, foot = 13 / 25.4 * 72, 16 / 25.4 * 72, 18 / 25.4 * 72
    with pdfplumber.open(tmp_path / "report.pdf") as pdf:
        sheets = len(pdf.pages)
        for sheet in pdf.pages:
            text = "".join(char["text"] for char in sheet.chars)
            whole += "".join(text.split())
            for mark in re.findall(r"@(\w+?)@", text):
                sheets_of[mark].add(sheet.page_number)
                times_seen[mark] += 1
            read = [char for char in sheet.chars if char["text"].strip()]
            assert max(char["x1"] for char in read) <= sheet.width - margin + 1
            rules = [line["x1"] for line in (*sheet.lines, *sheet.rects) if line["width"] > 20]
            assert max(rules, default=0.0) <= sheet.width - margin + 1
            assert min(char["x0"] for char in read) >= margin - 1
            foot_from = sheet.height - foot
            body = [char for char in read if head <= char["top"] <= foot_from]
            edges = "".join(c["text"] for c in sheet.chars if not head <= c["top"] <= foot_from)
            assert "TH-20310504-1912" in edges
            assert f"page {sheet.page_number} of {len(pdf.pages)}" in edges
            assert CAUTION[:90] in edges
            assert max(char["bottom"] for char in body) <= sheet.height - foot + 1
    assert whole.count("".join(CAUTION[:90].split())) == sheets + 1
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
