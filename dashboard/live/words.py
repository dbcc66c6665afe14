"""The words of the live page, by name; `words.toml` has them (`dashboard.words` has the shared ones)."""

from collections.abc import Callable
from typing import Any

from dashboard.words import words_beside

__getattr__: Callable[[str], str] = words_beside(__file__)
ATTENTION: dict[str, str]
REASONS: dict[str, str]
COUNTS: dict[str, str]
COUNTS_IF_ANY: dict[str, str]
WHOSE_MOMENT: dict[str, str]
STANDBY: dict[str, str]
ORDERS: dict[str, str]
SAID: dict[str, str]
OUT_HOW: dict[str, str]
SEEN_STATE: dict[str, str]
PROMPT: list[str]
PAGE: dict[str, Any]
PAST_PAGE: dict[str, Any]
