"""Puts the application, the live feed and the desk together and serves them; slow clients are shed."""

import gc
import logging
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, nullcontext, suppress
from functools import partial
from importlib.metadata import version
from pathlib import Path
from typing import Any

from prometheus_client.core import Metric
from waitress import wasyncore
from waitress.server import create_server

from analysis.live.rows import Snapshot
from analysis.profile import Profile, load_profile
from dashboard.access.accounts import AccountFile
from dashboard.access.house_sign_in import HouseSignIn
from dashboard.access.protection import MOST_SLOW
from dashboard.access.reach import LARGEST_BODY_BYTES, Reach
from dashboard.access.sign_in import SignIn
from dashboard.app import create_app
from dashboard.context import PageContext
from dashboard.damage import Checks
from dashboard.live.desk import Desk, orders_heard
from dashboard.live.feed import Feed
from dashboard.out.outward import Outward, OutwardSettings, load_outward
from dashboard.trends.view import keeper_of
from ingest.archive.durable import make_folder
from ingest.archive.parts import is_archive
from ingest.archive.reading import Archive
from ingest.archive.store import ArchivePath, place_of, work_folder
from ingest.broker.mqtt import Login, Publisher
from ingest.contract.errors import BadSettings, BrokerProblem
from ingest.contract.kinds import ID_WORDS
from ingest.contract.topics import is_id
from ingest.logs import Form, log_to_stderr
from ingest.operations import Operations, figure, listener_metrics
from ingest.service_manager import ServiceManager
from ingest.settings import load_login
from ingest.shown_text import echo
from ingest.status import read_statuses
from ingest.stopping import stopped_by_signal

log = logging.getLogger(__name__)
MOST_CONNECTIONS = 600
HALF_REQUEST_S = 20.0
IDLE_S = 60
LOOK_EVERY_S = 2


def shed_slow_clients(server: Any) -> bool:
    """Have a waitress server close connections whose request is not whole in time.

    Its own limit counts from the last byte, so that a byte now and then holds a connection for ever.

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
            each.maintenance = partial(_look_at_halves, each, each.maintenance)
    else:
        log.warning(
            "clients that send half a request are not shed: waitress %s is made otherwise than the one that "
            "underair was tested with. Put a proxy in front, or install waitress 3.0",
            version("waitress"),
        )
    return usable


def _look_at_halves(listening: Any, before: Callable[[float], None], now: float) -> None:
    before(now)
    for channel in list(listening.active_channels.values()):
        half = channel.request
        if half is None or channel.requests:
            continue
        begun = vars(half).setdefault("underair_begun", now)
        if now - begun >= HALF_REQUEST_S:
            channel.will_close = True


THREADS = MOST_SLOW + 6  # what is slow leaves six to the live page
ENDS_WITHIN_S = 2.0


class Served:
    """The pages being served on a thread: `url`, and `close()` to stop.

    - `broker_url`: where the desk publishes; None for reading only.
    - `reach`: the address to listen on and who can reach it; without one, this machine only.
    - `port`: 0 takes a free one.
    - `listening`: a socket of this machine's own address that listens already, in place of `reach` and
      `port`.
    - `desk_id`: who has sent what is sent from these pages.
    - `prepare`: what has to be done before the archive is read; the pages answer meanwhile that they are
      starting.
    - `service`: the service that the desk speaks for as long as none was heard of.
    - `login`: who the desk is to the broker; by default the environment's user and password.
    - `outward`: what other systems are sent; by default nothing.

    Raises `BadSettings` when others could reach the pages without sign-in or without TLS; when the address
    cannot be listened on.
    """

    def __init__(
        self,
        archive_folder: ArchivePath,
        broker_url: str | None = None,
        port: int = 0,
        profile: Profile | None = None,
        listening: socket.socket | None = None,
        reach: Reach | None = None,
        desk_id: str = "desk",
        prepare: Callable[[], None] | None = None,
        service: str | None = None,
        login: Login | None = None,
        outward: OutwardSettings | None = None,
    ) -> None:
        if service is not None and not is_id(service):
            raise BadSettings(f"the service's name must be {ID_WORDS}, got {service!r}")
        reach = (reach or Reach()).checked()
        host = reach.host
        profile = profile or Profile.default()
        archive = Archive(archive_folder)
        self._archive_folder = archive_folder
        if place_of(archive_folder).is_shared:
            make_folder(work_folder(archive_folder))
        self.desk = None
        if broker_url is not None:
            self.desk = Desk.at_broker(broker_url, desk_id, login, partial(orders_heard, archive, desk_id))
        self._outward = None
        if outward is not None:
            if broker_url is None:
                raise BadSettings("--outward needs --broker: states and events go out over MQTT")
            told_file = work_folder(archive_folder) / f"outward-{desk_id}.json"
            self._outward = Outward(partial(Publisher, broker_url, login=login), outward, told_file)
        self.feed = Feed(
            archive,
            profile,
            self.desk.connected if self.desk else None,
            prepare,
            (service,) if service is not None else (),
            desk_id if self.desk is not None else None,
            self._tell,
        )
        context = PageContext(archive=archive, profile=profile, feed=self.feed, desk=self.desk)
        self._prepares = prepare is not None
        self._keeper = keeper_of(context)
        self._checks = Checks(archive.folder)
        sign_in: SignIn | None = None
        if reach.house is not None:
            sign_in = HouseSignIn(reach.house, archive_folder, over_tls=True)
        if reach.accounts is not None:
            over_tls = reach.public_url is not None
            sign_in = SignIn(AccountFile(reach.accounts), archive_folder, over_tls=over_tls)
        application = create_app(context, reach=reach, sign_in=sign_in)
        where = {"host": host, "port": port} if listening is None else {"sockets": [listening]}
        self._sockets: dict[int, Any] = {}  # the server fills it; ours, so that `close` can end them
        try:
            self._server: Any = create_server(  # type: ignore[no-untyped-call]
                application.server,
                self._sockets,
                threads=THREADS,
                ident=None,
                connection_limit=MOST_CONNECTIONS,
                channel_timeout=IDLE_S,
                cleanup_interval=LOOK_EVERY_S,
                asyncore_use_poll=True,
                max_request_header_size=32 * 1024,
                max_request_body_size=LARGEST_BODY_BYTES,
                **reach.proxy_options,
                **where,
            )
        except OSError as error:
            raise BadSettings(
                f"cannot listen on {host} port {port}: {error.strerror or error}; end what uses the port, or "
                "choose another --port; --host must be an address of this machine"
            ) from error
        shed_slow_clients(self._server)
        shown = f"[{host}]" if ":" in host else host
        self.port = int(self._server.effective_port)
        self.url = (reach.public_url or f"http://{shown}:{self._server.effective_port}").rstrip("/")
        self._thread = threading.Thread(target=self._server.run, name="pages", daemon=True)

    def start(self) -> None:
        """Start the feed and the pages, and connect the desk if it can be."""
        if self._outward is not None:
            self._outward.start()
        self.feed.start()
        self._keeper.start()
        self._checks.start()
        self._thread.start()
        if self.desk is not None and not self._prepares:  # else the feed opens it when it is ready
            try:
                self.desk.open()
            except BrokerProblem as problem:
                # Reading must not depend on the broker; the page says that nothing can be sent.
                echo(f"underair: {problem}; the pages can be read, nothing can be sent", err=True)

    def _tell(self, snapshot: Snapshot) -> None:
        if self.desk is not None:
            self.desk.hear(snapshot.desk_heard)
        if self._outward is not None:
            self._outward.take(snapshot)

    def operations(self, address: str) -> Operations:
        """Return what answers for metrics and readiness on an address of its own.

        Raises `BadSettings` when the address cannot be listened on.
        """

        def metrics() -> Iterator[Metric]:
            yield from listener_metrics(read_statuses(self._archive_folder))
            yield figure("live_tick_seconds", "work for the latest answer", self.feed.last_tick_ms / 1000)
            yield figure(
                "live_ready", "1 when the live page shows the present", not self.feed.why_not_ready()
            )
            if self.desk is not None:
                yield figure("desk_connected", "1 when the desk can send", self.desk.connected())

        return Operations(address, metrics, self.why_not_alive, self.feed.why_not_ready)

    def why_not_alive(self) -> str:
        """Return whether the live feed has ended by a fault of ours; empty when it works."""
        return "" if self.feed.alive else "the live feed has ended: restart underair serve"

    def close(self) -> None:
        """Stop serving."""
        self._server.task_dispatcher.shutdown(timeout=ENDS_WITHIN_S)
        if self._thread.is_alive():
            # In the server's own thread, which else stumbles over closed sockets; browsers hold theirs open.
            # That thread may have closed them before it is woken.
            with suppress(OSError):
                self._server.trigger.pull_trigger(self._close_sockets)
            self._thread.join(ENDS_WITHIN_S)
        else:
            self._server.close()
        self.feed.stop()
        if self._outward is not None:
            self._outward.stop()
        self._keeper.stop()
        self._checks.stop()
        if self.desk is not None:
            self.desk.close()

    def _close_sockets(self) -> None:
        for channel in list(self._server.active_channels.values()):
            channel.handle_close()  # with the files that large answers wait in
        wasyncore.close_all(self._sockets)  # type: ignore[no-untyped-call]


def serve(
    archive_folder: ArchivePath,
    profile_file: str | None,
    config: Path | None,
    metrics: str | None,
    outward: Path | None,
    log_form: Form,
    log_level: str,
    **served_as: Any,
) -> None:
    """Serve until Ctrl-C or SIGTERM; refusals go to standard error. `served_as`: more for `Served`."""
    log_to_stderr(log_form, log_level)
    served = Served(
        archive_folder,
        profile=load_profile(profile_file),
        login=load_login(config),
        outward=None if outward is None else load_outward(outward),
        **served_as,
    )
    manager = ServiceManager()
    operations = served.operations(metrics) if metrics is not None else nullcontext()
    with stopped_by_signal() as stop, closing(served):
        served.start()
        echo(f"underair: pages at {served.url}/ (Ctrl-C stops)", err=True)
        if not is_archive(archive_folder):  # it may be begun later; more often the name is mistyped
            echo(
                f"underair: {archive_folder} is not an archive yet: the pages are empty until "
                "`underair listen` or `underair import` writes there",
                err=True,
            )
        # What was loaded stays to the end; to look through it for garbage held up a tick by 60 ms.
        gc.collect()
        gc.freeze()
        with operations:
            manager.ready()
            while not stop.wait(1.0):
                manager.alive(served.why_not_alive())
