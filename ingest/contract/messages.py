"""Decode bytes into typed messages: fast if they follow the contract, exact about what is wrong if not.

Where the contract leaves a point open, this is the rule (our own):

- Of a key given twice the last counts, as in nearly every JSON reader.
- Nesting deeper than 64 levels, half a surrogate pair, NaN and Infinity are refused: no JSON to pass on.
- ``null`` is no value of any field: what is not there is left out.
- Escaped control characters in a text are kept.
"""

from datetime import datetime
from typing import Any, Union

import msgspec

from ingest.contract.errors import RefusedMessage
from ingest.contract.kinds import KIND_TYPES, MAX_PAYLOAD_BYTES, Message
from ingest.contract.refusals import depth_exceeds, read_exactly
from ingest.contract.times import in_years, matches_time
from ingest.contract.topics import Topic, parse_topic

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
    value = read_exactly(topic, payload)
    try:
        return msgspec.convert(value, KIND_TYPES[topic.kind])
    except (msgspec.ValidationError, RecursionError) as error:  # the two readings differ: never crash, say so
        raise RefusedMessage(f"the payload could not be read: {error}") from error
