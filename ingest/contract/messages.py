"""Decode bytes into typed messages: fast if they follow the contract, exact about what is wrong if not.

The exact reading comes only when the fast decoder stumbles, which is rare for what sets send. The two accept
the same; there JSON's own view of a value counts (``5.0`` is an integer).

Where the contract leaves a point open, this is the rule (our own):

- Of a key given twice the last counts, as in nearly every JSON reader.
- Nesting deeper than 64 levels, half a surrogate pair, NaN and Infinity are refused: no JSON to pass on.
- ``null`` is no value of any field: what is not there is left out.
- Escaped control characters in a text are kept.
"""

import json
import re
from datetime import datetime
from typing import Any, NoReturn, Union

import msgspec

from ingest.contract.errors import RefusedMessage
from ingest.contract.fields import Field, fields_of
from ingest.contract.kinds import KIND_TYPES, LARGEST, MAX_PAYLOAD_BYTES, Message
from ingest.contract.times import check_time, in_years, matches_time
from ingest.contract.topics import Topic, is_id, parse_topic
from ingest.contract.units import BAR_IN_A_PSI

# What the fast decoder cannot say of these kinds alone, the exact reading says.
_TOGETHER: dict[str, Any] = {
    "note": lambda message: message.at is not None,
    "gauge": lambda message: message.at is not None,
    "setup": lambda message: message.chosen is not None,
    "motion": lambda message: message.motion_m_s2 is None and message.still_s is None,
    "order": lambda message: message.standing is not None,
    "roll_call": lambda message: message.wearer_id is None and message.team is None,
}
_decode_json = msgspec.json.Decoder(Union[tuple(KIND_TYPES.values())]).decode  # noqa: UP007 built at run time
_iso = datetime.fromisoformat
# Below this many brackets nothing can be nested too deep; a message of the contract has at most 23.
_FEW_BRACKETS = 24
DEEPEST = 64
_TEXT_OR_BRACKET = re.compile(rb'"(?:[^"\\]|\\.)*+"?|[\[\]{}]', re.DOTALL)


def decode(topic: str, payload: bytes) -> Message:
    """Decode one message of the contract.

    - `topic`: where it was published, such as ``underair/v1/demo/set/S-014/pressure``.
    - `payload`: one JSON object in UTF-8, at most 4096 bytes. Fields that version 1 does not name are
      ignored.

    Returns one of the types of `ingest.contract.kinds`; what is optional and missing is None.

    Raises `RefusedMessage` when the message breaks the contract, with a reason and the JSON path.
    """
    return decode_known(parse_topic(topic), payload)


def decode_known(topic: Topic, payload: bytes) -> Message:
    """Decode one message whose topic has been taken apart; otherwise as `decode`."""
    if len(payload) > MAX_PAYLOAD_BYTES or b"null" in payload:
        return _decode_exactly(topic, payload)
    if payload.count(b"{") + payload.count(b"[") > _FEW_BRACKETS and depth_exceeds(payload):
        return _decode_exactly(topic, payload)
    try:
        message = _decode_json(payload)
        if not payload.isascii():
            payload.decode()  # the fast decoder skips unknown fields without looking at their bytes
        if message.time is not None:
            if not matches_time(message.time) or not in_years(message.time):
                return _decode_exactly(topic, payload)
            _iso(message.time)
    except (ValueError, msgspec.MsgspecError, RecursionError):
        return _decode_exactly(topic, payload)
    kind, speaker, speaker_id = topic.kind, topic.speaker, topic.speaker_id
    if type(message) is not KIND_TYPES[kind] or speaker_id != (
        message.set_id if speaker == "set" else message.desk_id  # type: ignore[union-attr]
    ):
        return _decode_exactly(topic, payload)
    together = _TOGETHER.get(kind)
    if together is not None and together(message):
        return _decode_exactly(topic, payload)
    return message


def _decode_exactly(topic: Topic, payload: bytes) -> Message:
    value = _read_exactly(topic, payload)
    try:
        return msgspec.convert(value, KIND_TYPES[topic.kind])
    except (msgspec.ValidationError, RecursionError) as error:  # the two readings differ: never crash, say so
        raise RefusedMessage(f"the payload could not be read: {error}") from error


def depth_exceeds(payload: bytes) -> bool:
    """Return whether objects and lists are nested deeper than `DEEPEST`, without recursion."""
    depth = 0
    for found in _TEXT_OR_BRACKET.finditer(payload):
        depth += (found[0] in (b"[", b"{")) - (found[0] in (b"]", b"}"))
        if depth > DEEPEST:
            return True
    return False


def _read_exactly(topic: Topic, payload: bytes) -> dict[str, Any]:
    """Return the JSON object, with integral floats as integers where the contract wants an integer."""
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
    if field.shape == "integer" and isinstance(value, float) and value.is_integer():
        value = int(value)
    hint = _wrong(field, value)
    if hint is not None:
        reason = f"{field.name} must be {field.expected}, got {_shown(value)}"
        raise RefusedMessage(f"{reason}; {hint}" if hint else reason, path)
    if field.shape == "object":
        _check_members(field.members, value, path)
    for index, each in enumerate(value if field.shape == "array" else ()):
        if not isinstance(each, dict):
            raise RefusedMessage(f"{field.name} must hold objects, got {_shown(each)}", f"{path}[{index}]")
        _check_members(field.members, each, f"{path}[{index}]")
    return value


def _wrong(field: Field, value: Any) -> str | None:
    """Return None for a value that the field may have; else what may have happened, empty when unknown."""
    if value is None:
        return "" if field.required else "leave the field out when there is nothing to say"
    if field.shape in ("integer", "number"):
        if isinstance(value, bool) or not isinstance(value, int | float):
            return "write it without quotes" if isinstance(value, str) else ""
        if not -LARGEST <= value <= LARGEST or (field.shape == "integer" and isinstance(value, float)):
            return ""
        return None if _within(field, value) else _unit_hint(field, value)
    if field.shape == "array":
        return None if isinstance(value, list) and _within(field, len(value)) else ""
    if field.shape != "string":
        return None if isinstance(value, bool if field.shape == "boolean" else dict) else ""
    if not isinstance(value, str):
        return "is it a Unix time?" if field.is_time and isinstance(value, int | float) else ""
    if field.is_time:
        try:
            check_time(value)
        except ValueError as error:
            return str(error)
        return None
    if (field.one_of and value not in field.one_of) or (field.pattern and not is_id(value)):
        return ""
    return None if _within(field, len(value)) else ""


def _within(field: Field, size: float) -> bool:
    return (field.low is None or size >= field.low) and (field.high is None or size <= field.high)


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
