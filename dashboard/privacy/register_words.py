"""The words of the exposure register's page, by name; `register_words.toml` has them."""

from collections.abc import Callable

from dashboard.words import words_beside

__getattr__: Callable[[str], str] = words_beside(__file__)
HEADS: list[str]
