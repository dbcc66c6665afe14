"""The charts' clock in browsers of four zones: over both summer-time changes and over midnight."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import pytest

from dashboard.pages import review as review_page
from ingest.contract.captures import write_capture
from ingest.importing import import_capture
from sample_logs.simulation.scenario import SCRIPT
from sample_logs.simulation.staging import SimulatedIncident, stage
from tests.served_pages import pages_over
from tests.simulated_truth import truth_of

pytestmark = pytest.mark.browser

BEFORE = timedelta(minutes=17)  # the distress of this set lasts from 15:20 to 18:35 after the opening
PX = 1.0  # plotly places to a tenth of a pixel; the browser rounds text to half of one


def change(zone: str, year: int, month: int) -> datetime:
    """The moment in that month or the next at which a zone's distance from UTC changes."""
    moment = datetime(year, month, 1, tzinfo=UTC)
    here = ZoneInfo(zone)
    while (
        moment.astimezone(here).utcoffset() == (moment + timedelta(minutes=30)).astimezone(here).utcoffset()
    ):
        moment += timedelta(minutes=30)
        assert moment.month <= month + 1, f"{zone} changes nothing in months {month} and {month + 1}"
    return moment + timedelta(minutes=30)


class Case(NamedTuple):
    browser: str
    what: str
    moment: datetime


CASES = [
    Case("Europe/Berlin", "spring", change("Europe/Berlin", 2031, 3)),
    Case("Europe/Berlin", "autumn", change("Europe/Berlin", 2031, 10)),
    Case("America/New_York", "autumn", change("America/New_York", 2031, 11)),
    Case("Australia/Lord_Howe", "autumn", change("Australia/Lord_Howe", 2031, 4)),
    Case("Asia/Kathmandu", "midnight", datetime(2031, 6, 1, 18, 15, tzinfo=UTC)),
    Case("Asia/Kathmandu", "midnight UTC", datetime(2031, 6, 3, tzinfo=UTC)),
]


def incident_of(case: Case) -> str:
    return f"Z-{case.moment:%Y%m%d-%H%M}"


@pytest.fixture(scope="module")
def staged() -> dict[str, SimulatedIncident]:
    script = replace(SCRIPT, sets=SCRIPT.sets[3:4], desk=(), refused_starts=(), closes_s=30 * 60.0)
    return {incident_of(case): stage(script, 7, case.moment - BEFORE, incident_of(case)) for case in CASES}


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory, staged: dict[str, SimulatedIncident]) -> Iterator[str]:
    folder = tmp_path_factory.mktemp("zones")
    heard = sorted((one for made in staged.values() for one in made.heard), key=lambda one: one.received)
    write_capture(folder / "all.ndjson", heard)
    import_capture(folder / "all.ndjson", folder / "archive")
    with pages_over(folder / "archive", {"/review": review_page}) as found:
        yield found


DRAWN = """() => Object.fromEntries(['review-lanes', 'review-overview'].map((id) => {
  const gd = document.querySelector('#' + id + ' .js-plotly-plot');
  const size = gd._fullLayout._size, edge = gd.getBoundingClientRect().left + size.l;
  const place = (node) => {
    const box = node.getBoundingClientRect();
    return [box.left - edge, box.right - edge];
  };
  return [id, {
    width: size.w,
    ticks: [...gd.querySelectorAll('.xtick text')].map((node) => [node.textContent, ...place(node)]),
    bars: [...gd.querySelectorAll('.barlayer .point path')].map(place),
    strips: [...gd.querySelectorAll('.heatmaplayer image')].map(place),
  }];
}))"""


def moment_of_tick(text: str, zone: str, start: datetime, end: datetime) -> datetime:
    """The one moment between start and end that a tick's text can mean on a zone's clock."""
    here = ZoneInfo(zone)
    found = re.fullmatch(r"(?:(\d\d-\d\d) )?(\d\d:\d\d)(?: UTC([+−])(\d+)(?::(\d\d))?)?", text)
    assert found, f"a tick reads {text!r}"
    date, time, sign, hours, minutes = found.groups()
    moment = start.replace(second=0, microsecond=0)
    meant = []
    while moment <= end:
        local = moment.astimezone(here)
        offset = timedelta(hours=int(hours or 0), minutes=int(minutes or 0)) * (-1 if sign == "−" else 1)
        if (
            f"{local:%H:%M}" == time
            and date in (None, f"{local:%m-%d}")
            and (sign is None or local.utcoffset() == offset)
        ):
            meant.append(moment)
        moment += timedelta(minutes=1)
    assert len(meant) == 1, f"the tick {text!r} means {len(meant)} moments on the clock of {zone}"
    return meant[0]


def click_gives_the_moment_under_the_pointer(page: Any) -> None:
    drawn = page.evaluate(DRAWN)["review-lanes"]
    text, left, right = drawn["ticks"][-1]
    frame = page.locator("#review-lanes .js-plotly-plot").bounding_box()
    margin = page.evaluate(
        "() => document.querySelector('#review-lanes .js-plotly-plot')._fullLayout._size.l"
    )
    page.mouse.click(frame["x"] + margin + (left + right) / 2, frame["y"] + 60)
    page.wait_for_selector(".moment-clock b")
    told = datetime.strptime(page.inner_text(".moment-clock b"), "%Y-%m-%d %H:%M:%S.%f")
    meant = datetime.strptime(f"{told:%Y-%m-%d} {text[-5:]}", "%Y-%m-%d %H:%M")
    assert abs(told - meant) < timedelta(seconds=5)  # two pixels


@pytest.mark.parametrize(
    "zone_of_browser", dict.fromkeys(case.browser for case in CASES), ids=lambda zone: zone.replace("/", "-")
)
def test_ticks_alarms_and_strips_lie_where_their_time_is(
    page: Any, address: str, staged: dict[str, SimulatedIncident], zone_of_browser: str
) -> None:
    """Each change on the browser's own clock; the page's UTC is none of the browser's business."""
    cases = [case for case in CASES if case.browser == zone_of_browser]
    clock = page.context.new_cdp_session(page)
    clock.send("Emulation.setTimezoneOverride", {"timezoneId": zone_of_browser})
    also_in_utc = [(cases[-1], "UTC")] if zone_of_browser == "Europe/Berlin" else []
    for case, zone in [*((case, zone_of_browser) for case in cases), *also_in_utc]:
        incident = incident_of(case)
        page.goto(f"{address}/review?incident={incident}&zone={zone}")
        page.wait_for_selector("#review-lanes .js-plotly-plot .barlayer .point path")
        page.wait_for_selector("#review-overview .heatmaplayer image")
        told, due = page.evaluate("Intl.DateTimeFormat().resolvedOptions().timeZone"), zone_of_browser
        offsets = [case.moment.astimezone(ZoneInfo(one)).utcoffset() for one in (told, due)]
        assert offsets[0] == offsets[1], told
        start, end = (
            datetime.fromtimestamp(at / 1000, UTC)
            for at in page.evaluate(
                "() => JSON.parse(document.querySelector('#review-bench').dataset.view).whole"
            )
        )
        drawn = page.evaluate(DRAWN)

        def share(moment: datetime, start: datetime = start, end: datetime = end) -> float:
            return (moment - start) / (end - start)

        for part in drawn.values():
            assert len(part["ticks"]) >= 3
            for text, left, right in part["ticks"]:
                meant = moment_of_tick(text, zone, start, end)
                assert (left + right) / 2 == pytest.approx(share(meant) * part["width"], abs=PX), text
        lanes, overview = drawn["review-lanes"], drawn["review-overview"]
        truth = next(
            alarm
            for wear in truth_of(staged[incident]).wears
            for alarm in wear.alarms
            if alarm.alarm == "distress"
        )
        raised, cleared = (share(at) * lanes["width"] for at in (truth.raised, truth.cleared))
        # A set says so at its next report: within three seconds, here two pixels.
        assert any(
            left == pytest.approx(raised, abs=3) and right == pytest.approx(cleared, abs=3)
            for left, right in lanes["bars"]
        ), f"no bar from {raised:.0f} to {cleared:.0f} px, but {lanes['bars']}"
        ((left, right),) = overview["strips"]
        assert left == pytest.approx(0, abs=PX)
        assert right >= overview["width"] * 0.98
        if zone == "UTC":
            click_gives_the_moment_under_the_pointer(page)
    clock.detach()  # the next test has the machine's own clock
