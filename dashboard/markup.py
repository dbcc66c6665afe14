"""Pages written as HTML: Jinja2 templates beside their modules, given to Dash as its components.

A component, or a list of them, stands in a template like any text: ``{{ graph }}``; None is nothing.
"""

import re
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import jinja2
from dash import html
from dash.development.base_component import Component
from jinja2.runtime import Context
from markupsafe import Markup

_NAMES = {"class": "className", "tabindex": "tabIndex"}  # of attributes, as Dash has them


def from_html(template: Path, **values: Any) -> list[Any]:
    """Return the components of a template, filled with values; texts are escaped."""
    reader = _Reader()
    reader.feed(_template(template).render(values, parts=reader.parts))
    reader.close()
    return reader.made


@cache
def _template(path: Path) -> jinja2.Template:
    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined, finalize=_as_text)
    # Line ends and indentation are for who reads the template; spaces within a line are kept.
    return environment.from_string(re.sub(r"\s*\n\s*", "", path.read_text(encoding="utf-8")))


@jinja2.pass_context
def _as_text(context: Context, value: Any) -> Any:
    """Put a component into the text as its number among the parts."""
    if isinstance(value, list):
        return Markup("").join(_as_text(context, one) for one in value)
    if not isinstance(value, Component):
        return "" if value is None else value
    context["parts"].append(value)
    return Markup('<part number="{}"/>').format(len(context["parts"]) - 1)


class _Reader(HTMLParser):
    """Makes components of a text of HTML in which every element is closed."""

    def __init__(self) -> None:
        super().__init__()
        self.parts: list[Component] = []
        self.made: list[Any] = []
        self._inside = [self.made]  # children of each element that is open
        self._open: list[dict[str, Any]] = []  # attributes of each

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._open.append({_NAMES.get(name, name): True if told is None else told for name, told in attrs})
        self._inside.append([])

    def handle_endtag(self, tag: str) -> None:
        told, children = self._open.pop(), self._inside.pop()
        if tag == "part":
            made = self.parts[int(told["number"])]
        else:
            made = getattr(html, tag.capitalize())(
                children[0] if len(children) == 1 else children or None, **told
            )
        self._inside[-1].append(made)

    def handle_data(self, data: str) -> None:
        self._inside[-1].append(data)
