"""Every word of the trends pages, by name; `words.toml` has them."""

from __future__ import annotations

from collections.abc import Callable

from dashboard.words import words_beside

__getattr__: Callable[[str], str] = words_beside(__file__)
UNIT_CHOICES: dict[str, str]
KIND_WORDS: dict[str, str]
EQUIPMENT: dict[str, str]
MEASURE: dict[str, str]
UNIT: dict[str, str]
RULE: dict[str, str]
REASON: dict[str, str]
OTHERS: dict[str, str]
SEEN_PART: dict[str, str]
FORECAST_GROUPS: dict[str, str]
PART_NAMES: dict[str, str]
FLAG: dict[str, str]
AMOUNT: dict[str, str]
CLASS_NAMES: list[str]
TRAINING_HEADS: list[str]
TEST_HEADS: list[str]
DUE_HEADS: list[str]
PART_HEADS: list[str]
SHEET_PART_HEADS: list[str]
KEY_HEADS: list[str]
INSIDE_HEADS: list[str]
PLANNING_HEADS: list[str]
PLANNING_INSIDE_HEADS: list[str]
REST_HEADS: list[str]
RULE_LIMITS: list[str]
PLANNING_TABLE_HEADS: list[str]
SET_HEADS: list[str]
MONTH_HEADS: list[str]
PEOPLE_HEADS: list[str]
FORECAST_HEADS: list[str]
GROUP_HEADS: list[str]
CHANGE_HEADS: list[str]
