"""The published JSON Schemas and the AsyncAPI document are the generated ones, and hang together."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from ingest.contract.kinds import KINDS
from ingest.contract.topics import parse_topic
from tests.published_schemas import FOLDER, asyncapi, documents, schema_of


def test_files_on_disk_are_the_generated_ones() -> None:
    on_disk = {path.name: path.read_text(encoding="utf-8") for path in FOLDER.iterdir()}
    assert on_disk == documents(), "run python -m tests.published_schemas"


@pytest.mark.parametrize("kind", KINDS)
def test_schema_is_valid_2020_12_with_our_own_id(kind: str) -> None:
    schema = schema_of(kind)
    Draft202012Validator.check_schema(schema)
    assert schema["$id"] == f"urn:underair:v1:{kind}"
    for name, field in schema["properties"].items():
        assert field.get("description"), f"{kind}.{name} has no description"


@pytest.mark.parametrize("kind", KINDS)
def test_name_that_ends_in_a_unit_states_that_unit(kind: str) -> None:
    units = {
        "bar": "bar",
        "c": "°C",
        "s": "s",
        "min": "min",
        "l": "l",
        "dbm": "dBm",
        "s2": "m/s²",
        "fraction": "1",
        "breaths_per_min": "1/min",
    }
    for name, field in schema_of(kind)["properties"].items():
        ending = name.rpartition("_")[2]
        if field.get("type") == "number":
            assert field["x-unit"] == units.get(name, units.get(ending)), name


def _references(node: Any) -> Iterator[str]:
    if isinstance(node, dict):
        if "$ref" in node:
            yield node["$ref"]
        for value in node.values():
            yield from _references(value)
    elif isinstance(node, list):
        for value in node:
            yield from _references(value)


def test_every_reference_of_the_asyncapi_document_resolves() -> None:
    document = asyncapi()
    references = set(_references(document))
    assert len(references) > 30
    for reference in references:
        node: Any = document
        for step in reference.removeprefix("#/").split("/"):
            assert step in node, reference
            node = node[step]


def test_channels_are_the_contract_topics() -> None:
    channels = asyncapi()["channels"]
    assert set(channels) == set(KINDS)
    for kind, channel in channels.items():
        topic = channel["address"].format(service="demo", set_id="S-1", desk_id="D-1")
        assert parse_topic(topic).kind == kind
        for name in channel["parameters"]:
            assert "{" + name + "}" in channel["address"]


def test_bindings_state_quality_retain_and_last_will() -> None:
    document = asyncapi()
    assert document["asyncapi"] == "3.0.0"
    sending = {name: each for name, each in document["operations"].items() if each["action"] == "send"}
    assert {each["bindings"]["mqtt"]["qos"] for each in document["operations"].values()} == {1}
    retained = {name for name, each in sending.items() if each["bindings"]["mqtt"]["retain"]}
    assert retained == {"publish_setup", "publish_link", "publish_order"}
    will = document["servers"]["gateway"]["bindings"]["mqtt"]["lastWill"]
    assert will["retain"] is True
    assert will["qos"] == 1
    topic = will["topic"].format(service="demo", set_id="S-1")
    assert json.loads(will["message"].replace("{set_id}", "S-1"))["kind"] == parse_topic(topic).kind
