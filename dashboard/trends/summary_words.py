"""Words of what is handed out, by name; `summary_words.toml` has them."""

from __future__ import annotations

from collections.abc import Callable

from dashboard.words import words_beside

__getattr__: Callable[[str], str] = words_beside(__file__)
PART_NAMES: dict[str, str]
FLAG: dict[str, str]
AMOUNT: dict[str, str]
KEY_HEADS: list[str]
INSIDE_HEADS: list[str]
PLANNING_HEADS: list[str]
PLANNING_INSIDE_HEADS: list[str]
PART_HEADS: list[str]
REST_HEADS: list[str]
