"""Whatever is lost, doubled or reordered, reported alarms stay a thinned-out picture of the truth."""

from __future__ import annotations

import json
import random
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.alarms.reported import Reported, reported_alarms
from analysis.clocks.clocks import reconcile
from analysis.records import power_ups
from ingest.contract.captures import Heard
from ingest.contract.frames import frames_from_heard

OPENED = datetime(2031, 5, 4, 10, 0, tzinfo=UTC)
KINDS = ("distress", "heat", "no_motion")


@dataclass(frozen=True)
class Life:
    """One alarm as it was: seconds after the opening."""

    alarm: str
    raised_s: float
    acknowledged_s: float | None
    cleared_s: float


@st.composite
def lives(draw: st.DrawFn) -> list[Life]:
    """Alarms of three kinds; those of one kind follow one another."""
    found = []
    for alarm in KINDS:
        at_s = 0.0
        for _ in range(draw(st.integers(0, 4))):
            at_s += draw(st.integers(5, 60))
            raised_s = at_s
            at_s += draw(st.integers(2, 40))
            acknowledged_s = at_s if draw(st.booleans()) else None
            at_s += draw(st.integers(2, 40))
            found.append(Life(alarm, raised_s, acknowledged_s, at_s))
    return found


def messages_of(found: list[Life]) -> list[Heard]:
    """Return the messages of a set that also reads its pressure every second, in the order said."""
    said = [(float(second), "pressure", {"pressure_bar": 250.0}) for second in range(600)]
    for life in found:
        said.append((life.raised_s + 0.2, "alarm", {"alarm": life.alarm, "state": "raised"}))
        if life.acknowledged_s is not None:
            said.append((life.acknowledged_s + 0.3, "alarm", {"alarm": life.alarm, "state": "acknowledged"}))
        said.append((life.cleared_s + 0.4, "alarm", {"alarm": life.alarm, "state": "cleared"}))
    heard = []
    for seq, (true_s, kind, fields) in enumerate(sorted(said, key=lambda one: one[0])):
        moment = OPENED + timedelta(seconds=true_s)
        body = {"kind": kind, "set_id": "S-1", "boot": 1, "seq": seq, "time": moment.isoformat()} | fields
        topic = f"underair/v1/trial/set/S-1/{kind}"
        heard.append(Heard(moment + timedelta(seconds=0.05), topic, json.dumps(body).encode()))
    return heard


def read(heard: list[Heard]) -> list[Reported]:
    records = power_ups(frames_from_heard(heard))
    reconcile(records)
    return reported_alarms(records)


def seconds(at_us: int | None) -> float | None:
    return None if at_us is None else round(at_us * 1e-6 - OPENED.timestamp(), 1)


@settings(max_examples=30, deadline=None)
@given(found=lives(), seed=st.integers(0, 2**31))
def test_nothing_lost_gives_the_truth_in_any_order(found: list[Life], seed: int) -> None:
    order = random.Random(seed)
    heard = messages_of(found)
    heard += [one for one in heard if order.random() < 0.2]
    order.shuffle(heard)
    told = sorted((one.alarm, seconds(one.raised_us), seconds(one.cleared_us)) for one in read(heard))
    # 50 ms on the way, the fastest of which cannot be told from the clock's offset.
    truth = sorted(
        (life.alarm, round(life.raised_s + 0.25, 1), round(life.cleared_s + 0.45, 1)) for life in found
    )
    assert [one[0] for one in told] == [one[0] for one in truth]
    for one, other in zip(told, truth, strict=True):
        assert abs((one[1] or 0.0) - (other[1] or 0.0)) <= 0.11
        assert abs((one[2] or 0.0) - (other[2] or 0.0)) <= 0.11


@settings(max_examples=30, deadline=None)
@given(found=lives(), seed=st.integers(0, 2**31), loss=st.floats(0.0, 0.7))
def test_whatever_is_lost_nothing_is_invented(found: list[Life], seed: int, loss: float) -> None:
    order = random.Random(seed)
    heard = [one for one in messages_of(found) if order.random() >= loss or b"pressure" in one.payload]
    told = read(heard)
    for kind in KINDS:
        true_lives = [life for life in found if life.alarm == kind]
        of_kind = [one for one in told if one.alarm == kind]
        assert len(of_kind) <= len(true_lives)
        for one in of_kind:
            began = seconds(one.raised_us) or 0.0
            # What is told to begin lies within a true alarm; only an inferred one begins after it was raised.
            inside = [life for life in true_lives if life.raised_s <= began <= life.cleared_s + 1.0]
            assert inside
            assert one.inferred or abs(began - inside[-1].raised_s) < 0.5
        unheard = len(true_lives) - len(of_kind)
        lost_raises = sum(
            not any(abs((seconds(one.raised_us) or 0.0) - life.raised_s) < 0.5 for one in of_kind)
            for life in true_lives
        )
        assert unheard <= lost_raises
