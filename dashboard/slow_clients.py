"""Slow clients: a client that sends half a request must not keep others from the pages."""

from __future__ import annotations

from typing import Any

MOST_CONNECTIONS = 600
HALF_REQUEST_S = 20.0
IDLE_S = 60
LOOK_EVERY_S = 2


def shed_slow_clients(server: Any) -> None:
    """Have a waitress server close connections whose request is not whole in time.

    Its own limit counts from the last byte, so that a byte now and then holds a connection for ever.

    Parameters
    ----------
    server : waitress server
        Of one socket or of several.
    """
    for listening in _listening(server):
        _look_at_halves(listening)


def _listening(server: Any) -> list[Any]:
    if hasattr(server, "active_channels"):
        return [server]
    return [each for each in server.map.values() if hasattr(each, "active_channels")]


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
