"""An archive in whose manifest a newer underair has written is refused by every verb, and left as it is."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner

from dashboard.underair import root
from ingest.archive.expected import expected_of
from ingest.archive.folder import FORMAT, last_line, require_known_format
from ingest.archive.manifest import decode_line
from ingest.archive.sealing import seal_messages
from ingest.archive.verifying import verify
from ingest.contract.captures import Heard
from ingest.contract.errors import ArchiveProblem
from ingest.contract.frames import frames_from_heard

Pressure = Callable[..., Heard]
PROFILE = 'name = "ours"\ntitle = "Ours"\ndecides = "Ours decides."\n[retention]\nidentity_months = 1\n'
NOTES = "time,source,text,certainty\n2031-05-04 19:30,radio,W-02 says out,estimated\n"
VERBS = [
    ["incidents"],
    ["tidy"],
    ["analyse", "--out", "{aside}/tables"],
    ["report", "--incident", "I-1", "--out", "{aside}/report.html"],
    ["case", "--incident", "I-1", "--out", "{aside}/case", "--why", "test"],
    ["audit", "--out", "{aside}/audit"],
    ["import", "{aside}/capture.ndjson"],
    ["listen", "--broker", "mqtt://127.0.0.1:1"],
    ["serve", "--port", "0"],
    ["wearer", "W-01", "--out", "{aside}/wearer"],
    ["retain", "--profile", "{aside}/ours.toml", "--apply"],
    ["hold"],
    ["hold", "--incident", "I-1", "--reason", "inquiry"],
    ["notes", "{aside}/notes.csv", "--incident", "I-1"],
    ["account", "log"],
]


@pytest.fixture
def newer(tmp_path: Path, pressure: Pressure) -> Path:
    """Two parts, the second of which a newer underair sealed."""
    archive = tmp_path / "archive"
    for number in (0, 1):
        heard = [pressure(seq) for seq in range(number * 10, number * 10 + 10)]
        seal_messages(archive, frames_from_heard(heard), f"one-{number}", writer="one")
    (chain,) = (archive / "manifest").iterdir()
    first, second, rest = chain.read_bytes().split(b"\n")
    body = second[: -len(b',"hash":"%s"}') + 2 - 64].replace(
        b'"format":%d' % FORMAT, b'"format":%d' % (FORMAT + 1)
    )
    second = body + b',"hash":"%s"}' % hashlib.sha256(body).hexdigest().encode()
    chain.write_bytes(b"\n".join((first, second, rest)))
    return archive


def _bytes_of(folder: Path) -> dict[str, bytes]:
    return {path.as_posix(): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


@pytest.mark.parametrize("verb", VERBS, ids=" ".join)
def test_every_verb_refuses_a_newer_archive_and_changes_nothing(verb: list[str], newer: Path) -> None:
    aside = newer.parent / "aside"
    aside.mkdir()
    (aside / "capture.ndjson").write_text("{}\n")
    (aside / "notes.csv").write_text(NOTES)
    (aside / "ours.toml").write_text(PROFILE)
    before, made_before = _bytes_of(newer), _bytes_of(aside)
    call = [part.format(aside=aside) for part in verb]
    done = CliRunner().invoke(root, [*call, "--archive", str(newer)])
    assert isinstance(done.exception, ArchiveProblem), done.output
    assert str(done.exception) == (
        f"{newer} has form {FORMAT + 1}: a newer underair wrote there, and this one knows no form above "
        f"{FORMAT}. Nothing is changed; install the newer underair, or take a backup from before its upgrade"
    )
    assert (_bytes_of(newer), _bytes_of(aside)) == (before, made_before)


def test_verify_says_the_same_of_a_newer_archive(newer: Path) -> None:
    with pytest.raises(ArchiveProblem, match=f"has form {FORMAT + 1}: a newer underair wrote there"):
        verify(newer)


def test_nothing_is_written_behind_a_newer_line(newer: Path, pressure: Pressure) -> None:
    """Who had the archive open when it was upgraded meets it when it seals."""
    before = _bytes_of(newer / "manifest")
    with pytest.raises(ArchiveProblem, match="a newer underair wrote there"):
        seal_messages(newer, frames_from_heard([pressure(99)]), "one-9", writer="one")
    assert _bytes_of(newer / "manifest") == before


def test_new_lines_name_the_second_form(tmp_path: Path, pressure: Pressure) -> None:
    seal_messages(tmp_path, frames_from_heard([pressure(1)]), "one-1", writer="one")
    (chain,) = (tmp_path / "manifest").iterdir()
    assert chain.read_bytes().startswith(b'{"format":2,"part":"pressure/date=')
    require_known_format(tmp_path)
    assert [decode_line(line).format for line in chain.read_bytes().splitlines()] == [2]
    assert expected_of(tmp_path).faults() == []


def test_a_missing_archive_is_of_no_newer_form(tmp_path: Path) -> None:
    require_known_format(tmp_path / "none")


@pytest.mark.parametrize(
    ("text", "line", "end"),
    [
        (b"", None, 0),
        (b"torn", None, 0),
        (b"one\n", b"one", 4),
        (b"one\ntwo\ntorn", b"two", 8),
        (b"x" * 200_000 + b"\n" + b"y" * 150_000 + b"\ntorn", b"y" * 150_000, 350_002),
    ],
    ids=["empty", "torn alone", "one", "torn behind two", "longer than a step"],
)
def test_the_last_whole_line_of_a_chain(tmp_path: Path, text: bytes, line: bytes | None, end: int) -> None:
    path = tmp_path / "chain"
    path.write_bytes(text)
    with path.open("rb") as file:
        assert last_line(file) == (line, end)


@pytest.mark.parametrize("verb", [["hold"], ["account", "log"]], ids=" ".join)
def test_a_folder_that_is_no_archive_is_not_taken_for_an_empty_one(verb: list[str], tmp_path: Path) -> None:
    """`hold` printed a head of noughts there, `account log` that the chain holds."""
    (tmp_path / "letter.txt").write_text("not ours")
    done = CliRunner().invoke(root, [*verb, "--archive", str(tmp_path)])
    assert str(done.exception).startswith(
        f"{tmp_path} is not an archive: it has neither manifest nor journal"
    )


def test_without_holds_the_list_says_so(tmp_path: Path, pressure: Pressure) -> None:
    at = datetime(2031, 5, 4, tzinfo=UTC)
    seal_messages(tmp_path, frames_from_heard([pressure(1)._replace(received=at)]), "one-1", writer="one")
    done = CliRunner().invoke(root, ["hold", "--archive", str(tmp_path)])
    assert "no incident is under hold" in done.output
