"""Faults as data: every one of them goes through the whole analysis, and what it cannot know stays empty."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.incident import analyse
from analysis.profile import Profile
from analysis.tables import TABLES, Results
from ingest.contract.captures import Heard
from ingest.contract.frames import Messages, frames_from_heard

PROFILE = Profile.default()
OPENED = datetime(2031, 5, 4, 10, 0, tzinfo=UTC)


def said(kind: str, true_s: float, seq: int, boot: int = 1, set_id: str = "S-1", **fields: Any) -> Heard:
    shown = OPENED + timedelta(seconds=true_s)
    body = {"kind": kind, "set_id": set_id, "boot": boot, "seq": seq, "time": shown.isoformat()} | fields
    received = shown + timedelta(milliseconds=70)
    return Heard(received, f"underair/v1/trial/set/{set_id}/{kind}", json.dumps(body).encode())


def a_wear(seconds: int = 900, start_bar: float = 300.0) -> list[Heard]:
    setup = {"cylinders": {"count": 1, "water_volume_l": 6.8, "rated_bar": 300.0}, "low_air_bar": 55.0}
    setup |= {"no_motion_prealarm_s": 20.0, "no_motion_alarm_s": 30.0, "heat_start_c": 150.0}
    return [
        said("setup", -1.0, 0, **setup),
        *(
            said("pressure", float(n), n + 1, pressure_bar=round(start_bar - 0.09 * n))
            for n in range(seconds)
        ),
    ]


def analysed(heard: list[Heard]) -> Results:
    results = analyse(frames_from_heard(heard), PROFILE)
    for name, table in results.items():
        assert table.schema == TABLES[name], name
        for column, dtype in table.schema.items():
            if dtype == pl.Float64:
                assert table[column].is_nan().sum() == 0, f"{name}.{column} holds a NaN where null is meant"
                assert table[column].is_infinite().sum() == 0, f"{name}.{column}"
    return results


def test_not_a_number_and_out_of_range_never_reach_the_analysis() -> None:
    heard = a_wear()
    bodies = (b'{"pressure_bar": NaN}', b'{"kind":"pressure","pressure_bar":29500}')
    heard += [Heard(OPENED, "underair/v1/trial/set/S-1/pressure", body) for body in bodies]
    assert frames_from_heard(heard)["refused"].height == 2
    assert analysed(heard)["wears"].height == 1


def test_factor_100() -> None:
    """A gauge in the wrong unit: 3.00 for 300 bar. It never opens, so there is no wear."""
    heard = [said("pressure", float(n), n, pressure_bar=3.0 - 0.0009 * n) for n in range(600)]
    results = analysed(heard)
    assert results["wears"].height == 0
    assert results["clocks"].height == 1


def test_nan_in_a_frame_made_by_other_hands() -> None:
    messages = frames_from_heard(a_wear())
    broken = pl.when(pl.int_range(pl.len()) % 7 == 3).then(float("nan")).otherwise(pl.col("pressure_bar"))
    messages["pressure"] = messages["pressure"].with_columns(broken.alias("pressure_bar"))
    wear = analyse(messages, PROFILE)["wears"].row(0, named=True)
    assert math.isfinite(wear["free_air_l"])


def test_an_hours_gap() -> None:
    heard = a_wear(600)
    later = [said("pressure", 4200.0 + n, 4201 + n, pressure_bar=round(150 - 0.09 * n)) for n in range(600)]
    results = analysed(heard + later)
    assert results["wears"].height == 1
    assert results["wears"]["gap_s"][0] == pytest.approx(3601.0, abs=0.1)
    assert results["wears"]["lost_messages"][0] == 3600
    silent = results["air"].filter(~pl.col("heard"))
    assert silent.height == pytest.approx(3595, abs=2)
    serious = results["findings"].filter(pl.col("code") == "silence_under_air")["severity"].to_list()
    assert serious == ["serious"]


def test_a_bands_width_grows_in_silence_and_never_becomes_certain() -> None:
    heard = [one for n, one in enumerate(a_wear()) if not 300 <= n < 480]
    air = analysed(heard)["air"]
    width = air["rate_hi_l_min"] - air["rate_lo_l_min"]
    assert width[390] > 1.3 * width[200]
    assert air["pressure_sd_bar"][390] > 2.0 * air["pressure_sd_bar"][200]


@pytest.mark.parametrize("count", [1, 2, 3])
def test_hardly_any_reading(count: int) -> None:
    assert analysed(a_wear()[: count + 1])["wears"].height == 1


def test_setup_alone_and_link_alone() -> None:
    assert analysed(a_wear()[:1])["wears"].height == 0
    will = Heard(OPENED, "underair/v1/trial/set/S-1/link", b'{"kind":"link","set_id":"S-1","state":"down"}')
    assert analysed([will])["clocks"].height == 0


def test_every_message_at_the_same_moment() -> None:
    heard = [said("pressure", 5.0, n, pressure_bar=250.0) for n in range(50)]
    assert analysed(heard)["wears"].height == 1


def test_seq_that_leaps_to_the_largest_number() -> None:
    heard = [*a_wear(300), said("pressure", 301.0, 2**53 - 1, pressure_bar=270.0)]
    results = analysed(heard)
    assert results["wears"].height == 1
    assert results["wears"]["lost_messages"][0] > 2**52


def test_clock_in_the_year_2199_for_one_message() -> None:
    heard = a_wear(300)
    body = json.loads(heard[150].payload)
    body["time"] = "2199-12-31T23:59:59Z"
    heard[150] = Heard(heard[150].received, heard[150].topic, json.dumps(body).encode())
    results = analysed(heard)
    assert results["air"].height == 300


def test_identity_reused_by_another_kind() -> None:
    heard = [*a_wear(300), said("motion", 100.0, 101, motion_m_s2=1.0)]
    assert "conflicting_records" in analysed(heard)["findings"]["code"].to_list()


def test_cylinder_that_cannot_be_is_refused_and_so_unknown() -> None:
    heard = a_wear(300)
    body = json.loads(heard[0].payload)
    body["chosen"], body["choices"] = 5, [body["cylinders"]]
    heard[0] = Heard(heard[0].received, heard[0].topic, json.dumps(body).encode())
    assert frames_from_heard(heard)["refused"].height == 1
    assert "cylinder_unknown" in analysed(heard)["findings"]["code"].to_list()


KINDS = {
    "pressure": st.fixed_dictionaries(
        {"pressure_bar": st.sampled_from([0.0, 4.0, 21.0, 60.0, 290.0, 500.0])}
    ),
    "motion": st.fixed_dictionaries(
        {"motion_m_s2": st.floats(0, 5), "still_s": st.sampled_from([0.0, 15.0, 25.0, 90.0])}
    ),
    "temperature": st.fixed_dictionaries({"temperature_c": st.floats(-60, 1200)}),
    "alarm": st.fixed_dictionaries(
        {
            "alarm": st.sampled_from(
                ["no_motion", "no_motion_prealarm", "low_air", "heat", "distress", "battery"]
            ),
            "state": st.sampled_from(["raised", "acknowledged", "cleared"]),
        }
    ),
    "power": st.fixed_dictionaries(
        {"state": st.sampled_from(["on", "off", "refused"]), "battery_fraction": st.floats(0, 1)}
    ),
}


@st.composite
def anything(draw: st.DrawFn) -> Messages:
    """Any messages that keep the contract, in any order of time and seq, early or late, twice or not."""
    heard = []
    for _ in range(draw(st.integers(1, 60))):
        kind = draw(st.sampled_from(sorted(KINDS)))
        true_s = draw(st.floats(-100, 4000).map(lambda value: round(value, 3)))
        one = said(
            kind,
            true_s,
            draw(st.integers(0, 80)),
            draw(st.integers(1, 2)),
            draw(st.sampled_from(["S-1", "S-2"])),
            **draw(KINDS[kind]),
        )
        late = timedelta(seconds=draw(st.sampled_from([0.0, 0.0, 3.0, 600.0, -600.0])))
        heard.append(Heard(one.received + late, one.topic, one.payload, draw(st.booleans())))
    if draw(st.booleans()):
        heard += a_wear(draw(st.integers(1, 40)))
    return frames_from_heard(heard)


@settings(max_examples=25, deadline=None)
@given(messages=anything())
def test_anything_that_keeps_the_contract_is_analysed(messages: Messages) -> None:
    results = analyse(messages, PROFILE)
    assert {name: table.schema for name, table in results.items()} == TABLES
    air = results["air"].drop_nulls("rate_l_min")
    assert (air["rate_lo_l_min"] <= air["rate_l_min"] + 1e-9).all()
    assert (air["rate_hi_l_min"] >= air["rate_l_min"] - 1e-9).all()
    wears = results["wears"]
    assert (wears["ended"] >= wears["started"]).all()
    assert wears["wear_id"].is_unique().all()
    assert results["findings"]["finding_id"].is_unique().all()
    turned = {kind: frame.reverse() for kind, frame in messages.items()}
    again = analyse(turned, PROFILE)
    assert all(again[name].equals(table) for name, table in results.items())
