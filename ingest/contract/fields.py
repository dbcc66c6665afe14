"""What the contract says of each field, read from the types: for schemas, columns and refusals alike."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

from msgspec import Struct, inspect

from ingest.contract.kinds import KIND_TYPES

Shape = Literal["integer", "number", "string", "boolean", "object", "array"]
_SHAPES: dict[type[inspect.Type], Shape] = {
    inspect.IntType: "integer",
    inspect.FloatType: "number",
    inspect.StrType: "string",
    inspect.LiteralType: "string",
    inspect.BoolType: "boolean",
    inspect.StructType: "object",
    inspect.ListType: "array",
}


@dataclass(frozen=True)
class Field:
    """One field of a kind of message."""

    name: str
    shape: Shape
    required: bool
    meaning: str
    unit: str = ""
    low: float | None = None  # bounds, both included, of a number or of the length of a text or list
    high: float | None = None
    one_of: tuple[str, ...] = ()
    pattern: str | None = None
    format: str | None = None
    words: str | None = None
    members: tuple[Field, ...] = ()  # the fields of an object, or of the objects in a list

    @property
    def is_time(self) -> bool:
        """Whether the text is an RFC 3339 time."""
        return self.format == "date-time"

    @property
    def expected(self) -> str:
        """What this field may be, in words with the unit."""
        if self.words is not None:
            return self.words
        if self.one_of:
            return "one of " + ", ".join(self.one_of)
        if self.shape in ("integer", "number"):
            noun = "an integer" if self.shape == "integer" else "a number"
            unit = f" {self.unit}" if self.unit not in ("", "1") else ""
            if self.low is not None and self.high is not None:
                return f"{noun} {self.low:.17g}..{self.high:.17g}{unit}"
            if self.low is not None:
                return f"{noun} of at least {self.low:.17g}{unit}"
            return f"a finite {'integer' if self.shape == 'integer' else 'number'}{unit and f' in{unit}'}"
        if self.shape == "string":
            if self.high is None:
                return "text"
            least = "" if self.low is None else f"{self.low:.17g} to "
            return f"text of {least or 'up to '}{self.high:.17g} characters"
        return {"boolean": "true or false", "object": "an object"}.get(
            self.shape, f"a list of up to {self.high} objects"
        )


@cache
def fields_of(kind: str) -> tuple[Field, ...]:
    """Return the fields of a kind (without ``kind`` itself): the speaker's id, the common ones, its own."""
    fields = _fields(KIND_TYPES[kind])
    speaker = speaker_field(kind)
    return tuple(sorted(fields, key=lambda field: field.name != speaker))


def speaker_field(kind: str) -> Literal["set_id", "desk_id"]:
    """Return the name of the field that says who speaks."""
    return "desk_id" if "desk_id" in KIND_TYPES[kind].__struct_fields__ else "set_id"


def _fields(struct: type[Struct]) -> tuple[Field, ...]:
    described = inspect.type_info(struct)
    if not isinstance(described, inspect.StructType):
        raise TypeError(f"{struct} is no struct")
    return tuple(_field(field) for field in described.fields)


def _field(declared: inspect.Field) -> Field:
    kind: Any = declared.type
    schema: dict[str, Any] = {}
    extra: dict[str, Any] = {}
    while isinstance(kind, inspect.Metadata | inspect.UnionType):
        if isinstance(kind, inspect.UnionType):
            kind = next(each for each in kind.types if not isinstance(each, inspect.NoneType))
            continue
        schema = {**(kind.extra_json_schema or {}), **schema}
        extra = {**(kind.extra or {}), **extra}
        kind = kind.type
    members: tuple[Field, ...] = ()
    if isinstance(kind, inspect.StructType):
        members = _fields(kind.cls)
    elif isinstance(kind, inspect.ListType) and isinstance(kind.item_type, inspect.StructType):
        members = _fields(kind.item_type.cls)
    if isinstance(kind, inspect.StrType | inspect.ListType):
        low, high = kind.min_length, kind.max_length
    else:
        low, high = getattr(kind, "ge", None), getattr(kind, "le", None)
    return Field(
        name=declared.name,
        shape=_SHAPES[type(kind)],
        required=declared.required,
        meaning=schema.get("description", ""),
        unit=extra.get("unit", ""),
        low=low,
        high=high,
        one_of=tuple(str(value) for value in getattr(kind, "values", ())),
        pattern=extra.get("pattern"),
        format=extra.get("format"),
        words=extra.get("words"),
        members=members,
    )
