"""One set of sample messages: the decoder and the published JSON Schemas must agree on every one."""

from __future__ import annotations

import base64
import json
import re
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator, FormatChecker, ValidationError
from jsonschema.validators import extend

from ingest.contract.errors import RefusedMessage
from ingest.contract.kinds import KINDS
from ingest.contract.messages import decode
from tests.any_text import TEXT
from tests.published_schemas import FOLDER

SAMPLES = Path(__file__).parent / "samples"


def _samples(name: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in (SAMPLES / f"{name}.ndjson").read_text().splitlines()]


def _payload(sample: dict[str, Any]) -> bytes:
    if "payload_b64" in sample:
        return base64.b64decode(sample["payload_b64"])
    return (sample["text"] if "text" in sample else json.dumps(sample["payload"])).encode()


VALID = _samples("valid")
INVALID = _samples("invalid")


def _ecma_pattern(validator: Any, pattern: str, instance: object, schema: object) -> Any:
    """Patterns are ECMA-262: there `$` is the very end, in Python also before a last newline."""
    if isinstance(instance, str) and not re.search(pattern.replace("$", r"\Z"), instance):
        yield ValidationError(f"{instance!r} does not match {pattern!r}")


_formats = FormatChecker(formats=())


@_formats.checks("date-time", raises=ValueError)
def _is_in_the_calendar(text: object) -> bool:
    """Beside the pattern the format only has to say whether there is such a day."""
    return not isinstance(text, str) or bool(datetime.strptime(text[:10], "%Y-%m-%d"))


_Validator = extend(Draft202012Validator, {"pattern": _ecma_pattern})
VALIDATORS = {
    kind: _Validator(json.loads((FOLDER / f"{kind}.json").read_text()), format_checker=_formats)
    for kind in KINDS
}


def _decoder_accepts(topic: str, payload: bytes) -> bool:
    try:
        decode(topic, payload)
    except RefusedMessage:
        return False
    return True


@pytest.mark.parametrize("sample", VALID, ids=lambda sample: sample["name"])
def test_valid_sample_is_accepted_by_decoder_and_schema(sample: dict[str, Any]) -> None:
    message = decode(sample["topic"], _payload(sample))
    assert type(message).__struct_config__.tag == sample["topic"].rpartition("/")[2]
    kind = sample["topic"].rpartition("/")[2]
    assert [error.message for error in VALIDATORS[kind].iter_errors(json.loads(_payload(sample)))] == []


@pytest.mark.parametrize("sample", INVALID, ids=lambda sample: sample["name"])
def test_invalid_sample_is_refused_with_reason_and_path(sample: dict[str, Any]) -> None:
    with pytest.raises(RefusedMessage) as refusal:
        decode(sample["topic"], _payload(sample))
    assert sample["reason"] in refusal.value.reason
    assert refusal.value.path == sample["path"]


@pytest.mark.parametrize(
    "sample",
    [sample for sample in INVALID if sample["judge"] == "schema"],
    ids=lambda sample: sample["name"],
)
def test_invalid_sample_is_refused_by_the_schema(sample: dict[str, Any]) -> None:
    kind = sample["topic"].rpartition("/")[2]
    assert not VALIDATORS[kind].is_valid(json.loads(_payload(sample)))


def test_samples_cover_every_field_of_every_kind() -> None:
    from ingest.contract.fields import fields_of

    refused = {(sample["topic"].rpartition("/")[2], sample["path"]) for sample in INVALID}
    given_fields: dict[str, set[str]] = {kind: set() for kind in KINDS}
    for sample in VALID:
        given_fields[sample["topic"].rpartition("/")[2]] |= json.loads(_payload(sample)).keys()
    common = {"set_id", "desk_id", "boot", "seq", "time", "uptime_s"}
    for kind in KINDS:
        own = {field.name for field in fields_of(kind)} - common
        assert own <= given_fields[kind], f"samples/valid.ndjson: {kind} with {own - given_fields[kind]}"
        broken = {(path or "")[2:].split(".")[0].split("[")[0] for k, path in refused if k == kind}
        assert own <= broken, f"samples/invalid.ndjson: {kind} with each of {own - broken} wrong"


_odd = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-10, 600),
    st.integers(),
    st.floats(allow_nan=False, allow_infinity=False),
    st.sampled_from([5.0, 1e3, -0.0, 2**53, 2**53 - 1, 500, 500.5, -60, 1200, 1200.1, 0, 1, 7, 8, 1e300]),
    st.text(TEXT, max_size=45),
    st.sampled_from(
        ["S-014", "in", "raised", "heat", "x\n", "x" * 41, "2031-05-04T10:21:07Z", "2031-02-29T00:00:00Z"]
    ),
    st.from_regex(
        r"\A[0-9]{4}-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-6][0-9]:[0-6][0-9](\.[0-9]{1,8})?(Z|[+-][0-2][0-9]:?[0-6][0-9])\Z",
        alphabet=st.characters(max_codepoint=127),
    ),
    st.lists(st.integers(), max_size=3),
    st.dictionaries(st.sampled_from(["count", "water_volume_l", "rated_bar"]), st.integers(0, 6)),
    st.lists(
        st.fixed_dictionaries(
            {
                "count": st.sampled_from([1, 2.0, 4, 5]),
                "water_volume_l": st.just(6),
                "rated_bar": st.just(300),
            }
        ),
        max_size=10,
    ),
)


@given(data=st.data(), sample=st.sampled_from([sample for sample in VALID if "payload" in sample]))
def test_decoder_and_schema_agree_on_mutated_messages(data: st.DataObject, sample: dict[str, Any]) -> None:
    payload = dict(sample["payload"])
    speaker = "set_id" if "/set/" in sample["topic"] else "desk_id"
    names = sorted({*payload, "chosen", "choices", "at", "certainty", "team", "uptime_s"} - {"kind", speaker})
    for _ in range(data.draw(st.integers(1, 3))):
        name = data.draw(st.sampled_from(names))
        if data.draw(st.booleans()) and name in payload:
            del payload[name]
        else:
            payload[name] = data.draw(_odd)
    text = json.dumps(payload).encode()
    if len(text) > 4096:
        return  # what no schema can say
    kind = payload["kind"]
    by_schema = [error.message for error in VALIDATORS[kind].iter_errors(json.loads(text))]
    assert _decoder_accepts(sample["topic"], text) == (not by_schema), by_schema


@given(payload=st.binary(max_size=300))
def test_any_bytes_are_refused_and_never_crash(payload: bytes) -> None:
    assert not _decoder_accepts("underair/v1/demo/set/S-014/pressure", payload)


@given(data=st.data(), sample=st.sampled_from(VALID))
def test_damaged_payload_never_crashes(data: st.DataObject, sample: dict[str, Any]) -> None:
    damaged = bytearray(_payload(sample))
    for _ in range(data.draw(st.integers(1, 4))):
        damaged[data.draw(st.integers(0, len(damaged) - 1))] = data.draw(st.integers(0, 255))
    _decoder_accepts(sample["topic"], bytes(damaged))


@given(topic=st.text(TEXT, max_size=80))
def test_any_topic_is_refused_and_never_crashes(topic: str) -> None:
    assert not _decoder_accepts(topic, b"{}")
