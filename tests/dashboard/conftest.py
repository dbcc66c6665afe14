"""A live feed over an archive that a test holds in its hand."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from analysis.profile import Profile
from dashboard.live.feed import Feed
from tests.dashboard.held_archive import HeldArchive


@pytest.fixture
def archive(tmp_path: Path) -> HeldArchive:
    return HeldArchive(tmp_path)


@pytest.fixture
def feed(archive: HeldArchive, tmp_path: Path) -> Iterator[Feed]:
    feed = Feed(archive, Profile.default())
    feed.start()
    yield feed
    feed.stop()
