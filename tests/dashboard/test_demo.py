"""`underair demo` as a person runs it: the page moves soon, and nothing is left behind however it ends."""

from __future__ import annotations

import json
import multiprocessing
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from analysis.profile import Profile
from dashboard.demo import crew as demo_crew
from dashboard.demo.demo import DemoProblem, run_demo
from dashboard.demo.parts import Moment
from dashboard.live.catching_up import CATCH_UP
from dashboard.results_store import ResultsStore
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from ingest.contract.captures import Heard
from ingest.contract.frames import frames_from_heard
from sample_logs.simulation.scenario import build_incident
from tests.dashboard.running_demo import Demo

Wait = Callable[..., Any]


@pytest.fixture
def demo(free_port: Callable[[], int], tmp_path: Path) -> Iterator[Demo]:
    running = Demo(free_port(), tmp_path)
    yield running
    running.end()


@pytest.mark.parametrize(
    "end",
    [lambda demo: os.killpg(demo.process.pid, signal.SIGINT), lambda demo: demo.process.terminate()],
    ids=["Ctrl-C", "SIGTERM"],
)
def test_ended_while_the_parts_start_it_leaves_one_line_and_no_traceback(
    demo: Demo, wait_until: Wait, end: Callable[[Demo], None]
) -> None:
    """Ended later, by Ctrl-C: `tests/browser/test_demo_end_to_end.py`."""
    assert demo.process.stdout is not None
    demo.process.stdout.readline()
    end(demo)
    _, errors = demo.process.communicate(timeout=60)
    assert "Traceback" not in errors
    assert errors.splitlines()[-1] == "underair demo: ended"
    assert demo.process.returncode == 0
    wait_until(lambda: demo.processes() == [], what="the last process to go")


def started(demo: Demo) -> bool:
    """Return whether the last of its parts runs."""
    return any((folder / "listener.log").exists() for folder in demo.folders())


def test_killing_the_parent_leaves_nothing_either(demo: Demo, wait_until: Wait) -> None:
    wait_until(lambda: started(demo), what="a listener")
    demo.process.kill()
    demo.process.wait(60)
    wait_until(lambda: demo.processes() == [], what="the orphans to end")
    assert demo.folders() == []


def test_a_part_that_ends_ends_the_demo_with_a_sentence(demo: Demo, wait_until: Wait) -> None:
    wait_until(lambda: started(demo), what="a listener")
    (folder,) = demo.folders()
    os.kill(wait_until(lambda: holder_of(folder / "listener.log", demo), what="its pid"), signal.SIGKILL)
    assert demo.process.wait(60) == 1
    assert demo.process.stderr is not None
    assert "the demo's listener has ended (exit code -9)" in demo.process.stderr.read()
    wait_until(lambda: demo.processes() == [], what="the last process to go")
    assert not folder.exists()


def test_a_part_killed_while_it_waits_does_not_hold_up_who_says_that_the_moment_has_come(
    tmp_path: Path, wait_until: Wait
) -> None:
    moment = Moment(tmp_path / "moment")
    begun = tmp_path / "begun"
    waiting = multiprocessing.get_context("spawn").Process(target=begin_and_wait, args=(begun, moment))
    waiting.start()
    state = Path(f"/proc/{waiting.pid}/stat")
    wait_until(lambda: begun.exists() and ") S " in state.read_text(), what="the part to wait")
    waiting.kill()
    waiting.join()
    said = threading.Thread(target=moment.set, daemon=True)
    said.start()
    said.join(60)
    assert not said.is_alive()
    moment.wait()


def begin_and_wait(begun: Path, moment: Moment) -> None:
    begun.touch()
    moment.wait()


def holder_of(file: Path, demo: Demo) -> int | None:
    """The pid of the demo's own part that has `file` open; None while none has."""
    parts = subprocess.run(
        ["ps", "-o", "pid=", "--ppid", str(demo.process.pid)], capture_output=True, text=True
    )
    for pid in map(int, parts.stdout.split()):
        descriptors = Path(f"/proc/{pid}/fd")
        try:
            if any(entry.resolve() == file for entry in descriptors.iterdir()):
                return pid
        except (PermissionError, FileNotFoundError):
            continue
    return None


def test_a_taken_port_is_said_with_the_way_out(free_port: Callable[[], int]) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        run = subprocess.run(
            [sys.executable, "-m", "dashboard.underair", "demo", "--port", str(port), "--no-browser"],
            capture_output=True,
            text=True,
            timeout=60,
        )
        assert run.returncode == 1
        assert f"port {port} on 127.0.0.1 is not free" in run.stderr
        assert "--port" in run.stderr
        assert run.stdout == ""
        with pytest.raises(DemoProblem, match="not free"):
            run_demo(port, open_browser=False)


def test_the_past_is_in_the_archive_and_the_rest_is_still_to_come(tmp_path: Path) -> None:
    now = datetime(2031, 5, 4, 20, 0, tzinfo=UTC)
    rest = demo_crew.begin(tmp_path, now)
    assert all(one.received > now for one in rest)
    past = Archive(tmp_path).messages()
    assert past["pressure"]["received"].max() <= now
    assert now - past["incident"]["received"].min() < demo_crew.STARTS_INTO_INCIDENT
    assert past["refused"].is_empty()
    # Something worth looking at happens within three minutes: a silence and a distress.
    soon = [one for one in rest if one.received < now + timedelta(minutes=3)]
    assert any(b'"alarm":"distress","state":"raised"' in one.payload for one in soon)


def test_the_earlier_incident_is_finished_and_older_than_the_live_page_looks_back(tmp_path: Path) -> None:
    now = datetime(2031, 5, 4, 20, 0, tzinfo=UTC)
    count = demo_crew.write_history(tmp_path, now)
    messages = Archive(tmp_path).messages()
    kept = sum(frame.height for frame in messages.values())
    assert 30_000 < kept < count < kept + 100  # a few came twice
    assert messages["incident"]["action"].to_list() == ["open", "close"]
    assert now - messages["pressure"]["received"].max() > CATCH_UP


def test_a_past_incident_of_the_store_has_only_its_own_clocks(tmp_path: Path) -> None:
    now = datetime(2031, 5, 4, 20, 0, tzinfo=UTC)
    sets = {"S-011", "S-013", "S-033"}
    heard = [demo_crew.played(number, now - number * timedelta(days=25), sets) for number in (2, 1)]
    for name, one in zip(("older", "younger"), heard, strict=True):
        seal_messages(tmp_path, frames_from_heard(one), name)
    store = ResultsStore(Archive(tmp_path), Profile.default())
    assert store.incidents().height == 2
    spoke = {
        (one.topic.split("/")[4], json.loads(one.payload)["boot"])
        for incident in heard
        for one in incident
        if "/set/" in one.topic and "/link" not in one.topic
    }
    opened = [store.incident(key).results["clocks"] for key in store.incidents()["key"]]
    clocks = pl.concat(opened).select("set_id", "boot")
    assert clocks.height == clocks.unique().height
    assert set(clocks.iter_rows()) == spoke


def test_setups_and_links_are_published_retained_and_nothing_before_its_time() -> None:
    published: list[tuple[str, bool, datetime]] = []
    now = datetime.now(UTC)
    topics = ("setup", "link", "pressure")
    heard = [
        Heard(now + timedelta(milliseconds=60 * (index + 1)), f"underair/v1/x/set/S-1/{kind}", b"{}")
        for index, kind in enumerate(topics)
    ]
    demo_crew.publish_in_real_time(
        heard, lambda topic, payload, retain: published.append((topic, retain, datetime.now(UTC)))
    )
    assert [retained for _, retained, _ in published] == [True, True, False]
    for one, (_, _, at) in zip(heard, published, strict=True):
        assert timedelta(0) <= at - one.received < timedelta(seconds=30)


def test_when_the_incident_is_over_the_crew_begins_the_next_at_another_place(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    begun: list[int] = []

    def one_message(number: int, opened: datetime) -> list[Heard]:
        begun.append(number)
        return [Heard(opened, f"underair/v1/x/set/S-{number}/pressure", b"{}")]

    class EnoughError(Exception):
        pass

    topics: list[str] = []

    def publish(topic: str, payload: bytes, retain: bool) -> None:
        topics.append(topic.split("/")[4])
        if len(topics) == 3:
            raise EnoughError

    monkeypatch.setattr(demo_crew, "played", one_message)
    monkeypatch.setattr(demo_crew, "PAUSE_BETWEEN_INCIDENTS", timedelta(0))
    with pytest.raises(EnoughError):
        demo_crew.go_on_for_ever(one_message(demo_crew.RUNNING, datetime.now(UTC)), publish)
    assert begun == [demo_crew.RUNNING, demo_crew.RUNNING + 1, demo_crew.RUNNING + 2]
    assert topics == [f"S-{number}" for number in begun]


def by_kind(heard: list[Heard]) -> dict[str, pl.DataFrame]:
    frames = frames_from_heard(heard)
    assert frames["refused"].is_empty()
    return {kind: frames[kind] for kind in ("pressure", "tally", "note", "incident")}


def test_a_recording_played_at_another_moment_is_the_incident_that_the_script_makes_then() -> None:
    """But for boots, which must differ from one play to the next: they are counted."""
    opened = datetime(2029, 2, 28, 23, 50, 7, tzinfo=UTC)
    played = demo_crew.played(demo_crew.RUNNING, opened)
    made = build_incident(demo_crew.RUNNING, opened).heard
    for kind, frame in by_kind(played).items():
        other = by_kind(made)[kind]
        assert frame["boot"].n_unique() == other["boot"].n_unique()
        assert frame.drop("boot", "payload").equals(other.drop("boot", "payload"))


def test_no_two_incidents_of_a_demo_share_a_message_or_a_name() -> None:
    now = datetime(2031, 5, 4, 20, 0, tzinfo=UTC)
    lots = [demo_crew.played(number, now - timedelta(hours=number)) for number in (6, 7, 8)]
    frames = [by_kind(heard) for heard in lots]
    powers = pl.concat([frame["pressure"].select("set_id", "boot").unique() for frame in frames])
    assert powers.height == powers.unique().height
    names = [frame["incident"]["name"].drop_nulls().unique().to_list() for frame in frames]
    assert names == [[name] for name, _ in demo_crew.PLACES]


def test_of_a_smaller_incident_only_the_chosen_sets_and_what_was_said_of_them_are_played() -> None:
    heard = demo_crew.played(7, datetime(2031, 1, 1, tzinfo=UTC), {"S-012", "S-013"})
    frames = by_kind(heard)
    assert set(frames["pressure"]["set_id"]) == {"S-012", "S-013"} == set(frames["tally"]["set_id"])
    assert set(frames["note"]["set_id"]) == {"S-012", "S-013"}
    assert frames["incident"]["action"].to_list() == ["open", "close"]
