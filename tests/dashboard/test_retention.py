"""Who wore a set goes out of old incidents; evidence, younger incidents and those under hold stay."""

from __future__ import annotations

import json
import re
import shutil
import stat
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from click.testing import CliRunner

from analysis.pieces.archive_pieces import incident_piece
from analysis.profile import BadProfile, Profile, parse_profile
from dashboard.access.log import AccessLog
from dashboard.privacy.holds import holds, set_hold
from dashboard.results_store import record_of
from dashboard.underair import root
from ingest.archive import retention
from ingest.archive.index import ArchiveIndex
from ingest.archive.journal import Record, SegmentWriter
from ingest.archive.manifest import decode_line
from ingest.archive.parts import write_part
from ingest.archive.reading import Archive
from ingest.archive.retention import GONE, UNDER_WAY, Retained, retain
from ingest.archive.sealing import seal_messages
from ingest.archive.tidying import tidy
from ingest.archive.verifying import verify
from ingest.contract.captures import Heard
from ingest.contract.errors import ArchiveProblem
from ingest.contract.frames import frames_from_heard
from ingest.contract.times import micros
from ingest.importing import import_capture
from ingest.parquet_bytes import unsealed

ROOT = Path(__file__).parents[2]
OLD, NEW = datetime(2021, 5, 4, 23, 30, tzinfo=UTC), datetime(2025, 5, 4, 10, tzinfo=UTC)
CUT_OFF, TODAY = datetime(2024, 1, 1, tzinfo=UTC), date(2026, 1, 1)
UNKNOWN = '{"unit": 1.10, "time": "W-07", "who": ["W-07", {"W-07": "\\u0057-07"}]}'


def _desk(number: int, start: datetime, kind: str, **said: Any) -> Heard:
    at = start + timedelta(minutes=10 * number)
    own = {"kind": kind, "desk_id": "D-1", "boot": start.year, "seq": number, "time": at.isoformat()}
    payload = json.dumps(own | said).replace('"EXTRA"', UNKNOWN)
    return Heard(at, f"underair/v1/demo/desk/D-1/{kind}", payload.encode(), False)


def _incident(name: str, start: datetime) -> list[Heard]:
    about = {"incident_id": name}
    on, off = {**about, "action": "in"}, {**about, "action": "out"}
    return [
        _desk(0, start, "incident", **about, action="open", name="Mill, W-07 commands"),
        _desk(1, start, "tally", **on, set_id="S-1", wearer_id="W-07", team="A", newer="EXTRA"),
        _desk(2, start, "tally", **on, set_id="S-2", wearer_id="W-08", team="A", task="follows W-07"),
        _desk(3, start, "note", **about, text="W-07, W-071 and X-W-07 at the stairs; Zoë asks W-08"),
        _desk(4, start, "note", **about, text="W-07 " + "x" * 1990),
        _desk(5, start, "tally", **off, set_id="S-1", wearer_id="W-07"),  # after midnight: another part
        _desk(6, start, "note", **about, text="3 floors searched, 12 rooms"),
        _desk(7, start, "tally", **on, set_id="S-3", wearer_id="12"),
    ]


def _archive(folder: Path) -> Path:
    for name, heard in (("OLD", _incident("OLD", OLD)), ("NEW", _incident("NEW", NEW))):
        seal_messages(folder, frames_from_heard(heard), f"import-{name}")
    ArchiveIndex(folder).bring_up_to_date()
    (folder / "derived" / "wears-1").mkdir(parents=True)
    (folder / "derived" / "wears-1" / "wears.csv").write_text("W-07")
    return folder


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return _archive(tmp_path_factory.mktemp("made") / "archive")


@pytest.fixture
def archive(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "archive"))


def _drop(archive: Path, *, apply: bool = True, cut_off: datetime = CUT_OFF) -> Retained:
    held = lambda: holds(archive)  # noqa: E731
    return retain(archive, cut_off, held, "profile ours, identity_months 24", TODAY, apply=apply, grace_s=0)


def _bytes(archive: Path) -> dict[str, bytes]:
    return {
        str(each.relative_to(archive)): each.read_bytes() for each in archive.rglob("*") if each.is_file()
    }


def _everything_in(archive: Path) -> str:
    """All that the archive's files say, Parquet decoded; whatever the file is called."""
    said = []
    for name, data in _bytes(archive).items():
        said.append(name)
        if data[:4] == b"PAR1":
            frame = pl.read_parquet(data if data.endswith(b"PAR1") else unsealed(data))
            said += [json.dumps(row, default=repr, ensure_ascii=False) for row in frame.iter_rows(named=True)]
        else:
            said.append(data.decode(errors="replace"))
    return "\n".join(said)


def _tally(archive: Path, incident_id: str) -> pl.DataFrame:
    return Archive(archive).messages()["tally"].filter(incident_id=incident_id)


def test_dry_run_says_what_it_would_do_and_changes_no_byte(archive: Path) -> None:
    before = _bytes(archive)
    told = _drop(archive, apply=False)
    assert (told.incidents, told.wearers, told.messages, told.applied) == (["OLD"], 3, 7, False)
    assert _bytes(archive) == before


def test_names_go_and_all_else_stays(archive: Path) -> None:
    before = Archive(archive).messages()
    done = _drop(archive)
    assert (done.incidents, done.wearers, done.messages) == (["OLD"], 3, 7)
    after = Archive(archive).messages()
    assert verify(archive).faults == []
    for kind, frame in before.items():
        if kind in retention.KINDS:
            young = frame.filter(incident_id="NEW")
            assert young.height > 0 or kind not in ("incident", "tally", "note")
            assert after[kind].filter(incident_id="NEW").equals(young)
        assert after[kind].height == frame.height
    tally, was = _tally(archive, "OLD"), before["tally"].filter(incident_id="OLD")
    named = ("wearer_id", "task", "payload")
    assert tally.drop(named).equals(was.drop(named))
    one, two, again, number = tally["wearer_id"]
    assert one == again
    assert len({one, two, number}) == 3
    assert all(GONE.fullmatch(each) for each in (one, two, number))
    assert tally["task"].to_list() == [None, f"follows {one}", None, None]
    # Every byte of the payload but the name: spelling of numbers, keys, what version 1 does not know.
    assert tally["payload"][0] == was["payload"][0].replace('"W-07", "team"', f'"{one}", "team"').replace(
        '["W-07"', f'["{one}"'
    ).replace('"\\u0057-07"', f'"{one}"')
    notes = after["note"].filter(incident_id="OLD")["text"].to_list()
    assert notes[0] == f"{one}, W-071 and X-W-07 at the stairs; Zoë asks {two}"
    assert notes[1] == "? " + "x" * 1990, "the new name would be longer than a note may be"
    assert notes[2] == "3 floors searched, 12 rooms", "a number is not taken for a wearer"
    lines = [decode_line(one) for one in (archive / "manifest/retention.ndjson").read_bytes().splitlines()]
    assert {line.unnamed_by for line in lines} == {"profile ours, identity_months 24"}
    assert sum(line.dropped_rows for line in lines) == 7
    assert not (archive / "index").exists()
    assert not (archive / UNDER_WAY).exists()


def test_names_in_roll_calls_and_settled_entries_go_too(archive: Path) -> None:
    about = {"incident_id": "OLD"}
    more = [
        _desk(8, OLD, "roll_call", **about, roll_id="R-1", state="missing", wearer_id="W-07"),
        _desk(9, OLD, "resolved", **about, set_id="S-1", wearer_id="W-07", text="W-07 met at the door"),
    ]
    seal_messages(archive, frames_from_heard(more), "import-more")
    _drop(archive)
    one = _tally(archive, "OLD")["wearer_id"][0]
    after = Archive(archive).messages()
    assert after["roll_call"]["wearer_id"].to_list() == [one]
    assert after["resolved"]["text"].to_list() == [f"{one} met at the door"]
    assert after["resolved"]["wearer_id"].to_list() == [one]


def test_second_run_does_nothing(archive: Path) -> None:
    _drop(archive)
    before = _bytes(archive)
    again = _drop(archive)
    assert (again.incidents, again.messages) == ([], 0)
    assert _bytes(archive) == before


def test_no_file_names_a_dropped_wearer_but_those_that_the_docs_name(tmp_path: Path) -> None:
    archive = tmp_path / "archive"
    heard = [
        each
        for each in _incident("OLD", OLD)
        if b"EXTRA" not in each.payload and b"X-W-07" not in each.payload
    ]
    heard = [
        Heard(each.received, each.topic, each.payload.replace(UNKNOWN.encode(), b'"W-07"'), False)
        for each in heard
    ]
    heard += [_desk(9, OLD, "note", incident_id="OLD", text="all out with W-07.")]
    seal_messages(archive, frames_from_heard(heard), "import-OLD")
    tidy(archive, datetime(2026, 1, 1, tzinfo=UTC), grace_s=0)
    ArchiveIndex(archive).bring_up_to_date()
    assert "W-07" in _everything_in(archive)
    _drop(archive)
    ArchiveIndex(archive).bring_up_to_date()
    assert "W-07" not in _everything_in(archive)
    assert "W-08" not in _everything_in(archive)
    assert verify(archive).faults == []


def test_hold_keeps_all_of_an_incident_until_it_is_released(archive: Path) -> None:
    before = Archive(archive).messages()
    set_hold(archive, "OLD", "inquiry 7")
    done = _drop(archive)
    assert (done.incidents, done.held) == ([], ["OLD"])
    assert all(frame.equals(before[kind]) for kind, frame in Archive(archive).messages().items())
    arguments = ["hold", "--archive", str(archive), "--incident", "OLD", "--reason", "closed", "--release"]
    assert CliRunner().invoke(root, arguments).exit_code == 0
    assert _drop(archive).incidents == ["OLD"]


def test_hold_inside_a_part_that_is_rewritten_for_others(archive: Path) -> None:
    seal_messages(archive, frames_from_heard(_incident("ALSO", OLD + timedelta(minutes=5))), "import-ALSO")
    tidy(archive, datetime(2026, 1, 1, tzinfo=UTC), grace_s=0)
    held = _tally(archive, "OLD")
    set_hold(archive, "OLD", "inquiry 7")
    assert _drop(archive).incidents == ["ALSO"]
    assert _tally(archive, "OLD").equals(held)
    assert verify(archive).faults == []


def test_altered_holds_stop_everything(archive: Path) -> None:
    set_hold(archive, "OLD", "inquiry 7")
    set_hold(archive, "NEW", "inquiry 8")
    (log,) = (archive / "holds").glob("*.ndjson")
    log.write_bytes(b"".join(log.read_bytes().splitlines(keepends=True)[1:]))
    before = _bytes(archive)
    with pytest.raises(ArchiveProblem, match="under hold is not known"):
        _drop(archive)
    assert {name for name, data in _bytes(archive).items() if before.get(name) != data} <= {".tidy.lock"}
    said = CliRunner().invoke(root, ["verify", str(archive)])
    assert said.exit_code == 1
    assert "does not follow" in said.output
    assert said.stdout.splitlines()[-1].startswith("1 fault: ")  # its parts are whole; it is not


class _Killed(BaseException):
    """A kill in the middle."""


_CALLS = [("_keep", 1), ("_clear", 1)]
_CALLS += [(name, call) for name in ("write_part", "finish_merge") for call in (1, 5)]


@pytest.mark.parametrize(("name", "call"), _CALLS)
@pytest.mark.parametrize("when", ["before", "after"])
def test_killed_at_any_step_leaves_the_archive_whole(
    archive: Path, monkeypatch: pytest.MonkeyPatch, name: str, when: str, call: int
) -> None:
    before = Archive(archive).messages()
    all_old = datetime(2025, 12, 1, tzinfo=UTC)
    real: Callable[..., Any] = getattr(retention, name)
    calls = 0

    def killed(*arguments: Any, **named: Any) -> None:
        nonlocal calls
        calls += 1
        if calls < call:
            real(*arguments, **named)
            return
        if when == "after":
            real(*arguments, **named)
        raise _Killed

    monkeypatch.setattr(retention, name, killed)
    with pytest.raises(_Killed):
        _drop(archive, cut_off=all_old)
    monkeypatch.undo()
    for key in archive.glob(UNDER_WAY):
        assert stat.S_IMODE(key.stat().st_mode) == 0o600, "with it names are found again"
    assert verify(archive).faults == []
    during = Archive(archive).messages()
    assert {kind: len(frame) for kind, frame in during.items()} == {k: len(f) for k, f in before.items()}
    _drop(archive, cut_off=all_old)
    assert verify(archive).faults == []
    tally = _tally(archive, "OLD")
    assert tally["wearer_id"][0] == tally["wearer_id"][2], "one wearer has one name, over the kill"
    notes = Archive(archive).messages()["note"].filter(incident_id="OLD")["text"].to_list()
    assert notes[0].startswith(tally["wearer_id"][0])
    assert "W-08" not in notes[0]
    assert not (archive / UNDER_WAY).exists()
    assert not (archive / "derived" / "wears-1").exists()
    assert [str(each) for each in archive.rglob("*") if each.name.endswith(".tmp")] == []
    assert not list(archive.glob("*/*/.merged.json"))
    assert _drop(archive, cut_off=all_old).messages == 0


@pytest.mark.parametrize("parts", range(1, 7))
def test_no_name_stays_in_a_text_though_what_a_killed_run_noted_is_gone(
    archive: Path, monkeypatch: pytest.MonkeyPatch, parts: int
) -> None:
    """Who is named is known by the tallies; a damaged note of the run is to be deleted, its message says."""
    all_old = datetime(2025, 12, 1, tzinfo=UTC)
    written: list[Path] = []

    def killed(*arguments: Any, **named: Any) -> None:
        written.append(write_part(*arguments, **named))
        if len(written) == parts:
            raise _Killed

    with monkeypatch.context() as patch:
        patch.setattr(retention, "write_part", killed)
        with pytest.raises(_Killed):
            _drop(archive, cut_off=all_old)
    (archive / UNDER_WAY).unlink()
    _drop(archive, cut_off=all_old)
    assert verify(archive).faults == []
    said = [text for text in Archive(archive).messages()["note"]["text"] if text]
    said += [task for task in Archive(archive).messages()["tally"]["task"] if task]
    assert len(said) == 8
    assert [text for text in said if re.search(r"(?<![\w-])W-0[78](?![\w-])", text)] == []


def test_late_words_make_an_incident_young_again_and_an_old_capture_brings_names_back(archive: Path) -> None:
    _drop(archive)
    seal_messages(archive, frames_from_heard(_incident("OLD", OLD)), "import-OLD")
    assert verify(archive).faults == []
    assert "W-07" in _tally(archive, "OLD")["wearer_id"], "as the docs say: keep no capture"
    tidy(archive, datetime(2026, 1, 1, tzinfo=UTC), grace_s=0)
    assert verify(archive).faults == []
    late = _desk(1, NEW, "note", incident_id="OLD", text="inquest opened")
    seal_messages(archive, frames_from_heard([late]), "import-late")
    assert _drop(archive).incidents == []
    assert _drop(archive, cut_off=datetime(2025, 12, 1, tzinfo=UTC)).incidents == ["NEW", "OLD"]
    assert verify(archive).faults == []


def test_the_analysis_still_holds(tmp_path: Path) -> None:
    archive, incident_id = tmp_path / "archive", "TH-20310504-1912"
    import_capture(ROOT / "sample_logs" / "cooperage_fire.ndjson.gz", archive)
    profile = Profile.default()
    before = record_of(incident_piece(archive, incident_id)[0], profile, incident_id, None).results
    old = _tally(archive, incident_id)["wearer_id"]
    late = datetime(2035, 1, 1, tzinfo=UTC)
    retain(archive, late, dict, "profile default", late.date(), apply=True, grace_s=0)
    new = _tally(archive, incident_id)["wearer_id"]
    names = dict(zip(old, new, strict=True))
    assert len(names) == len(set(names.values())) == old.n_unique() > 5
    after = record_of(incident_piece(archive, incident_id)[0], profile, incident_id, None).results
    text = pl.selectors.string()
    for table, frame in before.items():
        expected = frame.with_columns(text.str.replace_many(list(names), list(names.values())))
        order = [name for name, dtype in frame.schema.items() if not dtype.is_nested()]
        assert after[table].sort(order).equals(expected.sort(order)), table
    assert before["wears"].height > 5


def test_the_profile_says_how_long_and_the_verbs_say_what_is_wrong(archive: Path, tmp_path: Path) -> None:
    head = 'name = "ours"\ntitle = "t"\ndecides = "d"\n'
    with pytest.raises(BadProfile, match=r">= 0, got -1 \(at \$.retention.identity_months\)"):
        parse_profile(head + "[retention]\nidentity_months = -1", "ours.toml")
    profile = tmp_path / "ours.toml"
    profile.write_text(head + "[retention]\nidentity_months = 36\n")
    arguments = ["retain", "--archive", str(archive), "--profile"]
    before = _bytes(archive)
    never = CliRunner().invoke(root, [*arguments, "default", "--apply"])
    assert never.exit_code == 0
    assert "for ever" in never.output
    told = CliRunner().invoke(root, [*arguments, str(profile), "--json"])
    assert json.loads(told.output)["incidents"] == ["OLD"]
    assert _bytes(archive) == before
    done = CliRunner().invoke(root, [*arguments, str(profile), "--apply"])
    assert done.exit_code == 0
    assert "3 names in 7 messages of 1 incident, silent" in done.output
    assert "or an object that a mapping read (`originals`) may still name a wearer" in done.stderr
    for wrong, sentence in (
        (["--incident", "NONE", "--reason", "r"], "no desk mentioned"),
        (["--incident", "NEW", "--reason", " "], "must have from 1"),
        (["--incident", "NEW", "--reason", "r", "--release"], "not under hold"),
    ):
        refused = CliRunner().invoke(root, ["hold", "--archive", str(archive), *wrong])
        assert refused.exit_code == 1
        assert sentence in str(refused.exception)


def test_a_damaged_part_or_note_stops_it_before_anything_is_changed(archive: Path) -> None:
    part = next((archive / "tally").rglob("*.parquet"))
    whole = part.read_bytes()
    part.write_bytes(whole[:-30])
    before = _bytes(archive)
    for apply in (False, True):
        with pytest.raises(ArchiveProblem, match=r"Cannot read `tally/.*so nothing was changed. .*verify"):
            _drop(archive, apply=apply)
    assert {name: data for name, data in _bytes(archive).items() if name in before} == before
    part.write_bytes(whole)
    (archive / UNDER_WAY).write_bytes(b"{")
    with pytest.raises(ArchiveProblem, match=r"left by a run that was killed, is damaged .*Delete it"):
        _drop(archive)
    (archive / UNDER_WAY).unlink()
    assert _drop(archive).incidents == ["OLD"]
    with pytest.raises(ArchiveProblem, match="there is no archive"):
        _drop(archive / "none")


def test_the_verbs_list_what_is_held_and_what_waits(archive: Path, tmp_path: Path) -> None:
    def run(*arguments: str) -> Any:
        return CliRunner().invoke(root, [*arguments, "--archive", str(archive)])

    assert run("hold").stdout == ""
    placed = run("hold", "--incident", "OLD", "--reason", "inquiry 7")
    assert placed.exit_code == 0, placed.output
    twice = run("hold", "--incident", "OLD", "--reason", "inquiry 8")
    assert "OLD is under hold already; `underair hold` lists the holds" in str(twice.exception)
    listed = run("hold")
    assert listed.stdout.startswith("OLD: inquiry 7 (since ")
    for wrong, sentence in (
        (["--release"], "Name the incident: --incident ID."),
        (["--reason", "r"], "Name the incident: --incident ID."),
        (["--incident", "OLD"], "Say why: --reason TEXT."),
    ):
        refused = run("hold", *wrong)
        assert refused.exit_code == 2
        assert sentence in refused.stderr

    waits = OLD + timedelta(days=400)
    seal_messages(archive, frames_from_heard(_incident("WAITS", waits)), "import-WAITS")
    journal = archive / "journal" / "one"
    journal.mkdir(parents=True)
    writer = SegmentWriter(journal, waits)
    late = _desk(8, waits, "note", incident_id="WAITS", text="x")
    writer.append([Record(micros(late.received), late.topic, late.payload, False)])
    writer.close()
    profile = tmp_path / "ours.toml"
    profile.write_text('name = "ours"\ntitle = "t"\ndecides = "d"\n[retention]\nidentity_months = 36\n')
    before = _bytes(archive)
    told = run("retain", "--profile", str(profile))
    assert told.exit_code == 0, told.output
    assert "OLD is under hold: untouched\n" in told.stdout
    assert "WAITS has messages that are not sealed yet: untouched\n" in told.stdout
    assert _bytes(archive) == before


def test_after_retain_a_person_still_gets_what_register_roster_and_access_log_keep(
    archive: Path, tmp_path: Path
) -> None:
    """Said to be nothing, while their exposure register was there for 40 years."""

    def wearer(wearer_id: str) -> Any:
        out = tmp_path / f"about-{wearer_id}"
        return CliRunner().invoke(
            root, ["wearer", wearer_id, "--archive", str(archive), "--out", str(out), "--json"]
        )

    (archive / "roster.csv").write_text("wearer,station,role\nW-08,South,\nW-10,North,\n")
    AccessLog(archive).write("view", "/review/moment people=W-11", account="review-1")
    profile = tmp_path / "ours.toml"
    profile.write_text('name = "ours"\ntitle = "t"\ndecides = "d"\n[retention]\nidentity_months = 1\n')
    arguments = ["retain", "--archive", str(archive), "--profile", str(profile), "--apply"]
    assert CliRunner().invoke(root, arguments).exit_code == 0
    assert "W-08" not in _tally(archive, "OLD")["wearer_id"]
    assert "W-08" not in _tally(archive, "NEW")["wearer_id"]
    for wearer_id, file in (("W-08", "exposure_register"), ("W-10", "roster"), ("W-11", "access")):
        done = wearer(wearer_id)
        assert done.exit_code == 0, done.output
        assert (json.loads(done.stdout)["incidents"], json.loads(done.stdout)["wears"]) == (0, 0)
        kept = pl.read_csv(tmp_path / f"about-{wearer_id}" / f"{file}.csv")
        assert not kept.is_empty()
        assert pl.read_csv(tmp_path / f"about-{wearer_id}" / "tables" / "wears.csv").is_empty()
    kept = pl.read_csv(tmp_path / "about-W-08" / "exposure_register.csv")
    assert set(kept["wearer_id"]) == {"W-08"}
    assert kept["year"].to_list() == ["2021", "2025", "all"]
    nobody = wearer("W-99")
    assert nobody.exit_code == 1
    assert "nor do the exposure register, the roster and the access log" in str(nobody.exception)


def test_a_hold_that_cannot_be_written_is_none(archive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(AccessLog, "write", lambda *_, **__: False)
    with pytest.raises(ArchiveProblem, match="cannot be written: nothing was changed"):
        set_hold(archive, "OLD", "inquiry 7")
    assert holds(archive) == {}


def test_parts_of_today_and_of_segments_that_wait_are_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, today = date(2031, 5, 3), date(2031, 5, 4)
    a, b, c = (Path(f"{name}.parquet") for name in "abc")
    days = [(first, [a, c]), (date(2031, 5, 2), [c]), (today, [b]), (date(2031, 5, 5), [b])]
    monkeypatch.setattr(retention, "parts_by_day", lambda folder, kind: iter(days))
    monkeypatch.setattr(retention, "unsettled", lambda folder: {"c"})
    monkeypatch.setattr(retention, "trouble_of", lambda folder: [])
    assert retention._sealed_days(tmp_path, "tally", today) == [(first, [a])]
