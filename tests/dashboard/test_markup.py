"""Templates of pages become Dash's components, and no text becomes an element or an attribute."""

from __future__ import annotations

from pathlib import Path

import jinja2
import pytest
from dash import dcc, html

from dashboard.markup import from_html


def made(tmp_path: Path, text: str, **values: object) -> list[object]:
    path = tmp_path / "page.html.j2"
    path.write_text(text, encoding="utf-8")
    return from_html(path, **values)


def test_elements_texts_and_attributes_become_components(tmp_path: Path) -> None:
    text = """
    <p class="note">one <b>two</b> three</p>
    <div id="empty" hidden tabindex="0" data-set="a:b" aria-label="name"></div>
    """
    note, empty = made(tmp_path, text)
    assert isinstance(note, html.P)
    assert note.className == "note"
    assert [note.children[0], note.children[1].children, note.children[2]] == ["one ", "two", " three"]
    told = {"id": "empty", "hidden": True, "tabIndex": "0", "data-set": "a:b", "aria-label": "name"}
    assert empty.to_plotly_json()["props"] == {"children": None, **told}


def test_a_component_or_several_stand_where_the_template_has_them(tmp_path: Path) -> None:
    graph, texts = dcc.Graph(id="g"), [html.P("a"), html.P("b")]
    page = "<section>{{ graph }}{{ none }}{{ texts }}</section>{{ graph }}"
    section, last = made(tmp_path, page, graph=graph, texts=texts, none=None)
    assert section.children == [graph, *texts]
    assert last is graph


@pytest.mark.parametrize(
    "name", ['<b onclick="x()">&amp;</b>', "two\n  lines", '"><part number="0"/>', "\u2028\x00'"]
)
def test_what_comes_from_outside_stays_text(tmp_path: Path, name: str) -> None:
    (element,) = made(tmp_path, '<a href="/x?{{ name }}" title="{{ name }}">{{ name }}</a>', name=name)
    shown = "".join([element.children] if isinstance(element.children, str) else element.children)
    assert shown == name
    assert (element.title, element.href) == (name, f"/x?{name}")
    assert set(element.to_plotly_json()["props"]) == {"children", "title", "href"}


def test_a_name_that_nobody_gave_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(jinja2.UndefinedError, match="'missing' is undefined"):
        made(tmp_path, "<p>{{ missing }}</p>")
