"""The invented incident holds what it promises, is the same every time, and keeps the contract."""

from __future__ import annotations

import json
import re
from collections import Counter, defaultdict
from datetime import UTC, datetime, timedelta
from functools import cache

import numpy as np
import pytest

from ingest.contract.captures import Heard
from ingest.contract.errors import RefusedMessage
from ingest.contract.messages import decode
from sample_logs.bad_messages import GOOD_MESSAGES, WRONG, build_bad_messages
from sample_logs.drills import build_clock_troubles, build_radio_troubles
from sample_logs.simulation.scenario import build_incident, build_late_turn_back
from sample_logs.simulation.staging import SimulatedIncident
from tests.simulated_truth import IncidentTruth, truth_of

OPENED = datetime(2031, 5, 4, 19, 12, tzinfo=UTC)


@cache
def incident() -> SimulatedIncident:
    return build_incident(7, OPENED)


@cache
def really() -> IncidentTruth:
    return truth_of(incident())


def payloads(heard: list[Heard], kind: str, speaker: str | None = None) -> list[dict[str, object]]:
    return [
        json.loads(one.payload)
        for one in heard
        if one.topic.endswith(f"/{kind}") and (speaker is None or f"/{speaker}/" in one.topic)
    ]


def test_the_same_seed_gives_the_same_messages_and_another_seed_others() -> None:
    assert build_incident(7, OPENED).heard == incident().heard
    assert build_incident(8, OPENED).heard != incident().heard


def test_no_time_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="time zone"):
        build_incident(7, OPENED.replace(tzinfo=None))


@pytest.mark.parametrize(
    "build", [build_incident, build_late_turn_back, build_clock_troubles, build_radio_troubles]
)
def test_every_message_keeps_the_contract_and_comes_in_the_order_received(build: object) -> None:
    heard = build(3, OPENED).heard  # type: ignore[operator]
    for one in heard:
        decode(one.topic, one.payload)
    received = [one.received for one in heard]
    assert received == sorted(received)


def test_twelve_wearers_in_four_teams_over_fifty_minutes() -> None:
    truth = really()
    assert len({wear.wearer_id for wear in truth.wears}) == 12
    assert len({wear.team for wear in truth.wears}) == 4
    assert truth.closed - truth.opened == timedelta(minutes=50)
    assert all(re.fullmatch(r"W-\d\d", wear.wearer_id) for wear in truth.wears)


def test_seq_counts_without_a_hole_when_the_lost_are_counted_in() -> None:
    seen: dict[tuple[str, int], set[int]] = defaultdict(set)
    for one in incident().heard:
        told = json.loads(one.payload)
        if "seq" in told:
            seen[told.get("set_id") if "/set/" in one.topic else "desk", told["boot"]].add(told["seq"])
    for identity in really().lost:
        set_id, boot, seq = identity.split("/")
        assert int(seq) not in seen[set_id, int(boot)]
        seen[set_id, int(boot)].add(int(seq))
    for numbers in seen.values():
        assert numbers == set(range(len(numbers)))


def test_the_turn_back_of_w_02_is_late_and_ends_far_below_the_warning() -> None:
    wear = really().wear("S-012")
    assert wear.turned_back is not None
    assert wear.low_air_at is not None
    assert wear.low_air_at - wear.turned_back < timedelta(minutes=4)
    assert wear.end_bar < 40.0 < wear.low_air_bar
    assert "low_air" in [alarm.alarm for alarm in wear.alarms]
    others = [one.end_bar for one in really().wears if one.set_id != "S-012"]
    assert min(others) > 60.0


def test_the_alarms_are_the_planned_ones() -> None:
    found = {(wear.set_id, alarm.alarm): alarm for wear in really().wears for alarm in wear.alarms}
    assert set(found) == {
        ("S-012", "low_air"),
        ("S-021", "distress"),
        ("S-022", "no_motion_prealarm"),
        ("S-022", "no_motion"),
        ("S-031", "heat"),
        ("S-032", "heat"),
    }
    motionless = found["S-022", "no_motion"]
    assert motionless.acknowledged is not None
    assert (motionless.acknowledged - motionless.raised).total_seconds() == pytest.approx(95.0, abs=1.5)
    assert (motionless.raised - OPENED).total_seconds() == pytest.approx(18 * 60 + 10 + 30, abs=3.0)
    slow, fast = found["S-031", "heat"], found["S-032", "heat"]
    assert slow.detail is not None
    assert slow.detail.startswith("dose full")
    assert slow.seen is not None
    assert (slow.raised - OPENED).total_seconds() == pytest.approx(21 * 60, abs=40.0)
    assert fast.detail is not None
    assert "at the sensor" in fast.detail
    assert (fast.raised - OPENED).total_seconds() == pytest.approx(17 * 60, abs=20.0)


def test_three_minutes_of_silence_are_silent() -> None:
    (gap,) = [one for one in really().gaps if one.set_id == "S-033"]
    assert (gap.ended - gap.started).total_seconds() == 180.0
    inside = [
        one
        for one in incident().heard
        if "/S-033/" in one.topic and gap.started + timedelta(seconds=1) < one.received < gap.ended
    ]
    assert [json.loads(one.payload) for one in inside] == [
        {"kind": "link", "set_id": "S-033", "state": "down"}
    ]


def test_one_clock_is_ninety_seconds_fast() -> None:
    ahead = []
    for one in incident().heard:
        if "/S-041/" in one.topic:
            ahead.append(
                (datetime.fromisoformat(json.loads(one.payload)["time"]) - one.received).total_seconds()
            )
    # What came fastest bounds the offset: nothing is faster than 40 ms.
    assert max(ahead) == pytest.approx(90.0 - 0.04, abs=0.02)


def test_twin_cylinders_and_choices_are_told() -> None:
    (setup,) = payloads(incident().heard, "setup", "S-023")
    assert setup["cylinders"] == {"count": 2, "water_volume_l": 6.8, "rated_bar": 300.0}
    choices, chosen = setup["choices"], setup["chosen"]
    assert isinstance(choices, list)
    assert isinstance(chosen, int)
    assert choices[chosen] == setup["cylinders"]


def test_a_cylinder_is_changed_between_two_wears_of_one_boot() -> None:
    first, second = really().wear("S-011", 1), really().wear("S-011", 2)
    assert first.boot == second.boot
    assert first.ended < second.started
    assert second.start_bar - first.end_bar > 100.0


def test_one_start_is_refused_for_want_of_charge() -> None:
    (power,) = payloads(incident().heard, "power", "S-042")
    assert power["state"] == "refused"
    assert power["battery_fraction"] == 0.06
    assert payloads(incident().heard, "pressure", "S-042") == []


def test_free_flow_shows_in_the_truth() -> None:
    wear = really().wear("S-043")
    assert int(np.sum(wear.rate_l_min > 200.0)) == 45


def test_one_duplicate_and_one_conflict_are_planted() -> None:
    by_identity: dict[str, list[bytes]] = defaultdict(list)
    for one in incident().heard:
        told = json.loads(one.payload)
        if "seq" in told and "set_id" in told and "/set/" in one.topic:
            by_identity[f"{told['set_id']}/{told['boot']}/{told['seq']}"].append(one.payload)
    conflicts = {identity for identity, found in by_identity.items() if len(set(found)) > 1}
    duplicates = {identity for identity, found in by_identity.items() if len(set(found)) < len(found)}
    assert conflicts == set(really().conflicts)
    assert duplicates == set(really().duplicates)
    assert len(conflicts) == 1
    assert any(identity.startswith("S-013/") for identity in duplicates)


def test_the_desk_says_what_a_desk_says() -> None:
    counts = Counter(one.topic.rsplit("/", 1)[1] for one in incident().heard if "/desk/" in one.topic)
    wears = len(really().wears)
    assert counts["tally"] == 2 * wears
    assert counts["incident"] == 2
    texts = " ".join(str(note["text"]) for note in payloads(incident().heard, "note"))
    assert "turning back" in texts
    assert "objective reached" in texts
    assert any(
        note.get("certainty") == "estimated" and "at" in note for note in payloads(incident().heard, "note")
    )


def test_readings_follow_the_true_pressure() -> None:
    wear = really().wear("S-041")
    shown = [
        (datetime.fromisoformat(str(told["time"])) - timedelta(seconds=90), float(str(told["pressure_bar"])))
        for told in payloads(incident().heard, "pressure", "S-041")
    ]
    worn = [(time, bar) for time, bar in shown if wear.started <= time <= wear.ended]
    seconds = np.array([(time - wear.started).total_seconds() for time, _ in worn])
    truth = np.interp(seconds, np.arange(wear.pressure_bar.size), wear.pressure_bar)
    # A gauge may be off by gain, offset, rounding and two seconds' delay: 5 bar is more than four spreads.
    assert np.max(np.abs(truth - np.array([bar for _, bar in worn]))) < 5.0
    before = [bar for time, bar in shown if time < wear.started - timedelta(seconds=3)]
    after = [bar for time, bar in shown if time > wear.ended + timedelta(seconds=3)]
    assert set(before) == set(after) == {0.0}


def test_free_air_is_what_was_breathed() -> None:
    for wear in really().wears:
        breathed_l = float(np.sum(wear.rate_l_min[:-1])) / 60.0
        # Breaths are drawn in tenths of a second, so litres and rate agree over time to a per cent only.
        assert wear.free_air_l == pytest.approx(breathed_l, rel=0.01)


def test_a_restarted_set_has_two_boots_and_a_lost_raise_is_lost() -> None:
    heard = build_radio_troubles(7, OPENED).heard
    assert len({told["boot"] for told in payloads(heard, "pressure", "S-206")}) == 2
    states = [told["state"] for told in payloads(heard, "alarm", "S-205") if told["alarm"] == "distress"]
    assert states == ["acknowledged", "cleared"]


def test_clock_troubles_are_the_planned_ones() -> None:
    truth = truth_of(build_clock_troubles(7, OPENED))
    (stepped,) = [clock for clock in truth.clocks if clock.set_id == "S-102"]
    assert [jump_s for _, jump_s in stepped.steps] == [3600.0]
    first = payloads(build_clock_troubles(7, OPENED).heard, "pressure", "S-103")[0]
    assert str(first["time"]).startswith("1970-01-01T00:00:0")


def test_each_bad_message_is_refused_at_its_path_and_the_good_ones_pass() -> None:
    accepted, paths = 0, []
    for one in build_bad_messages(OPENED):
        try:
            decode(one.topic, one.payload)
            accepted += 1
        except RefusedMessage as refusal:
            paths.append(refusal.path)
    assert accepted == GOOD_MESSAGES
    assert paths == [wrong.path for wrong in WRONG]
