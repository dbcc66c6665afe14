"""Retire a listener for good: receive what waits at the broker, then end its session.

A listener that is only stopped keeps its session, so that nothing is lost while it is away. One that never
comes back would go on taking its part of a shared group's messages, and nobody would receive them.
"""

import threading
import time
from collections.abc import Callable
from datetime import datetime, timedelta

from ingest.archive.durable import sync_folder
from ingest.archive.folder import Counts
from ingest.archive.journal import segments
from ingest.archive.store import ArchivePath, work_folder
from ingest.broker.mqtt import Publisher, end_session
from ingest.contract.errors import ArchiveProblem, BrokerProblem
from ingest.listener import Listener
from ingest.session_id import SESSION_FILE, session_id
from ingest.settings import Settings, login_of
from ingest.status import FILE_NAME as STATUS_FILE
from ingest.status import read_statuses, status_topic

QUIET_S = 3.0
"""So long nothing came: then nothing waits any more. Our own rule."""
ANSWERS_WITHIN_S = 30.0
IDLE = timedelta(minutes=10)


def leave(
    broker: str,
    archive: ArchivePath,
    settings: Settings,
    say: Callable[[str], None],
    stop: threading.Event,
    *,
    quiet_s: float = QUIET_S,
) -> Counts:
    """Receive what waits for a listener, end its session, and remove what it has on this machine.

    `stop`: breaks it off; the session is kept then.

    Returns what became of the messages that waited.

    Raises `ArchiveProblem` when there is no such listener, it is running, or not all of its journal could be
    sealed; `BrokerProblem` when the broker does not answer or refuses us: the session is kept.
    """
    folder = work_folder(archive) / "journal" / settings.name
    if not (folder / SESSION_FILE).exists():
        names = ", ".join(sorted(path.parent.name for path in folder.parent.glob(f"*/{SESSION_FILE}")))
        raise ArchiveProblem(
            f"{archive} has no listener named {settings.name!r} on this machine; there are: "
            f"{names or 'none'}. Name its settings with --config"
        )
    listener = Listener(broker, archive, settings, say=say, retiring=True)
    listener.start()
    try:
        gone = _wait(lambda: listener.unsubscribed.is_set() or bool(listener.refusal), ANSWERS_WITHIN_S, stop)
        if gone and not listener.refusal:
            _until_quiet(lambda: listener.health.journalled, quiet_s, stop)
    finally:
        counts = listener.stop()
    if listener.refusal or not gone or stop.is_set():
        why = listener.refusal or ("broken off" if stop.is_set() else f"{broker} does not answer")
        raise BrokerProblem(f"{why}: {settings.name} keeps its session; nothing was lost")
    login, (_, client_id) = login_of(settings.broker), session_id(folder, settings.broker)
    mqtt5 = settings.broker.protocol == "5"
    try:
        end_session(listener.address, login, client_id, ANSWERS_WITHIN_S, mqtt5=mqtt5)
    except BrokerProblem as problem:
        raise BrokerProblem(f"{problem}: {settings.name} keeps its session") from problem
    with Publisher(broker, login=login) as publisher:
        publisher.publish(status_topic(settings.name), b"", retain=True)
    for name in (SESSION_FILE, STATUS_FILE):
        (folder / name).unlink(missing_ok=True)
    sync_folder(folder)
    if segments(folder):
        raise ArchiveProblem(
            f"the session of {settings.name} is ended, but not all of its journal could be sealed: start a "
            f"listener with these settings once more, or keep {folder}"
        )
    return counts


def idle_listeners(archive: ArchivePath, name: str, now: datetime) -> list[str]:
    """Return a warning for each other listener of an archive that has not run for ten minutes or more."""
    return [
        f"listener {each.listener} last ran at {each.at:%Y-%m-%d %H:%M} UTC and still has its session: in a "
        "shared group it takes messages that nobody receives. Start it, or retire it with `underair leave`"
        for each in read_statuses(archive)
        if each.listener != name and now - each.at > IDLE
    ]


def _wait(met: Callable[[], bool], within_s: float, stop: threading.Event) -> bool:
    deadline = time.monotonic() + within_s
    while not met():
        if time.monotonic() > deadline or stop.wait(0.05):
            return False
    return True


def _until_quiet(received: Callable[[], int], quiet_s: float, stop: threading.Event) -> None:
    before, since = received(), time.monotonic()
    while time.monotonic() - since < quiet_s and not stop.wait(0.05):
        if (now := received()) != before:
            before, since = now, time.monotonic()
