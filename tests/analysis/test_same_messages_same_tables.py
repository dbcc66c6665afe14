"""The analysis is a function of the set of messages: order, parts and copies change nothing, to the bit."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import cache

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.incident import analyse
from analysis.profile import Profile, shipped_profile, shipped_profiles
from analysis.tables import TABLES, Results
from ingest.contract.frames import Messages, frames_from_heard
from sample_logs.drills import build_clock_troubles, build_radio_troubles
from sample_logs.simulation.scenario import build_incident

OPENED = datetime(2031, 5, 4, 19, 12, tzinfo=UTC)
PROFILE = Profile.default()
BUILDERS = (build_radio_troubles, build_clock_troubles)


@cache
def messages_of(number: int) -> Messages:
    return frames_from_heard(BUILDERS[number](3, OPENED).heard)


@cache
def expected(number: int) -> Results:
    return analyse(messages_of(number), PROFILE)


@settings(max_examples=12, deadline=None)
@given(number=st.sampled_from([0, 1]), seed=st.integers(0, 2**31), copies=st.floats(0.0, 0.3))
def test_order_and_copies(number: int, seed: int, copies: float) -> None:
    """Rows in any order, some of them twice (a second listener, a redelivery: heard a little later)."""
    turned = {}
    for kind, frame in messages_of(number).items():
        again = frame.sample(fraction=copies, seed=seed) if frame.height else frame
        later = again.with_columns(pl.col("received") + pl.duration(seconds=seed % 7))
        turned[kind] = pl.concat([frame, later]).sample(fraction=1.0, shuffle=True, seed=seed)
    found = analyse(turned, PROFILE)
    for name, table in expected(number).items():
        assert found[name].equals(table), name


def test_chunked_frames() -> None:
    """An archive's reader hands on frames of many chunks."""
    pieces = {
        kind: pl.concat([frame[i : i + 97] for i in range(0, max(frame.height, 1), 97)], rechunk=False)
        for kind, frame in messages_of(0).items()
    }
    assert pieces["pressure"].n_chunks() > 5
    found = analyse(pieces, PROFILE)
    assert all(found[name].equals(table) for name, table in expected(0).items())


def test_messages_are_left_as_they_were() -> None:
    before = {kind: frame.clone() for kind, frame in messages_of(0).items()}
    analyse(messages_of(0), PROFILE)
    assert all(frame.equals(before[kind]) for kind, frame in messages_of(0).items())


def test_nothing_in_gives_every_table_with_its_columns() -> None:
    found = analyse(frames_from_heard([]), PROFILE)
    assert {name: table.schema for name, table in found.items()} == TABLES
    assert all(table.height == 0 for table in found.values())


@pytest.mark.parametrize("name", shipped_profiles())
def test_every_shipped_profile_gives_every_table(name: str) -> None:
    found = analyse(messages_of(0), shipped_profile(name))
    assert {name: table.schema for name, table in found.items()} == TABLES


def test_one_incident_of_two() -> None:
    """Two incidents of other sets in one archive: asking for one gives what it gives alone."""
    first = build_incident(1, OPENED)
    second = build_clock_troubles(2, datetime(2031, 5, 6, 9, 0, tzinfo=UTC))
    both = frames_from_heard([*first.heard, *second.heard])
    alone = analyse(frames_from_heard(second.heard), PROFILE, second.incident_id)
    found = analyse(both, PROFILE, second.incident_id)
    assert found["wears"].height > 0
    for name, table in alone.items():
        assert found[name].equals(table), name
    whole = analyse(both, PROFILE)
    assert set(whole["wears"]["incident_id"]) == {first.incident_id, second.incident_id}


def test_an_unknown_incident_is_empty() -> None:
    found = analyse(messages_of(0), PROFILE, "nowhere")
    assert all(table.height == 0 for table in found.values())


def test_progress_counts_the_wears() -> None:
    seen: list[tuple[int, int]] = []
    found = analyse(messages_of(0), PROFILE, progress=lambda done, total: seen.append((done, total)))
    total = found["wears"].height
    assert seen == [(number, total) for number in range(1, total + 1)]
