"""The live page in a real browser, with a real broker, listener and archive: what a command unit sees."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from dashboard.serving import Served
from ingest.archive.reading import Archive
from ingest.broker.mqtt import Publisher
from ingest.listener import Listener
from tests.browser.live_scenes import staged

pytestmark = [pytest.mark.browser, pytest.mark.broker]

SETUP = {
    "cylinders": {"count": 1, "water_volume_l": 6.8, "rated_bar": 300.0},
    "low_air_bar": 55.0,
    "no_motion_prealarm_s": 20.0,
    "no_motion_alarm_s": 30.0,
    "heat_start_c": 120.0,
}


class Crew:
    """Sets and a desk that publish as real ones would."""

    def __init__(self, url: str) -> None:
        self._publisher = Publisher(url)
        self._seq: dict[str, int] = {}

    def say(self, speaker: str, role: str, kind: str, **fields: Any) -> None:
        seq = self._seq[speaker] = self._seq.get(speaker, -1) + 1
        now = datetime.now(UTC).isoformat()
        payload = {"kind": kind, f"{role}_id": speaker, "boot": 1, "seq": seq, "time": now, **fields}
        topic = f"underair/v1/trial/{role}/{speaker}/{kind}"
        self._publisher.publish(topic, json.dumps(payload).encode(), retain=kind == "setup")

    def set(self, set_id: str, kind: str, **fields: Any) -> None:
        self.say(set_id, "set", kind, **fields)

    def desk(self, kind: str, **fields: Any) -> None:
        self.say("D-1", "desk", kind, **fields)

    def close(self) -> None:
        self._publisher.close()


class Breathing(threading.Thread):
    """A set that goes on sending its pressure, five times a second, until it is told to be silent."""

    def __init__(self, crew: Crew, set_id: str, bar: float) -> None:
        super().__init__(daemon=True)
        self._crew, self._set_id, self.bar = crew, set_id, bar
        self.silent = threading.Event()

    def run(self) -> None:
        while not self.silent.wait(0.2):
            self.bar -= 0.5
            self._crew.set(self._set_id, "pressure", pressure_bar=round(self.bar))


@pytest.fixture
def listener(mosquitto: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Listener]:
    listener = Listener(mosquitto.url, tmp_path / "archive")
    listener.start()
    listener.subscribed.wait(10)
    stop_once, stopped = listener.stop, threading.Event()

    def stop() -> Any:
        if not stopped.is_set():
            stopped.set()
            return stop_once()
        return None

    monkeypatch.setattr(listener, "stop", stop)
    yield listener
    stop()


@pytest.fixture
def crew(mosquitto: Any) -> Iterator[Crew]:
    crew = Crew(mosquitto.url)
    yield crew
    crew.close()


@pytest.fixture
def breathing(crew: Crew) -> Iterator[Callable[[str, float], Breathing]]:
    threads: list[Breathing] = []

    def begin(set_id: str, bar: float) -> Breathing:
        crew.set(set_id, "setup", **SETUP)
        thread = Breathing(crew, set_id, bar)
        thread.start()
        threads.append(thread)
        return thread

    yield begin
    for thread in threads:
        thread.silent.set()
        thread.join(5)


@pytest.fixture
def served(mosquitto: Any, listener: Listener) -> Iterator[Served]:
    served = Served(listener.archive, mosquitto.url)
    served.start()
    yield served
    served.close()


@pytest.fixture
def live(page: Any, served: Served) -> Iterator[Any]:
    page.goto(f"{served.url}/live")
    page.wait_for_selector(".clock:not(:empty)")
    yield page
    page.goto("about:blank")  # it would miss the server that goes next


def test_a_wearer_appears_at_the_tally_breathes_falls_silent_and_is_dated(
    live: Any, crew: Crew, breathing: Callable[[str, float], Breathing]
) -> None:
    assert live.locator(".nobody").is_visible()
    crew.desk("incident", incident_id="I-1", action="open", name="Quay 4")
    crew.set("S-1", "setup", **SETUP)
    crew.desk("tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-1", team="Alder")
    row = live.locator(".row")
    row.wait_for()
    assert "No air yet" in row.inner_text()
    assert "Quay 4" in live.locator(".incidents").inner_text()

    set_1 = breathing("S-1", 280.0)
    live.wait_for_selector(".row[data-a=under_air]")
    first = int(live.locator(".row span.air").inner_text().split()[0])
    live.wait_for_function(
        f"() => parseInt(document.querySelector('.row span.air').textContent) < {first - 2}"
    )
    set_1.silent.set()
    live.wait_for_selector(".row.silent[data-a=silent]", timeout=8000)
    assert live.locator(".row .state").inner_text() == "Silent"
    line = live.locator(".row span.air").evaluate("one => getComputedStyle(one).textDecorationLine")
    assert line == "line-through"
    assert live.locator(".row .air_sub").inner_text().startswith("at ")  # the reading's own time
    assert live.locator(".row .left").inner_text() == "–"
    assert float(live.locator(".row .hatch").get_attribute("width")) > 50


def test_distress_jumps_to_the_top_and_seen_travels_through_the_broker_and_back(
    live: Any, crew: Crew, breathing: Callable[[str, float], Breathing]
) -> None:
    breathing("S-1", 80.0)
    breathing("S-2", 280.0)
    live.wait_for_function("() => document.querySelectorAll('.row').length === 2")
    assert live.locator(".row .who").first.inner_text() == "Set S-1"
    crew.set("S-2", "alarm", alarm="distress", state="raised")
    live.wait_for_selector(".row:first-child[data-a=distress]", timeout=4000)
    assert live.locator(".row .who").first.inner_text() == "Set S-2"
    live.wait_for_function("() => /for 0:0[2-9]/.test(document.querySelector('.row .why').textContent)")

    assert live.locator("[role=alert].unseen").inner_text() == "New alarm: Distress, Set S-2"
    assert "1 unseen" in live.title()

    line = live.locator(".alarms li.grave")
    line.get_by_role("button", name="Seen").click()
    live.wait_for_function(
        "() => /seen by desk \\d\\d:/.test(document.querySelector('.alarms li.grave').textContent)"
    )
    assert line.get_by_role("button").count() == 0 or not line.get_by_role("button").is_visible()
    live.wait_for_selector(".pending", state="hidden")  # what was sent has come back


def test_distress_sounds_once_allowed_again_and_again_until_it_is_seen(
    live: Any, crew: Crew, breathing: Callable[[str, float], Breathing]
) -> None:
    breathing("S-1", 280.0)
    live.wait_for_selector(".row[data-a=under_air]")
    sound = live.locator("button.sound")
    crew.set("S-1", "alarm", alarm="no_motion", state="raised")
    live.wait_for_selector("button.sound.wanted")  # nothing can sound yet, and the page says so
    assert sound.get_attribute("data-played") == "0"
    sound.click()
    live.wait_for_function("() => Number(document.querySelector('button.sound').dataset.played) >= 2")
    live.get_by_role("button", name="Seen").click()
    live.wait_for_selector(".alarms .seen", state="hidden")
    played = sound.get_attribute("data-played")
    live.wait_for_timeout(3000)  # longer than the pause between two calls
    assert sound.get_attribute("data-played") == played


def test_tally_and_note_from_the_page_show_only_when_they_are_in_the_archive(
    live: Any, crew: Crew, listener: Listener, breathing: Callable[[str, float], Breathing]
) -> None:
    breathing("S-1", 250.0)
    live.wait_for_selector(".row[data-a=under_air]")
    live.locator("summary", has_text="Open or close an incident").click()
    live.locator("form.incident [name=incident_id]").fill("I-9")
    live.locator("form.incident [name=name]").fill("<b>Mill</b>")
    live.get_by_role("button", name="Open", exact=True).click()
    live.wait_for_function("() => document.querySelector('.incidents').textContent.includes('<b>Mill</b>')")

    live.locator(".row").click()  # fills the form with the row's set
    live.locator("summary", has_text="Tally in or out").click()
    assert live.locator("form.tally [name=set_id]").input_value() == "S-1"
    live.locator("form.tally [name=wearer_id]").fill("W-77")
    live.locator("form.tally [name=team]").fill("Rowan")
    live.get_by_role("button", name="Tally in").click()
    live.wait_for_function("() => document.querySelector('.row .who').textContent === 'W-77'")
    assert live.locator(".teams .name").inner_text() == "Team Rowan"

    live.locator(".pending li.done", has_text="Tally in W-77").get_by_role("button", name="Undo").click()
    live.wait_for_function("() => document.querySelector('.row .why').textContent.includes('tallied out')")
    live.locator(".pending li.done", has_text="Undo: Tally").get_by_role("button", name="Undo").click()
    live.wait_for_function("() => !document.querySelector('.row .why').textContent.includes('tallied out')")

    live.locator("summary", has_text="Write a note").click()
    live.locator("form.note [name=text]").fill("<img src=x onerror=alert(1)> stairs gone")
    live.get_by_role("button", name="Keep note").click()
    note = live.locator(".notes li .text")
    note.wait_for()
    assert note.inner_text() == "<img src=x onerror=alert(1)> stairs gone"
    assert live.locator(".notes img").count() == 0

    listener.stop()  # from here on nothing comes back
    live.locator("form.note [name=text]").fill("never heard")
    live.get_by_role("button", name="Keep note").click()
    live.wait_for_selector(".pending li:has-text('not yet back')")
    assert live.locator(".notes li").count() == 1


def test_the_page_says_so_within_seconds_when_the_server_is_gone_and_catches_up(
    live: Any,
    served: Served,
    mosquitto: Any,
    listener: Listener,
    crew: Crew,
    breathing: Callable[[str, float], Breathing],
) -> None:
    live.expected_console.append("ERR_CONNECTION_REFUSED")
    breathing("S-1", 280.0)
    live.wait_for_selector(".row[data-a=under_air]")
    port = int(served.url.rsplit(":", 1)[1])
    served.close()
    gone_s = time.monotonic()
    live.wait_for_selector(".banner:not([hidden])", timeout=8000)
    assert time.monotonic() - gone_s < 4.0
    assert "Not live" in live.locator(".banner").inner_text()
    assert "Not live" in live.title()
    assert live.locator(".banner").bounding_box()["width"] >= 1400
    crossed = live.locator(".row span.air").evaluate("one => getComputedStyle(one).textDecorationLine")
    assert crossed == "line-through"

    crew.set("S-1", "alarm", alarm="distress", state="raised")
    again = Served(listener.archive, mosquitto.url, port=port)
    again.start()
    try:
        live.wait_for_selector(".banner", state="hidden", timeout=15000)
        note = live.locator(".gap-note")
        note.wait_for()
        assert "had no data from" in note.inner_text()
        assert "Distress, Set S-1" in note.inner_text()
        live.wait_for_selector(".row[data-a=distress]")
    finally:
        again.close()


def test_the_page_says_so_when_the_listener_is_silent(
    live: Any, listener: Listener, breathing: Callable[[str, float], Breathing]
) -> None:
    breathing("S-1", 280.0)
    live.wait_for_selector(".row[data-a=under_air]")
    listener.stop()
    live.wait_for_selector(".banner:has-text('The listener stopped at')", timeout=20000)
    live.wait_for_selector(".row.silent")


def test_a_broker_that_dies_is_said_and_found_again(
    live: Any, mosquitto: Any, breathing: Callable[[str, float], Breathing]
) -> None:
    breathing("S-1", 280.0)
    live.wait_for_selector(".row[data-a=under_air]")
    assert "This desk can send" in live.locator(".system").inner_text()
    mosquitto.kill()
    live.wait_for_selector(".banner:has-text('no connection to its broker')", timeout=20000)
    live.wait_for_selector(".system .bad:has-text('This desk cannot send')", timeout=20000)
    mosquitto.start()
    live.wait_for_selector(".banner", state="hidden", timeout=40000)
    live.wait_for_selector(".system:has-text('This desk can send')", timeout=40000)
    live.wait_for_selector(".row[data-a=under_air]", timeout=40000)


def test_the_rows_can_be_walked_with_the_keyboard(
    live: Any, breathing: Callable[[str, float], Breathing]
) -> None:
    for number in range(3):
        breathing(f"S-{number}", 200.0 + 20 * number)
    live.wait_for_function("() => document.querySelectorAll('.row').length === 3")
    live.locator(".row").first.focus()
    live.keyboard.press("ArrowDown")
    live.keyboard.press("ArrowDown")
    place = "() => [...document.querySelectorAll('.row')].indexOf(document.activeElement)"
    assert live.evaluate(place) == 2
    live.wait_for_timeout(1500)  # the page goes on painting; the focus must stay where it is
    assert live.evaluate(place) == 2
    live.keyboard.press("Home")
    assert live.evaluate(place) == 0
    live.keyboard.press("Enter")
    assert live.locator("form.tally [name=set_id]").input_value() == "S-0"


def test_two_browsers_see_the_same_and_what_the_other_has_seen(
    live: Any, served: Served, crew: Crew, breathing: Callable[[str, float], Breathing]
) -> None:
    other = live.context.browser.new_page()
    other.goto(f"{served.url}/live")
    breathing("S-1", 280.0)
    crew.set("S-1", "alarm", alarm="distress", state="raised")
    for page in (live, other):
        page.wait_for_selector(".alarms li.grave.new")
    other.get_by_role("button", name="Seen").click()
    live.wait_for_selector(".alarms li.grave:not(.new)")
    live.reload()
    live.wait_for_selector(".alarms li.grave:not(.new)")
    assert "seen by desk" in live.locator(".alarms").inner_text()
    other.close()


def test_axe_is_heard_when_something_is_wrong(live: Any, axe: Callable[[Any], list[str]]) -> None:
    live.evaluate("() => document.querySelector('#live').append(document.createElement('input'))")
    assert any(one.startswith("label") for one in axe(live))


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_serious_with_everything_on_the_page(
    live: Any,
    crew: Crew,
    breathing: Callable[[str, float], Breathing],
    axe: Callable[[Any], list[str]],
    scheme: str,
) -> None:
    live.emulate_media(color_scheme=scheme)
    crew.desk("incident", incident_id="I-1", action="open", name="Quay 4")
    crew.desk("note", incident_id="I-1", text="Gate open")
    silent = breathing("S-1", 280.0)
    for number, bar in ((2, 150.0), (3, 60.0), (4, 52.0)):
        crew.desk(
            "tally", incident_id="I-1", action="in", set_id=f"S-{number}", wearer_id=f"W-{number}", team="A"
        )
        breathing(f"S-{number}", bar)
    live.wait_for_function("() => document.querySelectorAll('.row').length === 4")
    crew.set("S-2", "alarm", alarm="distress", state="raised")
    silent.silent.set()
    live.wait_for_selector(".row[data-a=silent]")
    live.wait_for_selector(".alarms .seen")
    for summary in live.locator("summary").all():
        summary.click()
    assert axe(live) == []


def test_units_and_clock_are_each_browsers_own_and_kept(
    live: Any, served: Served, breathing: Callable[[str, float], Breathing]
) -> None:
    breathing("S-1", 280.0)
    live.wait_for_selector(".row[data-a=under_air]")
    live.locator("button.units").click()
    live.wait_for_function("() => document.querySelector('.row span.air').textContent.endsWith(' psi')")
    live.locator("button.times").click()
    live.wait_for_function("() => document.querySelector('.clock').textContent.endsWith(' local')")
    live.reload()
    live.wait_for_function("() => document.querySelector('.row span.air')?.textContent.endsWith(' psi')")
    assert live.locator(".clock").inner_text().endswith(" local")
    context = live.context.browser.new_context()
    other = context.new_page()
    other.goto(f"{served.url}/live")
    other.wait_for_selector(".row")
    assert other.locator(".row span.air").inner_text().endswith(" bar")
    context.close()


def test_held_rows_keep_their_places_until_they_are_let_go(
    live: Any, crew: Crew, breathing: Callable[[str, float], Breathing]
) -> None:
    for number in range(3):
        breathing(f"S-{number}", 200.0 + 20 * number)
    live.wait_for_function("() => document.querySelectorAll('.row').length === 3")
    live.keyboard.press("h")
    live.wait_for_selector("button.hold[aria-pressed=true]")
    crew.set("S-2", "alarm", alarm="distress", state="raised")
    live.wait_for_selector(".row[data-a=distress]")
    live.wait_for_selector("button.hold:has-text('3 elsewhere')")
    assert live.locator(".row .who").all_inner_texts() == ["Set S-0", "Set S-1", "Set S-2"]
    live.locator("button.hold").click()
    live.wait_for_selector(".row:first-child[data-a=distress]")


def test_rows_do_not_jump_under_a_hand_and_do_once_it_has_gone(
    live: Any, crew: Crew, breathing: Callable[[str, float], Breathing]
) -> None:
    for number in range(2):
        breathing(f"S-{number}", 200.0 + 20 * number)
    live.wait_for_function("() => document.querySelectorAll('.row').length === 2")
    moves = """() => { window.hand = setInterval(() => document.querySelector('.rows').dispatchEvent(
        new PointerEvent('pointermove')), 100); }"""
    live.evaluate(moves)
    live.wait_for_timeout(200)
    crew.set("S-1", "alarm", alarm="distress", state="raised")
    live.wait_for_selector(".row[data-a=distress]")
    assert live.locator(".row .who").first.inner_text() == "Set S-0"
    live.evaluate("() => clearInterval(window.hand)")
    live.wait_for_selector(".row:first-child[data-a=distress]", timeout=6000)


def test_a_browser_without_network_and_a_sleeping_one_say_what_they_missed(
    live: Any, crew: Crew, breathing: Callable[[str, float], Breathing]
) -> None:
    live.expected_console.append("ERR_INTERNET_DISCONNECTED")
    breathing("S-1", 280.0)
    live.wait_for_selector(".row[data-a=under_air]")
    live.context.set_offline(True)
    live.wait_for_selector("#live.lost")
    crew.set("S-1", "alarm", alarm="distress", state="raised")
    live.context.set_offline(False)
    live.wait_for_selector(".gap-note:has-text('Distress, Set S-1')")
    live.wait_for_selector("#live:not(.lost)")
    live.locator(".gap-note button").click()

    session = live.context.new_cdp_session(live)
    # A page that is in view cannot be frozen; its script is stopped at its next step, as a sleep does.
    session.send("Debugger.enable")
    session.send("Debugger.pause")
    asleep_s = time.monotonic()
    crew.set("S-1", "alarm", alarm="heat", state="raised")
    while time.monotonic() - asleep_s < 4.0:  # the sleep itself
        threading.Event().wait(0.5)
    session.send("Debugger.resume")
    live.wait_for_selector(".gap-note:not([hidden]):has-text('Heat, Set S-1')")


def test_what_one_browser_tallies_and_takes_back_the_other_sees_and_both_are_kept(
    live: Any,
    served: Served,
    listener: Listener,
    crew: Crew,
    breathing: Callable[[str, float], Breathing],
) -> None:
    crew.desk("incident", incident_id="I-1", action="open", name="Quay 4")
    breathing("S-1", 280.0)
    other = live.context.browser.new_page()
    other.goto(f"{served.url}/live")
    other.wait_for_selector(".row")
    live.locator(".row").click()
    live.locator("summary", has_text="Tally in or out").click()
    live.locator("form.tally [name=wearer_id]").fill("W-7")
    live.get_by_role("button", name="Tally in").click()
    other.wait_for_selector(".row .who:has-text('W-7')")
    assert other.locator(".pending li").count() == 0  # the other one has sent nothing
    live.locator(".pending li.done").get_by_role("button", name="Undo").click()
    other.wait_for_selector(".row .why:has-text('tallied out')")
    tallies = Archive(listener.archive).messages()["tally"]
    assert tallies["action"].to_list() == ["in", "out"]
    other.close()


@pytest.mark.parametrize(("width", "height"), [(1440, 900), (1024, 768)])
def test_what_can_be_pressed_is_44_pixels_high_and_nothing_hangs_over_the_edge(
    page: Any, tmp_path: Path, width: int, height: int
) -> None:
    page.set_viewport_size({"width": width, "height": height})
    with staged(tmp_path, "long") as (address, _):
        page.goto(address)
        page.wait_for_selector(".alarms .seen")
        for summary in page.locator("summary").all():
            summary.click()
        small = page.evaluate(
            """() => [...document.querySelectorAll('button, select, summary, input, nav a')]
            .filter((one) => one.offsetParent && one.getBoundingClientRect().height < 43.9)
            .map((one) => one.outerHTML.slice(0, 80))"""
        )
        assert small == []
        assert page.evaluate("() => document.documentElement.scrollWidth - innerWidth") <= 0
        page.goto("about:blank")


def test_a_server_that_starts_says_so_and_shows_nothing_that_looks_like_good_news(
    page: Any, tmp_path: Path
) -> None:
    with staged(tmp_path, "starting") as (address, _):
        page.goto(address)
        page.wait_for_selector(".banner:has-text('Starting')")
        page.wait_for_timeout(4000)  # longer than after what a picture counts as lost
        assert "Starting" in page.locator(".banner").inner_text()
        assert not page.get_by_text("No alarm is active").is_visible()
        page.goto("about:blank")
