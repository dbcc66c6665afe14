"""Near misses and contamination: what a note marks, which wears, and what happens when it is withdrawn."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl
import pytest

from analysis.trends.marks import Contamination, contamination_of, marks_of, near_miss_of
from ingest.contract.captures import Heard
from ingest.contract.frames import frames_from_heard

START = datetime(2031, 1, 10, 8, tzinfo=UTC)
WEARS = pl.DataFrame(
    [
        # One entry with a cylinder change, another person, and another incident.
        ("S-1/1/1", "I-1/W-1/1", "I-1", "S-1", START),
        ("S-1/1/2", "I-1/W-1/1", "I-1", "S-1", START + timedelta(minutes=30)),
        ("S-2/1/1", "I-1/W-2/1", "I-1", "S-2", START),
        ("S-1/2/1", "I-2/W-3/1", "I-2", "S-1", START + timedelta(days=1)),
    ],
    schema=["wear_id", "entry_id", "incident_id", "set_id", "started"],
    orient="row",
    schema_overrides={"started": pl.Datetime("us", "UTC")},
)


def notes(*texts: str | dict[str, Any]) -> pl.DataFrame:
    heard = []
    for seq, said in enumerate(texts):
        given = {"text": said} if isinstance(said, str) else said
        received = START + timedelta(minutes=20 + seq)
        message = {"kind": "note", "desk_id": "D-1", "boot": 1, "seq": seq, "time": received.isoformat()}
        payload = json.dumps({**message, "incident_id": "I-1", **given}).encode()
        heard.append(Heard(received, "underair/v1/fire/desk/D-1/note", payload))
    messages = frames_from_heard(heard)
    assert not len(messages["refused"])
    return messages["note"]


@pytest.mark.parametrize(
    ("text", "reference"),
    [
        ("Near miss: 2031-17", "2031-17"),
        ("near-miss 4", "4"),
        ("NEAR MISS", "noted"),
        ("nearly missed", None),
    ],
)
def test_a_note_that_begins_so_marks_a_near_miss(text: str, reference: str | None) -> None:
    assert near_miss_of(text) == reference


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("Contamination: soot, 25 min, decontaminated 21:40", Contamination("soot", 25.0, "21:40")),
        ("contamination: 12.5 min", Contamination("products of combustion", 12.5, None)),
        ("contamination asbestos, roof; decontaminated", Contamination("asbestos, roof", None, "noted")),
        ("no contamination", None),
    ],
)
def test_a_note_says_the_exposure(text: str, said: Contamination | None) -> None:
    assert contamination_of(text) == said


def test_a_near_miss_marks_its_incident_and_no_other() -> None:
    marks = marks_of(WEARS, notes("Near miss: 2031-17"))
    assert marks["near_miss"].to_list() == ["2031-17", "2031-17", "2031-17", None]


def test_contamination_marks_the_entry_of_its_set_or_the_whole_incident() -> None:
    own = marks_of(WEARS, notes({"text": "contamination: soot, 25 min", "set_id": "S-1"}))
    assert own["contamination"].to_list() == ["soot", "soot", None, None]
    assert own["contaminated_min"].to_list() == [25.0, 25.0, None, None]
    whole = marks_of(WEARS, notes("contamination: soot"))
    assert whole["contamination"].to_list() == ["soot", "soot", "soot", None]
    assert whole["contaminated_min"].to_list() == [None] * 4  # unknown is not 0
    stranger = marks_of(WEARS, notes({"text": "contamination: soot", "set_id": "S-9"}))
    assert stranger["contamination"].to_list() == [None] * 4


def test_a_later_note_corrects_and_a_withdrawn_one_marks_nothing() -> None:
    later = notes("contamination: soot", "contamination: soot, decontaminated 09:10")
    assert marks_of(WEARS, later)["decontaminated"][0] == "09:10"
    gone = notes("Near miss: 2031-17", {"text": "Withdrawn: wrong incident", "withdraws": "D-1/1/0"})
    assert marks_of(WEARS, gone)["near_miss"].to_list() == [None] * 4


def test_contamination_notes_add_up() -> None:
    """A later note took the place of the earlier ones: forty years of a register lost soot and asbestos."""

    def noted(*texts: str) -> tuple[object, ...]:
        return marks_of(WEARS, notes(*({"text": text, "set_id": "S-2"} for text in texts))).row(2)[1:]

    both = ("Contamination: soot, 25 min", "Contamination: asbestos, 5 min")
    assert noted(*both) == ("soot; asbestos", 30.0, None)
    assert noted(both[0], "Contamination: asbestos") == ("soot; asbestos", None, None)
    washed = "Contamination: everybody changed clothes, decontaminated 22:00"
    assert noted(*both, washed) == ("soot; asbestos; everybody changed clothes", 30.0, "22:00")
    assert noted(*both, "Contamination: decontaminated 22:00") == ("soot; asbestos", 30.0, "22:00")
    assert noted("Contamination: soot, 25 min, decontaminated 21:00", both[1]) == (
        "soot; asbestos",
        30.0,
        None,
    )
    assert noted(both[0], "Contamination: none") == ("soot", 25.0, None)


@pytest.mark.parametrize("word", ["none", "None.", "no", "negative"])
def test_no_contamination_is_none(word: str) -> None:
    assert contamination_of(f"Contamination: {word}") is None
    assert contamination_of(f"Contamination: {word}, 5 min") is not None
