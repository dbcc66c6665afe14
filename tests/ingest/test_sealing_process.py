"""The sealing process: killed, halted, orphaned, told to end; nothing is lost, and it comes back."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from ingest.archive import sealing_client as sealing_module
from ingest.archive import writing as writing_module
from ingest.archive.folder import Counts
from ingest.archive.journal import Record, SegmentWriter
from ingest.archive.reading import Archive
from ingest.archive.sealing_client import SealingProcess
from ingest.archive.verifying import verify
from ingest.archive.writing import Delivery, Writing
from ingest.contract.captures import Heard
from ingest.contract.errors import ArchiveProblem
from ingest.contract.times import micros
from ingest.settings import JournalSettings, SealSettings

Pressure = Callable[..., Heard]
WaitUntil = Callable[..., Any]
NOW = datetime(2031, 5, 4, 10, 0, tzinfo=UTC)


def _record(heard: Heard) -> Record:
    return Record(micros(heard.received), heard.topic, heard.payload, heard.retained)


def _folder(archive: Path) -> Path:
    folder = archive / "journal" / "listener"
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def _segment(archive: Path, heard: list[Heard], now: datetime = NOW) -> Path:
    writer = SegmentWriter(_folder(archive), now)
    writer.append([_record(each) for each in heard])
    writer.close()
    return writer.path


def _seqs(archive: Path) -> list[int]:
    return sorted(Archive(archive).scan("pressure").collect()["seq"])


def test_the_first_segment_waits_for_no_library_and_pandas_is_never_loaded(
    tmp_path: Path, pressure: Pressure
) -> None:
    segment = _segment(tmp_path, [pressure(seq=seq) for seq in range(3)])
    code = (
        "import sys\nfrom pathlib import Path\nfrom ingest.archive.sealing_process import Sealing\n"
        "sealing = Sealing(Path(sys.argv[1]), Path(sys.argv[2]).parent)\nbefore = set(sys.modules)\n"
        "assert sealing.seal(Path(sys.argv[2])).counts.received == 3\n"
        "print(sorted(name for name in set(sys.modules) - before if '.' not in name))"
    )
    run = [sys.executable, "-c", code, str(tmp_path), str(segment)]
    assert subprocess.run(run, capture_output=True, text=True, check=True).stdout.strip() == "[]"


def test_process_killed_under_load_loses_nothing_and_is_started_again(
    tmp_path: Path, pressure: Pressure, monkeypatch: pytest.MonkeyPatch, wait_until: WaitUntil
) -> None:
    monkeypatch.setattr(writing_module, "_RETRY_S", 0.01)
    said: list[str] = []
    writing = Writing(
        tmp_path, _folder(tmp_path), JournalSettings(), SealSettings(rows=50), lambda _: None, said.append
    )
    writing.start()
    killed = 0
    for first in range(0, 800, 50):
        writing.put([Delivery(_record(pressure(seq)), 1, 1, 1) for seq in range(first, first + 50)])
        if first % 100 == 50:
            wait_until(lambda: _kills(writing._sealing.pid), what="the sealing process")
            killed += 1
    writing.drain()
    writing.finish()
    assert killed == 8
    assert _seqs(tmp_path) == list(range(800))
    assert list(_folder(tmp_path).glob("*.journal")) == []
    assert verify(tmp_path).faults == []
    assert writing.health.sealing_trouble == ""


def _kills(pid: int | None) -> bool:
    if pid is None:
        return False
    try:
        os.kill(pid, signal.SIGKILL)
    except ProcessLookupError:  # the one killed before, noticed only now
        return False
    return True


def test_process_killed_at_a_segment_is_named_and_the_segment_sealed_by_the_next(
    tmp_path: Path, pressure: Pressure
) -> None:
    first = _segment(tmp_path, [pressure(0)])
    second = _segment(tmp_path, [pressure(1)], NOW + timedelta(seconds=1))
    process = SealingProcess(tmp_path, _folder(tmp_path))
    assert process.seal(first).counts == Counts(received=1, kept=1)
    pid = process.pid
    assert pid is not None
    os.kill(pid, signal.SIGSTOP)
    running = process._process
    assert running is not None
    told = running.stdin

    class KilledWhenTold:
        """So that it has the segment, and has not answered, when it is killed."""

        def write(self, line: bytes) -> None:
            told.write(line)

        def flush(self) -> None:
            told.flush()
            os.kill(pid, signal.SIGKILL)

        def close(self) -> None:
            told.close()

    running.stdin = KilledWhenTold()  # type: ignore[assignment]
    with pytest.raises(ArchiveProblem, match=r"was ended by signal SIGKILL; it is started again"):
        process.seal(second)
    assert second.exists()
    assert process.seal(second).counts == Counts(received=1, kept=1)
    assert process.pid not in (None, pid)
    process.close()
    assert _seqs(tmp_path) == [0, 1]


def test_one_that_is_there_is_not_started_again(tmp_path: Path) -> None:
    """A second process would wait for the first one's lock for ever."""
    process = SealingProcess(tmp_path, _folder(tmp_path))
    try:
        process.start()
        first = process.pid
        process.start()
        assert process.pid == first
    finally:
        process.close()


def test_process_killed_while_idle_is_started_again_without_a_word(
    tmp_path: Path, pressure: Pressure, wait_until: WaitUntil
) -> None:
    process = SealingProcess(tmp_path, _folder(tmp_path))
    process.start()
    running = process._process
    assert running is not None
    running.kill()
    wait_until(lambda: running.poll() is not None, what="its end")
    assert process.seal(_segment(tmp_path, [pressure(0)])).counts == Counts(received=1, kept=1)
    process.close()


def test_segment_that_is_gone_was_sealed_and_that_is_said(tmp_path: Path, pressure: Pressure) -> None:
    segment = _segment(tmp_path, [pressure(0)])
    process = SealingProcess(tmp_path, _folder(tmp_path))
    process.seal(segment)
    outcome = process.seal(segment)
    process.close()
    assert outcome.counts == Counts()
    assert "before it reported counts" in outcome.trouble


def test_what_a_listener_of_a_longer_name_is_writing_is_left_alone(
    tmp_path: Path, pressure: Pressure
) -> None:
    process = SealingProcess(tmp_path, _folder(tmp_path))
    day = tmp_path / "pressure" / "date=2031-05-04"
    day.mkdir(parents=True)
    own, other = (
        day / f".{name}-20310504T100000000000Z-ab12.parquet.tmp" for name in ("listener", "listener-2")
    )
    own.touch()
    other.touch()
    process.seal(_segment(tmp_path, [pressure(0)]))
    process.close()
    assert (own.exists(), other.exists()) == (False, True)


def test_two_processes_of_one_listener_seal_one_after_the_other(tmp_path: Path, pressure: Pressure) -> None:
    """A killed listener's process may be at its last segment when the next listener begins."""
    orphan = SealingProcess(tmp_path, _folder(tmp_path))
    orphan.seal(_segment(tmp_path, [pressure(0)]))
    following = SealingProcess(tmp_path, _folder(tmp_path))
    segment = _segment(tmp_path, [pressure(1)], NOW + timedelta(seconds=1))
    answers: list[Any] = []
    waiting = threading.Thread(target=lambda: answers.append(following.seal(segment)))
    waiting.start()
    waiting.join(1.5)
    assert answers == []
    assert segment.exists()
    orphan.close()
    waiting.join(60)
    assert [answer.counts for answer in answers] == [Counts(received=1, kept=1)]
    following.close()


def test_process_ends_when_its_listener_is_killed(tmp_path: Path, wait_until: WaitUntil) -> None:
    code = (
        "import sys, time\nfrom pathlib import Path\n"
        "from ingest.archive.sealing_client import SealingProcess\n"
        "process = SealingProcess(Path(sys.argv[1]), Path(sys.argv[2]))\nprocess.start()\n"
        "print(process.pid, flush=True)\ntime.sleep(60)\n"
    )
    command = [sys.executable, "-c", code, str(tmp_path), str(_folder(tmp_path))]
    listener = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    with listener:
        assert listener.stdout is not None
        pid = int(listener.stdout.readline())
        listener.kill()
    wait_until(lambda: not _is_running(pid), what="the sealing process to end")


def _is_running(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except FileNotFoundError:
        return False
    return state != "Z"


def test_process_told_to_end_with_its_group_seals_what_the_listener_still_has(
    tmp_path: Path, pressure: Pressure
) -> None:
    process = SealingProcess(tmp_path, _folder(tmp_path))
    process.seal(_segment(tmp_path, [pressure(0)]))
    pid = process.pid
    assert pid is not None
    for number in (signal.SIGTERM, signal.SIGINT):
        os.kill(pid, number)
    segment = _segment(tmp_path, [pressure(1)], NOW + timedelta(seconds=1))
    assert process.seal(segment).counts == Counts(received=1, kept=1)
    assert process.pid == pid
    process.close()


def test_listener_itself_loads_nothing_of_parquet() -> None:
    """It would cost 100 MB a second time, beside the sealing process."""
    code = "import sys, ingest.listener; print({'polars', 'pyarrow', 'numpy'} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "set()"


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writing_module, "_RETRY_S", 0.01)
    monkeypatch.setattr(sealing_module, "SILENT_S", 3.0)
    monkeypatch.setattr(sealing_module, "END_WITHIN_S", 3.0)


def test_halted_process_is_said_and_replaced_and_loses_nothing(
    tmp_path: Path, pressure: Pressure, impatient: None, wait_until: WaitUntil
) -> None:
    said: list[str] = []
    writing = Writing(
        tmp_path, _folder(tmp_path), JournalSettings(), SealSettings(rows=50), lambda _: None, said.append
    )
    writing.start()
    writing.put([Delivery(_record(pressure(seq)), 1, 1, 1) for seq in range(50)])
    wait_until(lambda: writing.health.sealed.kept == 50, what="the first segment to be sealed")
    halted = writing._sealing.pid
    assert halted is not None
    os.kill(halted, signal.SIGSTOP)
    writing.put([Delivery(_record(pressure(seq)), 1, 1, 1) for seq in range(50, 100)])
    wait_until(lambda: "no sign of life" in writing.health.sealing_trouble, what="the status to tell it")
    wait_until(lambda: writing.health.sealed.kept == 100, what="the next process to seal")
    assert writing.health.sealing_trouble == ""
    assert not _is_running(halted)
    writing.drain()
    writing.finish()
    assert _seqs(tmp_path) == list(range(100))
    told = f"the sealing process (pid {halted}) gave no sign of life for 3 s"
    assert [told in sentence for sentence in said] == [True, False]
    assert said[1] == "the journal can be sealed again"


def test_listener_whose_sealing_process_is_halted_ends_in_time_and_seals(
    tmp_path: Path, pressure: Pressure, impatient: None, wait_until: WaitUntil
) -> None:
    writing = Writing(
        tmp_path, _folder(tmp_path), JournalSettings(), SealSettings(rows=50), lambda _: None, lambda _: None
    )
    writing.start()
    writing.put([Delivery(_record(pressure(seq)), 1, 1, 1) for seq in range(50)])
    wait_until(lambda: writing.health.sealed.kept == 50, what="the first segment to be sealed")
    halted = writing._sealing.pid
    assert halted is not None
    os.kill(halted, signal.SIGSTOP)
    writing.put([Delivery(_record(pressure(seq)), 1, 1, 1) for seq in range(50, 60)])
    _ends(writing)
    assert not _is_running(halted)
    assert _seqs(tmp_path) == list(range(60))


def _ends(writing: Writing) -> None:
    writing.drain()
    ending = threading.Thread(target=writing.finish, daemon=True)
    ending.start()
    ending.join(60)
    assert not ending.is_alive()


def test_idle_process_that_is_halted_does_not_keep_the_listener(
    tmp_path: Path, pressure: Pressure, impatient: None
) -> None:
    process = SealingProcess(tmp_path, _folder(tmp_path))
    process.seal(_segment(tmp_path, [pressure(0)]))
    halted = process.pid
    assert halted is not None
    os.kill(halted, signal.SIGSTOP)
    ending = threading.Thread(target=process.close, daemon=True)
    ending.start()
    ending.join(60)
    assert not ending.is_alive()
    assert not _is_running(halted)


AT_WORK_FOR_EVER = """
import sys, time
from ingest.archive.sealing_client import SIGN_OF_LIFE
for _ in sys.stdin.buffer:
    while True:
        sys.stdout.buffer.write(SIGN_OF_LIFE)
        sys.stdout.buffer.flush()
        time.sleep(0.1)
"""


def _sealing_runs(monkeypatch: pytest.MonkeyPatch, code: str) -> None:
    monkeypatch.setattr(SealingProcess, "_command", lambda self: [sys.executable, "-c", code])


def test_process_that_works_on_one_segment_for_ever_is_said_and_ended(
    tmp_path: Path, pressure: Pressure, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sealing_module, "SLOW_AFTER_S", 0.5)
    monkeypatch.setattr(sealing_module, "DEADLINE_S", 3.0)
    _sealing_runs(monkeypatch, AT_WORK_FOR_EVER)
    slow: list[str] = []
    process = SealingProcess(tmp_path, _folder(tmp_path), slow.append)
    segment = _segment(tmp_path, [pressure(0)])
    with pytest.raises(ArchiveProblem, match=r"was not done with 2\d+T\d+Z-[0-9a-f]{16}\.journal after 3 s"):
        process.seal(segment)
    assert slow == [f"sealing {segment.name} takes longer than 0.5 s"]
    assert process.pid is None
    assert segment.exists()


def test_process_that_ends_without_an_answer_is_said_with_its_exit_code(
    tmp_path: Path, pressure: Pressure, monkeypatch: pytest.MonkeyPatch
) -> None:
    segment = _segment(tmp_path, [pressure(0)])
    for code in (0, 3):
        _sealing_runs(monkeypatch, f"import sys; sys.exit({code})")
        with pytest.raises(ArchiveProblem, match=f"process ended with exit code {code}; it is started again"):
            SealingProcess(tmp_path, _folder(tmp_path)).seal(segment)
    assert segment.exists()


TALKATIVE = """
import sys
from ingest.archive import sealing_process
seal = sealing_process.seal_segment
def talking(*of):
    print('{"counts": null}', flush=True)
    return seal(*of)
sealing_process.seal_segment = talking
sealing_process.main()
"""


def test_what_a_library_prints_is_no_answer(tmp_path: Path, pressure: Pressure) -> None:
    process = SealingProcess(tmp_path, _folder(tmp_path))
    process._command = lambda: [sys.executable, "-c", TALKATIVE, *process._arguments]  # type: ignore[method-assign]
    assert process.seal(_segment(tmp_path, [pressure(0)])).counts == Counts(received=1, kept=1)
    process.close()


def test_what_cannot_be_sealed_in_time_at_the_end_is_left_for_the_next_start_and_said(
    tmp_path: Path, pressure: Pressure, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patch:
        patch.setattr(writing_module, "FINISH_WITHIN_S", 2.0)
        _sealing_runs(patch, AT_WORK_FOR_EVER)
        said: list[str] = []
        writing = Writing(
            tmp_path, _folder(tmp_path), JournalSettings(), SealSettings(rows=50), lambda _: None, said.append
        )
        writing.start()
        for first in range(0, 150, 50):
            writing.put([Delivery(_record(pressure(seq)), 1, 1, 1) for seq in range(first, first + 50)])
        _ends(writing)
    left = list(_folder(tmp_path).glob("*.journal"))
    assert left
    assert any(f"left {len(left)} journal segment" in sentence for sentence in said)
    following = Writing(
        tmp_path, _folder(tmp_path), JournalSettings(), SealSettings(), lambda _: None, said.append
    )
    following.start()
    _ends(following)
    assert _seqs(tmp_path) == list(range(150))
