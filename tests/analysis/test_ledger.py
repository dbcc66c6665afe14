"""The ledger: what counts in a wear's line, what the desk's words add, what forecasts said."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from analysis.incident import analyse
from analysis.profile import Profile
from analysis.tables import TABLES, conform
from analysis.trends.ledger import (
    FORECASTS,
    SCHEMAS,
    WEARS,
    empty_ledger,
    falls_between_wears,
    kind_of,
    ledger_of,
    was_heard,
)
from analysis.trends.measures import by_month
from ingest.contract.captures import read_capture
from ingest.contract.frames import frames_from_heard, no_messages
from tests.analysis.conftest import WrittenLog

START = datetime(2031, 1, 10, 8, tzinfo=UTC)
SAMPLES = Path(__file__).parents[2] / "sample_logs"


def results_of_one_wear(rates: list[float], **wear: object) -> dict[str, pl.DataFrame]:
    results = {name: pl.DataFrame(schema=schema) for name, schema in TABLES.items()}
    row = {
        "wear_id": "S-1/1/1",
        "set_id": "S-1",
        "wearer_id": "W-1",
        "started": START,
        "ended": START + timedelta(seconds=len(rates)),
        "start_bar": 300.0,
        "end_bar": 120.0,
        "low_air_bar": 55.0,
        **wear,
    }
    results["wears"] = conform("wears", pl.DataFrame([row], schema=TABLES["wears"]))
    results["air"] = conform(
        "air",
        pl.DataFrame(
            [
                {"wear_id": "S-1/1/1", "time": START + timedelta(seconds=i), "rate_l_min": rate}
                for i, rate in enumerate(rates)
            ],
            schema=TABLES["air"],
        ),
    )
    return results


def test_each_event_counts_once_an_entry() -> None:
    """A set that restarted below its warning, with alarms before and after, is one person who left low."""
    results = results_of_one_wear([30.0] * 60, entry_id="I-1/W-1/1", end_bar=50.0)
    again = results["wears"].with_columns(
        wear_id=pl.lit("S-1/2/1"), started=pl.col("ended") + timedelta(seconds=20), end_bar=pl.lit(48.0)
    )
    other = results["wears"].with_columns(wear_id=pl.lit("S-2/1/1"), entry_id=pl.lit("I-1/W-2/1"))
    results["wears"] = pl.concat([results["wears"], again, other])
    raised = [("S-1/1/1", "no_motion"), ("S-1/2/1", "no_motion"), ("S-1/2/1", "distress")]
    results["alarms"] = conform(
        "alarms",
        pl.DataFrame(
            [{"wear_id": wear, "alarm": alarm, "source": "reported"} for wear, alarm in raised],
            schema=TABLES["alarms"],
        ),
    )
    wears = wears_of(results)
    assert wears["wear_id"].to_list() == ["S-1/1/1", "S-1/2/1", "S-2/1/1"]
    assert wears["low_air_exits"].to_list() == [0, 1, 1]
    assert wears["no_motion_alarms"].to_list() == [2, 0, 0]
    assert wears["distress_alarms"].to_list() == [0, 1, 0]
    assert wears["entry_id"].to_list() == ["I-1/W-1/1", "I-1/W-1/1", "I-1/W-2/1"]


def wears_of(results: dict[str, pl.DataFrame]) -> pl.DataFrame:
    return ledger_of(results, no_messages())["wears"]


def test_what_nothing_measured_is_unknown() -> None:
    (row,) = wears_of(results_of_one_wear([])).to_dicts()
    assert [row[name] for name in ("hard_min", "class_1_s", "class_4_s")] == [None, None, None]
    (row,) = wears_of(results_of_one_wear([30.0] * 60, heat_dose=0.0)).to_dicts()
    assert [row[name] for name in ("hard_min", "class_1_s", "class_4_s")] == [0.0, 0.0, 0.0]


@pytest.mark.parametrize(("rate_l_min", "under_air_min"), [(2.0, 20.0), (30.0, 420.0)])
def test_a_silence_in_which_nobody_breathed_is_no_time_under_air(
    rate_l_min: float, under_air_min: float
) -> None:
    """Seven hours on one cylinder: the set came back with less air, and its silence had counted as wear."""
    results = results_of_one_wear(
        [30.0], ended=START + timedelta(minutes=420), gap_s=400 * 60.0, mean_l_min=rate_l_min
    )
    (row,) = wears_of(results).to_dicts()
    assert (row["under_air_min"], row["silent_min"]) == (under_air_min, 400.0)


def test_who_was_never_heard_has_a_line_in_which_nothing_is_none(log: WrittenLog) -> None:
    """Each wear that nobody heard left the rates, and its people the register."""
    desk = log.desk()
    desk.say(0, "incident", incident_id="I-1", action="open")
    for number, bar in ((1, None), (2, 30.0)):
        about = {"incident_id": "I-1", "set_id": f"S-{number}", "wearer_id": f"W-{number}"}
        desk.say(10, "tally", action="in", **about)
        if bar is not None:
            desk.say(500, "gauge", incident_id="I-1", set_id=f"S-{number}", pressure_bar=bar)
        desk.say(610, "tally", action="out", **about)
    log.talker("S-1").say(300, "alarm", alarm="distress", state="raised")
    desk.say(640, "note", incident_id="I-1", set_id="S-1", text="Contamination: soot, 25 min")
    messages = log.frames()
    assert not len(messages["refused"]), messages["refused"]["reason"].to_list()
    wears = ledger_of(analyse(messages, Profile.default()), messages)["wears"].sort("wearer_id")
    assert wears["wearer_id"].to_list() == ["W-1", "W-2"]
    assert wears.filter(was_heard()).is_empty()
    assert wears["silent_min"].to_list() == [10.0, 10.0]
    assert wears["distress_alarms"].to_list() == [1, None]
    assert wears["low_air_exits"].to_list() == [None, 1]
    assert wears["contamination"].to_list() == ["soot", None]
    assert wears.select("under_air_min", "hard_min", "heat_dose").null_count().row(0) == (2, 2, 2)


def test_hard_breathing_counts_seconds_at_and_above_the_threshold() -> None:
    (row,) = wears_of(results_of_one_wear([59.9] * 60 + [60.0] * 90)).to_dicts()
    assert row["hard_min"] == pytest.approx(1.5)
    assert row["under_air_min"] == pytest.approx(2.5)
    assert row["low_air_exits"] == 0


def test_an_exit_below_the_warning_is_counted_and_is_unknown_without_a_warning() -> None:
    assert wears_of(results_of_one_wear([40.0], end_bar=54.0))["low_air_exits"].to_list() == [1]
    assert wears_of(results_of_one_wear([40.0], end_bar=55.0))["low_air_exits"].to_list() == [0]
    assert wears_of(results_of_one_wear([40.0], low_air_bar=None))["low_air_exits"].to_list() == [None]


def test_only_alarms_that_the_set_reported_are_counted() -> None:
    results = results_of_one_wear([40.0])
    rows = [
        {"wear_id": "S-1/1/1", "set_id": "S-1", "alarm": alarm, "raised": START, "source": source}
        for alarm, source in [("no_motion", "both"), ("no_motion", "derived"), ("distress", "reported")]
    ]
    results["alarms"] = pl.DataFrame(rows, schema=TABLES["alarms"])
    (row,) = wears_of(results).to_dicts()
    assert (row["no_motion_alarms"], row["distress_alarms"]) == (1, 1)


def test_no_wears_give_no_months() -> None:
    empty = wears_of({name: pl.DataFrame(schema=schema) for name, schema in TABLES.items()})
    assert empty.schema == WEARS
    assert by_month(empty).is_empty()


def sample(name: str) -> dict[str, pl.DataFrame]:
    messages = frames_from_heard(read_capture(SAMPLES / name))
    return ledger_of(analyse(messages, Profile.default()), messages)


def test_the_desk_tells_task_and_kind_and_the_set_its_charge() -> None:
    ledger = sample("cooperage_fire.ndjson.gz")
    wears = ledger["wears"].sort("started")
    first = wears.filter(pl.col("wearer_id") == "W-01").row(0, named=True)
    assert (first["task"], first["kind"]) == ("attack", "incident")  # the desk wrote "attack, ground floor"
    assert first["battery_fraction"] == pytest.approx(0.9, abs=0.02)
    assert {name: frame.schema for name, frame in ledger.items()} == SCHEMAS
    events = dict(ledger["set_events"].select("set_id", "code").iter_rows())
    assert events == {"S-041": "clock_wrong", "S-042": "battery_refused"}


def test_a_drill_is_known_by_the_desks_words() -> None:
    assert set(sample("radio_drill.ndjson.zst")["wears"]["kind"]) == {"drill"}
    assert kind_of("Dwelling fire") == "incident"
    assert kind_of("training, hot house drill") == "training"


@pytest.mark.parametrize(
    ("words", "kind"),
    [
        (("drilling rig fire",), "incident"),
        (("fire during drill",), "incident"),
        (("fire at training centre",), "incident"),
        (("training ground fire",), "incident"),
        (("Golf course",), "incident"),
        (("race course", "Fire, golf course"), "incident"),
        (("refresher course",), "training"),
        (("training day",), "training"),
        (("Weekly training evening",), "training"),
        (("refresher training week 12",), "training"),
        (("BA drill night",), "drill"),
        (("Exercise 4b",), "drill"),
        (("Drill B",), "drill"),
        (("building fire", "Exercise Red Lion"), "drill"),
        (("Exercise house fire",), "drill"),
        (("Structure fire (drill)",), "drill"),
        (("Fire, exercise",), "drill"),
        (("building fire", "Mill, drill hall"), "incident"),
        (("building fire", "Night, day, week"), "incident"),
        (("building fire", "Training centre, Quay 7"), "incident"),
        (("building fire", "Drill 4"), "drill"),
        ((None, "hot-house training"), "training"),
        (("exercise in the yard", None), "drill"),
        (("2nd drill", ""), "drill"),
        (("drill no. 4",), "drill"),
        (("at",), "incident"),
        ((None, None), "incident"),
    ],
)
def test_a_thing_is_what_its_last_word_says(words: tuple[str | None, ...], kind: str) -> None:
    """A fire at a training centre counted as training, one on a drilling rig as a drill."""
    assert kind_of(*words) == kind


def test_a_wear_that_nobody_tallied_has_neither_kind_nor_task() -> None:
    (row,) = wears_of(results_of_one_wear([40.0], incident_id=None)).to_dicts()
    assert (row["kind"], row["task"]) == (None, None)


def forecast_of(medians: list[float], low_air_s: int | None) -> pl.DataFrame:
    results = results_of_one_wear(
        [40.0] * len(medians),
        low_air_at=None if low_air_s is None else START + timedelta(seconds=low_air_s),
    )
    results["air"] = results["air"].with_columns(
        pl.Series("low_air_min", medians),
        (pl.Series("low_air_lo_min", medians) * 0.5),
        (pl.Series("low_air_hi_min", medians) * 2.0),
        pl.lit(value=True).alias("heard"),
    )
    return ledger_of(results, no_messages())["forecasts"]


def test_a_forecast_is_taken_when_its_median_first_came_down_to_so_many_minutes() -> None:
    medians = [12.0 - second / 60 for second in range(600)]  # 12 min ahead at the start, 2 min at the end
    found = forecast_of(medians, low_air_s=590)
    assert found.schema == FORECASTS
    assert found["ahead_min"].to_list() == [5, 10]
    ten = found.row(1, named=True)
    assert ten["at"] == START + timedelta(seconds=120)
    assert ten["happened_min"] == pytest.approx(470 / 60)
    assert (ten["said_min"], ten["early_min"]) == (pytest.approx(10.0), pytest.approx(5.0))


def test_a_wear_that_ended_before_its_warning_tells_only_how_long_it_was_watched() -> None:
    found = forecast_of([12.0 - second / 60 for second in range(300)], low_air_s=None)
    assert found["happened_min"].to_list() == [None]
    assert found["watched_min"].to_list() == [pytest.approx(3.0)]


def test_a_wear_that_begins_with_less_than_ten_minutes_never_said_ten() -> None:
    assert forecast_of([9.0 - second / 60 for second in range(300)], None)["ahead_min"].to_list() == [5]


def pairs(*bars: tuple[float, float], hours_apart: float = 2.0, cylinder_l: float = 6.8) -> pl.DataFrame:
    rows = []
    for number, (start_bar, end_bar) in enumerate(bars):
        started = START + timedelta(hours=hours_apart * number)
        rows.append(
            {
                "wear_id": f"S-1/{number}/1",
                "set_id": "S-1",
                "started": started,
                "ended": started + timedelta(minutes=20),
                "start_bar": start_bar,
                "end_bar": end_bar,
                "cylinder_l": cylinder_l,
            }
        )
    return pl.DataFrame(rows, schema=WEARS)


def test_pressure_that_fell_between_two_wears_is_found() -> None:
    assert falls_between_wears(pairs((300, 200), (185, 120)))["code"].to_list() == ["pressure_fell_closed"]
    # Cooling; a fuller cylinder; another, emptier one; the next day.
    assert not len(falls_between_wears(pairs((300, 200), (195, 120))))
    assert not len(falls_between_wears(pairs((300, 200), (300, 120))))
    assert not len(falls_between_wears(pairs((300, 200), (120, 60))))
    assert not len(falls_between_wears(pairs((300, 200), (185, 120), hours_apart=30.0)))


def test_an_empty_ledger_has_all_its_columns() -> None:
    assert {name: frame.schema for name, frame in empty_ledger().items()} == SCHEMAS
