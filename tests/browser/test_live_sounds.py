"""Each sound of the live page, by the tones that its audio graph starts: one pattern each, repeated until a
person has seen what it is for, though the set goes off.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from dashboard.live import side_view
from dashboard.serving import Served
from tests.browser.live_crew import Breathing, Crew
from tests.browser.live_listening import LISTEN, TONES, calls, heard, nothing_sounds, rhythm

pytestmark = [pytest.mark.browser, pytest.mark.broker]


ALARMS = {"no_motion": "No motion", "distress": "Distress", "low_air": "Low air"}


def test_alarms_sound_again_and_again_until_each_is_seen_though_the_sets_go_off(
    page: Any, served: Served, crew: Crew, breathing: Callable[..., Breathing]
) -> None:
    page.add_init_script(f"({LISTEN})()")
    page.goto(f"{served.url}/live")
    page.wait_for_selector(".clock:not(:empty)")
    sets = [breathing(f"S-{number}", 280.0) for number in range(3)]
    for number in range(3):
        crew.desk("tally", incident_id="I-1", action="in", set_id=f"S-{number}", wearer_id=f"W-{number}")
    page.wait_for_function("() => document.querySelectorAll('.row[data-a=under_air]').length === 3")

    # Nothing can sound before a click allows it, and the page says so.
    crew.set("S-0", "alarm", alarm="no_motion", state="raised")
    page.wait_for_selector("button.sound.wanted")
    assert page.locator("button.sound").get_attribute("data-played") == "0"
    assert calls(page) == 0
    page.locator("button.sound").click()
    heard(page, "no_motion")
    for number, alarm in enumerate(ALARMS):
        if number:
            crew.set(f"S-{number}", "alarm", alarm=alarm, state="raised")
            heard(page, alarm)
    for alarm in ALARMS:
        heard(page, alarm, since=calls(page))  # nothing ends it but a person, and they take turns

    for number, alarm in enumerate(ALARMS):
        sets[number].silent.set()
        sets[number].join()
        crew.set(f"S-{number}", "power", state="off")
        page.wait_for_selector(f".alarms li[data-a={alarm}]:has-text('state unknown since')")
    last = calls(page)
    for call in (*ALARMS, "not_accounted"):
        heard(page, call, since=last)

    wanted = ["distress", "no_motion", "not_accounted", "low_air"]
    for number, (alarm, named) in enumerate(ALARMS.items()):
        page.get_by_role("button", name=f"Seen: {named}, W-{number}").click()
        wanted.remove(alarm)
        page.wait_for_selector(f"button.sound[data-wanted='{' '.join(wanted)}']")
        last = calls(page)
        heard(page, wanted[0], since=last)
        assert all(rhythm(one) != TONES[alarm] for one in page.evaluate(f"calls.slice({last})"))
    for number in range(3):
        page.get_by_role("button", name=f"Seen: Not accounted for, W-{number}").click()
    page.wait_for_selector("button.sound[data-wanted='']")
    nothing_sounds(page)
    page.goto("about:blank")  # it would miss the server that goes next


def test_losing_air_and_an_unanswered_order_sound_until_they_are_seen(
    listening: Any, crew: Crew, breathing: Callable[..., Breathing], monkeypatch: pytest.MonkeyPatch
) -> None:
    page = listening
    losing = breathing("S-2", 280.0, 2.0)
    heard(page, "losing_air")
    losing.silent.set()
    page.wait_for_selector(".row.silent[data-a=losing_air]")
    heard(page, "losing_air", since=calls(page))
    page.get_by_role("button", name="Seen: Losing air, Set S-2").click()
    page.wait_for_selector("button.sound[data-wanted='']")
    # Mended: a note needs an incident, and where none was open the sound could not be ended at all.
    page.wait_for_selector(".alarms li:has-text('seen in this browser only')")

    crew.desk("incident", incident_id="I-1", action="open")
    crew.desk("tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-1")
    one = breathing("S-1", 280.0)
    page.wait_for_selector(".row[data-a=under_air]")
    before = calls(page)
    crew.desk("order", incident_id="I-1", order="evacuate", state="given")
    page.wait_for_selector(".orders li")
    assert calls(page) == before
    # After half a minute (`test_live_view` has the second), which is over here at once.
    monkeypatch.setattr(side_view, "UNANSWERED_S", 0.0)
    heard(page, "order", since=before)
    one.silent.set()
    one.join()
    crew.set("S-1", "power", state="off")
    page.wait_for_selector(".row[data-a=not_accounted]")
    heard(page, "order", since=calls(page))
    page.locator(".orders").get_by_role("button", name="Seen").click()
    page.wait_for_selector("button.sound[data-wanted='not_accounted']")


def test_no_two_sounds_share_their_rhythm() -> None:
    assert len(set(TONES.values())) == len(TONES)
