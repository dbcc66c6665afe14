"""Mapping files: what each object of other people's JSON becomes, and what cannot be known."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.contract.captures import Heard
from ingest.contract.errors import BadSettings
from ingest.contract.messages import decode
from ingest.mapping.mapper import Mapped, Mapper, SetState, at_pointer
from ingest.mapping.rules import EXAMPLES, load_mapping, read_mapping
from tests.any_text import TEXT
from tests.ingest.strangers_json import FLAT, NIST, flat, heard


@pytest.fixture
def mapper() -> Mapper:
    return Mapper([load_mapping(path) for path in sorted(EXAMPLES.glob("*.toml"))])


def told(mapped: Mapped) -> list[dict[str, Any]]:
    """Return the payloads, each checked to keep the contract."""
    for message in mapped.messages:
        decode(message.topic, message.payload)
    return [json.loads(message.payload) for message in mapped.messages]


def test_a_flat_object_in_psi_and_fahrenheit_becomes_bar_and_celsius(mapper: Mapper) -> None:
    made = told(mapper.take(flat(1, 0, psi=4350, tF=212.0, still=3)))
    assert [each["kind"] for each in made] == ["setup", "pressure", "temperature", "motion"]
    # 1 psi = 6894.757 Pa (NIST SP 811, 2008, appendix B.8); water boils at 212 degrees Fahrenheit
    assert made[1]["pressure_bar"] == pytest.approx(4350 * 0.06894757)
    assert made[2]["temperature_c"] == pytest.approx(100)
    assert made[3]["still_s"] == 3
    assert {each["origin"] for each in made} == {"flat-object/1"}
    assert "setup" not in [each["kind"] for each in told(mapper.take(flat(2, 1, psi=4340)))]


def test_each_attribute_of_the_public_schema_for_breathing_apparatus_is_kept(mapper: Mapper) -> None:
    """NIST PSCR, IoT Data Foundations (2020), SCBA: meanings from there, spelling ours."""
    assert NIST == "responders/R-7/scba"
    made = told(
        mapper.take(
            heard(
                0,
                NIST,
                {
                    "observedAt": "2031-05-04T21:00:00+02:00",
                    "cylinderPressure": 4000,
                    "ambientTemperature": 31.5,
                    "radiatedTemperature": 180,
                    "maskTemperature": 29,
                    "passAlarm": True,
                    "secondsToLowAirAlarm": 600,
                    "secondsToNoUsableAir": 900,
                    "secondsWithoutMotion": 31,
                    "respirationRate": 28,
                    "light": 5,
                },
            )
        )
    )
    by_kind = {each["kind"]: each for each in made}
    assert by_kind["pressure"]["time"] == "2031-05-04T19:00:00.000000Z"
    assert by_kind["pressure"]["shown_low_air_min"] == 10
    assert by_kind["pressure"]["shown_empty_min"] == 15
    assert by_kind["pressure"]["breaths_per_min"] == 28
    assert by_kind["temperature"]["radiant_temperature_c"] == 180
    assert by_kind["temperature"]["mask_temperature_c"] == 29
    assert by_kind["motion"]["still_s"] == 31
    assert by_kind["alarm"]["alarm"] == "no_motion"
    assert by_kind["alarm"]["detail"] == "already active when this set was first heard"
    assert {each["losses"] for each in made} == {"unknown"}


def test_a_flag_is_an_event_when_it_turns(mapper: Mapper) -> None:
    modes = ["OK", "OK", "STILL", "DOWN", "DOWN", "OK", "HELP", "HELP"]
    events = [
        [
            (each["alarm"], each["state"])
            for each in told(mapper.take(flat(n, n, mode=mode)))
            if each["kind"] == "alarm"
        ]
        for n, mode in enumerate(modes)
    ]
    assert events == [
        [],
        [],
        [("no_motion_prealarm", "raised")],
        [("no_motion", "raised")],
        [],
        [("no_motion_prealarm", "cleared"), ("no_motion", "cleared")],
        [("distress", "raised")],
        [],
    ]


def test_a_new_word_clears_no_alarm_of_the_example_that_people_copy(mapper: Mapper) -> None:
    told(mapper.take(flat(0, 0, mode="HELP")))
    mapped = mapper.take(flat(1, 1, mode="HELP-ACK"))
    assert "alarm" not in {each["kind"] for each in told(mapped)}
    assert len(mapped.faults) == 3
    assert all("'HELP-ACK'" in str(fault) for fault in mapped.faults)


NESTED = b"""
name = "nested"
version = 1
service = "demo"
[[source]]
topic = "crew/{unit}"
set_id = { level = "unit" }
time = { form = "epoch_ms", pointer = "/ts" }
[[source.message]]
kind = "setup"
once = true
[source.message.fields]
low_air_bar = { pointer = "/bottle/warn", times = 0.1 }
[source.message.fields.cylinders.parts]
count = { value = 1 }
water_volume_l = { pointer = "/bottle/l" }
rated_bar = { pointer = "/bottle/max", unit = "kPa" }
[[source.message]]
kind = "pressure"
[source.message.fields]
pressure_bar = { pointer = "/readings/0/v", unit = "kPa", times = 10 }
[[source.flag]]
alarm = "distress"
pointer = "/alarms"
true = ["MAN_DOWN", "SOS"]
"""


def nested(at_s: float, **more: Any) -> Heard:
    bottle = {"l": 9, "max": 30_000, "warn": 550}
    told = {"ts": 1_935_741_600_000 + int(at_s * 1000), "bottle": bottle, "readings": [{"v": 2850}]}
    return heard(at_s, "crew/K7", {**told, **more})


def test_an_alarm_in_a_list_of_words_is_raised_while_it_is_there() -> None:
    mapper = Mapper([read_mapping(NESTED, "nested.toml")])
    events = [
        [each["state"] for each in told(mapper.take(nested(n, alarms=alarms))) if each["kind"] == "alarm"]
        for n, alarms in enumerate(([], ["LOW_CELL", "SOS"], ["SOS"], ["MAN_DOWN"], ["LOW_CELL"], []))
    ]
    assert events == [[], ["raised"], [], [], ["cleared"], []]
    (fault,) = mapper.take(nested(9, alarms=[{"code": "SOS"}])).faults
    assert "the flag must be true, false, a word or a list of words" in str(fault)


def test_a_cylinder_is_put_together_from_parts_and_a_number_may_be_in_tenths() -> None:
    mapper = Mapper([read_mapping(NESTED, "nested.toml")])
    setup, pressure = told(mapper.take(nested(0)))
    assert setup["cylinders"] == {"count": 1, "water_volume_l": 9, "rated_bar": 300}
    assert setup["low_air_bar"] == 55
    assert pressure["pressure_bar"] == 285
    # Without its volume no cylinder is invented; the pressure is still used.
    mapper = Mapper([read_mapping(NESTED, "nested.toml")])
    (only,) = told(mapper.take(nested(0, bottle={"max": 30_000, "warn": 550})))
    assert only["kind"] == "pressure"


def with_flag(rule: str) -> Mapper:
    text = NESTED.decode()
    return Mapper([read_mapping((text[: text.index("[[source.flag]]")] + rule).encode(), "flag.toml")])


@pytest.mark.parametrize(
    ("listed", "raised", "cleared", "refused"),
    [
        # as it is by default; numbers and words that mean true may be text
        (
            "",
            [True, 1, "1", "true", "TRUE", "yes", "on"],
            [False, 0, "0", "false", "no", "OFF", ""],
            ["HELP", 2],
        ),
        ("true = [2, 3]", [2, "3"], [False, 0, "0", ""], [1, True, "HELP", 4]),
        # of words, all others may be another state: only `false` says which are
        ('true = ["PASS", "SOS"]', ["PASS", "pass", " Sos"], ["OK", "HELP-ACK", False, 0, ""], []),
        ('true = ["SOS"]\nfalse = ["OK", 0]', ["sos"], ["ok", 0, "0", False], ["SOS-ACK", "", 1, True]),
    ],
)
def test_a_flag_that_is_neither_listed_nor_false_is_refused_and_clears_nothing(
    listed: str, raised: list[Any], cleared: list[Any], refused: list[Any]
) -> None:
    rule = f'[[source.flag]]\nalarm = "distress"\npointer = "/d"\n{listed}\n'
    for value in raised:
        (event,) = [
            each for each in told(with_flag(rule).take(nested(0, d=value))) if each["kind"] == "alarm"
        ]
        assert event["state"] == "raised"
    mapper, at_s = with_flag(rule), 0

    def states(value: Any) -> list[str]:
        nonlocal at_s
        at_s += 1
        mapped = mapper.take(nested(at_s, d=value))
        assert [fault.path for fault in mapped.faults] == ["/d"] * (value in refused and value not in cleared)
        return [each["state"] for each in told(mapped) if each["kind"] == "alarm"]

    for value in cleared:
        assert states(raised[0]) == ["raised"]
        assert states(value) == ["cleared"]
    assert states(raised[0]) == ["raised"]
    for value in refused:
        assert states(value) == []
        assert states(raised[0]) == []  # it was raised all along


def meant(mapped: Mapped) -> list[tuple[str, dict[str, Any]]]:
    return [
        (topic, json.loads(payload))
        for topic, payload in (fault.meant or ("", b"{}") for fault in mapped.faults)
    ]


def test_a_value_that_a_flag_does_not_list_is_a_refused_alarm_of_its_set_once_while_it_stays() -> None:
    """A maker's new bit beside the distress: neither set nor word was told, and every object refused it."""
    rule = '[[source.flag]]\nalarm = "distress"\npointer = "/d"\ntrue = [4]\nfalse = [0]\n'
    mapper = with_flag(rule)
    told_of = []
    for at_s, value in enumerate((0, 12, 12, 12, 8, 8, 4, 12)):
        mapped = mapper.take(nested(at_s, d=value))
        told_of.append([payload.get("flag") for _, payload in meant(mapped)])
        for topic, payload in meant(mapped):
            assert topic == f"underair/v1/demo/set/{payload['set_id']}/alarm"
            assert (payload["alarm"], payload["origin"]) == ("distress", mapped.mapping)
    assert told_of == [[], ["12"], [], [], ["8"], [], [], ["12"]]
    seqs = [each["seq"] for each in told(mapper.take(nested(20, d=4)))]
    assert seqs[0] > 8 + 3  # what was refused has numbers of its own: nothing was lost


@pytest.mark.parametrize("broken", [{"ts": "soon"}, {"ts": None}])
def test_a_flag_of_an_object_without_a_time_is_a_refused_alarm_of_its_set(broken: dict[str, Any]) -> None:
    mapper = with_flag('[[source.flag]]\nalarm = "distress"\npointer = "/d"\n')
    (one,) = meant(mapper.take(nested(1, d=True, **broken)))
    assert (one[0].split("/")[-1], one[1]["alarm"]) == ("alarm", "distress")
    (one,) = meant(mapper.take(nested(2, d=False, **broken)))
    assert one[0].split("/")[-1] == "pressure"


def test_a_flag_may_be_a_bit_of_a_number() -> None:
    mapper = with_flag(
        '[[source.flag]]\nalarm = "distress"\npointer = "/d"\nbit = 2\n'
        '[[source.flag]]\nalarm = "low_air"\npointer = "/d"\nbit = 0\n'
    )
    seen = []
    for at_s, value in enumerate((8, 12, "13", 1033.0, "x", True, 0)):
        mapped = mapper.take(nested(at_s, d=value))
        events = [f"{one['alarm']} {one['state']}" for one in told(mapped) if one["kind"] == "alarm"]
        seen.append(events + [f"{one['alarm']} {one['flag']}" for _, one in meant(mapped)])
    assert seen == [
        [],
        ["distress raised"],
        ["low_air raised"],
        ["distress cleared"],
        ["distress x", "low_air x"],
        ["distress True", "low_air True"],
        ["low_air cleared"],
    ]
    with pytest.raises(BadSettings, match="not both"):
        with_flag('[[source.flag]]\nalarm = "distress"\npointer = "/d"\nbit = 2\ntrue = [4]\n')


def test_a_flag_written_as_a_number_with_a_point_is_that_number() -> None:
    """A gateway wrote 1.0: the distress was refused, and 1 raised it."""
    mapper = with_flag('[[source.flag]]\nalarm = "distress"\npointer = "/d"\n')
    states = [
        [each["state"] for each in told(mapper.take(nested(at_s, d=value))) if each["kind"] == "alarm"]
        for at_s, value in enumerate((1.0, 0.0))
    ]
    assert states == [["raised"], ["cleared"]]
    assert [fault.path for fault in mapper.take(nested(2, d=0.5)).faults] == ["/d"]


def test_a_word_that_a_list_has_and_the_flag_does_not_name_is_listed_as_not_active() -> None:
    listed = with_flag('[[source.flag]]\nalarm = "distress"\npointer = "/d"\ntrue = [1]\n')
    told(listed.take(nested(0, d=["PASS"])))
    assert list(listed.flag_lines()) == ['flag distress at /d: false = "PASS"']


def test_the_values_of_a_flag_are_listed_with_how_each_was_read() -> None:
    mapper = with_flag('[[source.flag]]\nalarm = "distress"\npointer = "/d"\n')
    for n, value in enumerate((0, 1, "1", "HELP", 0, 0, None)):
        mapper.take(nested(n, d=value))
    assert list(mapper.flag_lines()) == ['flag distress at /d: true = 1, "1"; false = 0; refused = "HELP"']
    listed = with_flag('[[source.flag]]\nalarm = "distress"\npointer = "/d"\ntrue = ["SOS"]\n')
    for n, value in enumerate((["SOS", "LOW_CELL"], [], "OK")):
        listed.take(nested(n, d=value))
    assert list(listed.flag_lines()) == ['flag distress at /d: true = "SOS"; false = "LOW_CELL", "OK"']
    many = with_flag('[[source.flag]]\nalarm = "distress"\npointer = "/d"\ntrue = ["SOS"]\n')
    for n in range(1000):
        many.take(nested(n, d=f"{n}"))
    (line,) = many.flag_lines()
    assert len(line) < 400
    assert line.endswith("and more")


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ("count = { value = 1 }\n", "", r"cylinders needs the part 'count'"),
        ("count = {", "sort = { value = 1 }\ncount = {", r"cylinders has no part 'sort'; it has count, "),
        (
            'pointer = "/readings/0/v", unit = "kPa", times = 10',
            "parts = { v = { value = 1 } }",
            r"pressure_bar has no parts",
        ),
        ("times = 10", "times = 0", r"times"),
        ("{ value = 1 }", "{ value = 1, times = 2 }", r"times is only for numbers that may have decimals"),
        ('max", unit = "kPa"', 'max", unit = "stone"', r"cylinders.rated_bar.unit: expected one of bar"),
    ],
)
def test_wrong_parts_are_named(before: str, after: str, said: str) -> None:
    with pytest.raises(BadSettings, match=said):
        read_mapping(NESTED.decode().replace(before, after, 1).encode(), "nested.toml")


def test_the_sources_own_counter_tells_what_did_not_come(mapper: Mapper) -> None:
    first = told(mapper.take(flat(10, 0, psi=4000)))[-1]["seq"]
    second = told(mapper.take(flat(14, 4, psi=3990)))[-1]["seq"]
    assert second - first - 1 == 3  # objects 11, 12 and 13


def test_an_object_that_comes_again_is_said_to_and_makes_nothing(mapper: Mapper) -> None:
    assert not mapper.take(flat(1, 0, psi=4000)).again
    again = mapper.take(flat(1, 0, psi=4000))
    assert again.again
    assert again.messages == again.faults == []


def test_a_power_up_is_inferred_from_uptime_and_from_silence(mapper: Mapper) -> None:
    def boot(message: Heard) -> int:
        made = told(mapper.take(message))
        assert made[-1]["power_up"] == "inferred"
        return int(made[-1]["boot"])

    first = boot(flat(1, 0, psi=4000))
    assert boot(flat(2, 3000, psi=3000)) == first  # long silent, but its uptime went on
    assert boot(flat(3, 3001, psi=3000, up=2)) != first
    one = boot(heard(0, NIST, {"observedAt": "2031-05-04T19:00:00Z", "cylinderPressure": 4000}))
    same = boot(heard(599, NIST, {"observedAt": "2031-05-04T19:09:59Z", "cylinderPressure": 3000}))
    other = boot(heard(1200, NIST, {"observedAt": "2031-05-04T19:20:00Z", "cylinderPressure": 2000}))
    assert one == same != other


def test_what_cannot_be_mapped_is_said_and_the_rest_is_made(mapper: Mapper) -> None:
    mapped = mapper.take(flat(1, 0, psi="?", tF=80))
    assert [each["kind"] for each in told(mapped)] == ["setup", "temperature"]
    assert [str(fault) for fault in mapped.faults] == ["pressure_bar must be a number, got '?' (at /psi)"]
    impossible = mapper.take(flat(2, 1, psi=99_999))
    assert "pressure_bar must be a number 0..500 bar" in str(impossible.faults[0])


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"", "not a JSON object"),
        (b"[1]", "not a JSON object"),
        (b'{"psi":1', "not a JSON object"),
        (b"\xff\xfe", "not a JSON object"),
        (b'{"a":' + b"[" * 100 + b"]" * 100 + b"}", "nested too deep"),
        (b'{"a":"' + b"x" * 70_000 + b'"}', "at most 65,536"),
        (b'{"psi":4000}', "the time is missing"),
        (b'{"ts":"soon","psi":4000}', "time must be a number"),
        (b'{"ts":1e300,"psi":4000,"n":1}', "the time must be epoch_ms"),
        (b'{"ts":1935741600000,"psi":4000}', "counter is missing"),
        (b'{"ts":1935741600000,"psi":4000,"n":-1}', "counter must be an integer"),
    ],
)
def test_bad_objects_are_refused_with_a_reason(mapper: Mapper, payload: bytes, reason: str) -> None:
    mapped = mapper.take(heard(0, FLAT, payload))
    assert mapped.messages == []
    assert reason in str(mapped.faults[0])


@given(
    st.binary(max_size=300)
    | st.recursive(
        st.none() | st.booleans() | st.floats() | st.text(TEXT),
        lambda inner: (
            st.lists(inner, max_size=3)
            | st.dictionaries(
                st.sampled_from(["n", "up", "ts", "psi", "tF", "mode", "still"]), inner, max_size=7
            )
        ),
    ).map(lambda value: json.dumps(value).encode())
)
def test_any_bytes_become_messages_of_the_contract_or_reasons(payload: bytes) -> None:
    mapper = Mapper([load_mapping(EXAMPLES / "flat_object.toml")])
    told(mapper.take(heard(0, FLAT, payload)))


def test_a_mapper_goes_on_from_its_state_to_the_byte() -> None:
    mapping = load_mapping(EXAMPLES / "flat_object.toml")
    objects = [flat(n, n, psi=4000 - n, mode="DOWN" if 3 < n < 8 else "OK") for n in range(12)]
    whole = Mapper([mapping])
    expected = [whole.take(each).messages for each in objects]
    first = Mapper([mapping])
    got = [first.take(each).messages for each in objects[:5]]
    written = msgspec.json.encode(first.state)
    second = Mapper([mapping])
    second.state = msgspec.json.decode(written, type=dict[str, SetState])
    got += [second.take(each).messages for each in objects[5:]]
    assert got == expected


def test_local_time_of_a_zone_with_summer_time() -> None:
    text = (EXAMPLES / "flat_object.toml").read_text()
    text = text.replace(
        'time = { form = "epoch_ms", pointer = "/ts" }',
        'time = { form = "local", pointer = "/ts", zone = "Europe/Vienna" }',
    )
    mapper = Mapper([read_mapping(text.encode(), "test")])
    for local, instant in [("2031-01-04T12:00:00", "11:00:00"), ("2031-07-04 12:00:00", "10:00:00")]:
        made = told(mapper.take(heard(0, FLAT, {"n": len(local + instant), "ts": local, "psi": 4000})))
        assert instant in made[-1]["time"]


@pytest.mark.parametrize(("heard_h", "instant"), [(0.5, "00:30:00"), (1.5, "01:30:00"), (2.4, "01:30:00")])
def test_an_hour_that_the_clocks_repeat_is_the_one_nearer_to_the_receipt(
    heard_h: float, instant: str
) -> None:
    """The last Sunday of October in Vienna: 02:30 is 00:30 and then 01:30 UTC."""
    text = (EXAMPLES / "flat_object.toml").read_text()
    text = text.replace(
        'time = { form = "epoch_ms", pointer = "/ts" }',
        'time = { form = "local", pointer = "/ts", zone = "Europe/Vienna" }',
    )
    mapper = Mapper([read_mapping(text.encode(), "test")])
    one = heard(0, FLAT, {"n": 1, "ts": "2031-10-26T02:30:00", "psi": 4000})
    received = datetime(2031, 10, 26, tzinfo=UTC) + timedelta(hours=heard_h)
    made = told(mapper.take(one._replace(received=received)))
    assert instant in made[-1]["time"]


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        (
            'unit = "psi"',
            'unit = "stone"',
            "fields.pressure_bar.unit: expected one of bar, kPa, MPa, Pa, psi, got 'stone'",
        ),
        ("{unit}", "+", "name each varying level"),
        ("bench7/", "underair/", "belongs to the contract"),
        ('level = "unit"', 'level = "van"', "the topic has unit, got 'van'"),
        ('kind = "pressure"', 'kind = "pressures"', "kind: expected one of pressure, motion"),
        ("pressure_bar =", "pressure =", "pressure has no field 'pressure'"),
        (
            'pointer = "/psi"',
            'pointer = "psi"',
            "fields.pressure_bar.pointer: expected a JSON Pointer such as /cylinder/pressure, got 'psi'",
        ),
        ("version = 1", "version = 0", "version"),
        ('service = "demo"', 'service = "a b"', "service"),
        ('form = "epoch_ms"', 'form = "stardate"', "time.form"),
        ('name = "flat-object"', "name = 'flat-object", "is not TOML"),
    ],
)
def test_a_wrong_mapping_is_refused_with_place_value_and_what_was_expected(
    before: str, after: str, said: str
) -> None:
    text = (EXAMPLES / "flat_object.toml").read_text()
    assert before in text
    with pytest.raises(BadSettings) as refused:
        read_mapping(text.replace(before, after).encode(), "mine.toml")
    assert "mine.toml" in str(refused.value)
    assert said in str(refused.value)


def test_a_huge_or_deep_mapping_is_refused() -> None:
    with pytest.raises(BadSettings, match="more than 262,144 bytes"):
        read_mapping(b"a=1\n" * 100_000, "huge.toml")
    with pytest.raises(BadSettings, match="is not TOML"):
        read_mapping(b"a = " + b"[" * 50_000, "deep.toml")


def test_json_pointers_of_the_standard() -> None:
    """RFC 6901, section 5."""
    document = {"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, 'k"l': 6, " ": 7, "m~n": 8}
    assert at_pointer(document, "") == document
    assert at_pointer(document, "/foo") == ["bar", "baz"]
    assert at_pointer(document, "/foo/0") == "bar"
    assert at_pointer(document, "/") == 0
    assert at_pointer(document, "/a~1b") == 1
    assert at_pointer(document, "/c%d") == 2
    assert at_pointer(document, '/k"l') == 6
    assert at_pointer(document, "/ ") == 7
    assert at_pointer(document, "/m~0n") == 8
    assert at_pointer(document, "/foo/9") is None
