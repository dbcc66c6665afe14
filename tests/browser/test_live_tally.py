"""The tally form: it fills in what is known, and says what is doubtful before it sends."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import polars as pl
import pytest
from playwright.sync_api import expect

from ingest.archive.reading import Archive
from ingest.listener import Listener
from tests.browser.live_crew import Breathing, Crew

pytestmark = [pytest.mark.browser, pytest.mark.broker]


@pytest.fixture
def form(live: Any, crew: Crew, breathing: Callable[..., Breathing]) -> Any:
    """The form, with W-7 tallied in under S-1."""
    crew.desk("incident", incident_id="I-1", action="open", name="Quay 4")
    crew.desk("tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-7", team="Alder")
    breathing("S-1", 280.0)
    live.wait_for_selector(".row .who:has-text('W-7')")
    live.locator(".side summary", has_text="Tally in or out").click()
    return live.locator(".side form.tally")


def test_nobody_is_tallied_out_by_a_slip_and_what_is_said_again_goes_out(
    live: Any, form: Any, listener: Listener
) -> None:
    form.locator("[name=set_id]").press_sequentially("S-1")
    form.locator("[name=set_id]").press("Tab")
    expect(form.locator("[name=wearer_id]")).to_have_value("W-7")
    expect(form.locator("[name=team]")).to_have_value("Alder")

    form.locator("[name=set_id]").fill("S-999")
    form.locator("[name=wearer_id]").fill("W-7")
    form.get_by_role("button", name="Tally out").click()
    doubt = form.locator(".doubt")
    expect(doubt).to_contain_text("Not sent: nobody is tallied in as W-7 with set S-999.")
    form.locator("[name=set_id]").fill("S-1")
    form.locator("[name=wearer_id]").fill("W-8")
    form.get_by_role("button", name="Tally in").click()
    expect(doubt).to_contain_text("Not sent: set S-1 is tallied in with W-7.")

    form.locator("[name=wearer_id]").fill("W-7")
    form.get_by_role("button", name="Tally out").click()
    live.wait_for_selector(".pending li.done")
    expect(doubt).to_have_text("")

    # A doubtful one goes out when it is said again.
    live.set_viewport_size({"width": 1024, "height": 640})
    form.locator("[name=set_id]").fill("S-2")
    form.locator("[name=wearer_id]").fill("W-9")
    form.get_by_role("button", name="Tally out").evaluate("it => it.scrollIntoView({ block: 'end' })")
    form.get_by_role("button", name="Tally out").click()
    # Not the whole of it: what stands above may grow by a line meanwhile.
    expect(doubt.filter(has_text="Press again")).to_be_in_viewport(ratio=0.5)
    form.get_by_role("button", name="Tally out").click()
    live.locator(".pending li.done", has_text="W-9").wait_for()
    tallies = Archive(listener.archive).messages()["tally"]
    assert tallies.select("action", "set_id", "wearer_id").rows() == [
        ("in", "S-1", "W-7"),
        ("out", "S-1", "W-7"),
        ("out", "S-2", "W-9"),
    ]


def test_what_looks_wrong_about_a_tally_is_asked_once_and_then_goes_out(
    live: Any, form: Any, crew: Crew, breathing: Callable[..., Breathing], listener: Listener
) -> None:
    """A set never heard, a wearer in with another set, a number that is written unlike the others."""
    asked = [
        ("S-77", "W-8", "Not sent: set S-77 was never heard. Check the number. Press again to send anyway."),
        ("S-2", "W-7", "Not sent: W-7 is in with set S-1. Press again to send anyway."),
        ("S-3", "W9", "Not sent: W9 is not written like W-"),
    ]
    doubt, send = form.locator(".doubt"), form.get_by_role("button", name="Tally in")
    for number in (2, 3):
        breathing(f"S-{number}", 280.0)
    live.wait_for_function("() => document.querySelectorAll('.row').length === 3")  # all sets are heard
    form.locator("[name=set_id]").fill("S-78")  # asked again below, where the tally is another
    form.locator("[name=wearer_id]").fill("W-8")
    send.click()
    expect(doubt).to_contain_text("set S-78 was never heard")
    for number, (set_id, wearer_id, said) in enumerate(asked, 1):
        form.locator("[name=set_id]").fill(set_id)
        form.locator("[name=wearer_id]").fill(wearer_id)
        send.click()
        expect(doubt).to_contain_text(said)
        assert Archive(listener.archive).messages()["tally"].height == number  # nothing went out
        send.click()
        expect(
            live.locator(".pending li.done", has_text=f"Tally in {wearer_id}, set {set_id}")
        ).to_be_visible()
        assert doubt.text_content() == ""
    tallies = Archive(listener.archive).messages()["tally"]
    assert tallies.select("set_id", "wearer_id").rows() == [("S-1", "W-7"), *[one[:2] for one in asked]]


def test_what_was_wrong_is_put_right_in_its_place_and_no_incident_is_closed_by_a_slip(
    live: Any, form: Any, listener: Listener
) -> None:
    """A tally, a gauge, an exit and a settlement are corrected by their number, long after any Undo."""

    def said(kind: str) -> list[tuple[Any, ...]]:
        return Archive(listener.archive).messages()[kind].select("desk_id", "boot", "seq", "corrects").rows()

    live.locator(".row").click()
    actions = live.locator(".actions")
    actions.locator("summary", has_text="Change, correct or end the tally").click()
    actions.locator("form.tally [name=wearer_id]").fill("W-8")
    actions.get_by_role("button", name="Correct from the start").click()
    live.wait_for_selector(".row .who:has-text('W-8')")
    expect(live.locator(".row")).to_have_count(1)  # nobody else was ever in
    (wrong, right) = said("tally")
    assert tuple(right[3].values()) == wrong[:3]

    live.locator(".row").click()
    gauge = actions.locator("form.gauge")
    expect(gauge.get_by_role("button", name="Correct")).to_be_hidden()  # nothing was read yet
    gauge.locator("input").fill("21")
    gauge.get_by_role("button", name="Save reading").click()
    gauge.locator("input").fill("210")
    gauge.get_by_role("button", name="Correct 21 bar").click()
    gauge.get_by_role("button", name="Correct 210 bar").wait_for()
    (wrong, right) = said("gauge")
    assert tuple(right[3].values()) == wrong[:3]

    live.wait_for_selector(".row:not(.over)")  # opened before the set was under air: it must ask nevertheless
    entered = live.locator(".row span.entered").inner_text()
    actions.locator(".tally-out").click()
    actions.locator(".tally-out").click()
    back = live.locator(".came-out").get_by_role("button", name="Not out: W-8")
    back.click()
    expect(back).to_have_text("Press again: not out")
    expect(back).to_have_attribute("aria-label", re.compile("Press again"))
    back.click()
    live.wait_for_selector(".came-out li", state="detached")
    expect(live.locator(".row .who")).to_have_text("W-8")
    expect(live.locator(".row span.entered")).to_have_text(entered)

    live.locator(".row").click()
    actions.locator("summary", has_text="Close an alarm or the entry").click()
    actions.locator("form.resolved [name=text]").fill("the wrong row")
    actions.get_by_role("button", name="Close the entry").click()
    live.locator(".came-out li", has_text="W-8").wait_for()
    closed = live.locator(".pending li.done", has_text="the wrong row")
    closed.get_by_role("button", name="Undo").click()
    live.wait_for_selector(".came-out li", state="detached")
    (wrong, right) = said("resolved")
    assert tuple(right[3].values()) == wrong[:3]

    # Mended: an incident was closed without a word while its wearers were under air.
    live.keyboard.press("Escape")
    live.locator("summary", has_text="Open or close an incident").click()
    incident = live.locator("form.incident")
    incident.locator("[name=incident_id]").fill("I-1")
    incident.get_by_role("button", name="Close").click()
    expect(incident.locator(".doubt")).to_have_text(
        "Not sent: 1 still in or under air: W-8. Press again to send anyway."
    )
    assert Archive(listener.archive).messages()["incident"]["action"].to_list() == ["open"]
    incident.locator("[name=incident_id]").fill("I-2")
    incident.get_by_role("button", name="Close").click()  # nobody is in that one
    live.locator(".pending li.done", has_text="I-2").wait_for()
    assert incident.locator(".doubt").text_content() == ""
    for _ in range(2):  # said again, it goes out
        incident.locator("[name=incident_id]").fill("I-1")
        incident.get_by_role("button", name="Close").click()
    live.locator(".pending li.done", has_text="I-1").wait_for()
    shut = Archive(listener.archive).messages()["incident"].select("incident_id", "action").rows()
    assert shut == [("I-1", "open"), ("I-2", "close"), ("I-1", "close")]


def test_an_order_reaches_both_services_of_an_incident_and_only_the_new_need_a_choice(
    live: Any, form: Any, mosquitto: Any, listener: Listener
) -> None:
    other = Crew(mosquitto.url, "south")
    try:
        other.desk("tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-7", team="Oak")
        live.wait_for_selector(".row .who:has-text('south:W-7')")
        service = live.locator(".side select[name=service]")
        expect(service.locator("option")).to_have_text(["", "south", "trial"])

        form.locator("[name=set_id]").fill("S-9")
        form.locator("[name=wearer_id]").fill("W-9")
        service.select_option("south")
        for _ in range(2):  # the set was never heard: asked once
            form.get_by_role("button", name="Tally in").click()
        live.locator(".pending li.done", has_text="W-9").wait_for()

        # A set that nobody tallied in names its service: nothing is chosen.
        other.set("S-5", "pressure", pressure_bar=280.0)
        row = live.locator(".row", has_text="S-5")
        row.click()
        own = live.locator(".actions form.tally")
        own.locator("[name=wearer_id]").fill("W-5")
        service.select_option("trial")
        own.get_by_role("button", name="Tally in").click()
        live.locator(".pending li.done", has_text="W-5").wait_for()
        live.keyboard.press("Escape")

        live.locator(".side summary", has_text="Order").first.click()
        for _ in range(2):
            live.locator(".side form.order").get_by_role("button", name="Evacuate").click()
        live.locator(".pending li.done", has_text="Evacuate").wait_for()
        for left in (2, 1, 0):
            expect(live.locator(".orders li")).to_have_count(left)
            if left:
                live.locator(".orders li button", has_text="Lift").first.click()
    finally:
        other.close()
    messages = Archive(listener.archive).messages()
    tallied = messages["tally"].filter(pl.col("wearer_id").is_in(["W-9", "W-5"]))
    assert tallied["service"].to_list() == ["south", "south"]
    orders = messages["order"].select("service", "state").rows()
    assert sorted(orders) == [(name, said) for name in ("south", "trial") for said in ("given", "lifted")]
