"""A mapping file: which topics a source uses, and where in its JSON each value of the contract is.

`examples/` beside this module holds two mappings that document every option. The mapper that applies them is
`ingest.mapping.mapper`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from msgspec import Meta, Struct

from ingest.contract.errors import BadSettings
from ingest.contract.fields import Field, fields_of
from ingest.contract.kinds import ID_WORDS, SET_KINDS, Alarm
from ingest.contract.units import known_units
from ingest.toml_faults import as_struct, document_of

EXAMPLES = Path(__file__).with_name("examples")
LARGEST_FILE_BYTES = 256 * 1024
_ID = r"\A[A-Za-z0-9._-]{1,40}\Z"
_is_pointer = re.compile(r"(/([^~/]|~[01])*)+").fullmatch
_LEVEL = re.compile(r"\{([a-z_]+)\}")
_NO_POINTER = "{}: expected a JSON Pointer such as /cylinder/pressure, got {!r}"
_EXPECTED = {"$.name": ID_WORDS, "$.service": ID_WORDS}


_OF_A_SOURCE = {
    "set_id": Field("", "string", True, ""),
    **dict.fromkeys(("boot", "counter"), Field("", "integer", True, "")),
    "uptime_s": Field("", "number", True, "", "s"),
}


class Value(Struct, frozen=True, forbid_unknown_fields=True):
    """Where one value comes from: a place in the JSON, a level of the topic, always the same, or parts."""

    pointer: str = ""  # JSON Pointer (RFC 6901), such as ``/cylinder/pressure``
    level: str = ""  # name of a level of the topic
    value: Any = None  # the same for all
    parts: dict[str, Value] = {}  # the members of an object such as ``cylinders``, each a value
    unit: str = ""  # unit of the source; of the contract when it is empty
    # What the source's number is multiplied by, such as 0.1 for tenths, before its unit is converted.
    times: Annotated[float, Meta(gt=0)] = 1.0
    words: dict[str, str] = {}  # what the source says, and what the contract calls it
    optional: bool = False  # the message is made without this field when the source does not give it


class TimeValue(Struct, frozen=True, forbid_unknown_fields=True):
    """When the source measured: its form, and where it is.

    ``received``: the source gives no time, so the time of receipt is used and the payload says so.
    ``local``: a time without an offset, in `zone`; of an hour that the clocks repeat, the one nearer
    to the time of receipt.
    """

    form: Literal["rfc3339", "epoch_s", "epoch_ms", "local", "received"] = "rfc3339"
    pointer: str = ""
    zone: str = ""


class MessageRule(Struct, frozen=True, forbid_unknown_fields=True):
    """One kind of message that an object gives.

    It is made when the source gives every field that is not optional; `once` makes it once a power-up.
    """

    kind: str
    fields: dict[str, Value]
    once: bool = False


_TRUE, _FALSE = ("1", "true", "yes", "on"), ("0", "false", "no", "off")


def _same(value: bool | int | str) -> bool | str:
    """Return what a flag says, however it is written: true, 1, "1" and "ON" are the same."""
    said = str(value).strip().casefold()
    return said in _TRUE if said in _TRUE + _FALSE else said


class FlagRule(Struct, frozen=True, forbid_unknown_fields=True, dict=True):
    """A flag of the source that becomes an alarm: `raised` when it turns true, else `cleared`.

    At `pointer` there is a value, or a list of the words for all that is active.
    """

    alarm: Alarm
    pointer: str
    true: tuple[bool | int | str, ...] = (True,)
    # What means no alarm. Without it: all other values where `true` has words; else false, 0 and "".
    false: tuple[bool | int | str, ...] | None = None
    # The value is a number whose bits are flags, and this is the alarm's: 0 is the bit that counts 1.
    bit: Annotated[int, Meta(ge=0, le=63)] | None = None

    @cached_property
    def _known(self) -> dict[bool | str, bool]:
        false = (False, "") if self.false is None else self.false
        return {_same(one): False for one in false} | {_same(one): True for one in self.true}

    @cached_property
    def _others(self) -> bool | None:
        of_words = any(isinstance(_same(one), str) and not str(one).isdigit() for one in self.true)
        return False if of_words and self.false is None else None

    def read(self, value: bool | int | str) -> bool | None:
        """Return whether a value means the alarm; None when the mapping does not say."""
        if self.bit is not None:
            number = isinstance(value, int) and not isinstance(value, bool)
            whole = int(value) if number or re.fullmatch(r"\s*[0-9]{1,20}\s*", str(value)) else None
            return None if whole is None else bool(whole >> self.bit & 1)
        return self._known.get(_same(value), self._others)


class Source(Struct, frozen=True, forbid_unknown_fields=True, dict=True):
    """One kind of object that is published, and what is made of it.

    Several sources may name one topic: each reads every object there.
    """

    topic: Annotated[str, Meta(min_length=1, max_length=200)]
    set_id: Value
    # Pointer to a list of which each item is read by itself; `*` in a pointer is the item. Lists in the items
    # of a list have a `*` as well.
    each: str | None = None
    time: TimeValue = TimeValue()
    boot: Value | None = None
    counter: Value | None = None
    uptime_s: Value | None = None
    new_power_up_after_s: Annotated[float, Meta(ge=10, le=86_400)] = 600.0
    message: list[MessageRule] = []
    flag: list[FlagRule] = []

    @cached_property
    def filter(self) -> str:
        """The MQTT topic filter to subscribe to."""
        return _LEVEL.sub("+", self.topic)

    @cached_property
    def matches(self) -> re.Pattern[str]:
        """The expression that takes a topic apart into its named levels."""
        levels = (
            f"(?P<{named[1]}>[^/]+)" if (named := _LEVEL.fullmatch(level)) else re.escape(level)
            for level in self.topic.split("/")
        )
        return re.compile("/".join(levels))

    def meets(self, other: Source) -> bool:
        """Return whether there may be a topic that both name."""
        mine, theirs = self.filter.split("/"), other.filter.split("/")
        return len(mine) == len(theirs) and all(
            "+" in (one, two) or one == two for one, two in zip(mine, theirs, strict=True)
        )


class Mapping(Struct, frozen=True, forbid_unknown_fields=True):
    """How one maker's or gateway's JSON becomes messages of the contract."""

    name: Annotated[str, Meta(pattern=_ID)]  # every message made by this mapping names it in ``origin``
    version: Annotated[int, Meta(ge=1)]  # to be raised with every change; it is part of ``origin``
    service: Annotated[str, Meta(pattern=_ID)]
    source: Annotated[list[Source], Meta(min_length=1)]

    @property
    def origin(self) -> str:
        """What the payload of every message made by this mapping says in ``origin``."""
        return f"{self.name}/{self.version}"


def load_mapping(path: str | Path) -> Mapping:
    """Read a mapping file; `BadSettings` says where which value is wrong, and what was expected."""
    return read_mapping(bytes_of(path), str(path))


def bytes_of(path: str | Path) -> bytes:
    """Return a mapping file's bytes, one too many of one that is too long to be read."""
    try:
        with Path(path).open("rb") as file:
            return file.read(LARGEST_FILE_BYTES + 1)
    except OSError as error:
        raise BadSettings(f"mapping {path} cannot be read: {error.strerror}") from error


def read_mapping(raw: bytes, where: str) -> Mapping:
    """Read the text of a mapping file; as `load_mapping`."""
    if len(raw) > LARGEST_FILE_BYTES:
        raise BadSettings(f"mapping {where} has more than {LARGEST_FILE_BYTES:,} bytes; is it a mapping?")
    try:
        told = document_of(raw.decode())
    except ValueError as error:
        raise BadSettings(f"mapping {where} is not TOML: {error}") from error
    mapping = as_struct(told, Mapping, f"mapping {where}", f"{EXAMPLES.name}/", _EXPECTED)
    for number, source in enumerate(mapping.source):
        _check(source, f"mapping {where}: source[{number}]")
    return mapping


def _check(source: Source, where: str) -> None:
    levels = source.topic.split("/")
    for level in levels:
        if set(level) & set("+#") or ("{" in level and not _LEVEL.fullmatch(level)):
            raise BadSettings(
                f"{where}.topic: name each varying level, such as {{unit}}, got {level!r} in {source.topic!r}"
            )
    if levels[:1] == ["underair"]:
        raise BadSettings(f"{where}.topic: underair/... belongs to the contract, got {source.topic!r}")
    if not source.message and not source.flag:
        raise BadSettings(f"{where} makes nothing: it has neither a message nor a flag")
    names = {found[1] for level in levels if (found := _LEVEL.fullmatch(level))}
    for place, value, field in _values(source, where):
        _check_value(value, place, names, field)
    if source.time.form == "local":
        try:
            ZoneInfo(source.time.zone)
        except (KeyError, ValueError, OSError):
            raise BadSettings(
                f"{where}.time.zone: expected a zone such as Europe/Vienna, got {source.time.zone!r}"
            ) from None
    elif source.time.zone:
        raise BadSettings(f'{where}.time.zone is only for form = "local", got form = {source.time.form!r}')
    if (source.time.form == "received") == bool(source.time.pointer):
        raise BadSettings(f'{where}.time: give a pointer, or form = "received" without one')
    if source.each and not _is_pointer(source.each):
        raise BadSettings(_NO_POINTER.format(f"{where}.each", source.each))
    for number, flag in enumerate(source.flag):
        if flag.bit is not None and (flag.true != (True,) or flag.false is not None):
            raise BadSettings(f"{where}.flag[{number}]: give `bit`, or `true` and `false`, not both")
    pointers = {f"{place}.pointer": value.pointer for place, value, _ in _values(source, where)}
    pointers[f"{where}.time.pointer"] = source.time.pointer
    pointers |= {f"{where}.flag[{number}].pointer": flag.pointer for number, flag in enumerate(source.flag)}
    for place, pointer in pointers.items():
        if pointer and not _is_pointer(pointer):
            raise BadSettings(_NO_POINTER.format(place, pointer))
        if pointer and not _fits(pointer, source.each):
            raise BadSettings(
                f"{place}: `*` is an item of the list that `each` names, such as /units/* with "
                f'each = "/units"; such a list is read by `*` alone; got {pointer!r}, each = {source.each!r}'
            )


def _values(source: Source, where: str) -> Iterator[tuple[str, Value, Field]]:
    """Yield each value of a source, with its place and the field that it is for.

    Raises `BadSettings` where there is no such field, or one that is needed is missing.
    """
    for name, field in _OF_A_SOURCE.items():
        if (value := getattr(source, name)) is not None:
            yield f"{where}.{name}", value, field
    for number, rule in enumerate(source.message):
        place = f"{where}.message[{number}]"
        if rule.kind not in SET_KINDS:
            raise BadSettings(f"{place}.kind: expected one of {', '.join(SET_KINDS)}, got {rule.kind!r}")
        common = ("set_id", "boot", "seq", "time", "uptime_s")
        known = {field.name: field for field in fields_of(rule.kind) if field.name not in common}
        yield from _each(rule.fields, f"{place}.fields", dict(sorted(known.items())), f"{place}: {rule.kind}")


def _each(
    values: dict[str, Value], where: str, known: dict[str, Field], whole: str, part: str = "field"
) -> Iterator[tuple[str, Value, Field]]:
    for name, value in values.items():
        if name not in known:
            raise BadSettings(f"{whole} has no {part} {name!r}; it has {', '.join(known)}")
        place, field = f"{where}.{name}", known[name]
        yield place, value, field
        members = {each.name: each for each in field.members}
        yield from _each(value.parts, place, members, place, "part") if value.parts else ()
    missing = sorted(name for name, field in known.items() if field.required and name not in values)
    if missing:
        raise BadSettings(f"{whole} needs the {part} {missing[0]!r}")


def _fits(pointer: str, each: str | None) -> bool:
    lists = [] if each is None else each.split("/*")
    stars = pointer.split("/").count("*")
    begins = "".join(f"{one}/*" for one in lists[:stars])
    inside = lists[stars] if stars < len(lists) else None
    return (
        stars <= len(lists)
        and pointer.startswith(begins)
        and (inside is None or not pointer[len(begins) :].startswith(f"{inside}/"))
    )


def _check_value(value: Value, where: str, names: set[str], field: Field) -> None:
    given = bool(value.pointer) + bool(value.level) + (value.value is not None) + bool(value.parts)
    if given != 1:
        raise BadSettings(f"{where}: give one of pointer, level, value and parts, got {given} of them")
    if value.parts and field.shape != "object":
        raise BadSettings(f"{where} has no parts: it is {field.expected}")
    if value.times != 1.0 and field.shape != "number":
        raise BadSettings(f"{where}.times is only for numbers that may have decimals")
    if value.level and value.level not in names:
        has = ", ".join(sorted(names)) or "no named level"
        raise BadSettings(f"{where}.level: the topic has {has}, got {value.level!r}")
    units = known_units(field.unit)
    if value.unit and value.unit not in units:
        raise BadSettings(f"{where}.unit: expected one of {', '.join(units)}, got {value.unit!r}")
