"""Words that several pages share, by name (`words.toml` has them), and how a room gets its own.

Trade words where the trade has one, plain words where it has none. The scripts are handed their words;
nothing is worded in JavaScript.
"""

from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path

import msgspec


def words_beside(module: str) -> Callable[[str], str]:
    """Return the `__getattr__` of a module, named by its file: its words are in the TOML file beside it.

    What is no text, but a table or a list of texts, is declared in the module by name and type.
    """
    told: dict[str, str] = msgspec.toml.decode(Path(module).with_suffix(".toml").read_bytes())

    def word(name: str) -> str:
        if name not in told:
            raise AttributeError(f"{module} has no word {name}")
        return told[name]

    return word


__getattr__: Callable[[str], str] = words_beside(__file__)
PAGES: dict[str, str]
DOCUMENTS: dict[str, str]
ALARMS: dict[str, str]


def shortened(name: str, most: int) -> str:
    """Return a name in at most so many letters: its beginning and its end, where names of one kind differ."""
    if len(name) <= most:
        return name
    head = most // 2
    return f"{name[:head]}…{name[len(name) - (most - head - 1) :]}"


def footer(profile_name: str) -> str:
    """Return the footer: version and doctrine profile in force."""
    return f"underair {version('underair')} · Profile: {profile_name} · Recorded times are UTC"
