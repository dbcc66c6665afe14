"""A mapping reads every item of a list, and every source of a topic."""

from __future__ import annotations

import json
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.contract.captures import Heard
from ingest.contract.errors import BadSettings
from ingest.mapping.mapper import Mapped, Mapper, SetState
from ingest.mapping.rules import read_mapping
from tests.any_text import TEXT
from tests.ingest.strangers_json import BEGAN, heard
from tests.ingest.test_mapping import told

GATEWAY = """
name = "gateway"
version = 1
service = "demo"
[[source]]
topic = "acme/gw"
each = "/units"
set_id = { pointer = "/units/*/id" }
time = { form = "epoch_ms", pointer = "/units/*/at" }
counter = { pointer = "/units/*/n" }
[[source.message]]
kind = "setup"
once = true
[source.message.fields]
cylinders = { value = { count = 1, water_volume_l = 6.8, rated_bar = 300 } }
low_air_bar = { value = 55 }
[[source.message]]
kind = "pressure"
[source.message.fields]
pressure_bar = { pointer = "/units/*/p" }
[[source.flag]]
alarm = "distress"
pointer = "/units/*/sos"
"""


def gateway(at_s: float, *units: Any) -> Heard:
    return heard(at_s, "acme/gw", {"units": units})


def unit(set_id: str, at_s: float, number: int, bar: Any, **more: Any) -> dict[str, Any]:
    return {"id": set_id, "at": int((BEGAN.timestamp() + at_s) * 1000), "n": number, "p": bar, **more}


def pressures(mapped: Mapped) -> list[tuple[str, int, str, float]]:
    return [
        (each["set_id"], each["seq"], each["time"][17:19], each["pressure_bar"])
        for each in told(mapped)
        if each["kind"] == "pressure"
    ]


def test_every_set_and_every_reading_of_a_list_is_read() -> None:
    mapper = Mapper([read_mapping(GATEWAY.encode(), "gateway.toml")])
    first = mapper.take(gateway(4, unit("A", 3, 2, 294), unit("B", 3, 1, 290), unit("A", 1, 1, 295)))
    assert first.faults == []
    # in order of time, numbered after each set's setup
    assert pressures(first) == [("A", 1, "01", 295), ("A", 2, "03", 294), ("B", 1, "03", 290)]
    assert [each["set_id"] for each in told(first) if each["kind"] == "setup"] == ["A", "B"]
    # A's numbers 3 and 4 did not come
    second = mapper.take(gateway(9, unit("A", 9, 5, 293), unit("B", 9, 2, 289), unit("C", 9, 8, 300)))
    assert pressures(second) == [("A", 5, "09", 293), ("B", 2, "09", 289), ("C", 1, "09", 300)]


def test_a_list_that_comes_again_makes_nothing_and_one_without_items_is_no_error() -> None:
    mapper = Mapper([read_mapping(GATEWAY.encode(), "gateway.toml")])
    objects = [
        gateway(n, *(unit("A", n + k / 10, 10 * n + k, 300 - n) for k in range(10))) for n in range(20)
    ]
    assert [len(pressures(mapper.take(each))) for each in objects] == [10] * 20
    for each in objects:  # MQTT may deliver all that it has on its way again
        again = mapper.take(each)
        assert (again.again, again.messages, again.faults) == (True, [], [])
    empty = mapper.take(gateway(30))
    assert (empty.again, empty.messages, empty.faults) == (False, [], [])


def test_what_cannot_be_read_of_a_list_is_refused_with_its_place_and_the_rest_is_used() -> None:
    text = GATEWAY[: GATEWAY.index("[[source.flag]]")].replace('n" }', 'n", optional = true }')
    mapper = Mapper([read_mapping(text.encode(), "gateway.toml")])
    mapper.take(gateway(0, *(unit(set_id, 0, 0, 300) for set_id in "ABCD")))
    odd = (unit("A", 1, 1, 299), None, unit("B B", 1, 1, 299), unit("C", 1, 1, 501), unit("D", 1, 1, "?"))
    mapped = mapper.take(gateway(1, *odd, {"id": "A", "n": 2, "p": 9}, {**unit("A", 2, 2, 5), "p": None}))
    assert [each[0] for each in pressures(mapped)] == ["A"]
    places = [fault.path for fault in mapped.faults]
    assert places == [
        "/units/1/id",
        "/units/2/id",
        "/units/5/at",
        "/units/3 $.pressure_bar",
        "/units/4/p",
        "/units/6",
    ]
    for wrong in ({"units": {"A": unit("A", 3, 3, 5)}}, {"unit": []}, [unit("A", 4, 4, 5)]):
        (fault,) = mapper.take(heard(5, "acme/gw", wrong)).faults
        assert (fault.path, fault.reason) == ("/units", "the mapping expects a list")


def test_a_flag_in_a_list_is_an_event_of_its_own_set() -> None:
    mapper = Mapper([read_mapping(GATEWAY.encode(), "gateway.toml")])
    said = [(False, False), (False, True), (True, True), (True, False)]
    events = []
    for n, flags in enumerate(said):
        units = [unit(set_id, n, n, 300, sos=flag) for set_id, flag in zip(("A", "B"), flags, strict=True)]
        made = told(mapper.take(gateway(n, *units)))
        events.append([(each["set_id"], each["state"]) for each in made if each["kind"] == "alarm"])
    assert events == [[], [("B", "raised")], [("A", "raised")], [("B", "cleared")]]


TWICE = """
name = "twice"
version = 1
service = "demo"
"""
for place in (0, 1):
    TWICE += f"""
[[source]]
topic = "acme/gw"
set_id = {{ pointer = "/units/{place}/id" }}
time = {{ form = "epoch_ms", pointer = "/units/{place}/at" }}
counter = {{ pointer = "/units/{place}/n" }}
[[source.message]]
kind = "setup"
once = true
[source.message.fields]
cylinders = {{ value = {{ count = 1, water_volume_l = 6.8, rated_bar = 300 }} }}
low_air_bar = {{ value = {55 + place} }}
[[source.message]]
kind = "pressure"
[source.message.fields]
pressure_bar = {{ pointer = "/units/{place}/p" }}
"""


def test_every_source_of_a_topic_reads_its_objects() -> None:
    mapper = Mapper([read_mapping(TWICE.encode(), "twice.toml")])
    one = gateway(1, unit("A", 1, 1, 295), unit("B", 1, 1, 290))
    assert pressures(mapper.take(one)) == [("A", 1, "01", 295), ("B", 1, "01", 290)]
    assert mapper.take(one).again
    # Two sources of one set: each has its own setup, and its own counter, of which 3 and 21 did not come.
    mapper = Mapper([read_mapping(TWICE.encode(), "twice.toml")])
    made = told(mapper.take(gateway(2, unit("A", 1, 2, 295), unit("A", 2, 20, 294))))
    assert [each.get("low_air_bar") for each in made if each["kind"] == "setup"] == [55, 56]
    after = pressures(mapper.take(gateway(4, unit("A", 3, 4, 293), unit("A", 4, 22, 292))))
    assert [each[1] for each in after] == [made[-1]["seq"] + 2, made[-1]["seq"] + 4]


def test_objects_of_two_kinds_on_one_topic_need_only_one_source_that_reads_them() -> None:
    text = TWICE.replace("/units/0/id", "/id").replace("/units/1/id", "/id").replace("once = true", "")
    text = text.replace("/units/0/at", "/at").replace("/units/1/at", "/at").replace("counter = {", "boot = {")
    text = (
        text.replace("/units/0/n", "/n")
        .replace("/units/1/n", "/n")
        .replace("{ value = 55", '{ pointer = "/w"')
    )
    mapper = Mapper([read_mapping(text.replace("{ value = 56", '{ pointer = "/w"').encode(), "kinds.toml")])
    base = {"id": "A", "at": int(BEGAN.timestamp() * 1000), "n": 1}
    for number, more in enumerate(({"units": [{"p": 295}]}, {"units": [{}, {"p": 294}]})):
        mapped = mapper.take(heard(number, "acme/gw", {**base, **more}))
        assert (len(pressures(mapped)), mapped.faults) == (1, [])
    (fault,) = mapper.take(heard(3, "acme/gw", base)).faults
    assert "finds none of its fields" in str(fault)


def test_a_payload_that_is_a_list_and_lists_in_a_list() -> None:
    whole = GATEWAY.replace('each = "/units"', 'each = ""').replace("/units/*", "/*")
    mapper = Mapper([read_mapping(whole.encode(), "whole.toml")])
    mapped = mapper.take(heard(1, "acme/gw", [unit("A", 1, 1, 295), unit("B", 1, 1, 290)]))
    assert pressures(mapped) == [("A", 1, "01", 295), ("B", 1, "01", 290)]
    nested_lists = GATEWAY.replace('each = "/units"', 'each = "/units/*/last"')
    for name in ("at", "n", "p", "sos"):
        nested_lists = nested_lists.replace(f"/units/*/{name}", f"/units/*/last/*/{name}")
    mapper = Mapper([read_mapping(nested_lists.encode(), "nested.toml")])
    last = {set_id: [unit("", at_s, at_s, 300 - at_s) for at_s in (1, 2)] for set_id in ("A", "B")}
    mapped = mapper.take(gateway(3, *({"id": each, "last": last[each]} for each in last), {"id": "C"}))
    assert [each[::2] for each in pressures(mapped)] == [("A", "01"), ("B", "01"), ("A", "02"), ("B", "02")]
    assert [fault.path for fault in mapped.faults] == ["/units/2/last"]


def test_a_mapper_of_lists_goes_on_from_its_state_to_the_byte() -> None:
    mapping = read_mapping(GATEWAY.encode(), "gateway.toml")
    objects = [gateway(n, unit("A", n, n, 300 - n, sos=n > 3), unit("B", n, n, 290 - n)) for n in range(8)]
    whole = Mapper([mapping])
    expected = [whole.take(each).messages for each in objects]
    first, second = Mapper([mapping]), Mapper([mapping])
    got = [first.take(each).messages for each in objects[:3]]
    second.state = msgspec.json.decode(msgspec.json.encode(first.state), type=dict[str, SetState])
    assert got + [second.take(each).messages for each in objects[3:]] == expected


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ('"/units/*/p"', '"/units/0/p"'),  # would leave out the others
        ('"/units/*/p"', '"/other/*/p"'),
        ('"/units/*/p"', '"/units/*/q/*/p"'),
        ('"/units/*/sos"', '"/units/1/sos"'),
        ('each = "/units"\n', ""),
        ('each = "/units"', 'each = "/units/*"'),
        ('each = "/units"', 'each = "units"'),
    ],
)
def test_a_pointer_that_does_not_fit_the_list_is_refused_at_load(before: str, after: str) -> None:
    assert before in GATEWAY
    with pytest.raises(BadSettings, match=r"gateway.toml: source\[0\]\.(.*pointer|each): "):
        read_mapping(GATEWAY.replace(before, after).encode(), "gateway.toml")


@given(
    st.recursive(
        st.none()
        | st.booleans()
        | st.floats()
        | st.text(TEXT, max_size=3)
        | st.sampled_from(["A", 1935741600000]),
        lambda inner: (
            st.lists(inner, max_size=3)
            | st.dictionaries(st.sampled_from(["id", "at", "n", "p", "sos", "units"]), inner, max_size=6)
        ),
    ).map(lambda value: json.dumps({"units": value}).encode())
)
def test_any_list_becomes_messages_of_the_contract_or_reasons(payload: bytes) -> None:
    mapper = Mapper([read_mapping(GATEWAY.encode(), "gateway.toml")])
    told(mapper.take(heard(0, "acme/gw", payload)))
