"""Every unit of a column has its UCUM code, and another program's parser reads it as the same unit."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.tables import COLUMNS
from analysis.trends.audit import WORDS, everywhere
from dashboard.units import UNITS
from ingest.contract.columns import ARROW_SCHEMAS
from ingest.contract.units import UCUM, described

WITHOUT = {"", "1", "dBm"}  # UCUM has no decibel over a milliwatt
READ_AS = {
    "bar": "1 bar",
    "°C": "1 degree_Celsius",
    "s": "1 second",
    "min": "1 minute",
    "1/min": "1.0 / minute",
    "m/s²": "1.0 meter / second ** 2",
    "L": "1 liter",
    "l": "1 liter",
    "L/min": "1.0 liter / minute",
    "ppm": "1 ppm",
    "‰": "1 ppth",
    "h": "1 hour",
    "d": "1 day",
    "psi": "1 pound_force_per_square_inch",
    "°F": "1 degree_Fahrenheit",
    "ft³": "1 foot ** 3",
    "ft³/min": "1.0 foot ** 3 / minute",
}


def units() -> set[str]:
    ours = {unit for columns in COLUMNS.values() for unit, _ in columns.values()}
    fields = [field for schema in ARROW_SCHEMAS.values() for field in schema]
    shown = {label for choice in UNITS.values() for label in choice.label.values()}
    trends = [everywhere(published=one) for one in (True, False)] + list(WORDS["own"].values())
    ours |= shown | {unit for notes in trends for unit, _ in notes.values()}
    return ours | {(field.metadata or {}).get(b"unit", b"").decode() for field in fields}


@pytest.fixture(scope="module")
def registry() -> Any:
    from ucumvert import PintUcumRegistry

    return PintUcumRegistry()


@pytest.mark.parametrize("unit", sorted(units() & UCUM.keys() - WITHOUT))
def test_another_parser_reads_the_code_as_this_unit(unit: str, registry: Any) -> None:
    """Reference library: ucumvert, after the UCUM grammar 2.2."""
    assert unit in READ_AS, f"add {unit} to READ_AS: how another parser should read it"
    assert f"{registry.from_ucum(UCUM[unit]):D}" == READ_AS[unit]


def test_only_what_ucum_lacks_has_no_code() -> None:
    lacking = {unit for unit in units() if "ucum" not in described(unit, "x")} - WITHOUT
    assert not lacking, f"add {lacking} to UCUM in ingest/contract/units.py"
