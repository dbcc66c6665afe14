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
    """Handed to `layout(context, query)` and `register(app, context)` of each page module.

    Attributes
    ----------
    archive : Archive
        The reader of the messages.
    profile : Profile
        The service's doctrine.
    feed : Feed or None
        Follows the archive into the live board; None where no live page is wanted (tests of the other pages).
    desk : Desk or None
        Publishes tally, note and seen; None when no broker was given, and the live page says so.
    """

    archive: Archive
    profile: Profile
    feed: Feed | None = None
    desk: Desk | None = None
