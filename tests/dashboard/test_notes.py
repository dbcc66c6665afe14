"""Outside time lines brought in as desk notes: times, clocks, identities, and the evidence left as it was."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from analysis.profile import Profile
from dashboard.evidence.case import incident_of_archive
from dashboard.evidence.notes import BadNotes, NoteTimes, bring_in, notes_from_csv
from dashboard.results_store import ResultsStore
from dashboard.review.clock import BadZone
from dashboard.review.view import Bench, request_of
from dashboard.underair import main
from ingest.archive.reading import Archive
from ingest.contract.captures import read_capture
from tests.verbs import underair

SAMPLE = Path(__file__).parents[2] / "sample_logs" / "late_turn_back.ndjson.gz"
NOW = datetime(2031, 6, 1, 12, tzinfo=UTC)
LINES = "time,source,text,certainty\n2031-05-04T21:20:30,Radio log,Alder asks for a second line,recorded\n"


def as_given(path: Path) -> tuple[bytes, str]:
    """A file as the verb reads it: its bytes, and what it is called."""
    return path.read_bytes(), str(path)


def csv_file(folder: Path, text: str) -> Path:
    path = folder / "log.csv"
    path.write_text(text, encoding="utf-8")
    return path


def notes_in(folder: Path, text: str, source: NoteTimes | None = None) -> list[dict[str, object]]:
    heard = notes_from_csv(*as_given(csv_file(folder, text)), "tarnhollow", "I-1", source or NoteTimes(), NOW)
    return [json.loads(one.payload) for one in heard]


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    folder = tmp_path / "archive"
    with pytest.raises(SystemExit) as done:
        main(["import", str(SAMPLE), "--archive", str(folder)])
    assert done.value.code == 0
    return folder


@pytest.fixture
def incident_id() -> str:
    return str(
        next(json.loads(h.payload)["incident_id"] for h in read_capture(SAMPLE) if "/incident" in h.topic)
    )


def test_a_time_is_read_in_its_zone_and_its_clock_taken_off(tmp_path: Path) -> None:
    (note,) = notes_in(tmp_path, LINES, NoteTimes("Europe/Berlin", clock_offset_s=90))
    assert note["at"] == "2031-05-04T19:19:00.000000Z"
    assert note["as_written"] == "2031-05-04T21:20:30"
    assert note["desk_id"] == "notes-Radio-log"


def test_an_offset_in_the_time_wins_over_the_zone(tmp_path: Path) -> None:
    text = LINES.replace("21:20:30", "21:20:30+05:00")
    assert notes_in(tmp_path, text, NoteTimes("Europe/Berlin"))[0]["at"] == "2031-05-04T16:20:30.000000Z"


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("yesterday,Radio,x,recorded", "ISO 8601"),
        ("2031-05-04T21:20:30,Radio,,recorded", "1 to 2000 characters"),
        ("2031-05-04T21:20:30,Radio,x,perhaps", "recorded or estimated"),
        ("2031-05-04T21:20:30,Radio,x", "expected 4 fields"),
        ("2031-05-04T21:20:30,***,x,recorded", "letter or digit"),
        ("2031-03-30T02:30:00,Radio,x,recorded", "does not exist in Europe/Berlin"),
        ("2031-10-26T02:30:00,Radio,x,recorded", "came twice in Europe/Berlin"),
    ],
)
def test_a_bad_line_is_named_with_what_was_expected(tmp_path: Path, line: str, words: str) -> None:
    with pytest.raises(BadNotes, match=words) as problem:
        notes_in(tmp_path, f"{LINES}{line}\n", NoteTimes("Europe/Berlin"))
    assert "line 3" in str(problem.value)


def test_a_file_that_is_no_such_list_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BadNotes, match="the first line must be"):
        notes_in(tmp_path, "when,what\n1,2\n")
    latin = tmp_path / "latin.csv"
    latin.write_bytes(LINES.replace("Alder", "Ald\u00e9r").encode("latin-1"))
    with pytest.raises(BadNotes, match=r"latin\.csv is not UTF-8: .* at byte \d+; save it as UTF-8"):
        notes_from_csv(*as_given(latin), "demo", "I-1", NoteTimes(), NOW)
    assert len(notes_in(tmp_path, LINES + "\n , , \n")) == 1, "lines without a word are passed over"
    with pytest.raises(BadZone, match="no time zone"):
        notes_in(tmp_path, LINES, NoteTimes("Mars/Olympus"))


def test_brought_in_twice_changes_nothing_and_evidence_stays(
    archive: Path, incident_id: str, tmp_path: Path
) -> None:
    before = Archive(archive).messages()
    path = csv_file(tmp_path, LINES)
    assert bring_in(*as_given(path), archive, incident_id, NoteTimes("Europe/Berlin"), NOW) == (1, 1, "")
    assert bring_in(
        *as_given(path), archive, incident_id, NoteTimes("Europe/Berlin"), NOW.replace(day=2)
    ) == (1, 0, "")
    after = Archive(archive).messages()
    assert len(after["note"]) == len(before["note"]) + 1
    assert all(after[kind].equals(before[kind]) for kind in before if kind != "note")


def test_a_late_note_stands_at_its_moment_on_the_bench_and_in_the_report(
    archive: Path, incident_id: str, tmp_path: Path
) -> None:
    store = ResultsStore(Archive(archive), Profile.default())
    spans = store.incidents().select("started", "ended").rows()
    wears = store.wears().drop("incident_key")
    bring_in(*as_given(csv_file(tmp_path, LINES)), archive, incident_id, NoteTimes("Europe/Berlin"), NOW)
    again = ResultsStore(Archive(archive), Profile.default())
    assert again.incidents().select("started", "ended").rows() == spans
    look = Bench(again).look(request_of({"incident": incident_id}))
    (mark,) = [mark for mark in look.desk if "second line" in mark.text]
    assert mark.text == "Radio log: “Alder asks for a second line”"
    assert mark.at == datetime(2031, 5, 4, 19, 20, 30, tzinfo=UTC).timestamp() * 1000
    record, _ = incident_of_archive(archive, Profile.default(), incident_id, NOW)
    assert "Alder asks for a second line" in record.messages["note"]["text"].to_list()
    assert record.results["wears"].sort("started").equals(wears.sort("started"))


@pytest.mark.parametrize(
    ("time", "said"),
    [
        ("2031-05-04T18:50:00", ""),
        ("2031-05-04T20:10:00", ""),
        # Berlin's 19:20:30 UTC, read as UTC: the incident ended at 19:48
        ("2031-05-04T21:20:30", "1 of 2 notes is far from the messages of {}: 1 h 32 min after the last"),
        ("2031-05-04T18:30:00", "1 of 2 notes is far from the messages of {}: 42 min before the first"),
        ("2016-05-04T19:20:30", "1 of 2 notes is far from the messages of {}: 5,477 days before the first"),
    ],
)
def test_a_note_far_from_its_incident_is_said(
    archive: Path, incident_id: str, tmp_path: Path, time: str, said: str
) -> None:
    """A radio log in local time without --zone was taken as UTC without a word."""
    text = f"{LINES.replace('21:20:30', '19:20:30')}{time},Radio log,Alder turns back,recorded\n"
    path = csv_file(tmp_path, text)
    for fresh in (2, 0):  # what was brought in moves no limit
        expected = f"{said.format(incident_id)}; are its times local (--zone)?" if said else ""
        assert bring_in(*as_given(path), archive, incident_id, NoteTimes(), NOW) == (2, fresh, expected)
    done = underair("notes", path, "--archive", archive, "--incident", incident_id)
    assert (done.returncode, said.format(incident_id) in done.stderr) == (0, True)


def test_an_unknown_incident_is_named_with_those_known(
    archive: Path, incident_id: str, tmp_path: Path
) -> None:
    with pytest.raises(BadNotes, match=incident_id):
        bring_in(*as_given(csv_file(tmp_path, LINES)), archive, "I-9", NoteTimes(), NOW)


def test_a_line_break_inside_quotes_stays_in_its_note_and_a_huge_field_is_said(tmp_path: Path) -> None:
    two_lines = LINES.replace("Alder asks for a second line", '"Alder asks\u2028for\na line"')
    assert notes_in(tmp_path, two_lines)[0]["text"] == "Alder asks\u2028for\na line"
    with pytest.raises(BadNotes, match="cannot be read as CSV"):
        notes_in(tmp_path, LINES.replace("Alder", "A" * 200_000))
