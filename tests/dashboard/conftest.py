"""A live feed over an archive that a test holds in its hand, and the schema of alerts."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

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


@pytest.fixture(scope="module")
def standard() -> Any:
    """The schema of the Common Alerting Protocol, by the standard itself."""
    from xmlschema import XMLSchema

    return XMLSchema(Path(__file__).with_name("cap_1_2.xsd"))
