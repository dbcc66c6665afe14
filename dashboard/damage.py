"""What of the archive cannot be read: a banner on every page, and the search for it in the background."""

import logging
import threading
from typing import Any

from dash import Dash, Input, Output, dcc, html

from dashboard import words
from dashboard.context import PageContext
from ingest.archive.sound import check_all, trouble_lately
from ingest.archive.store import ArchivePath, place_of
from ingest.contract.any_error import ANY_ERROR
from ingest.contract.errors import UnderairError

BANNER, AGAIN = "damage", "damage-again"
_AGAIN_MS, _AGAIN = 10_000, 3  # reading finds more; a page that nobody touches must not stay signed in
_CHECKED_EVERY_S = 24 * 3600.0
log = logging.getLogger(__name__)


def places() -> list[Any]:
    """Return where the banner appears, and what looks again, for the layout of all pages."""
    return [html.Div(id=BANNER), dcc.Interval(id=AGAIN, interval=_AGAIN_MS, max_intervals=_AGAIN)]


def register(app: Dash, context: PageContext) -> None:
    """Have the banner shown on every page, and renewed."""

    @app.callback(Output(BANNER, "children"), Input(AGAIN, "n_intervals"), Input("address", "pathname"))
    def show(_: int | None, __: str | None) -> Any:
        return banner(context.archive.folder)


def banner(folder: ArchivePath) -> Any:
    """Return what the banner says; nothing when the whole archive can be read."""
    try:
        sentences = trouble_lately(folder).sentences()
        if sentences:  # where the archive is on this machine is no viewer's business
            sentences = [*(sentence.replace("`", "") for sentence in sentences[:-1]), words.WHAT_TO_DO]
    except (UnderairError, OSError) as error:
        sentences = [str(error)]
    if not sentences:
        return None
    return html.Div(
        [html.Strong(words.LEFT_OUT), html.Ul([html.Li(sentence) for sentence in sentences])],
        className="problem",
        role="alert",
    )


class Checks:
    """Reads every part of an archive once a day: the banner names what was altered before anybody asks."""

    def __init__(self, folder: ArchivePath) -> None:
        self._folder = folder
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="archive checks", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """End, without waiting for a part that is being read."""
        self._stopping.set()

    def _run(self) -> None:
        if place_of(self._folder).is_shared:
            return  # it would fetch all that there is; each part is hashed when it is first read
        while True:
            try:
                check_all(self._folder, anew=True, stopping=self._stopping)
            except (UnderairError, OSError) as error:
                log.warning("the archive could not be checked: %s", error)
            except ANY_ERROR:
                log.exception("the archive could not be checked by a fault of this program")
            if self._stopping.wait(_CHECKED_EVERY_S):
                return
