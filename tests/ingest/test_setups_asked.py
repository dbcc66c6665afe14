"""Whose retained messages are asked for: of each set that is heard for the first time, and of nobody else."""

from __future__ import annotations

import pytest

from ingest.broker.setups_asked import MOST_REMEMBERED, SetupsAsked

ONE, TWO = "underair/v1/trial/set/S-1", "underair/v1/trial/set/S-2"


def asked(found: list[str]) -> list[str]:
    """Give the speakers that are asked, once each."""
    return sorted({topic.rpartition("/")[0] for topic in found})


def test_a_set_is_asked_once_for_its_setup_and_for_no_order() -> None:
    setups = SetupsAsked()
    found = setups.to_ask([f"{TWO}/pressure", f"{ONE}/pressure"])
    assert asked(found) == [ONE, TWO]
    assert f"{ONE}/setup" in found
    assert f"{ONE}/order" not in found
    assert setups.to_ask([f"{ONE}/pressure", f"{ONE}/power"]) == []
    setups.forget()
    assert asked(setups.to_ask([f"{ONE}/pressure"])) == [ONE]


def test_a_set_whose_setup_came_by_itself_is_not_asked() -> None:
    setups = SetupsAsked()
    assert setups.to_ask([f"{ONE}/pressure", f"{ONE}/setup"]) == []
    assert setups.to_ask([f"{ONE}/power"]) == []


@pytest.mark.parametrize(
    "topic",
    [
        "underair/v1/trial/desk/D-1/tally",
        "other/v1/trial/set/S-1/pressure",
        "underair/v1/trial/set/S-1/more/pressure",
        "underair/v1/set/S-1/pressure",
    ],
)
def test_nothing_else_is_asked(topic: str) -> None:
    assert SetupsAsked().to_ask([topic]) == []


def test_a_flood_of_invented_topics_does_not_fill_the_memory() -> None:
    setups = SetupsAsked()
    setups.to_ask([f"{ONE}/pressure", *(f"x/{number}" for number in range(MOST_REMEMBERED - 1))])
    assert setups.to_ask([f"{ONE}/power"]) == []
    assert asked(setups.to_ask([f"{ONE}/motion"])) == [ONE], "it was forgotten with the rest"
