"""An archive of other people's JSON: mapping files kept, imported, received, sealed, verified."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from click.testing import CliRunner

from dashboard.underair import root
from ingest.archive.journal import Record, SegmentWriter
from ingest.archive.manifest import decode_line
from ingest.archive.mapped_journal import keep_state
from ingest.archive.mappings import filters_of, keep_mapping, mappings_of
from ingest.archive.reading import Archive, Follower
from ingest.archive.sealing import seal_segment
from ingest.archive.sound import trouble_of
from ingest.archive.tidying import tidy
from ingest.archive.verifying import verify
from ingest.broker.mqtt import Publisher
from ingest.contract.captures import Heard, write_capture
from ingest.contract.errors import BadSettings
from ingest.contract.frames import concat
from ingest.contract.times import micros
from ingest.importing import import_capture
from ingest.listener import Listener
from ingest.mapping.mapper import Mapper
from ingest.mapping.rules import EXAMPLES, load_mapping
from ingest.settings import SealSettings, Settings
from tests.ingest.strangers_json import BEGAN, FLAT, OWN, flat, heard
from tests.verbs import underair

pytestmark = pytest.mark.usefixtures("seals_here")


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
    assert set(messages["refused"]["topic"]) == {FLAT, "underair/v1/demo/set/K12/pressure"}
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


def test_a_gateways_lists_become_rows_of_every_set_as_the_page_on_mappings_says(tmp_path: Path) -> None:
    """Its own example: G1 sends two sets, of the first two readings."""
    page = (Path(__file__).parents[2] / "ingest/docs/mapping.md").read_text()
    told, mapping = (page.split(f"```{language}\n{begin}")[1].split("```")[0] for language, begin in BLOCKS)
    (tmp_path / "mine.toml").write_text(f"name{mapping}")
    payload = json.loads("{" + told)
    capture, archive = tmp_path / "a.ndjson", tmp_path / "archive"
    objects = []
    for second in range(0, 300, 2):
        for unit in payload["units"]:
            for reading in unit["last"]:
                reading |= {"at": reading["at"] + 2000 * (second > 0), "bar": reading["bar"] - 0.1}
        objects.append(heard(second + 3, "gateways/G1/air", json.loads(json.dumps(payload))))
    write_capture(capture, objects)
    given = ("--mapping", tmp_path / "mine.toml")
    checked = underair("check", capture, *given)
    assert (checked.returncode, "demo set A: 300 pressure" in checked.stdout) == (0, True), checked.stdout
    assert "demo set B: 150 pressure" in checked.stdout
    made = underair("import", capture, "--archive", archive, "--json", *given)
    assert json.loads(made.stdout) == {"received": 150, "kept": 150, "duplicates": 0, "refused": 0}
    board = underair("board", "--archive", archive, "--at", "2031-05-04T19:05:00Z")
    assert [name for name in ("A", "B") if f" {name} " in board.stdout] == ["A", "B"], board.stdout


BLOCKS = (("json", "{"), ("toml", "name"))


def test_a_second_mapping_of_a_topic_is_refused(tmp_path: Path) -> None:
    """It was never used, and nothing said so."""
    text = (EXAMPLES / "flat_object.toml").read_text()
    archive = tmp_path / "archive"
    archive.mkdir()
    keep_mapping(archive, EXAMPLES / "nist_scba.toml")
    keep_mapping(archive, EXAMPLES / "flat_object.toml")
    for topic in ("bench7/telemetry/{unit}", "{site}/telemetry/K12"):
        other = text.replace('name = "flat-object"', 'name = "other"').replace(
            "bench7/telemetry/{unit}", topic
        )
        other = other.replace('level = "unit"', 'value = "K12"')
        (tmp_path / "other.toml").write_text(other)
        with pytest.raises(BadSettings, match="flat-object/1 of this archive already reads the topic"):
            keep_mapping(archive, tmp_path / "other.toml")
    (tmp_path / "other.toml").write_text(other.replace("/telemetry/", "/telemetry/more/"))
    keep_mapping(archive, tmp_path / "other.toml")
    (tmp_path / "newer.toml").write_text(text.replace("version = 1", "version = 2"))
    keep_mapping(archive, tmp_path / "newer.toml")
    assert {mapping.origin for mapping in mappings_of(archive)} == {"flat-object/2", "nist-scba/1", "other/1"}


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
    follower = Follower(archive)
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
    follower = archive.follow()
    assert follower.new_messages()["pressure"].is_empty(), "and followed"
    follower.close()
    (fault,) = trouble_of(archive.folder)
    assert (fault.what, fault.where) == ("altered", "mappings/flat-object-1.toml")
    with pytest.raises(BadSettings, match="was changed or is missing"):
        seal_segment(tmp_path, writer.path)
    assert writer.path.exists(), "sealing waits"
    capture = tmp_path / "capture.ndjson"
    write_capture(capture, [one])
    with pytest.raises(BadSettings, match="was changed or is missing"):
        import_capture(capture, tmp_path)
    with pytest.raises(BadSettings, match="was changed or is missing"):
        filters_of(tmp_path)  # a listener that began without it would not hear those sets
    keep_mapping(tmp_path, source)
    assert kept.read_bytes() == whole
    assert Archive(tmp_path).messages()["pressure"]["pressure_bar"][0] == pytest.approx(4350 * 0.06894757)
    assert not trouble_of(archive.folder)


def test_state_of_mappings_with_a_flipped_bit_is_said(tmp_path: Path) -> None:
    keep_mapping(tmp_path, EXAMPLES / "flat_object.toml")
    journal = tmp_path / "journal" / "listener"
    journal.mkdir(parents=True)
    mapper = Mapper([load_mapping(EXAMPLES / "flat_object.toml")])
    mapper.take(flat(1, 0, psi=4350, mode="HELP"))
    keep_state(journal / "earlier", {}, mapper)
    assert not trouble_of(tmp_path)
    state = bytearray((journal / "mapping-state.json").read_bytes())
    state[60] ^= 1
    (journal / "mapping-state.json").write_bytes(state)
    assert [fault.where for fault in trouble_of(tmp_path)] == ["journal/listener/mapping-state.json"]


def mappings_by_kind(archive: Path) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    for chain in (archive / "manifest").glob("*.ndjson"):
        for line in map(decode_line, chain.read_bytes().splitlines()):
            found.setdefault(line.part.partition("/")[0], set()).update(line.mappings)
    return found
