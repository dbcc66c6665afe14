"""What an IT department asks a running underair: metrics, is it alive, is it ready. On a port of its own.

``/metrics`` answers in the Prometheus text format; ``/alive`` and ``/ready`` answer 200, or 503 with the
reason. The port is for this machine unless the operator names another address. The figures name listeners,
never people.
"""

import threading
from collections.abc import Callable, Iterable, Iterator
from socketserver import ThreadingMixIn
from typing import Any
from wsgiref.simple_server import WSGIRequestHandler, WSGIServer, make_server

from prometheus_client import CollectorRegistry, make_wsgi_app
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from ingest.contract.errors import BadSettings
from ingest.status import Status
from ingest.stopping import Started

_PLAIN = (("Content-Type", "text/plain; charset=utf-8"), ("Cache-Control", "no-store"))


class _Server(ThreadingMixIn, WSGIServer):
    """Stops when the answers under way are given."""


class _Quiet(WSGIRequestHandler):
    timeout = 2  # a client that sends nothing frees its thread, and does not hold up the end

    def log_message(self, format: str, *arguments: Any) -> None:
        """Say nothing: a scrape every few seconds is no news."""


class Operations(Started, Collector):
    """Answers on a port of its own until `stop`.

    - `address`: ``PORT`` or ``HOST:PORT``; without a host, this machine only. Port 0 takes a free one.
    - `why_not_alive` and `why_not_ready`: give the reason, empty when all is well.

    Raises `BadSettings` when the address cannot be listened on.
    """

    def __init__(
        self,
        address: str,
        metrics: Callable[[], Iterable[Metric]],
        why_not_alive: Callable[[], str],
        why_not_ready: Callable[[], str],
    ) -> None:
        self._metrics = metrics
        self._answers = {"/alive": why_not_alive, "/ready": why_not_ready}
        scraped = CollectorRegistry()
        scraped.register(self)
        self._scraped = make_wsgi_app(scraped)
        host, _, named = address.rpartition(":")
        if not named.isdigit() or int(named) > 65_535:
            raise BadSettings(f"--metrics must be PORT or HOST:PORT, got {address!r}")
        host, port = host.strip("[]") or "127.0.0.1", int(named)
        try:
            self._server = make_server(host, port, self._answer, server_class=_Server, handler_class=_Quiet)
        except OSError as error:
            raise BadSettings(
                f"metrics cannot be served on {host} port {port}: {error.strerror or error}; "
                "choose another port, or end what uses it"
            ) from error
        self.url = f"http://{host}:{self._server.server_port}"
        self._thread = threading.Thread(target=self._server.serve_forever, name="operations", daemon=True)

    def collect(self) -> Iterator[Metric]:
        """Return the metrics, as the registry asks for them."""
        yield from self._metrics()

    def start(self) -> None:
        """Begin to answer."""
        self._thread.start()

    def stop(self) -> None:
        """Stop answering."""
        if self._thread.is_alive():
            self._server.shutdown()
        self._server.server_close()

    def _answer(self, environ: dict[str, Any], start: Callable[..., Any]) -> Iterable[bytes]:
        path = environ.get("PATH_INFO", "/")
        if path == "/metrics":
            answer: Iterable[bytes] = self._scraped(environ, start)
            return answer
        ask = self._answers.get(path)
        if ask is None:
            start("404 Not Found", list(_PLAIN))
            return [b"This port answers /metrics, /alive and /ready.\n"]
        why_not = ask()
        start("503 Service Unavailable" if why_not else "200 OK", list(_PLAIN))
        return [f"{why_not or 'ok'}\n".encode()]


_COUNTERS = ("received", "kept", "duplicates", "refused")
_FIGURES: dict[str, tuple[str, Callable[[Status], Any]]] = {
    "received": ("messages safe on disk since the start", lambda status: status.received),
    "kept": ("messages sealed into the archive since the start", lambda status: status.kept),
    "duplicates": ("messages that the archive had already", lambda status: status.duplicates),
    "refused": ("messages that do not keep the contract", lambda status: status.refused),
    "queued": ("messages in memory that wait for the disk", lambda status: status.queued),
    "delay_seconds": (
        "longest time from receipt to being safe on disk, over the last interval",
        lambda status: status.delay_ms / 1000,
    ),
    "received_per_second": ("rate of receipt over the last interval", lambda status: status.received_per_s),
    "disk_free_bytes": ("room on the archive's disk", lambda status: status.disk_free_bytes),
    "broker_connected": ("1 when the listener is connected to its broker", lambda status: status.connected),
    "troubled": (
        "1 when something keeps the listener from its work; its status says what",
        lambda status: bool(status.trouble),
    ),
    "keeping": (
        "1 when what arrives is made safe, 0 when it waits at the broker; the status says why",
        lambda status: not status.cannot_keep,
    ),
    "possible_loss": (
        "1 when messages may have been lost before they arrived; its status says why",
        lambda status: bool(status.possible_loss),
    ),
    "last_sealed_timestamp_seconds": (
        "when a segment last became Parquet, 0 for never",
        lambda status: status.last_sealed.timestamp() if status.last_sealed else 0,
    ),
    "clock_set_seconds": (
        "by how much the machine's clock was set, which times of receipt do not follow",
        lambda status: status.clock_set_s,
    ),
    "status_timestamp_seconds": (
        "when the listener last said how it is",
        lambda status: status.at.timestamp(),
    ),
}


def listener_metrics(statuses: Iterable[Status]) -> Iterator[Metric]:
    """Return the metrics of listeners, by name."""
    told = list(statuses)
    for name, (meaning, read) in _FIGURES.items():
        family = CounterMetricFamily if name in _COUNTERS else GaugeMetricFamily
        metric = family(f"underair_{name}", meaning, labels=["listener"])
        for status in told:
            metric.add_metric([status.listener], float(read(status)))
        yield metric


def figure(name: str, meaning: str, value: float) -> Metric:
    """Return one metric without labels, ``underair_NAME``."""
    return GaugeMetricFamily(f"underair_{name}", meaning, value=value)
