"""Pages over an archive, served on a free loopback port, and ended as the real server ends."""

from __future__ import annotations

import functools
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from waitress import wasyncore
from waitress.server import create_server

from analysis.profile import Profile
from dashboard.app import create_app
from dashboard.context import PageContext
from ingest.archive.reading import Archive
from tests.conftest import free_port


@contextmanager
def served(application: Any, port: int = 0, **options: Any) -> Iterator[int]:
    """Serve a WSGI application; give its port."""
    server = create_server(application, host="127.0.0.1", port=port, **options)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    yield server.effective_port
    server.task_dispatcher.shutdown(timeout=2)

    def close() -> None:
        for channel in list(server.active_channels.values()):
            channel.handle_close()  # with the files that large answers wait in
        wasyncore.close_all(server._map)

    # In the server's own thread, which else goes on for as long as a browser holds a line open; it may have
    # closed all before it is woken.
    with suppress(OSError):
        server.trigger.pull_trigger(close)
    thread.join(60)


@contextmanager
def pages_over(folder: Path, pages: dict[str, Any]) -> Iterator[str]:
    """Serve pages over the archive in `folder`; give their address.

    It is always the same: a browser keeps what it compiled of an address.
    """
    app = create_app(PageContext(archive=Archive(folder), profile=Profile.default()), pages=pages)
    with served(app.server, usual_port(), threads=6) as port:
        yield f"http://127.0.0.1:{port}"


usual_port = functools.cache(free_port)
