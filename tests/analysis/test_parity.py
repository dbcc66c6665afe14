"""One set of rules: live and after the fact say the same, and silence makes nothing better.

Three random incidents here, eighteen for losses; `python -m tests.benchmarks.parity 200` runs 200.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis.alarms.kinds import KINDS
from analysis.incident import analyse
from analysis.live.board import LiveBoard
from analysis.live.rows import ORDER, Row, Snapshot
from analysis.profile import Profile
from ingest.contract.captures import Heard, read_capture
from ingest.contract.frames import frames_from_heard
from tests.analysis.fault_captures import FAULTS
from tests.analysis.random_incidents import random_incident

PROFILE = Profile.default()
SAMPLES = sorted((Path(__file__).parents[2] / "sample_logs").glob("*.ndjson*"))
RANDOM = range(3)
SECOND = 1.0
TICK_S = 20


def ticks(heard: list[Heard], every_s: int = TICK_S) -> Iterator[tuple[datetime, list[Heard]]]:
    """Yield each moment and what was received since the one before."""
    given, now = 0, heard[0].received
    while given < len(heard):
        now += timedelta(seconds=every_s)
        until = given
        while until < len(heard) and heard[until].received <= now:
            until += 1
        yield now, heard[given:until]
        given = until


def told_by_review(heard: list[Heard]) -> dict[str, Any]:
    """Return what the review says: entries with their wears and moments, and alarms."""
    results = analyse(frames_from_heard(heard), PROFILE)
    entries = {
        row["entry_id"]: (
            row["wear_ids"],
            row["ended_how"],
            row["entry_bar"],
            row["turn_back_bar"],
            # What is only as last heard, the board's rows say: see the test of it below.
            None
            if row["turn_back_as_last_heard"]
            else row["turn_back_at"] and row["turn_back_at"].timestamp(),
        )
        for row in results["entries"].to_dicts()
    }
    alarms = [
        (row["set_id"], row["alarm"], row["raised"].timestamp())
        for row in results["alarms"].to_dicts()
        if row["source"] != "derived" or KINDS[row["alarm"]].alone
    ]
    return {"entries": entries, "alarms": sorted(alarms)}


def told_by_board(board: LiveBoard) -> dict[str, Any]:
    """Return the same of the live board, as of its last snapshot."""
    entries = {
        entry.entry_id: (
            [wear.wear_id for wear in entry.wears],
            entry.ended_how,
            entry.entry_bar,
            entry.turn_back_bar,
            entry.team_turn_back_us and entry.team_turn_back_us * 1e-6,
        )
        for entry in board.entries()
    }
    alarms = [
        (alarm.set_id, alarm.alarm, alarm.raised_us * 1e-6)
        for alarm in board.alarms()
        if alarm.reported is not None or KINDS[alarm.alarm].alone
    ]
    return {"entries": entries, "alarms": sorted(alarms)}


def assert_same(first: dict[str, Any], second: dict[str, Any]) -> None:
    """Assert that both say the same, moments to the second."""
    assert first["entries"].keys() == second["entries"].keys()
    for name, (wears, how, entry_bar, leave_bar, at) in first["entries"].items():
        other = second["entries"][name]
        assert (wears, how, entry_bar) == other[:3], name
        assert leave_bar == pytest.approx(other[3], abs=0.01), name
        assert at == pytest.approx(other[4], abs=SECOND), name
    assert [one[:2] for one in first["alarms"]] == [one[:2] for one in second["alarms"]]
    for one, other in zip(first["alarms"], second["alarms"], strict=True):
        assert one[2] == pytest.approx(other[2], abs=SECOND), one


def followed(heard: list[Heard], every_s: int = TICK_S) -> tuple[LiveBoard, datetime]:
    """Return a board that took the messages as they came, looked at each tick, a minute after the last."""
    board, now = LiveBoard(PROFILE), heard[0].received
    for now, lot in ticks(heard, every_s):
        board.take(frames_from_heard(lot))
        board.snapshot(now)
    now += timedelta(seconds=60)
    board.snapshot(now)
    assert board.faults == []
    return board, now


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda path: path.name)
def test_a_sample_log_says_the_same_live_and_after_the_fact(sample: Path) -> None:
    heard = sorted(read_capture(sample), key=lambda one: one.received)
    board, _ = followed(heard, 120)
    assert_same(told_by_board(board), told_by_review(heard))


@pytest.mark.parametrize("seed", RANDOM)
def test_a_random_incident_says_the_same_live_and_after_the_fact(seed: int) -> None:
    heard = random_incident(seed)
    board, _ = followed(heard)
    assert_same(told_by_board(board), told_by_review(heard))


def urgency(shown: Snapshot) -> list[str]:
    """Return the classes of the rows; "soon" stays for a while on a watched page, so it is left out."""
    return [row.attention.replace("turn_back_soon", "under_air") for row in shown.rows]


@pytest.mark.parametrize("seed", RANDOM)
def test_the_board_of_a_past_moment_is_the_one_that_was_shown(seed: int) -> None:
    heard = random_incident(seed)
    board, now = LiveBoard(PROFILE), heard[0].received
    moments = np.random.default_rng(seed).choice(60, 3)
    for number, (now, lot) in enumerate(ticks(heard)):
        board.take(frames_from_heard(lot))
        shown = board.snapshot(now)
        if number in moments:
            again = LiveBoard(PROFILE)
            again.take(frames_from_heard([one for one in heard if one.received <= now]))
            made = again.snapshot(now)
            assert_same(told_by_board(board), told_by_board(again))
            assert [row.key for row in shown.rows] == [row.key for row in made.rows]
            assert urgency(shown) == urgency(made)


SILENCE = timedelta(seconds=60)


def unexplained(heard: list[Heard]) -> list[str]:
    """Return each turn-back that was shown and then vanished or moved, with no message to explain it.

    A message explains it when it came late (by over 2 s) and so is about an earlier time, when it is the
    first after a silence and shows that the last before it were a drop-out, or when a desk said it.
    """
    board, shown = LiveBoard(PROFILE), {}
    found, heard_at = [], dict[str, datetime]()
    for now, lot in ticks(heard, 10):
        frames = frames_from_heard(lot)
        board.take(frames)
        board.snapshot(now)
        desk = any(frames[kind].height for kind in ("tally", "note", "incident", "resolved", "gauge"))
        spoke = frames["pressure"]["set_id"].unique().to_list()
        silent = {name for name in spoke if now - heard_at.get(name, now) > SILENCE}
        heard_at |= dict.fromkeys(spoke, now)
        moments = {entry.entry_id: (entry.own_turn_back_us, entry.set_ids) for entry in board.entries()}
        for name, (before_us, sets) in shown.items():
            after_us = moments.get(name, (None, ()))[0]
            if before_us is None or (after_us is not None and abs(after_us - before_us) < 2_000_000):
                continue
            late = any(_came_late(one, sets) for one in lot)
            if not desk and not late and not silent & {*sets}:
                found.append(f"{name}: {before_us} became {after_us} at {now}")
        shown = moments
    return found


def _came_late(one: Heard, sets: tuple[str, ...]) -> bool:
    """Return whether a message of these sets was said long before it came."""
    frame = frames_from_heard([one])["pressure"]
    if not frame.height or frame["set_id"][0] not in sets:
        return False
    lag_s = (frame["received"][0] - frame["time"][0]).total_seconds() % 90.0  # clocks are 90 s or 1 h off
    return lag_s > 2.0


@pytest.mark.parametrize("seed", RANDOM)
def test_what_was_taken_back_is_explained_by_a_later_message(seed: int) -> None:
    assert unexplained(random_incident(seed)) == []


def team_moments(shown: Snapshot) -> dict[tuple[str, str], float]:
    """Return by when each team must turn back, as the page gives it."""
    found = {}
    for team in shown.teams:
        moments = [at for at in (team.turn_back_reached_at, team.turn_back_by_at) if at is not None]
        if team.turn_back is not None:
            moments.append(shown.at + 60.0 * team.turn_back.low)
        if moments:
            found[team.incident_id, team.team] = min(moments)
    return found


@pytest.mark.parametrize("seed", RANDOM)
def test_silence_never_makes_a_figure_better_a_row_less_urgent_or_an_alarm_vanish(seed: int) -> None:
    heard = random_incident(seed)
    cut = int(np.random.default_rng(seed).integers(len(heard) // 3, len(heard)))
    board, now = LiveBoard(PROFILE), heard[cut - 1].received
    board.take(frames_from_heard(heard[:cut]))
    before = board.snapshot(now)
    for silence_s in (30, 300, 1800):
        after = board.snapshot(now + timedelta(seconds=silence_s))
        ranks = {row.key: ORDER[row.attention] for row in after.rows}
        for row in before.rows:
            assert row.key in ranks, row.key
            assert ranks[row.key] <= ORDER[row.attention], (row.key, row.attention)
        later = team_moments(after)
        for team, at in team_moments(before).items():
            assert later[team] <= at + SECOND, team
        standing = {(line.set_id, line.alarm) for line in after.alarms}
        assert {(line.set_id, line.alarm) for line in before.alarms} <= standing


LOSS_SEEDS = (0, 1, 2, 11, 15, 60, 63, 109, 127, 132, 134, 136, 150, 156, 171, 173, 177, 186)
"""Random incidents; from the fourth on, a board with fewer readings once said something better."""
LOSS_TICK_S = 20
NOISE_S = 30.0
NOISE_PART = 0.15
"""How far two filters' early ends may lie apart of which one had half of the readings: so much, or this part
of the time left, if that is more. Our own rule."""
SELDOM_S = 62.0
YOUNG_S = 90.0
"""In a wear's first minute there is no forecast, only the planning rate's figure, marked as planned."""


def reassured_by_loss(
    heard: list[Heard],
    seed: int,
    lost: float = 0.5,
    sampled: int | None = None,
    thinned: int | None = None,
) -> list[str]:
    """Return where a board that had part of the readings says something better than one that had all.

    The board with fewer may know a thing a tick later, and not better than the other one did then: only what
    is better at two ticks in a row counts. What nobody can know without the lost messages is no figure made
    better: see `_better`.

    Parameters
    ----------
    heard : list of Heard
    seed : int
        Which readings are lost, and which moments are looked at.
    lost : float
        Part of the readings that is lost.
    sampled : int, optional
        Look at so many moments, three ticks each; not given: at every tick.
    thinned : int, optional
        Instead of losing readings by chance, keep each set's every so many-th one.
    """
    chance = np.random.default_rng(seed)
    readings = ("/pressure", "/motion", "/temperature")
    kept = {id(one) for one in heard if not one.topic.endswith(readings) or chance.random() >= lost}
    if thinned is not None:
        kept = {id(one) for one in heard if not one.topic.endswith(readings)}
        for topic in {one.topic for one in heard if one.topic.endswith(readings)}:
            kept |= {id(one) for one in [one for one in heard if one.topic == topic][::thinned]}
    every = list(ticks(heard, LOSS_TICK_S))
    looked = set(range(len(every)))
    if sampled is not None:
        first = chance.choice(len(every) - 2, sampled, replace=False)
        looked = {int(one) + step for one in first for step in range(3)}
    full_board, board = LiveBoard(PROFILE), LiveBoard(PROFILE)
    before: Snapshot | None = None
    was_better: set[str] = set()
    found = []
    came: list[Heard] = []  # since the boards were last looked at; one lot or many is the same to a board
    for number, (now, lot) in enumerate(every):
        came += lot
        if number not in looked:
            before, was_better = None, set()
            continue
        full_board.take(frames_from_heard(came))
        board.take(frames_from_heard([one for one in came if id(one) in kept]))
        came = []
        full, less = full_board.snapshot(now), board.snapshot(now)
        unlike = _unlike_wears(full_board, board)
        known_by = _known_by(full_board, board)
        better = dict(_better(before, full, less, unlike, known_by)) if before is not None else {}
        found += [f"{now:%H:%M:%S} {what}" for name, what in better.items() if name in was_better]
        before, was_better = full, set(better)
    return found


def _known_by(full_board: LiveBoard, board: LiveBoard) -> dict[float, float]:
    """Return, by the moment of a turn-back, by when a board that lost readings can know of it.

    The moment is that of the first reading at or below the pressure. Who lost that one gives the next but one
    of the same cylinder (whose first reading, and so the pressure to leave at, may be lower too); where its
    valve was closed, or another cylinder came, before any, nobody can know: infinite.
    """
    there = {entry.entry_id: entry for entry in board.entries()}
    found = {}
    for entry in full_board.entries():
        at_us, other = entry.own_turn_back_us, there.get(entry.entry_id)
        if at_us is None or other is None:
            continue
        charges = [charge for charge in other.charges if charge.entry_us <= at_us]
        if not charges:
            continue
        later = [int(one) for wear in charges[-1].wears for one in wear.at_us if one >= at_us]
        over = charges[-1] is not other.charges[-1] or charges[-1].wears[-1].ended_how != "not heard"
        later = sorted(later)[:2]
        found[at_us * 1e-6] = later[-1] * 1e-6 if later else np.inf if over else at_us * 1e-6
    return found


def _unlike_wears(full_board: LiveBoard, board: LiveBoard) -> set[tuple[str | None, str | None]]:
    """Return whose last forecast rests on another wear, or on a young one: incident, and wearer or set.

    A restart or a drop-out whose readings were all lost cuts no wear: the filter went on, and its interval is
    narrower than one that began anew.
    """
    there = {entry.entry_id: entry.wears for entry in board.entries()}
    found = set()
    for entry in full_board.entries():
        wears, others = entry.wears, there.get(entry.entry_id)
        if wears and others:
            young = wears[-1].ended_us - wears[-1].started_us < YOUNG_S * 1e6
            if young or abs(wears[-1].started_us - others[-1].started_us) > LOSS_TICK_S * 1e6:
                found.add((entry.incident_id, entry.wearer_id or entry.set_ids[0]))
    return found


def _better(
    before: Snapshot,
    full: Snapshot,
    less: Snapshot,
    unlike: set[tuple[str | None, str | None]],
    known_by: dict[float, float],
) -> Iterator[tuple[str, str]]:
    """Yield whom or what `less` shows better than `full` does and did a tick ago, and how."""
    there = {row.key: row for row in less.rows}
    earlier = {row.key: row for row in before.rows}
    apart = set()
    for row in full.rows:
        never = known_by.get(row.turn_back_reached_at or 0.0) == np.inf
        if row.key in there and (never or _not_comparable(row, there[row.key], unlike, full.at)):
            apart.add((row.incident_id or "", row.team or ""))
    for row in full.rows:
        other, was = there.get(row.key), earlier.get(row.key, row)
        team = (row.incident_id or "", row.team or "")
        if other is None:
            # A set of nobody goes when its valve is closed, and comes with the second reading under air.
            young = row.started_at is not None and full.at - row.started_at < YOUNG_S
            if row.tallied_in_at is not None and not young:
                yield row.key, f"{row.key} is gone"
            continue
        ranks = [ORDER[one.attention] for one in (row, was) if one.attention != "turn_back_soon"]
        if len(ranks) == 2 and ORDER[other.attention] > max(ranks) and team not in apart:
            yield row.key, f"{row.key}: {row.attention} became {other.attention}"
    alarms = {(line.set_id, line.alarm) for line in less.alarms}
    always = {(line.set_id, line.alarm) for line in full.alarms if not line.derived}
    always &= {(line.set_id, line.alarm) for line in before.alarms if not line.derived}
    for alarm in sorted(always - alarms):
        yield f"{alarm}", f"alarm {alarm} is gone"
    later, then = team_moments(less), team_moments(before)
    for team, at in team_moments(full).items():
        if team in apart or team not in then:
            continue
        limit = max(known_by.get(at, at), then[team])
        limit += max(NOISE_S, NOISE_PART * (limit - full.at))
        if later.get(team, np.inf) > limit:
            yield f"{team}", f"team {team} turns back {later.get(team, np.inf) - at:.0f} s later"


def _not_comparable(row: Row, other: Row, unlike: set[tuple[str | None, str | None]], now_s: float) -> bool:
    """Return whether two boards' rows rest on different wears, on none yet, or on a reading that was lost.

    When the last readings before a silence were lost, nobody can know that they were lower, or that the valve
    was closed.
    """
    if row.started_at is None and other.started_at is not None:
        return True  # the reading that says so was lost
    if row.started_at is not None and other.started_at is None:
        # Every reading of a wear's first minute may be lost: until then the wearer is "not on air yet".
        return other.attention == "no_air_yet" and now_s - row.started_at < YOUNG_S
    if (row.incident_id, row.wearer_id or row.set_id) in unlike:
        return True
    if row.silent_since_at is not None and other.silent_since_at is None:
        # A set that is seldom heard may be quiet for a minute: nobody can know that it speaks more often.
        return other.pressure_at is not None and now_s - other.pressure_at < SELDOM_S
    silent = other.silent_since_at is not None and row.silent_since_at is not None
    return silent and (row.pressure_bar or 0.0) < (other.pressure_bar or 0.0) - 5.0


@pytest.mark.parametrize("seed", LOSS_SEEDS)
def test_random_loss_makes_no_figure_better_no_row_less_urgent_and_no_alarm_vanish(seed: int) -> None:
    assert reassured_by_loss(random_incident(seed), seed, sampled=8) == []


@pytest.mark.parametrize(("seed", "thinned"), [(0, 15), (1, 5), (3, 15), (4, 5), (12, 15)])
def test_thinned_readings_hide_no_loss_of_air(seed: int, thinned: int) -> None:
    heard = random_incident(seed, leaks=True)
    assert reassured_by_loss(heard, seed, sampled=8, thinned=thinned) == []


@pytest.mark.parametrize("seed", [0, 5, 9])
def test_random_loss_hides_no_loss_of_air(seed: int) -> None:
    assert reassured_by_loss(random_incident(seed, leaks=True), seed, sampled=8) == []


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_capture_says_the_same_live_and_after_the_fact(name: str) -> None:
    heard = FAULTS[name]()
    long = heard[-1].received - heard[0].received > timedelta(hours=1)
    board, _ = followed(heard, 300 if long else TICK_S)
    assert_same(told_by_board(board), told_by_review(heard))


@pytest.mark.parametrize("name", ["one clock far ahead", "a gauge that sticks"])
def test_a_turn_back_as_last_heard_is_the_one_that_the_row_showed(name: str) -> None:
    heard = FAULTS[name]()
    board, shown = LiveBoard(PROFILE), []
    for now, lot in ticks(heard):
        board.take(frames_from_heard(lot))
        reasons = [reason for row in board.snapshot(now).rows for reason in row.reasons]
        shown += [one.since_at for one in reasons if one.code == "turn_back_as_last_heard"]
    (row,) = (
        analyse(frames_from_heard(heard), PROFILE)["entries"].filter("turn_back_as_last_heard").to_dicts()
    )
    assert row["turn_back_at"].timestamp() == pytest.approx(shown[-1], abs=SECOND)
