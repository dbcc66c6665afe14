"""The words of sign-in, refusals and the access page, by name; `words.toml` has them."""

from collections.abc import Callable

from dashboard.words import words_beside

__getattr__: Callable[[str], str] = words_beside(__file__)
ACCOUNT_HEADS: list[str]
SESSION_HEADS: list[str]
LOG_HEADS: list[str]
