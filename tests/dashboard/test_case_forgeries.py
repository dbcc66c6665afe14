"""Forged cases and rolled-back archives, with every list hashed anew: each is refused."""

from __future__ import annotations

import gzip
import json
import shutil
import subprocess
import zipfile
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import msgspec
import polars as pl
import pytest
from msgspec.structs import replace
from paho.mqtt import client as mqtt

from analysis.profile import Profile
from dashboard.evidence.case import AS_BEFORE, write_case
from dashboard.evidence.case_check import note_opened, verify_case
from dashboard.underair import main
from ingest.archive.sightings import Sighting, note_seen
from ingest.contract.captures import Heard, read_capture, write_capture
from ingest.importing import import_capture
from tests.conftest import wait_until
from tests.dashboard.forged_cases import INCIDENT, SAMPLE, about_of, rehash

NOW = datetime(2031, 6, 1, tzinfo=UTC)


def run(*arguments: str) -> int:
    with pytest.raises(SystemExit) as done:
        main(list(arguments))
    return int(done.value.code or 0)


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("forged") / "archive"
    import_capture(SAMPLE, folder)
    return folder


@pytest.fixture(scope="module")
def made(archive: Path) -> tuple[Path, str]:
    out = archive.parent / "case"
    head, _ = write_case(archive, Profile.default(), INCIDENT, out, NOW, why="inquiry 31-7")
    return out, head


@pytest.fixture
def case(made: tuple[Path, str], tmp_path: Path) -> Path:
    return Path(shutil.copytree(made[0], tmp_path / "case"))


def report_says_less(case: Path) -> None:
    path = case / "data" / "report.html"
    text = path.read_text(encoding="utf-8")
    assert "turn-back was due" in text
    path.write_text(text.replace("turn-back was due", "turn-back was not due"), encoding="utf-8")


def note_is_changed(case: Path) -> None:
    path = case / "data" / "messages.ndjson.gz"
    lines = gzip.decompress(path.read_bytes())
    assert b"Told Alder W-02 to leave" in lines
    path.write_bytes(gzip.compress(lines.replace(b"Told Alder W-02 to leave", b"Told Alder W-02 to stay!")))


def table_is_changed(case: Path) -> None:
    path = case / "data" / "results" / "wears.parquet"
    pl.read_parquet(path).with_columns(pl.col("end_bar") + 1).write_parquet(path)


def csv_is_changed(case: Path) -> None:
    path = case / "data" / "results" / "wears.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("W-02", "W-03"), encoding="utf-8")


def profile_is_changed(case: Path) -> None:
    path = case / "data" / "profile.toml"
    text = path.read_text(encoding="utf-8")
    assert "silence_caution_s = " in text
    before = text.split("silence_caution_s = ")[1].split("\n")[0]
    path.write_text(
        text.replace(f"silence_caution_s = {before}", "silence_caution_s = 1.5"), encoding="utf-8"
    )


def method_is_changed(case: Path) -> None:
    path = case / "data" / "method.md"
    path.write_text(path.read_text(encoding="utf-8") + "\nAll figures are exact.\n", encoding="utf-8")


def file_is_added(case: Path) -> None:
    (case / "data" / "statement.txt").write_text("it was not so")


def refusals_are_hidden(case: Path) -> None:
    about = about_of(case)
    origin = msgspec.structs.replace(about.origin, refused=about.origin.refused + 3)
    rehash(case, msgspec.structs.replace(about, origin=origin))


FORGERIES = [
    report_says_less,
    table_is_changed,
    csv_is_changed,
    profile_is_changed,
    method_is_changed,
    file_is_added,
    refusals_are_hidden,
]


@pytest.mark.parametrize("forge", FORGERIES, ids=lambda forge: forge.__name__)
def test_what_is_forged_with_all_lists_hashed_anew_is_found_by_making_it_again(
    case: Path, forge: Callable[[Path], None]
) -> None:
    forge(case)
    rehash(case)
    found = verify_case(case, again=True)
    assert any(fault.startswith("data/") for fault in found.faults), found


def test_a_changed_note_is_found_without_making_anything_again(case: Path) -> None:
    note_is_changed(case)
    rehash(case)
    assert any("not the messages whose SHA-256" in fault for fault in verify_case(case).faults)


def test_a_changed_note_is_found_also_with_its_own_hash_made_anew(case: Path) -> None:
    note_is_changed(case)
    import hashlib

    lines = gzip.decompress((case / "data" / "messages.ndjson.gz").read_bytes())
    about = about_of(case)
    origin = msgspec.structs.replace(about.origin, sha256=hashlib.sha256(lines).hexdigest())
    rehash(case, msgspec.structs.replace(about, origin=origin))
    assert any(fault.startswith("data/report.html") for fault in verify_case(case, again=True).faults)


@pytest.fixture(scope="module")
def doctored_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("doctored")

    def changed(heard: Heard) -> Heard:
        return heard._replace(payload=heard.payload.replace(b"Told Alder W-02 to leave", b"Told to stay"))

    write_capture(folder / "doctored.ndjson", map(changed, read_capture(SAMPLE)))
    import_capture(folder / "doctored.ndjson", folder / "doctored")
    write_case(folder / "doctored", Profile.default(), INCIDENT, folder / "case", NOW, why="inquiry 31-7")
    return folder / "case"


@pytest.fixture
def doctored(doctored_once: Path, tmp_path: Path) -> Path:
    """A case made, by this very program, from an archive that was made from a doctored capture."""
    return Path(shutil.copytree(doctored_once, tmp_path / "case of it"))


def test_a_case_from_a_doctored_capture_is_not_the_one_that_was_noted(
    doctored: Path, made: tuple[Path, str]
) -> None:
    assert verify_case(doctored, again=True).faults == ()  # it is a case like any other, but not that one
    assert run("verify", str(doctored), "--expect", made[1]) == 1
    assert run("verify", str(made[0]), "--expect", made[1]) == 0


def test_a_case_compared_with_nothing_outside_of_it_says_so(
    doctored: Path, made: tuple[Path, str], capsys: pytest.CaptureFixture[str]
) -> None:
    """A case of a doctored capture, all lists made anew, was "whole" without a word about what that shows."""
    capsys.readouterr()
    assert run("verify", str(doctored), "--again") == 0
    assert "Nothing outside of this folder was compared" in capsys.readouterr().out
    assert run("verify", str(made[0]), "--expect", made[1]) == 0
    assert "Nothing outside" not in capsys.readouterr().out


def test_a_case_from_a_doctored_capture_has_no_allowed_signer(doctored: Path, tmp_path: Path) -> None:
    ssh = shutil.which("ssh-keygen")
    assert ssh
    for name in ("service", "forger"):
        call = [ssh, "-q", "-t", "ed25519", "-N", "", "-f", str(tmp_path / name)]
        subprocess.run(call, check=True)
    public = (tmp_path / "service.pub").read_text()
    (tmp_path / "allowed").write_text(f"evidence@tarnhollow {public}")
    assert (
        verify_case(doctored, signers=tmp_path / "allowed")
        .faults[0]
        .endswith("an allowed signer was asked for")
    )
    from dashboard.evidence.signing import sign

    sign(doctored, tmp_path / "forger")
    assert "by none of the signers" in verify_case(doctored, signers=tmp_path / "allowed").faults[0]
    sign(doctored, tmp_path / "service")
    assert verify_case(doctored, signers=tmp_path / "allowed").faults == ()
    (doctored / "data" / "refused.csv").write_text("")
    rehash(doctored)
    assert any("not a signature" in fault for fault in verify_case(doctored).faults)


def test_this_machine_says_which_heads_of_an_incident_it_has_seen(
    case: Path, doctored: Path, made: tuple[Path, str]
) -> None:
    note_opened(case, verify_case(case), NOW)
    said = verify_case(doctored).said
    assert any(made[1] in line for line in said), said
    assert any(line.startswith("this machine saw this head first") for line in verify_case(case).said)


def test_of_many_other_heads_the_latest_are_listed_and_the_rest_counted(
    case: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A thousand cases of one incident gave a thousand lines, and the verdict was lost among them."""
    monkeypatch.setenv("UNDERAIR_WORK_FOLDER", str(tmp_path / "state"))
    for number in range(20):
        note_seen(Sighting(NOW + timedelta(days=number), f"case {INCIDENT}", f"{number:064x}"))
    others = [line for line in verify_case(case).said if "head" in line and "0" * 60 in line]
    assert [line.split()[-1] for line in others] == [f"{number:064x}" for number in range(15, 20)]
    assert any("15 earlier ones" in line for line in verify_case(case).said)


def test_a_custody_log_that_was_shortened_or_rewritten_is_found(case: Path) -> None:
    log = case / "custody.ndjson"
    note_opened(case, verify_case(case), NOW)
    note_opened(case, verify_case(case), NOW + timedelta(hours=1))
    assert verify_case(case).faults == ()
    lines = log.read_text().splitlines()
    log.write_text("\n".join([lines[0], *lines[2:]]) + "\n")
    assert any("does not follow from the line before" in fault for fault in verify_case(case).faults)
    log.write_text("\n".join(lines[:2]) + "\n")
    assert any("a line that this machine has seen is missing" in fault for fault in verify_case(case).faults)
    # A copy in another folder may be older: no fault, but this machine says that it saw more.
    copy = case.with_name("copy")
    shutil.copytree(case, copy)
    assert verify_case(copy).faults == ()
    assert any("a hand-over may be missing here" in line for line in verify_case(copy).said)
    (copy / "custody.ndjson").write_text("\n".join(lines) + "\n")
    assert not any("a hand-over may be missing" in line for line in verify_case(copy).said)
    first = json.loads(lines[0])
    log.write_text(json.dumps({**first, "account": "somebody else"}) + "\n")
    assert any("a line that this machine has seen is missing" in fault for fault in verify_case(case).faults)


def test_a_custody_log_that_was_emptied_is_found_on_any_machine(case: Path) -> None:
    (case / "custody.ndjson").write_bytes(b"")
    (fault,) = verify_case(case).faults
    assert "does not begin with the making of this case" in fault


def test_links_and_names_outside_of_the_case_are_refused_and_not_read(case: Path, tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("x")
    path = case / "data" / "refused.csv"
    path.unlink()
    path.symlink_to(tmp_path / "secret")
    assert "neither a file nor a folder" in verify_case(case).faults[0]
    path.unlink()
    with (case / "manifest-sha256.txt").open("a") as file:
        file.write(f"{'0' * 64}  data/../../secret\n")
    assert run("verify", str(case)) == 1


@pytest.mark.parametrize(
    "name", ["data/messages.ndjson.gz", "data/results/air.parquet", "data/report.html", "bag-info.txt"]
)
def test_one_altered_byte_is_named(case: Path, name: str, capsys: pytest.CaptureFixture[str]) -> None:
    path = case / name
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)
    assert run("verify", str(case)) == 1
    assert f"{name}: altered" in capsys.readouterr().out


def test_missing_added_and_a_missing_list_are_named(case: Path) -> None:
    (case / "data" / "report.html").unlink()
    (case / "extra.txt").write_text("x")
    faults = verify_case(case).faults
    assert "data/report.html: missing" in faults
    assert "'extra.txt': added, in no list" in faults


@pytest.mark.broker
def test_heads_are_printed_and_published_and_show_a_roll_back(
    archive: Path, mosquitto: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = Path(shutil.copytree(archive, tmp_path / "archive"))
    older = Path(shutil.copytree(folder, tmp_path / "older"))
    later = list(read_capture(SAMPLE.with_name("clock_drill.ndjson.gz")))[:200]
    write_capture(tmp_path / "later.ndjson", later)
    import_capture(tmp_path / "later.ndjson", folder)
    capsys.readouterr()
    assert run("heads", str(folder), "--broker", mosquitto.url) == 0
    first, second = capsys.readouterr().out.splitlines()
    made, head, count, _, chain = first.split()
    assert (len(made), len(head), chain) == (len("2031-05-04T19:12:00Z"), 64, "import")
    assert second.endswith("2 lines  imports")
    kept: list[mqtt.MQTTMessage] = []
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    client.on_message = lambda _client, _data, message: kept.append(message)
    client.connect("127.0.0.1", mosquitto.port)
    client.loop_start()
    client.subscribe("underair/heads/v1/import", 1)
    wait_until(lambda: kept)
    client.loop_stop()
    client.disconnect()
    told = json.loads(kept[0].payload)
    assert (kept[0].retain, kept[0].topic) == (True, "underair/heads/v1/import")
    assert (told["head"], told["lines"], told["chain"]) == (head, int(count), "import")
    assert run("verify", str(folder), "--expect", head) == 0
    assert run("verify", str(older), "--expect", head) == 1


def test_an_archive_that_was_rolled_back_is_found(
    archive: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """An older copy of the archive was whole for `verify`: nothing outside of it knew its head."""
    folder = Path(shutil.copytree(archive, tmp_path / "archive"))
    older = Path(shutil.copytree(folder, tmp_path / "older"))
    assert run("verify", str(folder)) == 0
    later = list(read_capture(SAMPLE.with_name("clock_drill.ndjson.gz")))[:200]
    write_capture(tmp_path / "later.ndjson", later)
    import_capture(tmp_path / "later.ndjson", folder)
    capsys.readouterr()
    assert run("verify", str(folder)) == 0
    head = capsys.readouterr().out.split("head of import: ")[1].split()[0]
    assert run("verify", str(folder), "--expect", head) == 0
    assert run("verify", str(older), "--expect", head) == 1
    shutil.rmtree(folder)
    shutil.copytree(older, folder)
    assert run("verify", str(folder)) == 1
    assert "rolled back or exchanged" in capsys.readouterr().out


def test_templates_and_words_are_a_part_of_the_program(case: Path) -> None:
    """A report's texts are made of them: its program was pinned by the digest of its code alone."""
    path = next((case / "data").glob("*.whl"))
    with zipfile.ZipFile(path) as wheel:
        contents = {name: wheel.read(name) for name in wheel.namelist()}
    contents["dashboard/evidence/report.html.j2"] += b"<!-- -->"
    with zipfile.ZipFile(path, "w") as wheel:
        for name, data in contents.items():
            wheel.writestr(name, data)
    rehash(case, about_of(case))
    assert any("not the program that" in fault for fault in verify_case(case, again=True).faults)


def by_another_program(case: Path) -> None:
    """Make a case one of a program that has no table `tallies`, one column fewer, and other texts."""
    about = about_of(case)
    origin = replace(about.origin, source_sha256="0" * 64, commit="an earlier one")
    for path in (case / "data" / "results").glob("tallies.*"):
        path.unlink()
    next((case / "data").glob("*.whl")).unlink()
    air = case / "data" / "results" / "air.parquet"
    pl.read_parquet(air)[:, :-1].write_parquet(air)
    report = case / "data" / "report.html"
    report.write_text(report.read_text("utf-8").replace("<h2", "<h2 class='older'"), "utf-8")
    rehash(case, replace(about, origin=origin))


def test_a_case_of_an_earlier_program_is_not_called_altered(
    case: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Mended: 25 faults, among them the missing table `tallies` and every schema."""
    by_another_program(case)
    found = verify_case(case, again=True)
    assert found.faults == ()
    said = "\n".join(found.said)
    assert "only this version makes: tallies" in said
    assert "commit an earlier one" in said
    assert "texts and report are each program's own, and were not compared" in said
    assert AS_BEFORE not in said
    assert run("verify", str(case), "--again") == 0
    assert "only this version makes: tallies" in capsys.readouterr().out


@pytest.mark.parametrize("name", ["wears.parquet", "wears.csv"])
def test_other_values_in_a_case_of_an_earlier_program_are_named_without_a_verdict(
    case: Path, name: str
) -> None:
    path = case / "data" / "results" / name
    if path.suffix == ".parquet":
        pl.read_parquet(path).with_columns(start_bar=pl.col("start_bar") + 1.0).write_parquet(path)
    else:
        table = pl.read_csv(path, infer_schema=False)
        table.with_columns(start_bar=pl.lit("311.0")).write_csv(path)
    by_another_program(case)
    first, why = verify_case(case, again=True).faults
    assert first == f"data/results/{name}: this version computes other values from the same messages"
    assert why.startswith(
        "the case's files are as its list says; other values may come from the other version"
    )
