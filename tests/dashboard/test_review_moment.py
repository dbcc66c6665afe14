"""The read-out at a moment, and the messages behind it."""

from __future__ import annotations

import numpy as np
import pytest

from dashboard.review.lanes import Band
from dashboard.review.moment import _estimate, evidence_of, messages_behind, messages_of_evidence, readout
from dashboard.review.view import Bench, Look, request_of
from dashboard.units import IMPERIAL, METRIC
from tests.dashboard.invented_incident import DISTRESS_AT_S, INCIDENT, SILENT_FROM_S, Incident, at, store_with


def ms(second: float) -> float:
    return at(second).timestamp() * 1000


@pytest.fixture(scope="module")
def look(tmp_path_factory: pytest.TempPathFactory) -> Look:
    store = store_with(Incident(wearers=3, minutes=30), tmp_path_factory.mktemp("archive"))
    return Bench(store).look(request_of({"incident": INCIDENT, "people": "W-01,W-02"}))


def rows(look: Look, person: int, second: float, units: object = METRIC) -> dict[str, tuple[str, str]]:
    told = readout(look.lanes[person], ms(second), units)  # type: ignore[arg-type]
    return {row["name"]: (row["value"], row["remark"]) for row in told}


def test_every_value_has_its_unit_and_estimates_their_range(look: Look) -> None:
    told = rows(look, 0, 600.5)
    assert told["Pressure, reading"][0].endswith(" bar")
    assert "to" in told["Pressure, estimate"][1]
    assert told["Breathing rate, estimate"][0].endswith(" L/min")
    assert told["To low air, as known then"][0].endswith(" min")
    minutes, rate = told["If it stays as hard as the hardest 3 min"]
    assert minutes.endswith(" min")
    assert rate.endswith(" L/min")
    assert told["Sensor temperature"][0].endswith(" °C")
    assert "to" in told["Surroundings, estimate"][1]
    assert rows(look, 0, 600.5, IMPERIAL)["Pressure, reading"][0].endswith(" psi")


def test_a_young_wear_shows_only_the_early_end_and_the_scenario(look: Look) -> None:
    young = rows(look, 0, 120.5)
    value, remark = young["To low air, as known then"]
    assert value.startswith("at least ")
    assert remark == "first 3 min: only the early end is known"
    assert young["If it stays as hard as the hardest 3 min"][0].endswith(" min")
    value, remark = rows(look, 0, 181.5)["To low air, as known then"]
    assert not value.startswith("at least")
    assert " to " in remark


def test_a_reading_is_never_carried_over_a_silence(look: Look) -> None:
    told = rows(look, 1, SILENT_FROM_S + 90)
    value, remark = told["Pressure, reading"]
    assert value == "not heard"
    assert remark.endswith("90 s before")
    assert told["Breathing rate, estimate"][0] == "not heard"
    assert told["Alarms"][0] == "silent"


def test_alarms_at_a_moment_say_who_said_so(look: Look) -> None:
    assert rows(look, 1, DISTRESS_AT_S + 20)["Alarms"][0] == (
        "distress: reported, 20 s; no motion: reported, 8 s; no motion: derived, 12 s"
    )
    assert rows(look, 0, DISTRESS_AT_S + 20)["Alarms"][0] == "none"


def test_outside_the_wear_there_is_nothing_to_read(look: Look) -> None:
    assert rows(look, 0, 3600) == {"Pressure, estimate": ("not under air at this moment", "")}


def test_messages_are_verbatim_with_identity_and_all_clocks(look: Look) -> None:
    wear_ids = list(look.lanes[0].wear_ids)
    found = messages_behind(look.record, wear_ids, ms(900))
    pressure = [row for row in found if row["kind"] == "pressure"]
    assert len(pressure) == 11 - 1  # five seconds on each side; heard 40 ms late on the reconciled clock
    nearest = next(row for row in pressure if row["identity"] == "S-001/1/900")
    assert nearest["payload"].startswith('{"kind":"pressure","set_id":"S-001","boot":1,"seq":900,')
    assert nearest["own"] == "2031-05-04T10:15:00.000000Z"
    assert nearest["received"] == "2031-05-04T10:15:00.040000Z"
    assert {row["identity"].split("/")[0] for row in found} == {"S-001"}
    assert [row["at"] for row in pressure] == sorted(row["at"] for row in pressure)


def test_in_a_silence_the_last_of_each_kind_stands_there(look: Look) -> None:
    wear_ids = list(look.lanes[1].wear_ids)
    found = messages_behind(look.record, wear_ids, ms(SILENT_FROM_S + 60))
    assert [row["identity"] for row in found if row["kind"] == "pressure"] == [f"S-002/1/{SILENT_FROM_S}"]


def test_a_findings_evidence_is_found_by_identity(look: Look) -> None:
    code, named = evidence_of(look.record.results, "silence-1")
    assert code == "silence"
    found = messages_of_evidence(look.record, named)
    assert [row["identity"] for row in found] == named
    assert evidence_of(look.record.results, "nothing") == ("", [])
    assert messages_of_evidence(look.record, ["S-002/1/99999999"]) == []


def test_a_range_is_rounded_outwards_and_never_to_nothing() -> None:
    middle, low, high = (np.array([value]) for value in (143.0, 142.6, 143.4))
    band = Band(np.zeros(1), middle, low, high)
    assert _estimate("air", band, 0, METRIC, "pressure")["remark"] == "142 to 144 bar"
