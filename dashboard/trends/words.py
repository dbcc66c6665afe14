"""Every word of the trends pages, by name; `words.toml` has them."""

from collections.abc import Callable
from typing import Any

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
RULE_LIMITS: list[str]
PARTS_TABLE: dict[str, str]
SHEET_AMOUNT: dict[str, str]
SHEET_SIGNAL: dict[str, str]
HEADS: dict[str, list[str]]
LISTINGS: dict[str, dict[str, Any]]
