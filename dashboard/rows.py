"""Tables as neutral rows: made once, shown as a list that sorts in the browser and as markup on paper.

A cell is a text, or a dict with its text (``t``), what it sorts by (``v``), where it leads (``href``) and the
view that it jumps to (``jump``); paper shows the text alone.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any


def cell(text: str, value: float | str | None = None, href: str | None = None, jump: Any = None) -> Any:
    """Return one cell: its text, what it sorts by, where it leads, or the view that it jumps to."""
    parts = {"v": None if value != value else value, "href": href, "jump": jump}
    found = {name: part for name, part in parts.items() if part is not None}
    return {"t": text, **found} if found else text


def heads(*lines: str) -> list[str]:
    """Return a table's heads from lines that have them side by side, as in ``"Wearer | Team | Set"``."""
    return [head.strip(" ") for line in lines for head in line.split("|")]


def count(value: int) -> Any:
    """Return a count that sorts."""
    return cell(f"{value:,}", value=value)


def number(value: float | None, unit: str = "", places: int = 0) -> Any:
    """Return a figure with its unit that sorts; a dash where there is none."""
    return "–" if value is None else cell(f"{value:z,.{places}f} {unit}".strip(), value=value)


def text_of(made: Any) -> str:
    """Return what a cell says."""
    return str(made["t"]) if isinstance(made, dict) else str(made)


@dataclass(frozen=True)
class Table:
    """A table.

    Raises `ValueError` for a row that does not fit the heads.
    """

    name: str  # its id on a page
    caption: str
    heads: Sequence[str]  # words above its columns
    rows: list[list[Any]] = field(default_factory=list)  # texts, or cells made by `cell`
    note: str = ""  # a sentence under the caption
    empty: str = ""  # what it shows without a row
    numeric: Sequence[int] = ()  # columns that are set to the right
    search: tuple[str, str] | None = None  # words of a search box, when it shall have one

    def __post_init__(self) -> None:
        odd = next((row for row in self.rows if len(row) != len(self.heads)), None)
        if odd is not None:
            raise ValueError(
                f"{self.name}: a row has {len(odd)} cells, but there are {len(self.heads)} heads"
            )
