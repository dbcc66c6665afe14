"""The bench's tables: rows fit their heads and jump to moment and wearer, in the shown units and clock."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import polars as pl
import pytest

from analysis.incident import analyse
from analysis.profile import Profile
from analysis.tables import table_of
from dashboard.elements import listing
from dashboard.evidence.report import summary_of
from dashboard.pages.review import incident_listing
from dashboard.review.bench import tables
from dashboard.review.clock import Clock
from dashboard.review.desk_tables import desk_acts, desk_table
from dashboard.review.lanes import owners_of, people_of
from dashboard.review.overview import ALARM_SHIFT, _alarm_signs
from dashboard.review.setting import Setting
from dashboard.review.tables import (
    alarm_rate_text,
    alarm_table,
    begun_unheard,
    entry_table,
    finding_items,
    forecast_table,
    heat_table,
    incident_tables,
    silence_table,
    turn_back_table,
    wear_table,
)
from dashboard.review.view import Bench, Look, request_of
from dashboard.review.words import TABLES
from dashboard.rows import text_of
from dashboard.units import IMPERIAL
from ingest.contract.captures import Heard
from ingest.contract.frames import frames_from_heard
from tests.analysis.conftest import WrittenLog
from tests.dashboard.invented_incident import DISTRESS_AT_S, INCIDENT, Incident, at, store_with


@pytest.fixture(scope="module")
def look(tmp_path_factory: pytest.TempPathFactory) -> Look:
    store = store_with(Incident(wearers=4, minutes=30), tmp_path_factory.mktemp("archive"))
    return Bench(store).look(request_of({"incident": INCIDENT}))


def setting_of(look: Look, **more: Any) -> Setting:
    owner = {wear: row["key"] for row in look.everybody.iter_rows(named=True) for wear in row["wear_ids"]}
    return Setting(owner, look.whole, **more)


def test_every_table_has_its_words_and_they_are_in_the_page_s_order(look: Look) -> None:
    made = incident_tables(look.record, look.notes, setting_of(look))
    assert [table.name for table in made] == [f"review-{name}" for name in TABLES]
    assert all(table.caption and table.empty and "{" not in table.note for table in made)


@pytest.mark.parametrize(
    ("heard_to_s", "action", "late"),
    [
        (3000, "out", "23 min"),
        (1560, "out", "at most 24 min"),
        (1560, "in", "at least 24 min"),
        (2815, "", "at least 23 min"),  # under air to the end of the record
    ],
)
def test_a_late_turn_whose_end_nobody_heard_is_a_bound(
    look: Look, heard_to_s: int, action: str, late: str
) -> None:
    """Of whoever never came out the report printed "at least {minutes} min24 min"."""
    log = WrittenLog()
    one, desk = log.talker("S-1"), log.desk()
    one.set_up(0)
    one.breathe(20, 2800, bar_s=0.085)
    who = {"incident_id": "I-1", "set_id": "S-1", "wearer_id": "W-1"}
    desk.say(10, "tally", action="in", **who)
    if action:
        desk.say(2879, "tally", action=action, **who)
    one.said = [each for each in one.said if each[0] < heard_to_s]
    results = analyse(log.frames(), Profile.default())
    (row,) = entry_table(results["entries"], setting_of(look)).rows
    assert text_of(row[8]) == late
    assert results["entries"]["turn_back_late_bound"][0] == (
        " ".join(late.split()[:2]) if late[0] == "a" else None
    )


def test_an_alarm_in_a_silence_names_its_wearer_and_has_its_sign_on_the_strip(look: Look) -> None:
    """The report said "Set S-1" for the gravest alarms, those after the last reading under air."""
    log = WrittenLog()
    one, desk = log.talker("S-1"), log.desk()
    one.set_up(0)
    one.breathe(20, 600, closes=False)
    desk.say(10, "tally", action="in", incident_id="I-1", set_id="S-1", wearer_id="W-1")
    one.say(900, "alarm", alarm="distress", state="raised")
    results = analyse(log.frames(), Profile.default())
    (row,) = alarm_table(results["alarms"], results["alarm_rates"], setting_of(look)).rows
    assert row[0] == "W-1"
    (person,) = people_of(results).to_dicts()
    assert person["key"] == "W-1"
    (sign,) = _alarm_signs(results, {"W-1": 3, "S-1/1/1": 3})
    assert sign["y"] == [3 + ALARM_SHIFT["distress"]]


def test_the_note_that_counts_as_the_turn_is_beside_its_moment(look: Look) -> None:
    """Whoever reads the report must see by which words a turn counts as made."""
    log = WrittenLog()
    one, desk = log.talker("S-1"), log.desk()
    one.set_up(0)
    one.breathe(20, 2000, bar_s=0.085)
    desk.say(10, "tally", action="in", incident_id="I-1", set_id="S-1", wearer_id="W-1")
    desk.say(1300, "note", incident_id="I-1", set_id="S-1", text="W-1 turning back, heat alarm")
    results = analyse(log.frames(), Profile.default())
    (row,) = entry_table(results["entries"], setting_of(look)).rows
    assert text_of(row[7]) == "10:21:40 “W-1 turning back, heat alarm”"


@pytest.mark.parametrize("closes", [True, False])
def test_what_nobody_heard_is_not_called_not_reached(look: Look, closes: bool) -> None:
    """Last heard at 242 bar, then silence for hours: the report said that turn-back was never reached."""
    log = WrittenLog()
    one = log.talker("S-1")
    one.set_up(0)
    one.breathe(20, 700, closes=closes)
    results = analyse(log.frames(), Profile.default())
    (row,) = turn_back_table(results, setting_of(look, policy="half_of_usable")).rows
    said = [text_of(one) for one in row[2:-2]]
    assert set(said) == {"not reached" if closes else "not heard after 10:11:59 (237 bar)"}
    assert text_of(row[-2]) == ("10:11:59" if closes else "last under air 10:11:59")
    forecasts = forecast_table(results, setting_of(look)).rows
    assert {text_of(each[-1]) for each in forecasts} == set(said)


def data_of(component: Any) -> dict[str, Any]:
    return dict(json.loads(getattr(component, "data-listing")))


def test_a_row_that_does_not_fit_its_heads_is_refused() -> None:
    with pytest.raises(ValueError, match="2 cells, but there are 1 heads"):
        listing("x", "X", ["one"], [["a", "b"]])


def test_every_table_of_the_bench_fits_and_names_its_people(look: Look) -> None:
    made = {
        table.id: data_of(table)
        for table in tables(look, setting_of(look), False)
        if hasattr(table, "data-listing")
    }
    silence = made["review-silences"]["rows"][0]
    assert silence[:2] == ["W-02", "S-002"]
    assert silence[2]["jump"]["person"] == "W-02"
    assert [row[0] for row in made["review-alarms"]["rows"]] == ["W-02", "W-02", "W-01"]
    assert len(made["review-turn-back"]["rows"]) == 4
    assert made["review-clocks"]["rows"][3][0] == "S-004"


def test_units_and_clock_hold_for_tables_too(look: Look) -> None:
    setting = setting_of(look, units=IMPERIAL, shown=Clock("Etc/GMT-1"))
    wear = wear_table(look.record.results["wears"], [], setting).rows[0]
    assert wear[7]["t"] == "4,351 psi"
    assert wear[3]["t"] == "11:00:00"
    # It jumps to the same moment, whatever clock is shown.
    assert wear[3]["jump"]["at"] == at(0).timestamp() * 1000
    findings = finding_items(look.record.results["findings"], setting)
    assert [finding["severity"] for finding in findings] == ["serious", "caution"]
    assert findings[0]["when"] == "11:15:00"
    window = findings[0]["window"]
    assert window[0] < at(DISTRESS_AT_S).timestamp() * 1000 < window[1]


@pytest.mark.parametrize(("first_seq", "shown"), [(0, "15 min"), (500, "at least 15 min")])
def test_times_of_a_wear_whose_beginning_nobody_heard_are_at_least_so_long(
    look: Look, first_seq: int, shown: str
) -> None:
    log = WrittenLog()
    one = log.talker("S-1", first_seq=first_seq)
    one.set_up(0)
    one.breathe(20, 901, start_bar=200.0, opens=False)
    results, setting = analyse(log.frames(), Profile.default()), setting_of(look)
    begun = begun_unheard(results)
    (wear,), (entry,) = (
        wear_table(results["wears"], [], setting, begun).rows,
        entry_table(results["entries"], setting, begun).rows,
    )
    assert (text_of(wear[5]), text_of(entry[12])) == (shown, shown)


def test_forecasts_stand_beside_the_scenario_and_what_happened(look: Look) -> None:
    table = forecast_table(look.record.results, setting_of(look, forecast="learnt 2031-05-04"))
    assert "Forecast constants: learnt 2031-05-04." in table.note
    first = [[text_of(one) for one in row] for row in table.rows if row[0] == "W-01"]
    assert [row[3] for row in first] == [f"{minutes} min" for minutes in (5, 10, 15, 20, 25)]
    # W-01 reaches the warning after 0.9 of its 30 min (less one second), the others never do.
    assert [row[7] for row in first] == ["22.0 min", "17.0 min", "12.0 min", "7.0 min", "2.0 min"]
    assert {text_of(row[7]) for row in table.rows if row[0] != "W-01"} == {"not reached"}
    said, interval, hard = first[0][4:7]
    minutes = float(said.split()[0])
    low, _, high, unit = interval.split()
    assert float(low) == pytest.approx(0.8 * minutes, abs=0.15)
    assert float(high) == pytest.approx(1.25 * minutes, abs=0.15)
    assert unit == "min"
    assert float(hard.split()[0]) == pytest.approx(0.6 * minutes, abs=0.15)
    assert hard.endswith(" L/min")


def test_alarm_rates_stand_beside_their_published_limits() -> None:
    rate = {"alarms": 12, "most_in_minute": 3, "most_in_ten_minutes": 11, "most_in_hour": 12, "beyond": ""}
    assert alarm_rate_text(rate).endswith("Within the limits published for control rooms (EEMUA 191).")
    beyond = alarm_rate_text({**rate, "beyond": "more than 10 in ten minutes"})
    assert beyond.startswith("Reported: 12 alarms, at most 3 in a minute, 11 in ten minutes, 12 in an hour.")
    assert beyond.endswith(
        "Beyond the limits published for control rooms (EEMUA 191): more than 10 in ten minutes."
    )
    assert alarm_rate_text(None) == ""


def test_heat_that_nobody_measured_has_a_row_and_a_part_of_it_is_a_least(look: Look) -> None:
    """Mended: whose set sent no temperature was missing from the table, as if the wearer had been cool."""
    wears = look.record.results["wears"]
    measured = wears.filter(pl.col("heat_dose").is_not_null())
    none, part = measured["wear_id"].head(2)
    unknown = [
        pl.when(pl.col("wear_id") == none).then(None).otherwise(name).alias(name)
        for name in ("peak_temperature_c", "heat_dose")
    ]
    lasted = [
        (part, number, seconds, None, None) for number, seconds in enumerate((95.0, 600.0, 0.0, 0.0, 0.0))
    ]
    changed = {"wears": wears.with_columns(unknown), "exposure": table_of("exposure", lasted)}
    table = heat_table({**look.record.results, **changed}, setting_of(look))
    shown = {text_of(row[1]): [text_of(one) for one in row[2:]] for row in table.rows}
    assert len(shown) == len(wears)
    assert shown[measured["set_id"][0]] == ["not measured", "–", "–", "–", "–", "–", "–"]
    assert shown[measured["set_id"][1]][1:] == ["10 min", *["0 s"] * 3, "1 min 35 s", "at least 0.030"]


def test_the_list_of_incidents_counts_what_was_found(look: Look) -> None:
    (row,) = data_of(incident_listing(pl.DataFrame([look.record.about])))["rows"]
    assert row[0]["href"] == f"/review?incident={INCIDENT}"
    assert row[-1]["t"] == "1~▲~serious, 1~◆~caution".replace("~", "\N{NO-BREAK SPACE}")


def test_the_alarm_table_says_who_raised_an_alarm(look: Look) -> None:
    alarms = look.record.results["alarms"].sort("raised").head(3)
    alarms = alarms.with_columns(
        pl.Series("source", ["reported", "derived", "both"]), pl.Series("lead_s", [None, None, 0.4])
    )
    assert alarms.height == 3
    table = alarm_table(alarms, look.record.results["alarm_rates"], setting_of(look))
    place = table.heads.index("Source")
    assert [row[place] for row in table.rows] == ["reported only", "derived only", "both"]
    late = alarms.tail(1).with_columns(lead_s=pl.lit(7.2))
    (row,) = alarm_table(late, look.record.results["alarm_rates"], setting_of(look)).rows
    assert row[place] == "both, set 7 s later than the readings"
    early = alarms.tail(1).with_columns(lead_s=pl.lit(-7.2))
    (row,) = alarm_table(early, look.record.results["alarm_rates"], setting_of(look)).rows
    assert row[place] == "both, set 7 s before the readings"


def test_a_corrected_gauge_and_a_settlement_taken_back_say_so(look: Look) -> None:
    """Both stay in the record, and a reader must not take the first for what was believed later."""
    corrects = {"desk_id": "D-1", "boot": 1, "seq": 0}
    said = [
        ("gauge", 0, {"pressure_bar": 21}),
        ("gauge", 1, {"pressure_bar": 210, "corrects": corrects}),
        ("resolved", 2, {"text": "at the gate"}),
        ("resolved", 3, {"text": "Undo", "corrects": corrects | {"seq": 2}}),
    ]
    lines = []
    for kind, seq, fields in said:
        body = {"kind": kind, "desk_id": "D-1", "boot": 1, "seq": seq, "time": at(60 + seq).isoformat()}
        payload = json.dumps({**body, "incident_id": "I-1", "set_id": "S-001", **fields}).encode()
        lines.append(Heard(at(60 + seq), f"underair/v1/trial/desk/D-1/{kind}", payload))
    messages = {
        kind: frame.with_columns(at=pl.col("received")) for kind, frame in frames_from_heard(lines).items()
    }
    setting = setting_of(look)
    rows = desk_table(desk_acts(messages, "I-1", set(), setting), setting).rows
    assert [str(row[4]).split(" by ")[0].rsplit(" ", 1)[0] for row in rows] == [
        "21 bar, corrected",
        "210 bar, corrects an earlier",
        "at the gate, corrected",
        "Undo, corrects an earlier",
    ]


def test_not_heard_names_what_was_read_out_later_and_who_was_never_heard(look: Look) -> None:
    """Both said "No silence longer than three times a set's usual interval"."""
    log = WrittenLog()
    one, desk = (
        log.talker("S-1", delay=lambda at_s: 3000.0 - at_s if 600 <= at_s < 1320 else 0.05),
        log.desk(),
    )
    one.set_up(0)
    one.breathe(20, 1400)
    for number in (1, 2):
        who = {"incident_id": "I-1", "set_id": f"S-{number}", "wearer_id": f"W-{number}"}
        desk.say(10, "tally", action="in", **who)
        desk.say(1450, "tally", action="out", **who)
    results = analyse(log.frames(), Profile.default())
    setting = replace(setting_of(look), owner=owners_of(people_of(results)))
    read_out, never = ([text_of(one) for one in row] for row in silence_table(results, setting).rows)
    assert read_out == ["W-1", "S-1", "10:09:59", "10:22:00", "12 min", "0", "0", "720 readings"]
    assert never == ["W-2", "S-2", "10:00:10", "10:24:10", "24 min", "unknown", "–", "never heard"]
    said = summary_of(results, setting, [])
    assert "For a time the desk heard nothing of W-1 (12 min);" in said


def test_when_turn_back_fell_due_unheard_is_given_by_both_ends(look: Look) -> None:
    log = WrittenLog()
    one, desk = log.talker("S-1"), log.desk()
    one.set_up(0)
    one.breathe(20, 1680, bar_s=0.1, silent=(700, 1500))
    who = {"incident_id": "I-1", "set_id": "S-1", "wearer_id": "W-1"}
    desk.say(10, "tally", action="in", **who)
    desk.say(1530, "note", incident_id="I-1", set_id="S-1", text="turning back")
    desk.say(1750, "tally", action="out", **who)
    results = analyse(log.frames(), Profile.default())
    (row,) = entry_table(results["entries"], setting_of(look)).rows
    assert [text_of(row[place]) for place in (6, 8)] == ["between 10:11:39 and 10:25:00", "30 s to 14 min"]
