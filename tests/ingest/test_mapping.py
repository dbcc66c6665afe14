"""Other people's JSON: mapping files, what each object becomes, and what cannot be known."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import msgspec
import polars as pl
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from dashboard.underair import root
from ingest.archive.archive import seal_segment
from ingest.archive.journal import Record, SegmentWriter
from ingest.archive.manifest import chains, read_chain
from ingest.archive.mapped_journal import keep_state
from ingest.archive.mappings import keep_mapping, mappings_of
from ingest.archive.reading import Archive
from ingest.archive.tidying import tidy
from ingest.archive.verifying import verify
from ingest.broker.mqtt import Publisher
from ingest.contract.captures import Heard, write_capture
from ingest.contract.errors import BadSettings
from ingest.contract.frames import concat
from ingest.contract.messages import decode
from ingest.contract.times import micros
from ingest.listener import Listener
from ingest.mapping.mapper import Mapped, Mapper, SetState, at_pointer
from ingest.mapping.rules import EXAMPLES, load_mapping, read_mapping
from ingest.settings import SealSettings, Settings

BEGAN = datetime(2031, 5, 4, 19, 0, tzinfo=UTC)
FLAT = "bench7/telemetry/K12"
NIST = "responders/R-7/scba"
OWN = {"set_id": "S-1", "boot": 1, "seq": 0, "time": "2031-05-04T19:00:03Z"}


def heard(at_s: float, topic: str, told: Any) -> Heard:
    payload = told if isinstance(told, bytes) else json.dumps(told).encode()
    return Heard(BEGAN + timedelta(seconds=at_s), topic, payload)


def flat(number: int, at_s: float, **more: Any) -> Heard:
    told = {"n": number, "up": 5 + at_s, "ts": int((BEGAN.timestamp() + at_s) * 1000), "mode": "OK", **more}
    return heard(at_s, FLAT, told)


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
        (b"", "no JSON object"),
        (b"[1]", "no JSON object"),
        (b'{"psi":1', "no JSON object"),
        (b"\xff\xfe", "no JSON object"),
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
        st.none() | st.booleans() | st.floats() | st.text(),
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
    second = Mapper([mapping], msgspec.json.decode(written, type=dict[str, SetState]))
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


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        (
            'unit = "psi"',
            'unit = "stone"',
            "fields.pressure_bar.unit: expected one of bar, kPa, MPa, Pa, psi, got 'stone'",
        ),
        ("{unit}", "+", "name each varying level"),
        ("bench7/", "underair/", "the contract's own"),
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


def test_an_archive_keeps_each_version_and_refuses_a_changed_one(tmp_path: Path) -> None:
    text = (EXAMPLES / "flat_object.toml").read_text()
    (tmp_path / "a.toml").write_text(text)
    archive = tmp_path / "archive"
    archive.mkdir()
    keep_mapping(archive, tmp_path / "a.toml")
    keep_mapping(archive, tmp_path / "a.toml")
    (tmp_path / "a.toml").write_text(text + "# changed\n")
    with pytest.raises(BadSettings, match="raise its version to 2"):
        keep_mapping(archive, tmp_path / "a.toml")
    (tmp_path / "a.toml").write_text(text.replace("version = 1", "version = 2"))
    keep_mapping(archive, tmp_path / "a.toml")
    assert [mapping.origin for mapping in mappings_of(archive)] == ["flat-object/2"]
    assert len(list((archive / "mappings").glob("*.toml"))) == 2


def test_import_keeps_originals_counts_each_once_and_changes_nothing_the_second_time(tmp_path: Path) -> None:
    objects = [flat(n, n, psi=4000 - n) for n in range(20)]
    objects += [flat(20, 20, psi="?"), heard(21, FLAT, b"nonsense"), objects[3]]
    capture, archive = tmp_path / "a.ndjson", tmp_path / "archive"
    write_capture(capture, objects)
    command = ["import", str(capture), "--archive", str(archive), "--json"]
    first = CliRunner().invoke(root, [*command, "--mapping", str(EXAMPLES / "flat_object.toml")])
    assert json.loads(first.stdout) == {"received": 23, "kept": 20, "duplicates": 1, "refused": 2}
    assert first.exit_code == 3
    second = CliRunner().invoke(root, command)
    assert json.loads(second.stdout) == {"received": 23, "kept": 0, "duplicates": 21, "refused": 2}
    messages = Archive(archive).messages()
    assert messages["pressure"].height == 20
    originals = messages["originals"]
    assert originals.height == 22
    assert originals["payload"].to_list()[:20] == [each.payload for each in objects[:20]]
    assert originals["messages"].sum() == sum(
        frame.height for kind, frame in messages.items() if kind not in ("originals", "refused")
    )
    assert messages["refused"].height == 2
    assert set(messages["refused"]["topic"]) == {FLAT}
    assert messages["pressure"].filter(pl.col("payload").str.contains("flat-object/1")).height == 20


def test_check_shows_what_a_mapping_makes_of_standard_input(tmp_path: Path) -> None:
    lines = b"".join(b"%s %s\n" % (FLAT.encode(), flat(n, n, psi=4000).payload) for n in range(3))
    lines += b"elsewhere/x {}\n"
    run = CliRunner().invoke(
        root, ["check", "-", "--mapping", str(EXAMPLES / "flat_object.toml"), "--show"], input=lines
    )
    assert run.exit_code == 3  # the other topic
    shown = [json.loads(line) for line in run.stdout.splitlines() if line.startswith('{"received"')]
    assert [line["payload"]["kind"] for line in shown if "payload" in line][:2] == ["setup", "pressure"]
    assert "names no field 'origin'" not in run.stdout


def test_originals_are_read_again_with_a_mended_mapping_into_a_new_archive(tmp_path: Path) -> None:
    """The first mapping took psi for kPa; the archive it filled stays as it was."""
    right = (EXAMPLES / "flat_object.toml").read_text()
    (tmp_path / "wrong.toml").write_text(right.replace('unit = "psi"', 'unit = "kPa"'))
    (tmp_path / "right.toml").write_text(right.replace("version = 1", "version = 2"))
    own = heard(
        3.5,
        "underair/v1/demo/set/S-1/pressure",
        {
            "kind": "pressure",
            "set_id": "S-1",
            "boot": 1,
            "seq": 0,
            "time": "2031-05-04T19:00:03Z",
            "pressure_bar": 200.0,
        },
    )
    write_capture(
        tmp_path / "a.ndjson", [*(flat(n, n, psi=4000) for n in range(4)), own, heard(5, FLAT, b"x")]
    )
    old, new = tmp_path / "old", tmp_path / "new"
    for log, archive, mapping in [(tmp_path / "a.ndjson", old, "wrong"), (old, new, "right")]:
        command = [
            "import",
            str(log),
            "--archive",
            str(archive),
            "--mapping",
            str(tmp_path / f"{mapping}.toml"),
        ]
        run = CliRunner().invoke(root, [*command, "--json"])
        assert json.loads(run.stdout) == {"received": 6, "kept": 5, "duplicates": 0, "refused": 1}, run.output
    before = Archive(old).messages()["pressure"]
    after = Archive(new).messages()["pressure"]
    assert before["pressure_bar"].to_list() == [40.0] * 4 + [200.0]
    assert after["pressure_bar"].to_list() == pytest.approx([275.79] * 4 + [200.0], abs=0.01)
    assert (
        Archive(new)
        .messages()["originals"]["payload"]
        .equals(Archive(old).messages()["originals"]["payload"])
    )


@pytest.mark.broker
def test_foreign_json_is_received_read_from_the_tail_and_sealed_to_the_same_messages(
    mosquitto: Any, tmp_path: Path, wait_until: Callable[..., Any]
) -> None:
    archive = tmp_path / "archive"
    archive.mkdir()
    keep_mapping(archive, EXAMPLES / "flat_object.toml")
    follower = Archive(archive).follow()
    # Two rows a segment: the mapper's state goes over many of them, and over a restart.
    settings = Settings(seal=SealSettings(rows=2, seconds=3600))
    objects = [flat(n, n, psi=4000 - n, mode="DOWN" if 3 < n < 9 else "OK") for n in range(14)]
    live = []
    for half in (objects[:7], objects[7:]):
        listener = Listener(mosquitto.url, archive, settings, say=lambda _: None)
        listener.start()
        assert listener.subscribed.wait(60)
        with Publisher(mosquitto.url) as publisher:
            for each in half:
                publisher.publish(each.topic, each.payload)
        wait_until(lambda one=listener: one.health.journalled == 7, what="seven objects")
        live.append(follower.new_messages())
        counts = listener.stop()
        assert (counts.received, counts.kept, counts.refused) == (7, 7, 0)
    follower.close()
    messages = Archive(archive).messages()
    assert messages["pressure"].height == 14
    assert messages["originals"]["payload"].to_list() == [each.payload for each in objects]
    assert messages["setup"].height == 1
    assert messages["pressure"]["boot"].n_unique() == 1
    seqs = sorted(seq for kind in ("pressure", "alarm", "setup") for seq in messages[kind]["seq"])
    assert seqs == list(range(len(seqs)))
    assert [(row["alarm"], row["state"]) for row in messages["alarm"].sort("seq").iter_rows(named=True)] == [
        ("no_motion_prealarm", "raised"),
        ("no_motion", "raised"),
        ("no_motion_prealarm", "cleared"),
        ("no_motion", "cleared"),
    ]
    shown = concat(live)
    assert set(shown["pressure"]["payload"]) == set(messages["pressure"]["payload"])


def test_sealing_that_broke_off_is_done_again_to_the_same_bytes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive = tmp_path / "archive"
    archive.mkdir()
    keep_mapping(archive, EXAMPLES / "flat_object.toml")
    folder = archive / "journal" / "listener"
    folder.mkdir(parents=True)

    def segment(objects: list[Heard]) -> Path:
        writer = SegmentWriter(folder, BEGAN)
        writer.append([Record(micros(each.received), each.topic, each.payload, False) for each in objects])
        writer.close()
        return writer.path

    seal_segment(archive, segment([flat(n, n, psi=4000, mode="DOWN") for n in range(3)]))
    second = segment([flat(n, n, psi=3900, mode="OK") for n in range(3, 6)])
    with monkeypatch.context() as patch:
        patch.setattr(Path, "unlink", lambda *_, **__: (_ for _ in ()).throw(OSError("broke off")))
        with pytest.raises(OSError, match="broke off"):
            seal_segment(archive, second)
    before = Archive(archive).messages()
    seal_segment(archive, second)
    after = Archive(archive).messages()
    assert {kind: frame.height for kind, frame in after.items()} == {
        kind: frame.height for kind, frame in before.items()
    }
    assert after["pressure"]["payload"].to_list() == before["pressure"]["payload"].to_list()
    assert after["alarm"]["state"].to_list().count("cleared") == 2


def test_the_manifest_names_the_mapping_file_and_verify_finds_one_that_changed(tmp_path: Path) -> None:
    capture, archive = tmp_path / "a.ndjson", tmp_path / "archive"
    own = heard(
        9,
        "underair/v1/demo/set/S-1/motion",
        {**OWN, "kind": "motion", "still_s": 3.0, "origin": "flat-object/1"},
    )
    write_capture(capture, [*(flat(n, n, psi=4000 - n) for n in range(5)), own])
    example = EXAMPLES / "flat_object.toml"
    command = ["import", str(capture), "--archive", str(archive), "--mapping", str(example)]
    assert CliRunner().invoke(root, command).exit_code == 0
    named = f"flat-object/1 sha256:{hashlib.sha256(example.read_bytes()).hexdigest()}"
    made_with = mappings_by_kind(archive)
    assert made_with["pressure"] == made_with["originals"] == made_with["setup"] == {named}
    # Merged, the line still names it.
    tidy(archive, datetime(2040, 1, 1, tzinfo=UTC))
    assert mappings_by_kind(archive)["pressure"] == {named}
    assert verify(archive).faults == []
    kept = archive / "mappings" / "flat-object-1.toml"
    kept.write_text(kept.read_text().replace('unit = "psi"', 'unit = "kPa"'))
    assert [(fault.what, fault.where) for fault in verify(archive).faults] == [
        ("altered", "mappings/flat-object-1.toml")
    ]
    kept.unlink()
    assert [(fault.what, fault.where) for fault in verify(archive).faults] == [
        ("missing", "mappings/flat-object-1.toml")
    ]


def mappings_by_kind(archive: Path) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    for _, chain in chains(archive):
        for line in read_chain(chain)[0]:
            found.setdefault(line.part.partition("/")[0], set()).update(line.mappings)
    return found


def test_a_kept_mapping_that_was_altered_is_said_not_used_and_put_right_by_its_file(tmp_path: Path) -> None:
    """Fault found by flipping bits: another factor gave other pressures, and nobody said so."""
    source = EXAMPLES / "flat_object.toml"
    keep_mapping(tmp_path, source)
    (kept,) = (tmp_path / "mappings").glob("*.toml")
    journal = tmp_path / "journal" / "listener"
    journal.mkdir(parents=True)
    writer = SegmentWriter(journal, BEGAN)
    one = flat(1, 0, psi=4350)
    writer.append([Record(micros(one.received), one.topic, one.payload, False)])
    writer.close()
    whole = kept.read_bytes()
    kept.write_bytes(whole.replace(b'"psi"', b'"bar"'))
    archive = Archive(tmp_path)
    assert archive.messages()["pressure"].is_empty(), "the other sets can still be read"
    (fault,) = archive.trouble()
    assert (fault.what, fault.where) == ("altered", "mappings/flat-object-1.toml")
    with pytest.raises(BadSettings, match="is not as it was given"):
        seal_segment(tmp_path, writer.path)
    assert writer.path.exists(), "sealing waits"
    keep_mapping(tmp_path, source)
    assert kept.read_bytes() == whole
    assert Archive(tmp_path).messages()["pressure"]["pressure_bar"][0] == pytest.approx(4350 * 0.06894757)
    assert not archive.trouble()


def test_state_of_mappings_with_a_flipped_bit_is_said(tmp_path: Path) -> None:
    keep_mapping(tmp_path, EXAMPLES / "flat_object.toml")
    journal = tmp_path / "journal" / "listener"
    journal.mkdir(parents=True)
    mapper = Mapper([load_mapping(EXAMPLES / "flat_object.toml")])
    mapper.take(flat(1, 0, psi=4350, mode="HELP"))
    keep_state(journal / "earlier", {}, mapper)
    assert not Archive(tmp_path).trouble()
    state = bytearray((journal / "mapping-state.json").read_bytes())
    state[60] ^= 1
    (journal / "mapping-state.json").write_bytes(state)
    assert [fault.where for fault in Archive(tmp_path).trouble()] == ["journal/listener/mapping-state.json"]
