"""The page of how each figure is made: the documents of the packages, shown unchanged."""

import re
from importlib.resources import files
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlencode

from dash import dcc, html

from dashboard import words
from dashboard.context import PageContext
from dashboard.markup import from_html

DOCUMENTS: Final[dict[str, tuple[str, str]]] = {
    "method": ("analysis", "docs/method.md"),
    "findings": ("analysis", "docs/findings.md"),
    "tables": ("analysis", "docs/tables.md"),
    "profile": ("analysis", "docs/profile.md"),
    "for_makers": ("ingest", "docs/for_makers.md"),
    "desk": ("dashboard", "docs/desk.md"),
}
"""By name in the address: the package that holds the document, and where in it."""

_HEADING = re.compile(r"^#{2,3} (.+)$", re.M)
_PICTURE = re.compile(r"^!\[[^\]]*\]\([^)\s]+\)\n\n?", re.M)  # the pages themselves are at hand
_LINK = re.compile(r"\[([^\]]+)\]\(([^)\s]+)\)")


def layout(context: PageContext, query: dict[str, str]) -> Any:
    """Return one document, `?document=NAME`; the method where none is named or the name is unknown."""
    del context
    name = query.get("document", "")
    name = name if name in DOCUMENTS else "method"
    text = document(name)
    page = from_html(
        Path(__file__).with_suffix(".html.j2"),
        words=words,
        chosen=name,
        address=address,
        anchor=anchor,
        short=_short,
        headings=_HEADING.findall(text),
        sections=sections(text),
        markdown=dcc.Markdown,
    )
    return html.Div(page, className="method")


def address(name: str, place: str = "") -> str:
    """Return where a document is shown, at a heading or at what the first column of a table names."""
    return f"/method?{urlencode({'document': name})}" + (f"#{place}" if place else "")


def document(name: str) -> str:
    """Return a document with links that lead to the others; what is not shown here keeps its name alone."""
    package, path = DOCUMENTS[name]
    shown = {file.rpartition("/")[2]: one for one, (_, file) in DOCUMENTS.items()}

    def led(link: re.Match[str]) -> str:
        text, target = link.groups()
        file, _, place = target.partition("#")
        one = name if not file else shown.get(file.rpartition("/")[2])
        return f"[{text}]({address(one, place)})" if one is not None else text

    written = files(package).joinpath(path).read_text(encoding="utf-8")
    text = _LINK.sub(led, _PICTURE.sub("", written))
    return re.sub(r"(?<=\d) (?=%)", "\N{NO-BREAK SPACE}", text)


def sections(text: str) -> list[tuple[str, str]]:
    """Return a document cut before each of its headings below the title: (heading, text with it)."""
    starts = [found.start() for found in _HEADING.finditer(text)]
    parts = [text[start:end] for start, end in zip([0, *starts], [*starts, len(text)], strict=True)]
    return list(zip(["", *_HEADING.findall(text)], parts, strict=True))


def anchor(heading: str) -> str:
    """Return the name of a heading in an address, as the documents' own links write it."""
    return re.sub(r"[^\w\- ]", "", heading.lower()).strip().replace(" ", "-")


def _short(heading: str) -> str:
    return re.sub(r" \(.*\)$", "", heading).replace("`", "")
