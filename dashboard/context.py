"""What every page module is given: the archive, the doctrine profile, the live feed and the desk."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from analysis.profile import Profile
    from dashboard.live.desk import Desk
    from dashboard.live.feed import Feed
    from ingest.archive.reading import Archive


@dataclass(frozen=True)
class PageContext:
    """Handed to `layout(context, query)` and `register(app, context)` of each page module."""

    archive: Archive  # the reader of the messages
    profile: Profile  # the service's doctrine
    # Follows the archive into the live board; None where no live page is wanted (tests of the other pages).
    feed: Feed | None = None
    # Publishes tally, note and seen; None when no broker was given, and the live page says so.
    desk: Desk | None = None
