"""Slow clients: a client that sends half a request must not keep others from the pages.

waitress has no documented way to do this; what is used of its inside is looked for first.
"""

from __future__ import annotations

import logging
from importlib.metadata import version
from typing import Any

log = logging.getLogger(__name__)
MOST_CONNECTIONS = 600
HALF_REQUEST_S = 20.0
IDLE_S = 60
LOOK_EVERY_S = 2


def shed_slow_clients(server: Any) -> bool:
    """Have a waitress server close connections whose request is not whole in time.

    Its own limit counts from the last byte, so that a byte now and then holds a connection for ever.

    - `server`: of one socket or of several.

    Returns False for a waitress that is made otherwise inside; the log says so.
    """
    several = getattr(server, "map", {0: server})
    sockets = [each for each in several.values() if getattr(each, "accepting", False)]
    usable = bool(sockets) and all(
        hasattr(each, "active_channels")
        and hasattr(each, "maintenance")
        and {"request", "will_close"} <= vars(each.channel_class).keys()
        for each in sockets
    )
    if usable:
        for each in sockets:
            _look_at_halves(each)
    else:
        log.warning(
            "clients that send half a request are not shed: waitress %s is made otherwise than the one that "
            "underair was tested with. Put a proxy in front, or install waitress 3.0",
            version("waitress"),
        )
    return usable


def _look_at_halves(listening: Any) -> None:
    before = listening.maintenance

    def maintenance(now: float) -> None:
        before(now)
        for channel in list(listening.active_channels.values()):
            half = channel.request
            if half is None or channel.requests:
                continue
            begun = vars(half).setdefault("underair_begun", now)
            if now - begun >= HALF_REQUEST_S:
                channel.will_close = True

    listening.maintenance = maintenance
