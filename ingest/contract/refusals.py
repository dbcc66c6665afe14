"""The slow, exact reading of a payload: says what is wrong with it, where, and what was expected.

`ingest.contract.messages.decode` comes here only when the fast decoder stumbles, which is rare for what
sets send.
The two accept the same; here JSON's own view of a value counts (``5.0`` is an integer).
"""

import json
import re
from typing import Any, NoReturn

from ingest.contract.errors import RefusedMessage
from ingest.contract.fields import Field, fields_of
from ingest.contract.kinds import LARGEST, MAX_PAYLOAD_BYTES
from ingest.contract.times import check_time
from ingest.contract.topics import Topic, is_id
from ingest.contract.units import BAR_IN_A_PSI

DEEPEST = 64
_TEXT_OR_BRACKET = re.compile(rb'"(?:[^"\\]|\\.)*+"?|[\[\]{}]', re.DOTALL)
_TYPES: dict[str, Any] = {"boolean": bool, "object": dict, "array": list}


def depth_exceeds(payload: bytes) -> bool:
    """Return whether objects and lists are nested deeper than `DEEPEST`, without recursion."""
    depth = 0
    for found in _TEXT_OR_BRACKET.finditer(payload):
        depth += (found[0] in (b"[", b"{")) - (found[0] in (b"]", b"}"))
        if depth > DEEPEST:
            return True
    return False


def read_exactly(topic: Topic, payload: bytes) -> dict[str, Any]:
    """Read a payload slowly and exactly.

    Returns the JSON object with integral floats as integers where the contract wants an integer.

    Raises `RefusedMessage` with the reason and the JSON path.
    """
    value = _json_object(payload)
    _agree(value, "kind", topic.kind)
    _agree(value, f"{topic.speaker}_id", topic.speaker_id)
    _check_members(fields_of(topic.kind), value, "$")
    _check_together(topic.kind, value)
    return value


def _check_together(kind: str, value: dict[str, Any]) -> None:
    if kind == "setup" and "chosen" in value:
        held = len(value.get("choices", ()))
        if value["chosen"] >= held:
            raise RefusedMessage(
                f"chosen must index into choices, from 0, got {value['chosen']} with {held} choices",
                "$.chosen",
            )
    if kind == "motion" and not value.keys() & {"motion_m_s2", "still_s"}:
        raise RefusedMessage(
            "motion_m_s2 is missing; expected a number of at least 0 m/s², or still_s in its place",
            "$.motion_m_s2",
        )
    named = value.keys() & {"wearer_id", "team"}
    if kind == "roll_call" and value["state"] in ("answered", "missing") and not named:
        raise RefusedMessage(
            f"wearer_id is missing; a roll call that is {value['state']} must name wearer_id or team",
            "$.wearer_id",
        )


def too_long(payload_bytes: int) -> str:
    """Return the reason for refusing a payload of this length."""
    return f"the payload is {payload_bytes} bytes; at most {MAX_PAYLOAD_BYTES} are allowed"


def _json_object(payload: bytes) -> dict[str, Any]:
    if not payload:
        raise RefusedMessage("the payload is empty; expected one JSON object")
    if len(payload) > MAX_PAYLOAD_BYTES:
        raise RefusedMessage(too_long(len(payload)))
    try:
        text = payload.decode()
    except UnicodeDecodeError as error:
        raise RefusedMessage(f"the payload is not UTF-8: {error.reason} at byte {error.start}") from None
    if text.startswith("\ufeff"):
        raise RefusedMessage(
            "the payload starts with a byte order mark; expected one JSON object in plain UTF-8"
        )
    if depth_exceeds(payload):
        raise RefusedMessage(f"the payload is nested deeper than {DEEPEST} levels")
    try:
        value = json.loads(text, parse_constant=_no_constant)
    except json.JSONDecodeError as error:
        fault = error.msg.removesuffix(" at")  # "Unterminated string starting at"
        raise RefusedMessage(f"the payload is not JSON: {fault} at character {error.pos}") from None
    if not isinstance(value, dict):
        raise RefusedMessage(f"the payload must be one JSON object, got {_shown(value)}", "$")
    try:
        json.dumps(value, ensure_ascii=False).encode()
    except UnicodeEncodeError:
        raise RefusedMessage(
            "a text has half of a surrogate pair, which is not a Unicode character"
        ) from None
    return value


def _no_constant(constant: str) -> NoReturn:
    raise RefusedMessage(
        f"the payload is not JSON: {constant} is not a JSON number; leave out what was not measured"
    )


def _agree(value: dict[str, Any], name: str, in_topic: str) -> None:
    if name not in value:
        raise RefusedMessage(f"{name} is missing; expected {in_topic!r} as in the topic", f"$.{name}")
    if value[name] != in_topic:
        reason = f"{name} must agree with the topic's {in_topic!r}, got {_shown(value[name])}"
        raise RefusedMessage(reason, f"$.{name}")


def _check_members(fields: tuple[Field, ...], value: dict[str, Any], path: str) -> None:
    for field in fields:
        if field.name not in value:
            if field.required:
                raise RefusedMessage(
                    f"{field.name} is missing; expected {field.expected}", f"{path}.{field.name}"
                )
            continue
        value[field.name] = _checked(field, value[field.name], f"{path}.{field.name}")


def _checked(field: Field, value: Any, path: str) -> Any:
    if value is None and not field.required:
        _refuse(field, value, path, "leave the field out when there is nothing to say")
    if field.shape in ("integer", "number"):
        return _checked_number(field, value, path)
    if field.shape == "string":
        return _checked_text(field, value, path)
    if not isinstance(value, _TYPES[field.shape]):
        _refuse(field, value, path)
    if field.shape == "object":
        _check_members(field.members, value, path)
    if field.shape == "array":
        if field.high is not None and len(value) > field.high:
            _refuse(field, value, path)
        for index, each in enumerate(value):
            if not isinstance(each, dict):
                raise RefusedMessage(
                    f"{field.name} must hold objects, got {_shown(each)}", f"{path}[{index}]"
                )
            _check_members(field.members, each, f"{path}[{index}]")
    return value


def _checked_number(field: Field, value: Any, path: str) -> int | float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        _refuse(field, value, path, "write it without quotes" if isinstance(value, str) else "")
    if not -LARGEST <= value <= LARGEST:
        _refuse(field, value, path)
    if field.shape == "integer" and isinstance(value, float):
        if value != int(value):
            _refuse(field, value, path)
        value = int(value)
    if (field.low is not None and value < field.low) or (field.high is not None and value > field.high):
        _refuse(field, value, path, _unit_hint(field, value))
    return value  # type: ignore[no-any-return]


def _checked_text(field: Field, value: Any, path: str) -> str:
    if not isinstance(value, str):
        is_number = field.is_time and isinstance(value, int | float)
        _refuse(field, value, path, "is it a Unix time?" if is_number else "")
    if field.is_time:
        try:
            check_time(value)
        except ValueError as error:
            _refuse(field, value, path, str(error))
    elif (
        (field.one_of and value not in field.one_of)
        or (field.pattern is not None and not is_id(value))
        or (field.high is not None and len(value) > field.high)
        or (field.low is not None and len(value) < field.low)
    ):
        _refuse(field, value, path)
    return value


def _unit_hint(field: Field, value: float) -> str:
    """Return the likeliest slip of unit as a question, or nothing."""
    if field.unit == "bar" and value > 500:
        units = [
            unit
            for unit, bar in (("kPa", value / 100), ("psi", value * BAR_IN_A_PSI), ("Pa", value / 100_000))
            if 5 <= bar <= 500
        ]
        return f"is it in {' or '.join(units)}?" if units else ""
    if field.unit == "°C" and value > 1200:
        return "is it in °F or in tenths of a degree?"
    if field.name.endswith("_fraction") and 1 < value <= 100:
        return "is it in per cent?"
    return ""


def _refuse(field: Field, value: Any, path: str, hint: str = "") -> NoReturn:
    reason = f"{field.name} must be {field.expected}, got {_shown(value)}"
    raise RefusedMessage(f"{reason}; {hint}" if hint else reason, path)


def _shown(value: object) -> str:
    if value is None or isinstance(value, bool):
        return {None: "null", True: "true", False: "false"}[value]
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, list):
        return f"a list of {len(value)}"
    text = repr(value)
    if len(text) <= 60:
        return text
    return f"{text[:57]}..." + (f" ({len(value)} characters)" if isinstance(value, str) else "")
