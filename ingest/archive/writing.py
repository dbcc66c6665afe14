"""From the queue to the disk: one thread writes the journal, another has the segments sealed.

Group commit without a timer: write everything queued as one frame, sync, report it as durable, repeat. Under
load the batches grow by themselves.
"""

import contextlib
import queue
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

from ingest.archive.folder import Counts
from ingest.archive.journal import SegmentWriter, segments
from ingest.archive.sealing_client import Outcome, SealingProcess
from ingest.archive.store import ArchivePath
from ingest.contract.errors import reason_of
from ingest.contract.received import Delivery as Delivery
from ingest.contract.topics import is_own_state
from ingest.logs import News
from ingest.plurals import counted
from ingest.settings import JournalSettings, SealSettings

LARGEST_BATCH = 10_000
LARGEST_BATCH_BYTES = 4_000_000  # of topics and payloads; a frame is made in memory
LARGEST_QUEUE_BYTES = 16_000_000  # long messages reach this limit before that of their number
LARGEST_SEGMENT_BYTES = 32_000_000  # sealing holds a segment in memory
FINISH_WITHIN_S = 45.0  # systemd waits 90 s for a service to end
_RETRY_S = 0.5
_LONGEST_RETRY_S = 30.0


@dataclass(frozen=True)
class Health:
    """How the writing goes."""

    journalled: int = 0  # messages safe on disk since the start
    queued: int = 0  # messages in memory, waiting for the disk
    # What became of the messages sealed since the start, with those left from an earlier run.
    sealed: Counts = field(default_factory=Counts)
    last_sealed: datetime | None = None
    trouble: str = ""  # why nothing can be written at the moment; empty when all is well
    # Why the journal cannot be turned into Parquet at the moment; messages received meanwhile are safe.
    sealing_trouble: str = ""
    delay_ms: float = 0.0  # longest time from receipt to disk since the last `take_delay`


class Writing:
    """The two threads between the network and the archive.

    - `durable`: called with a batch of deliveries once they are synced, in the journalling thread.
    - `clock_us`: the time that stamps what is received, microseconds since 1970.
    """

    def __init__(
        self,
        archive: ArchivePath,
        folder: Path,
        journal: JournalSettings,
        seal: SealSettings,
        durable: Callable[[list[Delivery]], None],
        say: Callable[[str], None],
        clock_us: Callable[[], int] = lambda: time.time_ns() // 1000,
    ) -> None:
        self._folder = folder
        self._clock_us = clock_us
        self._limit = journal.queue_messages
        self._seal = seal
        self._durable = durable
        self._say = say
        self._queue: deque[tuple[list[Delivery], int]] = deque()  # as they came, with their bytes
        self._queued = 0
        self._queued_bytes = 0
        self._queue_lock = threading.Lock()
        self._arrived = threading.Event()
        self._room = threading.Event()
        self._stopping = threading.Event()
        self._segment: SegmentWriter | None = None
        self._segment_began = 0.0
        self._to_seal: queue.SimpleQueue[Path | None] = queue.SimpleQueue()
        self._health = Health()
        self._health_lock = threading.Lock()
        self._journaller = threading.Thread(target=self._journal, name="journal", daemon=True)
        self._sealing = SealingProcess(archive, folder, self._note_slow_sealing)
        self._sealer = threading.Thread(target=self._seal_all, name="seal", daemon=True)

    @property
    def health(self) -> Health:
        """How it goes right now."""
        with self._health_lock:
            return replace(self._health, queued=self._queued)

    @property
    def alive(self) -> bool:
        """Whether the journal's thread works, or waits for work."""
        return self._journaller.is_alive()

    def take_delay(self) -> float:
        """Return the longest time from receipt to disk since the last call, ms."""
        with self._health_lock:
            delay_ms, self._health = self._health.delay_ms, replace(self._health, delay_ms=0.0)
        return delay_ms

    def start(self) -> None:
        """Have left-over segments sealed, and begin."""
        for segment in segments(self._folder):
            self._to_seal.put(segment)
        self._journaller.start()
        self._sealer.start()

    def put(self, batch: list[Delivery], size: int | None = None) -> bool:
        """Queue messages; waits while the queue is full. False: stopping, not all were taken.

        `size`: bytes of their topics and payloads, as nearly as they are known; None to look.
        """
        if size is None:
            size = sum(len(each.record.payload) + len(each.record.topic) for each in batch)
        while batch:
            if self._stopping.is_set():
                return False
            room = self._limit - self._queued if self._queued_bytes < LARGEST_QUEUE_BYTES else 0
            if room > 0:
                # A batch comes from one read of the network; it may exceed the limit in bytes by that much.
                part, batch = (batch, []) if len(batch) <= room else (batch[:room], batch[room:])
                part_bytes = size * len(part) // (len(part) + len(batch))
                size -= part_bytes
                with self._queue_lock:
                    self._queue.append((part, part_bytes))
                    self._queued += len(part)
                    self._queued_bytes += part_bytes
            self._arrived.set()
            if batch:
                self._room.clear()
                self._room.wait(0.1)
        return True

    def drain(self) -> None:
        """Take nothing new, and journal what is queued."""
        self._stopping.set()
        self._arrived.set()
        self._journaller.join()

    def finish(self) -> Counts:
        """After `drain`: seal everything; return what became of what was received.

        What cannot be sealed in time stays in the journal, for the next start.
        """
        self._sealing.end_by = time.monotonic() + FINISH_WITHIN_S
        self._to_seal.put(None)
        self._sealer.join()
        left = len(segments(self._folder))
        if left:
            self._say(
                f"left {counted(left, 'journal segment')} unsealed; nothing is lost, "
                "the next start of this listener seals them"
            )
        return self.health.sealed

    def _note(self, **changes: object) -> None:
        with self._health_lock:
            self._health = replace(self._health, **changes)  # type: ignore[arg-type]

    def _journal(self) -> None:
        while True:
            self._arrived.wait(self._seconds_to_seal())
            self._arrived.clear()
            stopping = self._stopping.is_set()
            while batch := self._take():
                if not self._write(batch):
                    break
                try:
                    self._durable(batch)
                except Exception as error:  # noqa: BLE001  # it is safe; the next must be journalled, too
                    self._say(
                        f"what is safe could not be acknowledged ({reason_of(error)}); "
                        "the broker sends it again after the next connection, and it is kept once"
                    )
                self._rotate_if_due()
            self._rotate_if_due(now=stopping)
            if stopping:
                return

    def _take(self) -> list[Delivery]:
        batch: list[Delivery] = []
        size = 0
        while self._queue:
            part, part_bytes = self._queue[0]
            if batch and (len(batch) + len(part) > LARGEST_BATCH or size + part_bytes > LARGEST_BATCH_BYTES):
                break
            with self._queue_lock:
                self._queue.popleft()
                self._queued -= len(part)
                self._queued_bytes -= part_bytes
            batch += part
            size += part_bytes
        self._room.set()
        return batch

    def _write(self, batch: list[Delivery]) -> bool:
        """Journal a batch, however long the disk takes; False when told to stop before it could."""
        # Leave out what underair itself publishes about its live board: it was made from this record.
        records = [delivery.record for delivery in batch if not is_own_state(delivery.record.topic)]
        if not records:
            return True
        while True:
            try:
                if self._segment is None:
                    self._segment = SegmentWriter(self._folder, datetime.now(UTC))
                    self._segment_began = time.monotonic()
                self._segment.append(records)
            except Exception as error:  # noqa: BLE001  # whatever it is: this thread holds what was received
                self._give_up_segment()
                reason = reason_of(error)
                if not self._health.trouble:
                    self._say(
                        f"the journal cannot be written ({reason}); nothing is acknowledged until it can"
                    )
                self._note(trouble=f"the journal cannot be written: {reason}")
                if self._stopping.is_set():
                    return False
                self._stopping.wait(_RETRY_S)
                continue
            if self._health.trouble:
                self._say(News("the journal can be written again; nothing was lost"))
            delay_ms = (self._clock_us() - records[0].received_us) / 1000
            self._note(
                journalled=self._health.journalled + len(records),
                trouble="",
                delay_ms=max(delay_ms, self._health.delay_ms),
            )
            return True

    def _give_up_segment(self) -> None:
        segment, self._segment = self._segment, None
        if segment is None:
            return
        try:
            segment.close()
        except OSError as error:
            self._say(f"journal {segment.path.name} could not be closed: {error.strerror}")
        if segment.rows:
            self._to_seal.put(segment.path)

    def _seconds_to_seal(self) -> float | None:
        if self._segment is None:
            return None
        return max(0.0, self._segment_began + self._seal.seconds - time.monotonic())

    def _rotate_if_due(self, *, now: bool = False) -> None:
        segment = self._segment
        if segment is None:
            return
        full = segment.rows >= self._seal.rows or segment.size >= LARGEST_SEGMENT_BYTES
        if now or full or self._seconds_to_seal() == 0:
            self._give_up_segment()

    def _seal_all(self) -> None:
        with contextlib.suppress(OSError):  # tried again, and said, with the first segment
            self._sealing.start()
        while (segment := self._to_seal.get()) is not None:
            pause_s = _RETRY_S * 4
            while not self._seal_one(segment):
                if self._stopping.wait(pause_s):
                    self._seal_one(segment)
                    break
                pause_s = min(2 * pause_s, _LONGEST_RETRY_S)
        self._sealing.close()

    def _note_slow_sealing(self, sentence: str) -> None:
        self._say(sentence)
        self._note(sealing_trouble=f"{sentence}; the journal is kept until then")

    def _seal_one(self, segment: Path) -> bool:
        try:
            outcome = self._sealing.seal(segment)
        except Exception as error:  # noqa: BLE001  # the segment stays: tried again
            outcome = Outcome(trouble=reason_of(error))
        if outcome.counts is None:
            trouble = f"the journal cannot be sealed yet, and is kept: {outcome.trouble}"
            if not self._health.sealing_trouble:
                self._say(trouble)
            self._note(sealing_trouble=trouble)
            return False
        if outcome.trouble:
            self._say(outcome.trouble)
        if self._health.sealing_trouble:
            self._say(News("the journal can be sealed again"))
        for damage in outcome.damages:
            what = (
                "a torn tail was kept in refused; it had not been acknowledged if a write broke off there"
                if damage.torn_tail
                else "damaged bytes were skipped and kept in refused"
            )
            self._say(f"journal {segment.name}: {damage.sentence()}; {what}")
        self._note(
            sealed=self._health.sealed + outcome.counts, last_sealed=datetime.now(UTC), sealing_trouble=""
        )
        return True
