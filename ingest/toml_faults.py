"""Say what is wrong in a TOML file, in words for the person who wrote it."""

import re
import reprlib
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from ingest.contract.errors import BadSettings

Form = TypeVar("Form")
LARGEST_CHARACTERS = 1_000_000  # a roster of 10,000 wearers has as many
_shown = reprlib.Repr()
_shown.maxstring = _shown.maxother = 200
_TYPES = {
    "float": "a number",
    "int": "a whole number",
    "str": "text",
    "bool": "true or false",
    "object": "a table",
    "array": "a list",
}
_UNITS = {"_l_min": "L/min", "_m_s2": "m/s²", "_bar": "bar", "_min": "min", "_c": "°C", "_s": "s", "_l": "L"}


def struct_in(
    path: str | Path, form: type[Form], example: str, expected: Mapping[str, str] | None = None
) -> Form:
    """Return what a settings file says, as a struct.

    - `form`: the struct, which forbids unknown fields.
    - `example`: name of the file that documents every option.
    - `expected`: as in `explain`.

    Raises `BadSettings` with the key's path when one is unknown, of another type or out of range.
    """
    return as_struct(document_in(path), form, f"settings {path}", example, expected)


def document_in(path: str | Path, what: str = "settings") -> dict[str, Any]:
    """Return what a TOML file of the user's says; `BadSettings` when it cannot be read."""
    try:
        return document_of(Path(path).read_text(encoding="utf-8"))
    except OSError as error:
        raise BadSettings(f"{what} {path} cannot be read: {error.strerror}") from error
    except ValueError as error:
        raise BadSettings(f"{what} {path} is not TOML: {error}") from error


def as_struct(
    told: Mapping[str, Any],
    form: type[Form],
    where: str,
    example: str,
    expected: Mapping[str, str] | None = None,
) -> Form:
    """Return a document as a struct; otherwise as `struct_in`."""
    try:
        return msgspec.convert(told, form)
    except (msgspec.ValidationError, RecursionError) as error:
        what = explain(str(error), told, expected or {})
        raise BadSettings(f"{where}: {what}; {example} documents every option") from error


def document_of(text: str) -> dict[str, Any]:
    """Return what a TOML text says; `ValueError` says in words what is wrong with it."""
    if len(text) > LARGEST_CHARACTERS:
        raise ValueError(f"it has {len(text):,} characters, at most {LARGEST_CHARACTERS:,} are read")
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise ValueError("its brackets are nested too deep") from None


def explain(fault: str, document: Mapping[str, Any], expected: Mapping[str, str]) -> str:
    """Return what is wrong, the value, and what was expected with its unit, and where.

    - `fault`: as msgspec says it: "Expected `float` <= 1.0 - at `$.air.ready_fraction`".
    - `document`: in which the value itself is looked up.
    - `expected`: by path: what belongs there, if type and bounds do not say it.
    """
    match = re.search(r"^(?P<what>.*?)(?: - at `(?P<path>\$[^`]*)`)?$", fault, flags=re.DOTALL)
    what, path = (match["what"], match["path"] or "$") if match else (fault, "$")
    unknown = re.search(r"unknown field `([^`]+)`", what)
    if unknown:
        return f"unknown key {unknown[1]!r} (at {path}.{unknown[1]})"
    missing = re.search(r"missing required field `([^`]+)`", what)
    if missing:
        return f"the key {missing[1]!r} is missing (at {path})"
    value: Any = document
    for name, index in re.findall(r"\.([A-Za-z0-9_]+)|\[(\d+)\]", path):
        if isinstance(value, dict) and name:
            value = value.get(name)
        elif isinstance(value, list) and index:
            value = value[int(index)]
    if path in expected:
        what = f"expected {expected[path]}"
    # Its words for types are Python's, and it knows no unit: the key's name does.
    what = re.sub(r", got `\w+`$", "", what)
    what = re.sub(r"`(\w+)`", lambda found: _TYPES.get(found[1], found[1]), what)
    unit = next((unit for ending, unit in _UNITS.items() if path.endswith(ending)), "")
    what += (f" {unit}" if what[-1].isdigit() else f" in {unit}") if unit else ""
    got = (
        "" if path == "$" or "[...]" in path else f", got {_shown.repr(value)}"
    )  # which item of a list it was is not known
    return f"{what[:1].lower()}{what[1:]}{got} (at {path})".replace("`", "")
