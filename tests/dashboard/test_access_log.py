"""The access log: who did what, chained."""

from __future__ import annotations

import errno
import json
import os
import threading
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from dashboard.access.log import FOLDER, NOTHING_BEFORE, SAME_AGAIN_S, AccessLog, access_table, head, read_log
from dashboard.underair import root
from ingest.importing import import_capture
from tests.verbs import underair


class Hand:
    def __init__(self) -> None:
        self.at = 1_936_000_000.0

    def __call__(self) -> float:
        return self.at


def written(archive: Path, clock: Any = None, lines: int = 6) -> AccessLog:
    log = AccessLog(archive, clock or Hand())
    for number in range(lines):
        assert log.write(
            "view", f"incident=I-{number}", account="review-1", roles=("review",), address="192.0.2.1"
        )
    return log


def the_file(archive: Path) -> Path:
    (path,) = (archive / FOLDER).glob("*.ndjson")
    return path


def test_what_is_written_is_read_in_order_and_the_chain_holds(tmp_path: Path) -> None:
    assert head(tmp_path) == NOTHING_BEFORE
    written(tmp_path)
    entries, faults = read_log(tmp_path)
    assert faults == []
    assert [entry.target for entry in entries] == [f"incident=I-{number}" for number in range(6)]
    assert entries[0].before == NOTHING_BEFORE
    table = access_table(tmp_path)
    assert table.columns == ["at", "account", "roles", "session", "address", "action", "target", "outcome"]
    assert table["account"].to_list() == ["review-1"] * 6


def test_the_chain_goes_on_over_days_restarts_and_a_clock_set_back(tmp_path: Path) -> None:
    clock = Hand()
    for day in (0, 1, 5, -3):
        clock.at += day * 86_400.0
        written(tmp_path, clock, lines=2)
    entries, faults = read_log(tmp_path)
    assert (len(entries), faults) == (8, [])
    assert len(list((tmp_path / FOLDER).glob("*.ndjson"))) == 3


@pytest.mark.parametrize("place", [0, 2, 4])
@pytest.mark.parametrize("deed", ["alter", "cut", "insert", "swap", "damage"])
def test_whatever_is_done_to_a_line_in_the_middle_shows(tmp_path: Path, place: int, deed: str) -> None:
    written(tmp_path)
    path = the_file(tmp_path)
    lines = path.read_bytes().splitlines()
    if deed == "alter":
        lines[place] = lines[place].replace(b"review-1", b"review-2")
    elif deed == "cut":
        del lines[place]
    elif deed == "insert":
        lines.insert(place, lines[place])
    elif deed == "swap":
        lines[place], lines[place + 1] = lines[place + 1], lines[place]
    else:
        lines[place] = lines[place][:-5]
    path.write_bytes(b"\n".join(lines) + b"\n")
    assert read_log(tmp_path)[1] != []


def test_a_cut_at_the_end_shows_against_the_head_noted_elsewhere(tmp_path: Path) -> None:
    written(tmp_path)
    noted = head(tmp_path)
    path = the_file(tmp_path)
    path.write_bytes(b"".join(path.read_bytes().splitlines(keepends=True)[:-1]))
    assert read_log(tmp_path)[1] == []
    assert head(tmp_path) != noted


def test_the_verb_verify_names_what_was_altered_in_the_log(tmp_path: Path) -> None:
    capture = Path(__file__).parents[2] / "sample_logs" / "bad_messages.ndjson"
    import_capture(capture, tmp_path)
    written(tmp_path)
    whole = underair("verify", tmp_path)
    assert whole.returncode == 0, whole.stdout + whole.stderr
    path = the_file(tmp_path)
    path.write_bytes(path.read_bytes().replace(b"I-2", b"I-7"))
    altered = underair("verify", tmp_path, "--json")
    assert altered.returncode == 1
    assert f"access/{path.name}, line 4 does not follow" in altered.stderr
    json.loads(altered.stdout)


def test_a_line_torn_by_a_crash_is_named_and_the_next_ones_are_kept(tmp_path: Path) -> None:
    log = written(tmp_path)
    path = the_file(tmp_path)
    path.write_bytes(path.read_bytes()[:-20])
    log.write("view", "after", account="review-1")
    entries, faults = read_log(tmp_path)
    assert entries[-1].target == "after"
    assert len(faults) == 1
    assert "cannot be read" in faults[0]


def test_several_writers_share_one_chain(tmp_path: Path) -> None:
    def write() -> None:
        log = AccessLog(tmp_path)
        for number in range(20):
            assert log.write("view", str(number), account="review-1")

    threads = [threading.Thread(target=write) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    entries, faults = read_log(tmp_path)
    assert (len(entries), faults) == (80, [])


def test_looking_on_is_one_look_and_texts_are_bounded(tmp_path: Path) -> None:
    clock = Hand()
    log = AccessLog(tmp_path, clock)
    for _ in range(50):
        log.write("view", "x" * 5000, account="review-1", once=True)
        clock.at += 1.0
    clock.at += SAME_AGAIN_S
    log.write("view", "x" * 5000, account="review-1", once=True)
    entries, _ = read_log(tmp_path)
    assert len(entries) == 2
    assert len(entries[0].target) == 500


def test_hostile_text_stays_in_its_line(tmp_path: Path) -> None:
    log = AccessLog(tmp_path)
    log.write("page", '/review\n{"at":"2031"}\x1b[2J\u2028', account="review-1")
    entries, faults = read_log(tmp_path)
    assert (len(entries), faults) == (1, [])
    assert len(the_file(tmp_path).read_bytes().splitlines()) == 1
    assert b"\x1b" not in the_file(tmp_path).read_bytes()


def test_a_line_cannot_drive_the_terminal_that_shows_it(tmp_path: Path) -> None:
    AccessLog(tmp_path).write("page", "/live?\x1b[2J\x9b", account="desk-1")
    shown = CliRunner().invoke(root, ["account", "log", "--archive", str(tmp_path)])
    assert shown.exit_code == 0
    assert "/live??[2J?" in shown.stdout
    assert "\x1b" not in shown.output


def test_a_line_that_was_written_is_synced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """`write` says yes only when the line would survive a power cut: it syncs the line's own file."""
    synced: list[tuple[str, int]] = []

    def fsync(handle: int) -> None:
        path = Path(f"/proc/self/fd/{handle}").resolve()
        synced.append((path.name, path.stat().st_size))

    monkeypatch.setattr(os, "fsync", fsync)
    written(tmp_path, lines=1)
    path = the_file(tmp_path)
    assert synced[-1] == (path.name, path.stat().st_size)


def test_a_line_that_cannot_be_synced_was_not_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fsync(handle: int) -> None:
        raise OSError(errno.EIO, "Input/output error")

    log = AccessLog(tmp_path, Hand())
    monkeypatch.setattr(os, "fsync", fsync)
    assert not log.write("view", "incident=I-1", account="review-1")
