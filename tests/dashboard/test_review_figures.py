"""The data in the review's figures: spans from stored intervals, thinned lines, scales, a zoom's changes."""

from __future__ import annotations

import base64
import itertools
from dataclasses import replace
from pathlib import Path
from typing import Any, get_args
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
import pytest

from analysis.profile import Profile
from dashboard.evidence.svg import numbers, svg_of
from dashboard.results_store import ResultsStore
from dashboard.review import figures, words
from dashboard.review.bench import bench
from dashboard.review.clock import Clock, Window, moment_of
from dashboard.review.drawing import Drawing, View
from dashboard.review.figures import lanes_figure, lanes_update, nice_ceiling, scales_of
from dashboard.review.lanes import READINGS, Mark, Series, Span, lanes_of, lanes_of_each, people_of
from dashboard.review.moment import readout
from dashboard.review.overview import LABEL_LETTERS, bin_width_s, labels, overview_figure, whole_window
from dashboard.review.view import LANES, BadView, Bench, Look, request_of
from dashboard.units import IMPERIAL, METRIC, UNITS, Quantity
from tests.dashboard.invented_incident import (
    DISTRESS_AT_S,
    INCIDENT,
    SILENT_FROM_S,
    Incident,
    archive_with,
    at,
    store_with,
)


def array(sent: dict[str, str]) -> np.ndarray:
    return np.frombuffer(base64.b64decode(sent["bdata"]), dtype=sent["dtype"])


def ms(second: float) -> float:
    return at(second).timestamp() * 1000


@pytest.fixture(scope="module")
def look(tmp_path_factory: pytest.TempPathFactory) -> Look:
    store = store_with(Incident(wearers=4, minutes=30), tmp_path_factory.mktemp("archive"))
    return Bench(store).look(request_of({"incident": INCIDENT}))


def figure_of(look: Look, window: Window | None = None, **view: Any) -> tuple[dict[str, Any], Any]:
    wanted = View(**{"lanes": LANES, "units": METRIC, **view})
    return lanes_figure(look.lanes, look.desk, window or look.whole, wanted, look.scales)


def test_every_lane_and_reading_is_known_wherever_one_is_named(look: Look) -> None:
    assert list(words.LANE_EXPLAINED) == list(LANES)
    person = look.lanes[0]
    shown = {row["name"] for row in readout(person, person.started + 600_000, METRIC)}
    for kind in READINGS:
        assert len(getattr(person, kind).x), f"the invented incident sends no {kind}"
        assert words.READOUT[kind] in shown
    for units in UNITS.values():
        for part in (units.label, units.factor, units.offset, units.decimals):
            assert set(part) == set(get_args(Quantity)), units.name


def test_the_gravest_findings_choose_who_is_shown_first(look: Look) -> None:
    assert "W-02" in look.chosen
    assert len(look.chosen) == 2


def test_one_x_axis_serves_all_lanes(look: Look) -> None:
    figure, _ = figure_of(look)
    assert {trace.get("xaxis", "x") for trace in figure["data"]} == {"x"}
    axes = [axis for name, axis in figure["layout"].items() if name.startswith("yaxis")]
    lanes = sorted(axis["domain"] for axis in axes if axis.get("visible", True))
    assert all(below[1] <= above[0] for below, above in itertools.pairwise(lanes))
    assert all(axis["fixedrange"] for axis in axes)


def test_alarms_stand_where_they_were_stored_and_derived_ones_by_their_lead(look: Look) -> None:
    figure, _ = figure_of(look, Window(ms(0), ms(1700)))
    bars = [trace for trace in figure["data"] if trace["type"] == "bar" and trace["width"] == 0.36]
    reported, derived = bars[2], bars[3]  # of W-02, the second of the two
    assert array(reported["base"]).tolist() == [ms(DISTRESS_AT_S), ms(DISTRESS_AT_S + 12)]
    # The set was 4 s later than the readings.
    assert array(derived["base"]).tolist() == [ms(DISTRESS_AT_S + 8)]
    assert derived["marker"]["color"] == "rgba(0,0,0,0)"


def test_silence_is_hatched_from_reading_to_reading_and_breaks_the_line(look: Look) -> None:
    figure, _ = figure_of(look)
    hatched = [t for t in figure["data"] if t["type"] == "bar" and "pattern" in t["marker"] and t["y"]]
    assert array(hatched[0]["base"]).tolist() == [ms(SILENT_FROM_S)]
    assert hatched[0]["x"] == [180_000]
    silent = look.lanes[1]
    assert silent.key == "W-02"
    lines = [array(t["y"]) for t in figure["data"] if t.get("line", {}).get("width") == 1.5]
    assert any(np.isnan(line).any() for line in lines)


def test_a_zoom_changes_exactly_what_a_new_figure_would_hold(look: Look) -> None:
    window, view = Window(ms(880), ms(940)), View(LANES, METRIC)
    figure, shown = figure_of(look, window)
    changes, shown_again = lanes_update(look.lanes, look.desk, window, view, look.scales)
    assert shown.text() == shown_again.text()
    before, _ = figure_of(look)
    for index, trace in enumerate(before["data"]):
        assert {**trace, **changes.get(index, {})} == figure["data"][index]
    assert figure["layout"]["yaxis2"] == before["layout"]["yaxis2"]


def test_the_sentence_says_whether_every_reading_is_there(look: Look) -> None:
    _, whole = figure_of(look)
    _, near = figure_of(look, Window(ms(880), ms(940)))
    assert "lowest and highest of each" in whole.text()
    assert near.text() == "Every reading of the window is drawn: 360."


def test_units_change_scale_and_words_and_nothing_else(look: Look) -> None:
    metric, _ = figure_of(look)
    imperial, _ = figure_of(look, units=IMPERIAL)
    lines = [i for i, t in enumerate(metric["data"]) if t.get("line", {}).get("width") == 1.5]
    ratio = array(imperial["data"][lines[0]]["y"]) / array(metric["data"][lines[0]]["y"])
    # NIST SP 811: 1 bar = 14.503774 psi.
    assert np.nanmax(np.abs(ratio - 14.503774)) < 1e-3
    assert any("psi" in note["text"] for note in imperial["layout"]["annotations"])


def test_the_shown_clock_words_the_ticks_and_moves_no_trace(look: Look) -> None:
    here, _ = figure_of(look)
    local, _ = figure_of(look, clock=Clock("Europe/Berlin"))
    assert local["data"] == here["data"]
    axis, utc = local["layout"]["xaxis"], here["layout"]["xaxis"]
    assert axis["range"] == utc["range"]
    hours = [text.split(":")[0] for text in axis["ticktext"]]
    assert hours == [f"{moment_of(at).astimezone(ZoneInfo('Europe/Berlin')):%H}" for at in axis["tickvals"]]


def test_words_of_the_desk_never_lie_on_each_other_and_a_wider_page_has_more_of_them(look: Look) -> None:
    def words_at(plot_px: float) -> list[tuple[int, float, float]]:
        figure, _ = figure_of(look, plot_px=plot_px)
        desk = figure["data"][0]
        start, end = figure["layout"]["xaxis"]["range"]
        left = (array(desk["x"]) - start) / (end - start) * plot_px
        # An empty text would lose its place for good: what is not said is a blank.
        assert all(desk["text"])
        return [
            (row, x, x + 6 * len(text))
            for row, x, text in zip(desk["y"], left, desk["text"], strict=True)
            if text.strip()
        ]

    for plot_px in (400.0, 860.0, 2000.0):
        placed = words_at(plot_px)
        for row in {one[0] for one in placed}:
            ends = sorted(one[1:] for one in placed if one[0] == row)
            assert all(before[1] <= after[0] for before, after in itertools.pairwise(ends))
    assert len(words_at(300.0)) < len(words_at(2000.0))


def test_a_channel_that_a_set_never_sent_is_said_not_left_empty(look: Look) -> None:
    def titles(shown: Look) -> str:
        return " ".join(note["text"] for note in figure_of(shown)[0]["layout"]["annotations"])

    assert "the set sent no reading" not in titles(look)
    nothing = Series(np.array([]), np.array([]), 1000.0)
    mute = replace(look, lanes=[replace(look.lanes[0], temperature=nothing), *look.lanes[1:]])
    assert titles(mute).count("the set sent no reading") == 1


def test_a_set_that_says_only_how_long_it_was_still_has_no_reading_of_motion(look: Look) -> None:
    record = look.record
    motion = pl.when(pl.col("set_id") != "S-001").then("motion_m_s2").alias("motion_m_s2")
    messages = {kind: record.messages[kind] for kind in READINGS}
    messages["motion"] = messages["motion"].with_columns(motion)
    still, moving, *_ = (
        lanes_of(record.results, messages, row) for row in look.everybody.iter_rows(named=True)
    )
    assert len(still.pressure.x)
    assert not len(still.motion.x)
    assert len(moving.motion.x)


def test_text_from_outside_is_no_markup(look: Look) -> None:
    figure, _ = figure_of(look)
    texts = [text for trace in figure["data"] for text in trace.get("text", []) if "Stairs" in text]
    assert texts
    assert all("&lt;b&gt;" in text for text in texts)


def test_overview_keeps_the_lowest_of_each_bin_and_is_blank_when_silent(look: Look) -> None:
    figure = overview_figure(look.record, look.everybody, look.whole)
    z = np.frombuffer(base64.b64decode(figure["data"][0]["z"]["bdata"]), "f4").reshape(
        len(look.everybody), -1
    )
    air = look.record.results["air"]
    assert np.nanmin(z) == pytest.approx(air.filter(air["heard"])["pressure_bar"].min(), abs=1e-3)
    width = bin_width_s(look.whole) * 1000
    silent = int((ms(690) - look.whole.start) // width)
    row = look.everybody["key"].to_list().index("W-02")
    assert np.isnan(z[row, silent])
    assert np.isfinite(z[row - 1, silent])


def test_the_whole_window_shows_a_silence_that_no_reading_ended(look: Look) -> None:
    kept = look.record.results
    results = kept | {"gaps": kept["gaps"].with_columns(ended=pl.lit(at(9000)))}
    assert len(results["gaps"])
    assert whole_window(kept, look.record.about).end < ms(9000)
    assert whole_window(results, look.record.about).end > ms(9000)


def test_whole_window_of_an_incident_without_wears() -> None:
    incident = Incident(1, 1)
    empty = {name: frame.clear() for name, frame in incident.results.items()}
    about = {"started": at(0), "ended": at(100)}
    assert whole_window(empty, about).start < ms(0) < ms(100) < whole_window(empty, about).end


def test_scales_hold_what_nobody_measured() -> None:
    assert scales_of([]).pressure_bar > 300
    assert nice_ceiling(float("nan"), 100) == 100
    assert nice_ceiling(213.5, 100) == 300


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ({"from": "5", "to": "2"}, "in order"),
        ({"from": "5"}, "in order"),
        ({"from": "x", "to": "2"}, "number"),
        ({"at": "1e400"}, "number"),
        ({"units": "furlong"}, "units"),
        ({"lanes": "air,smell"}, "smell"),
        ({"zone": "Mars/Olympus"}, "zone"),
    ],
)
def test_a_view_that_makes_no_sense_says_what_was_expected(query: dict[str, str], words: str) -> None:
    with pytest.raises(BadView, match=words):
        request_of({"incident": INCIDENT, **query})


def test_units_convert_both_ways() -> None:
    assert UNITS["imperial"].text("temperature", 100.0) == "212 °F"
    assert UNITS["imperial"].text("pressure", 300.0) == "4,351 psi"
    assert UNITS["metric"].text("motion", 1.234) == "1.23 m/s²"


def test_the_desks_words_end_within_the_window() -> None:
    window = Window(0.0, 1000.0)
    desk = [Mark(at, "all out, none left inside") for at in (0.0, 700.0, 950.0, 999.0)]
    rows, texts, sides = figures._placed(desk, Drawing(View((), METRIC, plot_px=1000.0), window))
    # Where there is no room after a moment the words stand before it, whole.
    assert texts == ["all out, none left inside"] * 4
    assert sides == ["middle right", "middle right", "middle left", "middle left"]
    reach = {}
    for row, mark, text, side in zip(rows, desk, texts, sides, strict=True):
        length = figures.DESK_CHARACTER_PX * len(text)
        start = mark.at - length if side == "middle left" else mark.at
        assert reach.get(row, 0.0) <= start <= start + length <= 1000.0
        reach[row] = start + length


def words_of(figure: dict[str, Any], plot_px: float) -> list[tuple[str, float, float, float]]:
    """Return the words of a wearer's figure, with their height, begin and end in pixels."""
    start, end = figure["layout"]["xaxis"]["range"]
    found = []
    for trace in figure["data"]:
        axis = figure["layout"]["yaxis" + trace.get("yaxis", "y")[1:]]
        low, high = axis["domain"]
        least, most = axis["range"]
        texts = trace.get("text", []) if trace["type"] == "scatter" else []
        sides = trace.get("textposition", "")
        sides = [sides] * len(texts) if isinstance(sides, str) else sides
        for x, y, text, side in (
            zip(array(trace["x"]), numbers(trace["y"]), texts, sides, strict=True) if texts else ()
        ):
            at_px, long_px = (x - start) / (end - start) * plot_px, 6.0 * len(text)
            left = at_px - {"left": long_px, "center": long_px / 2, "right": 0.0}[side.split()[1]]
            height = (low + (high - low) * (y - least) / (most - least)) * figure["layout"]["height"]
            if text.strip():
                found.append((text, height, left, left + long_px))
    return found


@pytest.mark.parametrize("plot_px", [280.0, 560.0, 905.0])
def test_words_of_a_wearers_lanes_never_lie_on_each_other(look: Look, plot_px: float) -> None:
    """Turn-back, low-air warning, silence and what came late were printed over each other."""
    began, minute = look.whole.start, 60_000.0
    person = replace(
        look.lanes[0],
        marks=[Mark(began + 14 * minute, "turn_back"), Mark(began + 24 * minute, "low_air")],
        silences=[Span(words.SILENT, began + 9 * minute, began + 17 * minute)],
        unknown=[
            Span("late", began + 8 * minute, began + 16 * minute),
            Span("late", began + 17 * minute, began + 19 * minute),
        ],
    )
    view = View(("air",), METRIC, plot_px=plot_px)
    figure, _ = lanes_figure([person], None, look.whole, view, look.scales)
    placed = words_of(figure, plot_px)
    told = [text for text, *_ in placed]
    assert {*words.MARKS.values(), "silent 8 min 00 s", words.NOT_YET_KNOWN} == set(told)
    for one, other in itertools.combinations(placed, 2):
        apart = abs(one[1] - other[1]) >= 11 or one[3] <= other[2] or other[3] <= one[2]
        assert apart, (one, other)
    # Above the drawn lane, where no line runs.
    top = figure["layout"]["yaxis4"]["domain"][1] * figure["layout"]["height"]
    assert all(height > top for text, height, *_ in placed if text not in words.MARKS.values())


@pytest.mark.parametrize(("marked_s", "told"), [(9.0, ""), (61.0, ""), (10.0, "right"), (57.0, "left")])
def test_words_of_a_line_stand_whole_within_the_window_or_not_at_all(
    look: Look, marked_s: float, told: str
) -> None:
    person = replace(look.lanes[0], marks=(Mark(ms(marked_s), "turn_back"),))
    window = Window(ms(10.0), ms(60.0))
    view = View(lanes=("air",), units=METRIC, plot_px=900.0)
    figure, _ = lanes_figure([person], [], window, view, look.scales)
    (trace,) = [each for each in figure["data"] if each.get("mode") == "lines+text"]
    assert words.MARKS["turn_back"] in trace["text"] if told else not "".join(trace["text"]).strip()
    assert not told or set(trace["textposition"]) == {f"middle {told}"}


def test_beside_a_strip_a_long_name_keeps_its_end_where_names_differ() -> None:
    long = "Alexandria-Bartholomew-van-der-Nordhaven-"[:36]
    people = pl.DataFrame(
        {
            "key": ["W-01", "W-02", f"{long}W-03", f"{long}W-04"],
            "wearer_id": ["W-01", None, f"{long}W-03", f"{long}W-04"],
            "team": ["Brigade of the eastern harbour, third half", None, "Elm", None],
        }
    )
    texts = labels(people, [])
    assert all(len(text) <= LABEL_LETTERS for text in texts)
    assert texts[0] == "W-01 · Bri…alf"
    assert texts[1] == "Set W-02"
    assert texts[2].endswith("W-03")
    assert texts[3].endswith("W-04")


def test_a_heading_shortens_long_names_to_the_room_that_there_is(look: Look) -> None:
    names = ("Alexandria-Bartholomew-van-der-Nordha-07", "Brigade-of-the-eastern-harbour-distri-04")
    person = replace(look.lanes[0], wearer_id=names[0], team=names[1], set_ids=("S-011",))
    whole = person.title()
    assert whole == f"Wearer {names[0]} · Team {names[1]} · Set S-011"
    short = person.title(80)
    assert len(short) <= 80
    assert "-07 · Team" in short
    assert "-04 · Set S-011" in short


def test_an_incident_that_has_only_the_desks_words_is_drawn(tmp_path: Path) -> None:
    incident = Incident(wearers=1, minutes=2)
    heard = {kind: frame.clear() for kind, frame in incident.messages.items()}
    heard |= {kind: incident.messages[kind] for kind in ("incident", "note")}
    store = ResultsStore(archive_with(tmp_path, heard), Profile.default())
    look = Bench(store).look(request_of({"incident": INCIDENT}))
    assert look.everybody.is_empty()
    told = str(bench(look))
    assert words.NOBODY in told
    assert words.SHOWN_NONE in told
    assert "Water on" in told


def test_everybodys_lanes_at_once_are_those_of_each(tmp_path: Path) -> None:
    store = store_with(Incident(wearers=3, minutes=12), tmp_path)
    record = store.incident(INCIDENT)
    everybody = people_of(record.results)
    at_once = list(lanes_of_each(record.results, record.messages, everybody.iter_rows(named=True)))
    assert len(at_once) == 3
    for lanes, row in zip(at_once, everybody.iter_rows(named=True), strict=True):
        alone = lanes_of(record.results, record.messages, row)
        assert lanes.key == alone.key
        for name in ("pressure", "motion", "temperature"):
            one, other = getattr(lanes, name), getattr(alone, name)
            assert len(one.x)
            np.testing.assert_array_equal(one.x, other.x)
            np.testing.assert_array_equal(one.y, other.y)
        np.testing.assert_array_equal(lanes.air.middle, alone.air.middle)
        assert (lanes.reported, lanes.silences) == (alone.reported, alone.silences)


def test_what_was_heard_only_later_is_hatched_until_it_was_heard(tmp_path: Path) -> None:
    """A set stores its readings for two minutes and sends them at once: until then nobody knew."""
    incident = Incident(2, 20)
    pressure = incident.messages["pressure"].sort("set_id", "seq")
    began, until = at(600), at(720)
    stored = (pl.col("set_id") == "S-001") & pl.col("received").is_between(began, until)
    late = pressure.with_columns(pl.when(stored).then(pl.lit(until)).otherwise("received").alias("received"))
    incident.messages["pressure"] = late
    look = Bench(store_with(incident, tmp_path)).look(request_of({"incident": INCIDENT}))
    (person,) = [one for one in look.lanes if one.set_ids == ("S-001",)]
    (span,) = person.unknown
    assert span.started == pytest.approx(ms(600), abs=2_000)
    assert span.ended == pytest.approx(ms(720), abs=6_000)
    figure, _ = figure_of(look)
    bars = [t for t in figure["data"] if t["type"] == "bar" and "pattern" in t["marker"]]
    hatched = [t for t in bars if t["marker"]["pattern"]["shape"] == "\\"]
    assert [array(t["base"]).tolist() for t in hatched if t["y"]] == [[span.started]]
    assert any(words.NOT_YET_KNOWN in t.get("text", ()) for t in figure["data"])
    # Also in the picture of everybody: drawn plain, it said that the desk had heard them.
    overview = overview_figure(look.record, look.everybody, look.whole)
    (strip,) = [t for t in overview["data"] if t.get("marker", {}).get("pattern", {}).get("shape") == "\\"]
    assert strip["y"] == [look.everybody["key"].to_list().index(person.key)]
    assert array(strip["base"]).tolist() == [span.started]
    assert strip["x"] == [span.ended - span.started]
    rows = readout(person, ms(660), METRIC)
    assert words.NOT_YET_KNOWN in [row["value"] for row in rows]
    assert words.NOT_YET_KNOWN not in [row["value"] for row in readout(person, ms(800), METRIC)]
    assert 'fill="url(#late)"' in svg_of(figure, 720.0, "course")
