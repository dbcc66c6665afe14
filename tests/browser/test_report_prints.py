"""The report opens without a network and prints: tables' heads again on every page, no row or plot cut."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from analysis.profile import Profile
from dashboard.evidence.report import Origin, report_html
from dashboard.results_store import record_of
from ingest.contract.captures import read_capture
from ingest.contract.frames import frames_from_heard

pytestmark = pytest.mark.browser

SAMPLE = Path(__file__).parents[2] / "sample_logs" / "cooperage_fire.ndjson.gz"


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    record = record_of(frames_from_heard(read_capture(SAMPLE)), Profile.default(), "TH-20310504-1912")
    path = tmp_path_factory.mktemp("report") / "report.html"
    origin = Origin(1, "0" * 64, datetime(2031, 6, 1, tzinfo=UTC))
    path.write_text(report_html(record, Profile.default(), origin), encoding="utf-8")
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
    assert 6 <= sheets <= 16
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
