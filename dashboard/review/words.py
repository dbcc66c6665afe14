"""The words of the review page, its figures and exports, by name; `words.toml` has them."""

from collections.abc import Callable
from typing import Any

from dashboard.words import words_beside

__getattr__: Callable[[str], str] = words_beside(__file__)
LANE_EXPLAINED: dict[str, str]
READOUT: dict[str, str]
MESSAGE_HEADS: dict[str, str]
ENDED_HOW: dict[str, str]
MARKS: dict[str, str]
ALARMS_NARROW: dict[str, str]
CALLS: dict[str, str]
SEVERITY: dict[str, str]
SOURCES: dict[str, str]
CERTAINTIES: dict[str, str]
WINDOWS: dict[str, str]
MOVES: dict[str, str]
CLOCKS: dict[str, str]
UNIT_CHOICES: dict[str, str]
EXPORTS: dict[str, str]
PICTURES: dict[str, str]
INCIDENT_HEADS: list[str]
WEAR_HEADS: list[str]
TURN_BACK_FIRST: list[str]
TURN_BACK_LAST: list[str]
PAGE: dict[str, str]
TABLES: dict[str, dict[str, Any]]
