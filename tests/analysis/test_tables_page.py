"""The published page about the tables is what the tables say."""

from __future__ import annotations

from analysis.tables import TABLES
from ingest.contract.kinds import KINDS
from tests.tables_page import PAGE, page


def test_the_page_is_made_from_the_tables() -> None:
    assert PAGE.read_text(encoding="utf-8") == page(), "run: python -m tests.tables_page"


def test_every_table_and_kind_has_its_columns_on_the_page() -> None:
    text = page()
    for name, schema in TABLES.items():
        part = text.split(f"\n### {name}", 1)[1].split("\n###", 1)[0]
        assert all(f"`{column}`" in part for column in schema), name
    assert all(f"\n### {kind}\n" in text for kind in KINDS)
