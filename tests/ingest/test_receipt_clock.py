"""The clock that stamps receipts: it goes on evenly while the machine's clock is set, and says so."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from ingest import receipt_clock
from ingest.archive.writing import Writing
from ingest.broker.paho_batches import BatchingClient
from ingest.listener import Listener
from ingest.receipt_clock import LOG_FILE, STATE_FILE, ReceiptClock, read_clock_sets
from ingest.status import Status, encode_status, read_statuses

DAYS_US, SECOND_US, HOUR_US = 2 * 86_400_000_000, 1_000_000, 3_600_000_000
BEGAN_US = 1_900_000_000_000_000


class Machine:
    """A computer whose clock can be set; `restarts` begins another run of it."""

    def __init__(self, folder: Path) -> None:
        self.steady, self.wall = 500 * SECOND_US, BEGAN_US
        self.said: list[str] = []
        self.folder = folder / "journal" / "van"
        self.folder.mkdir(parents=True)

    def goes_on(self, us: int) -> None:
        self.steady += us
        self.wall += us

    def clock(self, name: str = "van") -> ReceiptClock:
        folder = self.folder.with_name(name)
        folder.mkdir(exist_ok=True)
        return ReceiptClock(folder, name, self.said.append, lambda: self.wall, lambda: self.steady)

    def restarts(self, after_us: int, wall_us: int) -> None:
        told = Status(listener="van", state="up", at=self.clock().now())
        (self.folder / "status.json").write_bytes(encode_status(told))
        self.steady, self.wall = 20 * SECOND_US, self.wall + after_us + wall_us
        receipt_clock._BOOT_ID.write_text(f"run {wall_us}\n")


@pytest.fixture
def machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Machine:
    monkeypatch.setattr(receipt_clock, "_BOOT_ID", tmp_path / "boot_id")
    (tmp_path / "boot_id").write_text("one\n")
    return Machine(tmp_path)


@pytest.mark.parametrize("by_us", [DAYS_US, -HOUR_US, -SECOND_US])
def test_a_set_clock_moves_no_receipt_while_messages_come(machine: Machine, by_us: int) -> None:
    """Mended: each later message seemed two days younger than the one before."""
    clock = machine.clock()
    clock.heard()
    machine.goes_on(10 * SECOND_US)
    machine.wall += by_us
    clock.look()
    assert clock.now_us() == BEGAN_US + 10 * SECOND_US
    assert clock.set_us == by_us
    clock.look()
    ((listener, line),), faults = read_clock_sets(machine.folder.parent.parent)
    assert (listener, faults) == ("van", [])
    assert (line.by_s, line.behind_s, line.jump_s) == (by_us / 1e6, by_us / 1e6, 0.0)
    assert line.at == clock.now()
    assert machine.said == [line.sentence("van")]
    assert f"was set by {by_us / 1e6:+,.1f} s at 2030-03-17T17:46:50" in machine.said[0]


def test_before_the_first_message_and_after_an_hour_without_any_it_follows(machine: Machine) -> None:
    clock = machine.clock()
    machine.wall += DAYS_US
    clock.look()
    assert (clock.set_us, clock.now_us()) == (0, BEGAN_US + DAYS_US)
    clock.heard()
    machine.wall += HOUR_US
    for _ in range(6):
        clock.look()
        machine.goes_on(10 * 60 * SECOND_US)
    assert clock.set_us == HOUR_US
    machine.goes_on(SECOND_US)
    clock.look()
    assert clock.set_us == 0
    lines = [line for _, line in read_clock_sets(machine.folder.parent.parent)[0]]
    assert [(one.by_s, one.behind_s, one.jump_s) for one in lines] == [
        (172_800.0, 0.0, 172_800.0),
        (3600.0, 3600.0, 0.0),
        (0.0, 0.0, 3600.0),
    ]
    assert "follow the clock of its machine again" in machine.said[-1]


def test_a_clock_that_is_set_back_again_agrees_and_small_steps_are_followed(machine: Machine) -> None:
    clock = machine.clock()
    clock.heard()
    machine.wall += DAYS_US
    clock.look()
    machine.wall -= DAYS_US
    clock.look()
    assert clock.set_us == 0
    machine.wall += 400_000
    clock.look()
    assert clock.now_us() == machine.wall
    lines = [line for _, line in read_clock_sets(machine.folder.parent.parent)[0]]
    assert [(one.by_s, one.behind_s) for one in lines] == [(172_800.0, 172_800.0), (-172_800.0, 0.0)]


def test_a_listener_that_starts_again_goes_on_with_the_clock_it_had(machine: Machine) -> None:
    clock = machine.clock()
    clock.heard()
    machine.wall += DAYS_US
    clock.look()
    machine.goes_on(60 * SECOND_US)
    again = machine.clock()
    assert again.now_us() == BEGAN_US + 60 * SECOND_US
    assert len(machine.said) == 1, "said once"
    machine.goes_on(HOUR_US)
    assert machine.clock().set_us == 0, "after an hour without a message it follows"


def test_the_clock_of_an_earlier_run_of_the_machine_is_not_taken_over(machine: Machine) -> None:
    clock = machine.clock()
    clock.heard()
    machine.wall += DAYS_US
    clock.look()
    receipt_clock._BOOT_ID.write_text("two\n")
    assert machine.clock().now_us() == machine.wall
    (machine.folder / STATE_FILE).write_text("damaged")
    assert machine.clock().now_us() == machine.wall


def heard_for(machine: Machine, clock: ReceiptClock, seconds: int) -> None:
    for _ in range(seconds):
        machine.goes_on(SECOND_US)
        clock.heard()
        clock.look()


@pytest.mark.parametrize("by_us", [-HOUR_US, -400 * DAYS_US])
def test_a_machine_that_starts_with_its_clock_behind_the_record_goes_on_from_there(
    machine: Machine, by_us: int
) -> None:
    """Mended: what was received before lay in the future, and all of it was gone from the live page."""
    clock = machine.clock()
    heard_for(machine, clock, 130)
    last_us = clock.now_us()
    machine.restarts(50 * SECOND_US, by_us)
    clock = machine.clock()
    assert clock.now_us() == last_us
    assert "was set by -" in machine.said[-1]
    # Also if it is killed before it hears anything, or another listener begins.
    machine.goes_on(SECOND_US)
    for name in ("van", "second"):
        assert machine.clock(name).now_us() == last_us + SECOND_US
    # The machine gets its time: followed at once, because nothing was heard since it started.
    machine.wall -= by_us
    again = machine.clock()
    assert (again.set_us, again.now_us()) == (0, machine.wall)


def test_the_right_time_is_not_taken_in_the_middle_of_what_is_heard(machine: Machine) -> None:
    heard_for(machine, machine.clock(), 60)
    machine.restarts(50 * SECOND_US, -HOUR_US)
    clock = machine.clock()
    heard_for(machine, clock, 10)
    before_us = clock.now_us()
    machine.wall += HOUR_US
    clock.look()
    assert clock.now_us() == before_us


def test_receipts_never_go_back_behind_the_last_one_but_after_half_a_day_without_any(
    machine: Machine,
) -> None:
    clock = machine.clock()
    clock.heard()
    machine.wall -= 3 * HOUR_US
    for hours, follows in ((2.9, False), (0.2, True)):
        machine.goes_on(round(hours * HOUR_US))
        clock.look()
        assert (clock.set_us == 0) == follows
    clock.heard()
    machine.wall -= 400 * DAYS_US
    for hours, follows in ((11.9, False), (0.2, True)):
        machine.goes_on(round(hours * HOUR_US))
        clock.look()
        assert (clock.set_us == 0) == follows


def test_a_second_listener_goes_by_the_clock_of_the_first(machine: Machine) -> None:
    """Mended: the first began before the machine got its time: all that it heard was forty seconds old."""
    first = machine.clock()
    heard_for(machine, first, 5)
    machine.wall += 40 * SECOND_US
    first.look()
    second = machine.clock("second")
    assert (second.now_us(), second.set_us) == (first.now_us(), 40 * SECOND_US)


def test_an_altered_note_is_a_fault_and_a_full_disk_stops_nothing(machine: Machine) -> None:
    clock = machine.clock()
    clock.heard()
    for by_us in (DAYS_US, HOUR_US):
        machine.wall += by_us
        clock.look()
    log = machine.folder / LOG_FILE
    log.write_bytes(log.read_bytes().replace(b"172800", b"172801", 1))
    assert len(read_clock_sets(machine.folder.parent.parent)[1]) == 1
    for path in (log, machine.folder / STATE_FILE):
        path.unlink()
        path.mkdir()
    machine.wall += DAYS_US
    clock.look()
    assert any("cannot be written" in one for one in machine.said)


def test_a_listener_stamps_and_reports_by_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    said: list[str] = []
    listener = Listener("mqtt://127.0.0.1:9", tmp_path / "archive", say=said.append)
    clock, taken = listener._clock, []
    monkeypatch.setattr(Writing, "put", lambda _, batch, size: taken.extend(batch))
    clock.heard()
    before_us = clock.now_us()
    real_us = clock._wall_us
    monkeypatch.setattr(clock, "_wall_us", lambda: real_us() + DAYS_US)
    listener._what_matters()
    assert isinstance(listener._client, BatchingClient)
    body = b"\x00\x01tx"
    listener._client._take_apart(b"\x30" + bytes([len(body)]) + body)
    (delivery,) = taken
    assert 0 <= delivery.record.received_us - before_us < 60 * SECOND_US
    status = listener._status()
    assert abs((status.at.timestamp() * 1e6) - before_us) < 60 * SECOND_US
    assert status.clock_set_s == pytest.approx(172_800.0, abs=0.1)
    assert "was set by +172,800.0 s" in said[0]
    assert read_statuses(tmp_path / "archive") == []
    listener._lock_file.close()


@pytest.mark.parametrize(("by_us", "moves"), [(499_999, True), (-499_999, True), (500_000, False)])
def test_from_half_a_second_on_a_difference_is_a_clock_that_was_set(
    machine: Machine, by_us: int, moves: bool
) -> None:
    clock = machine.clock()
    clock.heard()
    machine.wall += by_us
    clock.look()
    assert clock.now_us() == BEGAN_US + (by_us if moves else 0)
    assert (machine.said == []) == moves


def test_a_clock_that_is_set_while_the_listener_restarts_moves_no_receipt(machine: Machine) -> None:
    """What it heard last, and on which clock, is kept at the first look and each minute."""
    clock = machine.clock()
    for seconds in (10, 50, 61):
        machine.goes_on(seconds * SECOND_US)
        clock.heard()
        clock.look()
    machine.goes_on(HOUR_US - 60 * SECOND_US)
    machine.wall += DAYS_US
    assert machine.clock().set_us == DAYS_US


def test_an_hour_of_silence_is_counted_from_the_last_message(machine: Machine) -> None:
    clock = machine.clock()
    clock.heard()
    machine.wall += DAYS_US
    clock.look()
    machine.goes_on(HOUR_US)
    clock.look()
    assert clock.set_us == DAYS_US
    machine.goes_on(1)
    clock.look()
    assert clock.set_us == 0


def test_a_machine_that_does_not_tell_its_runs_apart_takes_nothing_over(machine: Machine) -> None:
    receipt_clock._BOOT_ID.unlink()
    clock = machine.clock()
    clock.heard()
    machine.wall += DAYS_US
    clock.look()
    assert clock.set_us == DAYS_US
    assert machine.clock().now_us() == machine.wall


def test_it_begins_with_the_time_of_the_machine(tmp_path: Path) -> None:
    clock = ReceiptClock(tmp_path, "van", print)
    before, after_s = clock.now(), receipt_clock.steady_s()
    assert abs(clock.set_us) < 60 * SECOND_US
    assert abs(before.timestamp() - time.time()) < 60.0
    assert abs(clock._steady_us() / 1e6 - after_s) < 60.0


def test_the_clock_that_goes_on_while_the_machine_sleeps_is_used_where_there_is_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(time, "CLOCK_BOOTTIME", 7, raising=False)
    monkeypatch.setattr(time, "clock_gettime", {7: 80.0}.__getitem__)
    assert receipt_clock.steady_s() == 80.0
    monkeypatch.delattr(time, "CLOCK_BOOTTIME")
    monkeypatch.setattr(time, "monotonic", lambda: 30.0)
    assert receipt_clock.steady_s() == 30.0


def test_what_was_heard_is_kept_once_a_minute_and_not_at_each_look(
    machine: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A power cut may cost the last minute; the disk is not written twice a second for years."""
    clock, kept_at = machine.clock(), list[int]()
    monkeypatch.setattr(
        receipt_clock, "write_durably", lambda *_: kept_at.append(machine.steady // SECOND_US)
    )
    for _ in range(130):
        clock.heard()
        clock.look()
        machine.goes_on(SECOND_US)
    assert kept_at == [500, 561, 622]
