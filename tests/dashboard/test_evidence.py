"""The report and the case folder of a sample log, through the command."""

from __future__ import annotations

import errno
import html
import json
import os
import re
import threading
from html.parser import HTMLParser
from pathlib import Path

import pytest

from analysis.profile import Profile
from dashboard.evidence.case import CaseProblem, write_case
from dashboard.evidence.origin import Origin
from dashboard.evidence.report import report_html
from dashboard.results_store import record_of
from dashboard.review import words as review_words
from dashboard.review.words import NOBODY
from dashboard.underair import main
from dashboard.words import CAUTION
from ingest.contract.captures import read_capture
from tests.dashboard.invented_incident import INCIDENT as INVENTED
from tests.dashboard.invented_incident import OPENED, Incident

SECTIONS = [
    "In short",
    "Course of each wearer",
    "Everybody on one clock",
    "Findings and their evidence",
    "How the figures are made, and their limits",
    "Made from",
]
SAMPLE = Path(__file__).parents[2] / "sample_logs" / "late_turn_back.ndjson.gz"


def run(*arguments: str) -> int:
    with pytest.raises(SystemExit) as done:
        main(list(arguments))
    return int(done.value.code or 0)


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("evidence") / "archive"
    assert run("import", str(SAMPLE), "--archive", str(folder)) == 0
    return folder


@pytest.fixture(scope="module")
def incident_id() -> str:
    topics = (json.loads(heard.payload) for heard in read_capture(SAMPLE) if "/incident" in heard.topic)
    return str(next(topics)["incident_id"])


class Page(HTMLParser):
    """What a page loads from elsewhere, and its headings and text."""

    def __init__(self) -> None:
        super().__init__()
        self.loaded: list[str] = []
        self.tags: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.loaded += [str(value) for name, value in attrs if name in ("src", "href") and value]

    def handle_data(self, data: str) -> None:
        self.text += data


def test_the_report_is_one_file_that_says_who_what_and_how(
    archive: Path, incident_id: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "report.html"
    assert run("report", "--archive", str(archive), "--incident", incident_id, "--out", str(out)) == 0
    page = Page()
    page.feed(out.read_text(encoding="utf-8"))
    assert page.loaded == []
    assert "script" not in page.tags
    assert page.text.count(CAUTION) == 1  # and on the edge of every page, by the style sheet
    headings = [*SECTIONS, *(table["caption"] for table in review_words.TABLES.values())]
    assert len(headings) == len(SECTIONS) + 13
    assert all(heading in page.text for heading in headings)
    assert "not what a body felt" in page.text
    assert "turn-back was due" in page.text
    printed = capsys.readouterr().out
    digest = re.search(r"[0-9a-f]{64}", printed)
    assert digest is not None
    assert digest.group() in page.text


def test_the_report_is_shown_in_other_units_and_on_one_local_clock(
    archive: Path, incident_id: str, tmp_path: Path
) -> None:
    texts = {}
    for name, more in {"plain": (), "local": ("--units", "imperial", "--zone", "Europe/Berlin")}.items():
        out = tmp_path / f"{name}.html"
        assert (
            run("report", "--archive", str(archive), "--incident", incident_id, "--out", str(out), *more) == 0
        )
        page = Page()
        page.feed(out.read_text(encoding="utf-8").replace("</td>", " </td>"))
        texts[name] = page.text
    assert "Europe/Berlin" not in texts["plain"]
    assert "psi" not in texts["plain"]
    raised = re.search(r"between (\d\d):(\d\d:\d\d) and", texts["plain"])
    assert raised is not None
    hour, rest = int(raised.group(1)), raised.group(2)
    # Central European Summer Time in May: two hours ahead (Directive 2000/84/EC).
    assert f"between {hour + 2:02d}:{rest} and" in texts["local"]
    assert "Every time in this report is Europe/Berlin, UTC+02:00" in texts["local"]
    assert "Pressure, psi" in texts["local"]
    assert "Pressure, bar" not in texts["local"]
    before_the_methods = texts["local"].split(SECTIONS[4])[0]
    # One clock and one system of units in every sentence; when it was made is the only other time.
    assert re.findall(r"\d\d:\d\d(?::\d\d)? UTC", before_the_methods.split("Made 20")[1]) == [
        re.findall(r"\d\d:\d\d:\d\d UTC", before_the_methods)[0]
    ]
    assert not re.findall(r"\d bar\b|\d °C", before_the_methods)
    start = re.search(r"300 bar ([\d,]+) bar ([\d,]+) bar ", texts["plain"])
    converted = re.search(r"4,351 psi ([\d,]+) psi ([\d,]+) psi ", texts["local"])
    assert start is not None
    assert converted is not None
    # 1 bar = 14.5038 psi (NIST SP 811, Appendix B); half a bar of rounding either way.
    for bar, psi in zip(start.groups(), converted.groups(), strict=True):
        assert float(psi.replace(",", "")) == pytest.approx(float(bar) * 14.5038, abs=7.8)


def test_a_report_that_cannot_be_written_names_what_was_asked_for_and_one_replaced_is_said(
    archive: Path, incident_id: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "no folder" / "report.html"
    given = ("--archive", str(archive), "--incident", incident_id, "--out", str(out))
    assert run("report", *given) == 1
    said = capsys.readouterr().err
    assert said.endswith(f"to {out}: there is no folder {out.parent}; make it first\n")
    out.parent.mkdir()
    assert run("report", *given) == 0
    assert "replaced" not in capsys.readouterr().out
    assert run("report", *given) == 0
    assert capsys.readouterr().out.endswith("; an older file of this name is replaced\n")


def test_a_report_goes_into_a_pipe_a_device_or_through_a_link_and_replaces_none(
    archive: Path, incident_id: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def write(out: Path) -> int:
        return run("report", "--archive", str(archive), "--incident", incident_id, "--out", str(out))

    pipe, link, target = tmp_path / "pipe.html", tmp_path / "link.html", tmp_path / "target.html"
    os.mkfifo(pipe)
    got: list[str] = []
    reader = threading.Thread(target=lambda: got.append(pipe.read_text()), daemon=True)
    reader.start()
    assert write(pipe) == 0
    assert pipe.is_fifo()
    reader.join(60)
    link.symlink_to(target)
    for _ in ("made", "replaced"):
        assert write(link) == 0
        assert link.is_symlink()
    assert all(made.rstrip().endswith("</html>") for made in (*got, target.read_text()))
    assert len(got) == 1
    for device, code in (("/dev/null", 0), ("/dev/full", 1)):  # by a link: no fault of ours harms them
        to_device = tmp_path / f"{code}.html"
        to_device.symlink_to(device)
        capsys.readouterr()
        assert write(to_device) == code
        said = capsys.readouterr()
        assert "replaced" not in said.out
        assert ("the disk is full" in said.err) == (code == 1)
        assert Path(device).is_char_device()
        assert to_device.is_symlink()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["0.html", "1.html", *NAMES]


NAMES = ["link.html", "pipe.html", "target.html"]


def test_a_zone_that_is_none_is_named(
    archive: Path, incident_id: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "report.html"
    given = ("--archive", str(archive), "--incident", incident_id, "--out", str(out), "--zone", "Elbe/Kai")
    assert run("report", *given) == 1
    assert "no time zone 'Elbe/Kai'; expected an IANA name" in capsys.readouterr().err
    assert not out.exists()


def test_a_folder_in_use_is_not_mixed_with_a_case(archive: Path, incident_id: str, tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("mine")
    with pytest.raises(CaseProblem, match="not empty"):
        write_case(archive, Profile.default(), incident_id, tmp_path)
    assert (tmp_path / "letter.txt").read_text() == "mine"


def test_a_case_on_a_full_disk_says_so_and_leaves_nothing(
    archive: Path,
    incident_id: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """It said "[Errno 28] No space left on device", as no other verb does."""

    def full_disk(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("dashboard.evidence.case.write_messages", full_disk)
    out = tmp_path / "case"
    assert (
        run("case", "--archive", str(archive), "--incident", incident_id, "--out", str(out), "--why", "test")
        == 1
    )
    said = capsys.readouterr().err
    assert f"cannot write the case into {out}: the disk is full: free space and run this again" in said
    assert "Errno" not in said
    assert not list(tmp_path.iterdir())


def test_an_unknown_incident_ends_with_the_names_of_those_known(
    archive: Path, incident_id: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "none"
    assert (
        run("case", "--archive", str(archive), "--incident", "I-9", "--out", str(out), "--why", "test") == 1
    )
    assert incident_id in capsys.readouterr().err
    assert not out.exists()


def test_a_folder_beside_the_case_is_left_alone(archive: Path, incident_id: str, tmp_path: Path) -> None:
    beside = tmp_path / "case.part"
    beside.mkdir()
    (beside / "letter.txt").write_text("mine")
    write_case(archive, Profile.default(), incident_id, tmp_path / "case")
    assert (beside / "letter.txt").read_text() == "mine"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["case", "case.part"]


def test_a_report_on_the_desks_words_alone_says_that_nobody_was_heard(tmp_path: Path) -> None:
    incident = Incident(wearers=1, minutes=2)
    heard = {kind: frame.clear() for kind, frame in incident.messages.items()}
    heard |= {kind: incident.messages[kind] for kind in ("incident", "note")}
    record = record_of(heard, Profile.default(), INVENTED, None)
    text = report_html(record, Profile.default(), Origin(made=OPENED, sha256="0" * 64, kept=2))
    assert html.unescape(text).count(NOBODY) >= 2
    assert "between –" not in text
    assert "<svg" not in text
    assert "Water on" in text
