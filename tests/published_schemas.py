"""The published contract: one JSON Schema 2020-12 for each kind and one AsyncAPI 3 document.

``python -m tests.published_schemas`` writes them into ``ingest/contract/schemas/``; a test holds that
the files are these.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

from ingest.contract import kinds as contract
from ingest.contract.fields import Field, fields_of, speaker_field
from ingest.contract.kinds import KIND_TYPES, KINDS, LARGEST, MAX_PAYLOAD_BYTES, RETAINED_KINDS, SET_KINDS

FOLDER = Path(contract.__file__).with_name("schemas")
_DIALECT = "https://json-schema.org/draft/2020-12/schema"
_MEANINGS_OF_PARAMETERS = {
    "service": "The service; 1 to 40 of A-Z a-z 0-9 . _ -",
    "set_id": "The set that sends; 1 to 40 of A-Z a-z 0-9 . _ -",
    "desk_id": "The desk that sends; 1 to 40 of A-Z a-z 0-9 . _ -",
}


def schema_of(kind: str) -> dict[str, Any]:
    """Return the JSON Schema of a kind's payload.

    A validator must assert `format` for the calendar days of times. What no schema can say: the payload
    agrees with its topic, is UTF-8 and at most 4096 bytes.
    """
    fields = fields_of(kind)
    schema: dict[str, Any] = {
        "$schema": _DIALECT,
        "$id": f"urn:underair:v1:{kind}",
        "title": kind,
        "description": _first_line(KIND_TYPES[kind].__doc__),
        "type": "object",
        "properties": {
            "kind": {"description": "The last level of the topic.", "const": kind},
            **{field.name: _property(field) for field in fields},
        },
        "required": ["kind", *(field.name for field in fields if field.required)],
    }
    if kind == "motion":
        schema["anyOf"] = [{"required": ["motion_m_s2"]}, {"required": ["still_s"]}]
    if kind == "roll_call":
        schema["if"] = {"properties": {"state": {"enum": ["answered", "missing"]}}}
        schema["then"] = {"anyOf": [{"required": ["wearer_id"]}, {"required": ["team"]}]}
    if kind == "setup":
        schema["dependentRequired"] = {"chosen": ["choices"]}
        schema["allOf"] = [
            {
                "if": {"properties": {"chosen": {"const": index}}, "required": ["chosen"]},
                "then": {"properties": {"choices": {"minItems": index + 1}}},
            }
            for index in range(8)
        ]
    return schema


def _property(field: Field) -> dict[str, Any]:
    schema: dict[str, Any] = {"description": field.meaning} if field.meaning else {}
    if field.unit:
        schema["x-unit"] = field.unit
    schema["type"] = field.shape
    if field.one_of:
        schema["enum"] = list(field.one_of)
    if field.pattern is not None:
        schema["pattern"] = field.pattern
    if field.format is not None:
        schema["format"] = field.format
    if field.shape in ("integer", "number"):
        schema["minimum"] = -LARGEST if field.low is None else field.low
        schema["maximum"] = LARGEST if field.high is None else field.high
    elif field.shape == "string" and field.high is not None:
        schema["maxLength"] = field.high
        if field.low is not None:
            schema["minLength"] = field.low
    elif field.shape == "object":
        schema |= _object(field.members)
    elif field.shape == "array":
        schema["maxItems"] = field.high
        schema["items"] = {"type": "object", **_object(field.members)}
    return schema


def _object(members: tuple[Field, ...]) -> dict[str, Any]:
    return {
        "properties": {member.name: _property(member) for member in members},
        "required": [member.name for member in members if member.required],
    }


def asyncapi() -> dict[str, Any]:
    """Return the AsyncAPI 3.0 document of all topics, with MQTT bindings."""
    channels: dict[str, Any] = {}
    operations: dict[str, Any] = {}
    messages: dict[str, Any] = {}
    for kind in KINDS:
        speaker = "set" if kind in SET_KINDS else "desk"
        channels[kind] = {
            "address": f"underair/v1/{{service}}/{speaker}/{{{speaker}_id}}/{kind}",
            "title": kind,
            "description": _first_line(KIND_TYPES[kind].__doc__),
            "parameters": {
                name: {"$ref": f"#/components/parameters/{name}"} for name in ("service", speaker_field(kind))
            },
            "messages": {kind: {"$ref": f"#/components/messages/{kind}"}},
        }
        for action, verb in (("send", "publish"), ("receive", "hear")):
            binding: dict[str, Any] = {"qos": 1, "bindingVersion": "0.2.0"}
            if action == "send":
                binding["retain"] = kind in RETAINED_KINDS
            operations[f"{verb}_{kind}"] = {
                "action": action,
                "channel": {"$ref": f"#/channels/{kind}"},
                "messages": [{"$ref": f"#/channels/{kind}/messages/{kind}"}],
                "bindings": {"mqtt": binding},
            }
        schema = schema_of(kind)
        schema.pop("$schema")
        messages[kind] = {
            "name": kind,
            "contentType": "application/json",
            "payload": {"schemaFormat": f"application/schema+json;version={_DIALECT}", "schema": schema},
        }
    return {
        "asyncapi": "3.0.0",
        "id": "urn:underair:v1",
        "info": {
            "title": "underair message contract",
            "version": "1.0.0",
            "description": (
                "What a breathing-apparatus set (or the gateway that speaks for it) and the command desk "
                "publish. The payload is one JSON object in UTF-8, at most "
                f"{MAX_PAYLOAD_BYTES} bytes; kind and set_id or desk_id in it agree with the topic; "
                "fields not named here are kept and otherwise ignored. "
                "(set_id or desk_id, boot, seq) is a message's identity."
            ),
            "license": {"name": "Apache-2.0"},
        },
        "defaultContentType": "application/json",
        "servers": {
            "gateway": {
                "host": "localhost:1883",
                "protocol": "mqtt",
                "description": "A gateway's connection; its last will says that the set is not heard.",
                "bindings": {
                    "mqtt": {
                        "cleanSession": False,
                        "keepAlive": 30,
                        "lastWill": {
                            "topic": "underair/v1/{service}/set/{set_id}/link",
                            "qos": 1,
                            "retain": True,
                            "message": '{"kind":"link","set_id":"{set_id}","state":"down"}',
                        },
                        "bindingVersion": "0.2.0",
                    }
                },
            }
        },
        "channels": channels,
        "operations": operations,
        "components": {
            "parameters": {
                name: {"description": meaning} for name, meaning in _MEANINGS_OF_PARAMETERS.items()
            },
            "messages": messages,
        },
    }


def _first_line(text: str | None) -> str:
    return (text or "").partition("\n")[0]


def documents() -> dict[str, str]:
    """Return the files of ``ingest/contract/schemas/``: file name to text."""
    files = {f"{kind}.json": schema_of(kind) for kind in KINDS}
    files["asyncapi.json"] = asyncapi()
    return {
        name: json.dumps(document, indent=2, ensure_ascii=False) + "\n" for name, document in files.items()
    }


def main() -> None:
    """Write the files."""
    FOLDER.mkdir(exist_ok=True)
    for name, text in documents().items():
        (FOLDER / name).write_text(text, encoding="utf-8")
    sys.stderr.write(f"wrote {len(documents())} files into {FOLDER}\n")


if __name__ == "__main__":
    main()
