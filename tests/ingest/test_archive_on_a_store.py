"""An archive on an S3-compatible store."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
import urllib.request
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from analysis.profile import Profile
from dashboard.serving import Served
from dashboard.trends.wear_ledger import WearLedger
from ingest.archive import store as store_module
from ingest.archive import verifying
from ingest.archive.folder import Counts
from ingest.archive.index import ArchiveIndex
from ingest.archive.parts import part_files
from ingest.archive.reading import Archive
from ingest.archive.sealing import Recent, seal_messages, seal_segment
from ingest.archive.store import (
    STORE,
    Store,
    StorePath,
    StoreProblem,
    local,
    place,
    store_problem,
    work_folder,
)
from ingest.archive.tidying import tidy
from ingest.archive.verifying import verify
from ingest.broker.mqtt import Publisher
from ingest.contract.captures import Heard
from ingest.contract.errors import ArchiveProblem
from ingest.contract.frames import frames_from_heard
from ingest.importing import import_capture
from ingest.listener import Listener
from ingest.settings import SealSettings, Settings
from sample_logs.simulation.scenario import build_late_turn_back
from tests.ingest.on_a_store import (
    DAY,
    NEXT_DAY,
    SAMPLE,
    Pressure,
    everything,
    fill,
    segment_of,
    within,
)
from tests.store_stand_in import Store as StandIn


def test_what_was_sealed_and_tidied_on_a_store_reads_as_from_a_folder(
    archive: Path, pressure: Pressure, tmp_path: Path
) -> None:
    folder = tmp_path / "folder"
    fill(archive, pressure)
    fill(folder, pressure)
    seal_messages(archive, frames_from_heard([pressure(5, set_id="S-2"), pressure(99)]), "import-a")
    seal_messages(folder, frames_from_heard([pressure(5, set_id="S-2"), pressure(99)]), "import-a")
    for _ in range(2):
        there, here = everything(archive), everything(folder)
        assert all(there[kind].equals(here[kind]) for kind in here)
        assert there["pressure"].height == 31
        found = verify(archive)
        assert found.faults == []
        assert found.rows == verify(folder).rows == 34
        done = tidy(archive, NEXT_DAY, grace_s=0)
        assert done == tidy(folder, NEXT_DAY, grace_s=0)
    assert len(Archive(archive).scan("pressure").select("set_id").collect()) == 31
    assert (
        ArchiveIndex(archive)
        .sets([DAY.date()])
        .drop("part")
        .equals(ArchiveIndex(folder).sets([DAY.date()]).drop("part"))
    )
    parts = [path for path in STORE.below(archive / "pressure") if path.name.endswith(".parquet")]
    assert len(parts) == 1


@pytest.mark.parametrize("tidied", [False, True])
def test_an_altered_byte_in_any_object_is_named(archive: Path, pressure: Pressure, tidied: bool) -> None:
    fill(archive, pressure)
    if tidied:
        tidy(archive, NEXT_DAY, grace_s=0)
    objects = [
        path
        for path in STORE.below(archive)
        if path.suffix in (".parquet", ".ndjson") and path.parent.name != "index"
    ]
    assert {path.suffix for path in objects} == {".parquet", ".ndjson"}
    for path in objects:
        whole = path.read_bytes()
        altered = bytearray(whole)
        altered[len(whole) // 2] ^= 1
        STORE.put(path, bytes(altered))
        faults = verify(archive).faults
        assert faults != [], path
        if path.suffix == ".parquet":
            assert path.relative_to(archive).as_posix() in {fault.where for fault in faults}
        STORE.put(path, whole)
    path = next(path for path in objects if path.suffix == ".parquet")
    path.unlink()
    assert [fault.what for fault in verify(archive).faults] == ["missing"]


def test_a_store_that_is_down_loses_nothing_and_counts_right(
    archive: Path, store: StandIn, pressure: Pressure
) -> None:
    fill(archive, pressure)
    recent = Recent(archive)
    segment = segment_of(archive, [pressure(seq, set_id=f"S-{seq % 3}") for seq in range(25, 35)], 9)
    store.stop()
    with pytest.raises(StoreProblem, match="does not answer"):
        seal_segment(archive, segment, recent)
    with pytest.raises(StoreProblem, match="does not answer"):
        Archive(archive).messages()
    assert segment.exists()
    store.start()
    assert seal_segment(archive, segment, recent).counts == Counts(10, 5, 5, 0)
    assert not segment.exists()
    assert Archive(archive).messages()["pressure"].height == 35
    assert verify(archive).faults == []


def test_a_seal_that_broke_off_is_not_seen_elsewhere_nor_merged(
    archive: Path, pressure: Pressure, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A segment's parts of several kinds are there together or not at all, for other machines too."""
    fill(archive, pressure)
    segment = segment_of(archive, [pressure(50), Heard(DAY, "x", b"z")], 9)
    put = Store.put

    def refusing(store: Store, path: Path, data: Any) -> None:
        if "/refused/" in str(path):
            raise StoreProblem("full")
        put(store, path, data)

    monkeypatch.setattr(Store, "put", refusing)
    with pytest.raises(StoreProblem, match="full"):
        seal_segment(archive, segment, Recent())
    monkeypatch.setattr(Store, "put", put)
    assert everything(archive)["pressure"].height == 31  # here the journal is read
    monkeypatch.setenv("UNDERAIR_WORK_FOLDER", str(tmp_path / "another machine"))
    assert everything(archive)["pressure"].height == 30
    tidy(archive, NEXT_DAY, grace_s=0)
    assert verify(archive).faults == []  # it may be on its way
    with monkeypatch.context() as later:
        later.setattr(verifying, "_SEALED_WITHIN", timedelta(hours=-1))
        assert [fault.what for fault in verify(archive).faults] == ["unfinished"]
    monkeypatch.setenv("UNDERAIR_WORK_FOLDER", str(tmp_path / "work"))
    assert seal_segment(archive, segment, Recent(archive)).counts == Counts(2, 1, 0, 1)
    assert everything(archive)["pressure"].height == 31
    assert verify(archive).faults == []


def test_a_name_or_a_tidying_on_two_machines_is_refused(
    archive: Path, pressure: Pressure, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    fill(archive, pressure)
    lock = archive / "tidy.owner"
    assert STORE.put_new(lock, b"another machine")
    assert not STORE.put_new(lock, b"a third")
    assert lock.read_bytes() == b"another machine"
    with pytest.raises(ArchiveProblem, match="another machine is tidying"):
        tidy(archive, NEXT_DAY, grace_s=0)
    lock.unlink()
    tidy(archive, NEXT_DAY, grace_s=0)
    assert not lock.exists()
    monkeypatch.setenv("UNDERAIR_WORK_FOLDER", str(tmp_path / "another machine"))
    with pytest.raises(ArchiveProblem, match="a listener named 'one' on another machine"):
        fill(archive, pressure)


def test_the_objects_copied_into_a_folder_after_tidy_are_an_archive(archive: Path, tmp_path: Path) -> None:
    """What the refusal of the verbs that need a folder says."""
    import_capture(SAMPLE, archive)
    tidy(archive, datetime.now(UTC), grace_s=0)
    copied = tmp_path / "copied"
    for path in STORE.below(archive):
        there = copied / path.relative_to(archive).as_posix()
        there.parent.mkdir(parents=True, exist_ok=True)
        there.write_bytes(path.read_bytes())
    whole = within("verify", copied)
    assert (whole.exit_code, whole.stdout.count("whole: ")) == (0, 1), whole.output
    assert verify(copied).rows == verify(archive).rows > 0
    first, second = everything(copied), everything(archive)
    assert all(first[kind].equals(frame) for kind, frame in second.items())
    assert first["pressure"].height > 100
    done = within("audit", "--archive", copied, "--out", tmp_path / "audit")
    assert done.exit_code == 0, (done.output, done.exception)
    served = Served(copied)
    served.start()
    try:
        with urllib.request.urlopen(f"{served.url}/review", timeout=60) as page:
            assert page.status == 200
    finally:
        served.close()


def test_what_is_on_its_way_is_worked_out_when_it_is_whole(archive: Path) -> None:
    """A period with a part that readers pass over still must not count as worked out for ever."""
    heard = build_late_turn_back(1, DAY).heard
    for name, some in (("one", heard[::2]), ("two", heard[1::2])):
        seal_messages(archive, frames_from_heard(some), name)
    whole = WearLedger(Archive(archive), Profile.default())
    assert whole.update(NEXT_DAY + timedelta(days=9))
    shutil.rmtree(work_folder(archive) / "derived")
    (name,) = {part.stem for part in part_files(archive, "pressure") if part.stem.startswith("two-")}
    mark = archive / "sealing" / name
    STORE.put(mark, b"2031-05-04T00:00:00+00:00")
    ledger = WearLedger(Archive(archive), Profile.default())
    assert ledger.update(NEXT_DAY + timedelta(days=9))
    assert not ledger.tables()["wears"].equals(whole.tables()["wears"])
    mark.unlink()
    assert ledger.update(NEXT_DAY + timedelta(days=9))
    assert all(ledger.tables()[name].equals(table) for name, table in whole.tables().items())


def test_of_many_at_once_one_has_the_lock(archive: Path) -> None:
    """RFC 9110, 13.1.2: If-None-Match: * lets a request through only when there is nothing."""
    lock = archive / "tidy.owner"
    with ThreadPoolExecutor(8) as pool:
        won = list(pool.map(lambda number: STORE.put_new(lock, f"{number}".encode()), range(8)))
    assert sum(won) == 1
    assert lock.read_bytes() == f"{won.index(True)}".encode()


def test_processes_that_are_told_an_address_work_on_the_store(archive: Path, pressure: Pressure) -> None:
    fill(archive, pressure)
    segment = segment_of(archive, [pressure(70)], 9)
    # The module's own start, without the half a minute that replaced parts stay for readers.
    merge = "from ingest.archive import finished_days, store\nstore.Store.grace_s = 0.0\nfinished_days.main()"
    for code, more, said in (
        (["-m", "ingest.archive.sealing_process"], [str(segment.parent)], json.dumps(str(segment)) + "\n"),
        (["-c", merge], [], None),
    ):
        command = [sys.executable, "-W", "error", *code, str(archive), *more]
        with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
            assert process.stdin is not None
            assert process.stdout is not None
            if said is not None:
                process.stdin.write(said)
                process.stdin.close()
            answer = process.stdout.read()  # the end of the other's stdin would end it
            assert process.wait() == 0
        assert ("kept" in answer) == (said is not None), answer
    assert not segment.exists()
    assert (archive / "manifest/one.ndjson").is_file()  # folded
    assert Archive(archive).scan("pressure").collect().height == 31
    assert not list(Path.cwd().glob("s3:*"))


def test_missing_keys_and_a_bad_address_are_said(
    archive: Path, store: StandIn, pressure: Pressure, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    with pytest.raises(ArchiveProblem, match="s3://BUCKET/PREFIX"):
        place("s3:/bucket/x")
    messages = frames_from_heard([pressure(1)])
    with pytest.raises(ArchiveProblem, match="needs a folder of this machine"):
        local(archive)
    monkeypatch.delenv("AWS_ACCESS_KEY_ID")
    monkeypatch.setenv("AWS_SHARED_CREDENTIALS_FILE", str(tmp_path / "keys"))
    with pytest.raises(StoreProblem, match="no keys for the store"):
        seal_messages(archive, messages, "import-a")
    (tmp_path / "keys").write_text("[default]\naws_access_key_id = other\naws_secret_access_key = %secret\n")
    assert seal_messages(archive, messages, "import-a").kept == 1


def test_keys_and_addresses_that_cannot_be_are_said_without_the_keys(
    archive: Path, pressure: Pressure, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    messages = frames_from_heard([pressure(1)])
    with monkeypatch.context() as wrong:
        wrong.setenv("AWS_ENDPOINT_URL", "store.example:9000/path")
        with pytest.raises(StoreProblem, match=r"AWS_ENDPOINT_URL must be https://HOST\[:PORT\]"):
            seal_messages(archive, messages, "import-a")
    monkeypatch.delenv("AWS_ACCESS_KEY_ID")
    keys = tmp_path / "keys"
    keys.write_text("no section, a secret")
    monkeypatch.setenv("AWS_SHARED_CREDENTIALS_FILE", str(keys))
    with pytest.raises(StoreProblem, match=r"the file of keys .* cannot be read: MissingSection") as told:
        seal_messages(archive, messages, "import-a")
    assert "secret" not in str(told.value)
    told_keys = "[other]\naws_access_key_id = other\naws_secret_access_key = %secret\n"
    keys.write_text(f"{told_keys}aws_session_token = t\n")
    monkeypatch.setenv("AWS_PROFILE", "other")
    with pytest.raises(StoreProblem, match="refuses our keys"):  # no session has that token
        seal_messages(archive, messages, "import-a")
    keys.write_text(told_keys)
    assert seal_messages(archive, messages, "import-a").kept == 1
    assert Archive(archive).scan("pressure").collect().height == 1


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            "AWS Error ACCESS_DENIED during PutObject",
            "refuses our keys for s3://b/a: AWS Error ACCESS_DENIED",
        ),
        ("When writing: HTTP 403", "refuses our keys"),
        # The error codes of Amazon's S3; SeaweedFS makes a bucket that is not there.
        ("AWS Error NO_SUCH_BUCKET during CreateMultipartUpload", "has no bucket 'b'; make it there first"),
        ("<Error><Code>NoSuchBucket</Code>", "has no bucket 'b'"),
        ("AWS Error SLOW_DOWN\nsecond line", r"failed \(s3://b/a\): AWS Error SLOW_DOWN$"),
        ("x" * 400, "x{300}…$"),
    ],
)
def test_what_a_store_refuses_is_said_in_one_line(store: StandIn, text: str, said: str) -> None:
    assert re.search(said, str(store_problem(StorePath("s3://b/a"), OSError(text))))


def test_an_object_that_arrived_in_part_is_no_object(
    archive: Path, pressure: Pressure, monkeypatch: pytest.MonkeyPatch
) -> None:
    fill(archive, pressure)
    segment = segment_of(archive, [pressure(50)], 9)
    whole = store_module._client

    class Short:
        """A client of a store that takes 7 bytes of what is written."""

        def __init__(self, access: Any) -> None:
            self._client, self._has_written = whole(access), False

        def __getattr__(self, name: str) -> Any:
            return getattr(self._client, name)

        def open_output_stream(self, key: str) -> Any:
            self._has_written = True
            return self._client.open_output_stream(key)

        def get_file_info(self, what: Any) -> Any:
            return SimpleNamespace(size=7) if self._has_written else self._client.get_file_info(what)

    with monkeypatch.context() as broken:
        broken.setattr(store_module, "_client", Short)
        with pytest.raises(StoreProblem, match=r"the store holds 7 bytes, \d+ were written"):
            seal_segment(archive, segment, Recent())
    assert segment.exists()
    assert seal_segment(archive, segment, Recent()).counts == Counts(1, 1, 0, 0)
    assert verify(archive).faults == []


@pytest.mark.broker
def test_listener_seals_onto_a_store_that_was_down(
    archive: Path, store: StandIn, mosquitto: Any, wait_until: Callable[..., Any], pressure: Pressure
) -> None:
    """Acknowledged by the local sync; while the store is away the journal keeps it and the status says so."""
    settings = Settings(seal=SealSettings(rows=20, seconds=0.2))
    said: list[str] = []
    listener = Listener(mosquitto.url, archive, settings, say=said.append)
    store.stop()
    with listener:
        assert listener.subscribed.wait(60)
        with Publisher(mosquitto.url) as publisher:
            for seq in range(50):
                one = pressure(seq)
                publisher.publish(one.topic, one.payload)
        wait_until(lambda: listener.health.journalled == 50, what="all to be safe here")
        wait_until(lambda: "does not answer" in listener.health.sealing_trouble, what="it to be said")
        store.start()
        wait_until(lambda: listener.health.sealed.received == 50, what="all to be on the store")
    assert listener.health.sealed == Counts(50, 50, 0, 0)
    assert any("the journal cannot be sealed yet, and is kept" in sentence for sentence in said)
    assert list((work_folder(archive) / "journal").rglob("*.journal")) == []
    assert Archive(archive).scan("pressure").collect().height == 50
    assert verify(archive).faults == []


# The last, because SeaweedFS must start again for the next.
def test_a_store_that_goes_away_while_it_is_read_is_said(
    archive: Path, store: StandIn, pressure: Pressure
) -> None:
    fill(archive, pressure)
    reader = Archive(archive)
    rows = reader.scan("pressure")
    store.stop()
    with pytest.raises(StoreProblem, match="does not answer"):
        reader.collected(rows)
