"""What cannot be read is left out, and said: by the archive, by each verb, and in what is handed on."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner, Result

from dashboard.underair import root
from ingest.archive.index import ArchiveIndex
from ingest.archive.parts import part_files
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from ingest.archive.sound import check_all, trouble_of
from ingest.archive.tidying import tidy
from ingest.archive.verifying import verify
from ingest.contract.captures import Heard
from ingest.contract.columns import FRAME_SCHEMAS, arrow_table
from ingest.contract.frames import frames_from_heard

WHO_ARE_NAMED = ", ".join(f"S-{number:02d}" for number in range(11))
LOG = Path(__file__).parents[2] / "sample_logs"
Alter = Callable[[Path], None]


def flip(path: Path) -> None:
    whole = bytearray(path.read_bytes())
    whole[len(whole) // 3] ^= 1
    path.write_bytes(whole)


def flip_unseen(path: Path) -> None:
    """Flip a bit as a disk does: size and time of change stay."""
    before = path.stat()
    flip(path)
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


def foreign(path: Path) -> None:
    shutil.copy(path, path.with_name("foreign.parquet"))


ALTERATIONS: dict[str, Alter] = {
    "altered": flip,
    "altered unseen": flip_unseen,
    "missing": Path.unlink,
    "foreign": foreign,
}
VERBS = {
    "incidents": [],
    "analyse": ["--out", "{out}/tables"],
    "report": ["--incident", "{incident}", "--out", "{out}/report.html"],
    "case": ["--incident", "{incident}", "--out", "{out}/case", "--why", "a test"],
    "audit": ["--out", "{out}/audit", "--to", "2040-01-01"],
    "wearer": ["W-07", "--out", "{out}/wearer"],
    "tidy": [],
}


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("trouble") / "archive"
    done = CliRunner().invoke(
        root, ["import", str(LOG / "late_turn_back.ndjson.gz"), "--archive", str(folder)]
    )
    assert done.exit_code == 0, done.output
    return folder


def call(verb: str, archive: Path, out: Path) -> Result:
    out.mkdir(exist_ok=True)
    incident = Archive(archive).messages()["incident"]["incident_id"]
    named = {"out": out, "incident": incident[0] if len(incident) else ""}
    arguments = [one.format(**named) for one in VERBS[verb]]
    return CliRunner().invoke(root, [verb, *arguments, "--archive", str(archive)])


@pytest.mark.parametrize("alteration", ALTERATIONS)
def test_archive_knows_what_cannot_be_read(sample: Path, tmp_path: Path, alteration: str) -> None:
    archive = tmp_path / "archive"
    shutil.copytree(sample, archive)
    whole = Archive(archive).messages()["pressure"]
    assert not trouble_of(archive)
    (part,) = (archive / "pressure").rglob("*.parquet")
    rows, first = whole.height, whole["received"].min()
    ALTERATIONS[alteration](part)
    left = Archive(archive).messages()["pressure"]
    (fault,) = trouble_of(archive)
    assert fault.what == alteration.split()[0]
    assert [found.what for found in verify(archive).faults] == [fault.what]
    if alteration == "foreign":
        assert left.equals(whole)
        assert fault.sentence().endswith("is not read: no line of the manifest names it.")
    else:
        assert left.is_empty()
        assert isinstance(first, datetime)
        assert fault.where == part.relative_to(archive).as_posix()
        assert (fault.rows, fault.first) == (rows, first)
        said = fault.sentence()
        assert said.startswith(f"Cannot read `{fault.where}`: ")
        assert f"Left out: {rows:,} pressure messages of {whole['set_id'][0]}" in said
        trouble = trouble_of(archive)
        assert trouble.within(first, first + timedelta(hours=9))
        assert not trouble.within(first - timedelta(days=9), first - timedelta(days=1))


@pytest.mark.parametrize("verb", VERBS)
@pytest.mark.parametrize("alteration", ["altered", "missing", "foreign"])
def test_every_verb_says_it_and_ends_with_3(sample: Path, tmp_path: Path, verb: str, alteration: str) -> None:
    archive = tmp_path / "archive"
    shutil.copytree(sample, archive)
    (part,) = (archive / "pressure").rglob("*.parquet")
    ALTERATIONS[alteration](part)
    check_all(archive)
    done = call(verb, archive, tmp_path / "out")
    assert done.exit_code in (1, 3), done.output
    assert "Run `underair verify" in done.stderr
    assert done.exit_code == 3 or done.exception is not None


@pytest.mark.parametrize(
    ("sets", "whose"),
    [
        (1, "S-00"),
        (2, "S-00 and S-01"),
        (12, f"{WHO_ARE_NAMED} and S-11"),
        (14, f"{WHO_ARE_NAMED}, S-11 and 2 more"),
    ],
)
def test_whose_messages_are_missing_is_said_of_twelve_at_most(
    tmp_path: Path, pressure: Callable[..., Heard], sets: int, whose: str
) -> None:
    seal_messages(
        tmp_path, frames_from_heard([pressure(0, f"S-{number:02d}") for number in range(sets)]), "x"
    )
    (part,) = part_files(tmp_path, "pressure")
    part.unlink()
    messages = "1 pressure message" if sets == 1 else f"{sets} pressure messages"
    (fault,) = trouble_of(tmp_path)
    assert f" Left out: {messages} of {whose}, received 2031-05-04 10:00:00" in fault.sentence()


def test_report_and_case_carry_what_was_left_out(sample: Path, tmp_path: Path) -> None:
    archive = tmp_path / "archive"
    shutil.copytree(sample, archive)
    (part,) = (archive / "temperature").rglob("*.parquet")
    where = part.relative_to(archive).as_posix()
    part.unlink()
    assert call("case", archive, tmp_path / "out").exit_code == 3
    (about,) = (tmp_path / "out" / "case").rglob("case.json")
    assert where in json.loads(about.read_text())["origin"]["archive"]["faults"][0]
    (page,) = (tmp_path / "out" / "case").rglob("report.html")
    assert where in page.read_text()
    assert CliRunner().invoke(root, ["verify", str(tmp_path / "out" / "case")]).exit_code == 0


def test_what_is_restored_is_read_again_and_the_index_with_it(sample: Path, tmp_path: Path) -> None:
    """A part that was altered when the index was made must not stay out of it for ever."""
    archive = tmp_path / "archive"
    shutil.copytree(sample, archive)
    whole = ArchiveIndex(archive).desks()
    shutil.rmtree(archive / "index")
    (part,) = (archive / "tally").rglob("*.parquet")
    before, bytes_before = part.stat(), part.read_bytes()
    flip_unseen(part)
    assert ArchiveIndex(archive).desks().height < whole.height
    part.write_bytes(bytes_before)
    os.utime(part, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert ArchiveIndex(archive).desks().equals(whole)
    assert not trouble_of(archive)


def test_index_with_a_flipped_bit_is_made_again(sample: Path, tmp_path: Path) -> None:
    archive = tmp_path / "archive"
    shutil.copytree(sample, archive)
    whole = ArchiveIndex(archive).desks()
    kept = archive / "index" / "desks.parquet"
    for at in range(0, kept.stat().st_size, max(kept.stat().st_size // 40, 1)):
        damaged = bytearray(kept.read_bytes())
        damaged[at] ^= 4
        kept.write_bytes(damaged)
        assert ArchiveIndex(archive).desks().equals(whole), at


def test_altered_line_of_the_manifest_is_said_and_its_neighbours_are_read(
    sample: Path, tmp_path: Path
) -> None:
    archive = tmp_path / "archive"
    shutil.copytree(sample, archive)
    whole = Archive(archive).messages()
    chain = archive / "manifest" / "import.ndjson"
    lines = chain.read_bytes().split(b"\n")
    at = next(place for place, line in enumerate(lines) if b'"part":"motion/' in line)
    lines[at] = lines[at].replace(b'"rows":', b'"rows":1', 1)
    chain.write_bytes(b"\n".join(lines))
    read = Archive(archive).messages()
    assert read["motion"].is_empty()
    assert all(read[kind].equals(frame) for kind, frame in whole.items() if kind != "motion")
    assert {fault.what for fault in trouble_of(archive)} == {"manifest", "foreign"}


def test_compaction_of_a_part_of_form_1_checks_it_and_says_it_again(tmp_path: Path, form_1: Path) -> None:
    before = Archive(form_1).messages()
    assert verify(form_1).faults == []
    tidy(form_1, datetime(2031, 6, 1, tzinfo=UTC), grace_s=0)
    assert verify(form_1).faults == []
    after = Archive(form_1).messages()
    assert all(
        after[kind].sort("received", "seq").equals(before[kind].sort("received", "seq"))
        for kind in ("pressure",)
    )
    assert b'"restates":true' in (form_1 / "manifest" / "tidy.ndjson").read_bytes()


@pytest.mark.parametrize(("written_s", "counting"), [(2, 1), (1, 1), (0, 2)])
def test_a_part_of_form_1_counts_beside_a_merge_that_was_written_before_it(
    tmp_path: Path, form_1: Path, written_s: int, counting: int
) -> None:
    """Killed before it deleted anything. A name could come again then: of a newer part it is another's."""
    parts = sorted((form_1 / "pressure").rglob("*.parquet"))
    merged = parts[0].with_name("day-00112233aabbccdd.parquet")
    rows = Archive(form_1).messages()["pressure"].select(FRAME_SCHEMAS["pressure"].names())
    pq.write_table(arrow_table("pressure", rows), merged)
    replaces = [path.relative_to(form_1).as_posix() for path in parts]
    line, _ = line_of_form_1(merged, rows, "0" * 64, f"2021-05-05T00:00:0{written_s}Z", replaces=replaces)
    (form_1 / "manifest" / "tidy.ndjson").write_bytes(line)
    assert len(part_files(form_1, "pressure")) == counting


def line_of_form_1(
    part: Path, rows: pl.DataFrame, before: str, written: str, **more: Any
) -> tuple[bytes, str]:
    """Return a part's line as 0.3.0 wrote it, no form named and a digest of three columns; and its hash."""
    digest = 0
    for received, topic, payload in rows.select(
        pl.col("received").to_physical(), "topic", "payload"
    ).iter_rows():
        said = b"%d\0%s\0%s" % (received, topic.encode(), payload.encode())
        digest += int.from_bytes(hashlib.blake2b(said, digest_size=16).digest(), "big")
    about = {
        "part": f"pressure/date=2031-05-04/{part.name}",
        "rows": rows.height,
        "first": rows["received"].min().isoformat(),
        "last": rows["received"].max().isoformat(),
        "sha256": hashlib.sha256(part.read_bytes()).hexdigest(),
        "rows_digest": f"{digest % 2**128:032x}",
        **more,
        "written": written,
        "before": before,
    }
    body = json.dumps(about, separators=(",", ":"))[:-1].encode()
    own = hashlib.sha256(body).hexdigest()
    return body + b',"hash":"%s"}\n' % own.encode(), own


@pytest.fixture
def form_1(tmp_path: Path, pressure: Callable[..., Any]) -> Path:
    """Return an archive as 0.3.0 wrote it: two parts."""
    archive = tmp_path / "old"
    folder = archive / "pressure" / "date=2031-05-04"
    folder.mkdir(parents=True)
    (archive / "manifest").mkdir()
    before, lines = "0" * 64, []
    for number in range(2):
        rows = frames_from_heard([pressure(number * 10 + one) for one in range(10)])["pressure"]
        part = folder / f"import-00112233aabbccdd-{number:04d}.parquet"  # which 0.3.0 kept no list of
        pq.write_table(arrow_table("pressure", rows), part)
        line, before = line_of_form_1(part, rows, before, f"2021-05-05T00:00:0{number}Z")
        lines.append(line)
    (archive / "manifest" / "one.ndjson").write_bytes(b"".join(lines))
    return archive
