"""The live board for other systems, while the line is away, is cut, or comes back."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec
import pytest

from analysis.live.board import LiveBoard
from analysis.live.rows import Snapshot
from analysis.profile import Profile
from dashboard.out.outward import CapSettings, Outward, OutwardSettings, Told
from dashboard.out.state import Event, between, standing
from ingest.contract.errors import BrokerProblem
from tests.dashboard.held_line import HeldLine
from tests.dashboard.test_outward import spoken


@pytest.fixture
def urgent() -> Snapshot:
    """Return a board with an empty cylinder inside and a distress on top of it."""
    log, _, one = spoken()
    for second in range(320, 400):
        one.say(second, "pressure", pressure_bar=0.0)
    one.say(380.5, "alarm", alarm="distress", state="raised")
    return log.seen_on(LiveBoard(Profile.default()))(390)


def test_a_moment_that_moves_with_the_sets_clock_is_no_new_event(urgent: Snapshot) -> None:
    now = urgent
    later = msgspec.structs.replace(
        now,
        rows=tuple(
            msgspec.structs.replace(
                row, lost=row.lost and msgspec.structs.replace(row.lost, since_at=row.lost.since_at + 0.7)
            )
            for row in now.rows
        ),
        alarms=tuple(msgspec.structs.replace(line, raised_at=line.raised_at + 0.7) for line in now.alarms),
    )
    assert {event.what for event in standing(now).values()} == {"distress", "not_accounted"}
    assert not [*between(standing(now), standing(later), 391.0)]


def test_what_ended_while_nobody_sent_is_ended_and_the_rest_told_again(
    urgent: Snapshot, wait_until: Callable[..., Any], tmp_path: Path, standard: Any
) -> None:
    first, *others = standing(urgent)  # not accounted for, and distress
    settings = OutwardSettings(events=True, cap=CapSettings("c1", "control", topic="cap"))
    told: list[list[Event]] = []
    alerts: list[dict[str, Any]] = []
    for snapshot, count in ((urgent, 1 + len(others)), (without(urgent, first), 1 + len(others))):
        line = HeldLine()
        outward = Outward(lambda line=line: line, settings, tmp_path / "told.json")  # type: ignore[misc,arg-type]
        outward.start()
        outward.take(snapshot)
        wait_until(lambda line=line, count=count: len(line.sent) >= 2 * count)
        outward.stop()
        events = [payload for topic, payload, _ in line.sent if topic.endswith("/events")]
        told.append([msgspec.json.decode(one, type=Event) for one in events])
        alerts += [standard.to_dict(payload.decode()) for topic, payload, _ in line.sent if topic == "cap"]
    assert {(one.key, one.state) for one in told[0]} == {(key, "raised") for key in (first, *others)}
    assert {(one.key, one.state) for one in told[1]} == {
        (first, "ended"),
        *((key, "raised") for key in others),
    }
    assert {one["identifier"] for one in alerts if one["msgType"] == "Alert"} == {
        one["identifier"] for one in alerts[: 1 + len(others)]
    }
    (cancel,) = (one for one in alerts if one["msgType"] == "Cancel")
    (alert,) = (one for one in alerts if cancel["references"].split(",")[1] == one["identifier"])
    assert cancel["references"] == f"c1,{alert['identifier']},{alert['sent']}"


def test_what_began_anew_while_nobody_sent_is_another_event(
    urgent: Snapshot, wait_until: Callable[..., Any], tmp_path: Path
) -> None:
    first, *others = standing(urgent).values()
    old = Told(msgspec.structs.replace(first, began_at=first.began_at - 61), datetime(2031, 5, 4, tzinfo=UTC))
    (tmp_path / "told.json").write_bytes(msgspec.json.encode({first.key: old}))
    line = HeldLine()
    outward = Outward(lambda: line, OutwardSettings(events=True), tmp_path / "told.json")  # type: ignore[arg-type,return-value]
    outward.start()
    outward.take(urgent)
    wait_until(lambda: len(line.sent) >= 2 + len(others))
    outward.stop()
    told = [msgspec.json.decode(payload, type=Event) for _, payload, _ in line.sent]
    about = [(one.state, one.began_at) for one in told if one.key == first.key]
    assert about == [("ended", first.began_at - 61), ("raised", first.began_at)]


class CutLine(HeldLine):
    """A line that fails once, at its second message."""

    def publish(self, *told: Any, **how: Any) -> None:
        if len(self.sent) == 1 and not self.failed:
            self.failed = True
            raise BrokerProblem("the broker is away")
        super().publish(*told, **how)

    failed = False


def test_a_line_that_fails_between_two_events_repeats_none_and_loses_none(
    urgent: Snapshot, wait_until: Callable[..., Any], tmp_path: Path
) -> None:
    first, second = standing(urgent).values()
    old = Told(msgspec.structs.replace(first, began_at=first.began_at - 61), datetime(2031, 5, 4, tzinfo=UTC))
    (tmp_path / "told.json").write_bytes(msgspec.json.encode({first.key: old}))
    line = CutLine()
    outward = Outward(lambda: line, OutwardSettings(events=True), tmp_path / "told.json")  # type: ignore[arg-type,return-value]
    outward.start()
    outward.take(urgent)
    wait_until(lambda: line.failed)
    outward.take(msgspec.structs.replace(urgent, at=urgent.at + 2.0))
    wait_until(lambda: len(line.sent) >= 3)
    outward.stop()
    told = [msgspec.json.decode(payload, type=Event) for _, payload, _ in line.sent]
    assert sorted((one.key, one.state) for one in told) == sorted(
        [(first.key, "ended"), (first.key, "raised"), (second.key, "raised")]
    )


def without(snapshot: Snapshot, key: str) -> Snapshot:
    """Return the snapshot without what one event stands for."""
    about = standing(snapshot)[key]
    return msgspec.structs.replace(
        snapshot,
        alarms=tuple(line for line in snapshot.alarms if line.alarm != about.what),
        rows=tuple(row for row in snapshot.rows if about.what != "not_accounted"),
    )
