"""A set that speaks too much is found; a set that empties its store is left alone."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from ingest.broker.mqtt import Publisher
from ingest.listener import Listener
from ingest.rates import LONG_ENOUGH_S, MOST_TOPICS, Rates
from ingest.settings import LimitSettings, Settings

pytestmark = pytest.mark.usefixtures("seals_here")

TOPIC = "underair/v1/trial/set/{set_id}/{kind}"


def topics(set_id: str, count: int) -> list[str]:
    kinds = ("pressure", "motion", "temperature")
    return [TOPIC.format(set_id=set_id, kind=kinds[number % 3]) for number in range(count)]


def looks(rates: Rates, per_look: dict[str, int], count: int) -> list[str]:
    told = []
    for look in range(count):
        for set_id, messages in per_look.items():
            rates.count(topics(set_id, messages))
        told.append(rates.too_much(5.0 * look))
    return told


def test_a_flood_is_named_once_it_has_lasted_and_forgotten_when_it_ends() -> None:
    rates = Rates(50.0)
    told = looks(rates, {"S-1": 2000, "S-2": 20}, 5)
    assert told[:3] == ["", "", ""], f"not before {LONG_ENOUGH_S} s"
    assert "set S-1 sends 400 messages a second, 50 are expected" in told[3]
    assert "S-2" not in told[3]
    assert rates.too_much(25.0) == ""


def test_an_hours_store_emptied_at_once_is_no_attack() -> None:
    rates = Rates(50.0)
    told = [rates.too_much(0.0)]
    rates.count(topics("S-1", 4 * 3600))
    told += [rates.too_much(5.0 * look) for look in range(1, 8)]
    assert told == [""] * 8


def test_a_crew_at_work_is_no_flood() -> None:
    assert looks(Rates(50.0), {f"S-{number}": 20 for number in range(200)}, 8) == [""] * 8


def test_invented_topics_neither_fill_the_memory_nor_reach_a_terminal() -> None:
    rates = Rates(50.0)
    for look in range(6):
        for part in range(4):
            rates.count(f"x\x1b[2J/{look}/{part}/{number}" for number in range(MOST_TOPICS // 2))
        told = rates.too_much(5.0 * look)
    assert "topics outside the contract" in told
    assert "\x1b" not in told
    rates = Rates(1.0)
    told_all = looks(rates, {"S\x1b[2J": 100}, 5)
    assert "\x1b" not in told_all[-1]
    assert told_all[-1] != ""


@pytest.mark.broker
def test_the_listener_names_it_keeps_it_all_and_says_so_in_its_status(
    tmp_path: Path, mosquitto: Any, wait_until: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ingest.rates.LONG_ENOUGH_S", 0.0)
    settings = Settings(limits=LimitSettings(messages_per_s_of_one=5.0))
    listener = Listener(mosquitto.url, tmp_path / "archive", settings)
    with listener, Publisher(mosquitto.url) as publisher:
        assert listener.subscribed.wait(60)
        for seq in range(3000):
            payload = {
                "kind": "motion",
                "set_id": "S-1",
                "boot": 1,
                "seq": seq,
                "time": "2031-05-04T10:00:00Z",
            }
            topic = TOPIC.format(set_id="S-1", kind="motion")
            publisher.publish(topic, json.dumps({**payload, "motion_m_s2": 1.0}).encode())
        status = tmp_path / "archive" / "journal" / "listener" / "status.json"
        wait_until(lambda: status.exists() and "set S-1 sends" in status.read_text(), what="the status")
        wait_until(lambda: listener.health.journalled >= 3000, what="all messages")
    assert listener.health.sealed.kept == 3000
