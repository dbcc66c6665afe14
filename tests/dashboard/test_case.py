"""The case folder: a bag that the stock tools check, signed and stamped, whose README is enough."""

from __future__ import annotations

import gzip
import hashlib
import json
import random
import shlex
import shutil
import subprocess
import sys
import tarfile
from datetime import UTC, datetime, timedelta
from importlib.metadata import version
from pathlib import Path

import msgspec
import polars as pl
import pytest

from analysis.policies import POLICIES
from analysis.profile import Profile, parse_profile
from analysis.tables import TABLES, to_csv
from dashboard.evidence.case import About, profile_toml, write_case, write_tables
from dashboard.evidence.case_check import verify_case
from dashboard.evidence.case_messages import capture_lines, messages_of
from dashboard.evidence.signing import NAMESPACE, TAG_MANIFEST
from dashboard.underair import main
from ingest.contract.captures import Heard, capture_line, read_capture, write_capture
from ingest.contract.frames import frames_from_heard
from ingest.importing import import_capture
from tests.conftest import missing
from tests.dashboard.forged_cases import INCIDENT, SAMPLE

ROOT = Path(__file__).parents[2]
OLDER = Path(__file__).parent / "samples" / "case_of_0_3_0.tar.gz"


def run(*arguments: str) -> int:
    with pytest.raises(SystemExit) as done:
        main(list(arguments))
    return int(done.value.code or 0)


def tool(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        missing(name, f"apt-get install {name}")
        raise AssertionError
    return found


def call(*arguments: object, cwd: Path | None = None, given: bytes | None = None) -> str:
    done = subprocess.run(
        [str(each) for each in arguments], cwd=cwd, input=given, capture_output=True, check=False
    )
    assert done.returncode == 0, (arguments, done.stdout, done.stderr)
    return (done.stdout + done.stderr).decode()


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("case") / "archive"
    import_capture(SAMPLE, folder)
    return folder


@pytest.fixture(scope="module")
def key(tmp_path_factory: pytest.TempPathFactory) -> Path:
    key = tmp_path_factory.mktemp("keys") / "service"
    call(tool("ssh-keygen"), "-q", "-t", "ed25519", "-N", "", "-C", "evidence", "-f", key)
    public = key.with_suffix(".pub").read_text()
    (key.parent / "allowed_signers").write_text(
        f'evidence@tarnhollow namespaces="{NAMESPACE}" {public}', encoding="utf-8"
    )
    return key


@pytest.fixture(scope="module")
def made(archive: Path, key: Path) -> Path:
    out = archive.parent / "case"
    given = ("--archive", str(archive), "--incident", INCIDENT, "--out", str(out))
    assert run("case", *given, "--why", "inquiry 31-7", "--sign", str(key)) == 0
    return out


@pytest.fixture
def case(made: Path, tmp_path: Path) -> Path:
    """A case of the test's own to spoil."""
    return Path(shutil.copytree(made, tmp_path / "case"))


def test_the_librarys_own_command_and_the_systems_find_the_case_whole(made: Path) -> None:
    call(sys.executable, "-m", "bagit", "--validate", made)
    call(tool("sha256sum"), "--check", "--strict", TAG_MANIFEST, "manifest-sha256.txt", cwd=made)
    assert (made / "bagit.txt").read_text().splitlines()[0] == "BagIt-Version: 1.0"


def test_ssh_keygen_checks_the_signature_without_underair(made: Path, key: Path) -> None:
    signature, allowed = made / f"{TAG_MANIFEST}.sig", key.parent / "allowed_signers"
    ssh = tool("ssh-keygen")
    who = call(ssh, "-Y", "find-principals", "-s", signature, "-f", allowed).strip()
    signed = (made / TAG_MANIFEST).read_bytes()
    given = ("-Y", "verify", "-f", allowed, "-I", who, "-n", NAMESPACE, "-s", signature)
    assert "Good" in call(ssh, *given, given=signed)
    assert who == "evidence@tarnhollow"


def test_openssl_and_verify_check_a_time_stamp_offline(case: Path, tmp_path: Path) -> None:
    """A time-stamping authority of the test's own (RFC 3161), as a real one would answer."""
    ssl, work = tool("openssl"), tmp_path / "tsa"
    work.mkdir()
    (work / "tsa.cnf").write_text(
        "[req]\ndistinguished_name=dn\n[dn]\n[ext]\nextendedKeyUsage=critical,timeStamping\n"
        "[tsa]\ndefault_tsa=t\n[t]\nserial=serial\nsigner_cert=tsa.pem\nsigner_key=tsa.key\ncerts=tsa.pem\n"
        "signer_digest=sha256\ndefault_policy=1.2.3.4\ndigests=sha256\nordering=yes\ntsa_name=no\n"
        "ess_cert_id_chain=no\naccuracy=secs:1\n"
    )
    (work / "serial").write_text("01\n")
    subject = ("-subj", "/CN=Invented time stamps", "-days", "30", "-extensions", "ext", "-config", "tsa.cnf")
    new = ("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-keyout", "tsa.key", "-out", "tsa.pem")
    call(ssl, *new, *subject, cwd=work)
    call(ssl, "ts", "-query", "-data", case / TAG_MANIFEST, "-sha256", "-cert", "-out", "q.tsq", cwd=work)
    reply = case / f"{TAG_MANIFEST}.tsr"
    call(
        ssl,
        "ts",
        "-reply",
        "-config",
        "tsa.cnf",
        "-section",
        "t",
        "-queryfile",
        "q.tsq",
        "-out",
        reply,
        cwd=work,
    )
    found = verify_case(case, authority=work / "tsa.pem")
    assert found.faults == ()
    assert any(line.startswith("time stamp holds") for line in found.said)
    data = bytearray(reply.read_bytes())
    data[len(data) // 2] ^= 1
    reply.write_bytes(data)
    assert any("time stamp" in fault for fault in verify_case(case, authority=work / "tsa.pem").faults)


def test_the_readme_alone_is_enough_to_compute_the_tables_anew(made: Path, tmp_path: Path) -> None:
    readme = (made / "data" / "README.txt").read_text(encoding="utf-8")
    told = readme.split("COMPUTE THE TABLES YOURSELF")[1].split("WHO HAD IT")[0]
    commands = [line.strip() for line in told.splitlines() if line.startswith("    ")]
    assert [command.split()[0] for command in commands] == [
        "python",
        ".",
        "pip",
        "underair",
        "underair",
        "diff",
    ]
    # The program itself is in the case: nobody takes one of that name from an index.
    _, _, program, *_ = shlex.split(commands[2].replace("CASE/", f"{made}/"))
    wheel = program.removesuffix("[pages]")
    here = tmp_path / "installed"
    pip = ["-m", "pip", "install", "--quiet", "--no-deps", "--no-index", "--target", str(here), wheel]
    call(Path(sys.executable), *pip, cwd=tmp_path)
    for package in ("ingest", "analysis", "dashboard"):
        for source in (ROOT / package).rglob("*.py"):
            assert (here / source.relative_to(ROOT)).read_bytes() == source.read_bytes()
    assert (here / "analysis" / "profiles" / "default.toml").is_file()
    assert f"underair=={version('underair')}" in call(
        Path(sys.executable), "-m", "pip", "list", "--format", "freeze", "--path", str(here), cwd=tmp_path
    )
    programs = {"underair": Path(sys.executable).with_name("underair"), "diff": tool("diff")}
    for command in commands[3:]:
        name, *arguments = shlex.split(command.replace("CASE/", f"{made}/"))
        assert name != "diff" or {path.name for path in (tmp_path / "results").iterdir()} > {"wears.csv"}
        said = call(programs[name], *arguments, cwd=tmp_path)
    assert said == ""
    assert verify_case(made).faults == ()


def test_every_part_of_a_case_is_made_again_to_the_byte(made: Path, key: Path) -> None:
    found = verify_case(made, again=True, signers=key.parent / "allowed_signers")
    assert found.faults == ()
    assert "signed by evidence@tarnhollow" in found.said
    lines = gzip.decompress((made / "data" / "messages.ndjson.gz").read_bytes())
    about = json.loads((made / "data" / "case.json").read_text())
    assert hashlib.sha256(lines).hexdigest() == about["origin"]["sha256"]
    assert {path.name for path in (made / "data" / "results").iterdir()} == {
        f"{name}.{form}" for name in TABLES for form in ("parquet", "csv")
    }


def test_the_bag_says_who_why_from_what_and_with_what(made: Path) -> None:
    info = (made / "bag-info.txt").read_text(encoding="utf-8")
    for said in (
        f"External-Identifier: {INCIDENT}",
        "Exported-By: ",
        "Exported-On-Machine: ",
        "Exported-Why: inquiry 31-7",
        "Archive-State: whole",
        "Archive-Head: ",
        "Messages-Kept: ",
        "Messages-Refused: ",
        "Underair-Commit: ",
        "Version: polars ",
        "Version: python ",
        # What computes the tables, and what makes report and bag.
        "Version: numba ",
        "Version: llvmlite ",
        "Version: jinja2 ",
        "Version: bagit ",
    ):
        assert said in info, said
    constraints = (made / "data" / "versions.txt").read_text(encoding="utf-8").splitlines()
    assert f"numba=={version('numba')}" in constraints
    assert not any(line.startswith(("underair", "python")) for line in constraints)


def test_the_same_archive_gives_the_same_case_but_for_when_it_was_made(
    archive: Path, made: Path, tmp_path: Path
) -> None:
    later = datetime(2032, 1, 1, tzinfo=UTC)
    write_case(archive, Profile.default(), INCIDENT, tmp_path / "again", later, why="inquiry 31-7")
    lists = [
        (folder / "manifest-sha256.txt").read_text().splitlines() for folder in (made, tmp_path / "again")
    ]
    differ = {line.split()[1] for line in set(lists[0]) ^ set(lists[1])}
    assert differ == {"data/README.txt", "data/case.json", "data/report.html"}
    reports = [
        (folder / "data" / "report.html").read_text().splitlines() for folder in (made, tmp_path / "again")
    ]
    assert sum(one != other for one, other in zip(*reports, strict=True)) == 1


def test_why_is_required(archive: Path, tmp_path: Path) -> None:
    assert run("case", "--archive", str(archive), "--incident", INCIDENT, "--out", str(tmp_path / "c")) == 2


def test_an_archive_that_is_not_whole_is_said_everywhere_and_ends_with_3(
    archive: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A part was deleted: report and case ended with 0 and said nothing."""
    spoilt = Path(shutil.copytree(archive, tmp_path / "archive"))
    next((spoilt / "motion").glob("*/*.parquet")).unlink()
    given = ("--archive", str(spoilt), "--incident", INCIDENT)
    assert run("case", *given, "--out", str(tmp_path / "case"), "--why", "test") == 3
    assert "motion/" in capsys.readouterr().err
    assert "Archive-State: not whole" in (tmp_path / "case" / "bag-info.txt").read_text()
    assert "archive was incomplete" in (tmp_path / "case" / "data" / "report.html").read_text()
    assert run("report", *given, "--out", str(tmp_path / "report.html")) == 3
    assert "archive was incomplete" in (tmp_path / "report.html").read_text()
    found = verify_case(tmp_path / "case", again=True)
    assert found.faults == ()
    assert any("archive was incomplete" in line for line in found.said)


def test_refused_messages_are_in_the_case_with_their_reasons(tmp_path: Path) -> None:
    lines = gzip.decompress(SAMPLE.read_bytes()).splitlines(keepends=True)
    number = next(i for i, line in enumerate(lines) if i > 800 and b'"pressure_bar":' in line)
    spoilt = (
        lines[number].replace(b'"pressure_bar":', b'"pressure_bar":9', 1).replace(b'"seq":', b'"seq":9', 1)
    )
    (tmp_path / "spoilt.ndjson").write_bytes(b"".join([*lines[:number], spoilt, *lines[number:]]))
    import_capture(tmp_path / "spoilt.ndjson", tmp_path / "archive")
    assert len(messages_of(tmp_path / "archive", INCIDENT)[0]["refused"]) == 1
    write_case(tmp_path / "archive", Profile.default(), INCIDENT, tmp_path / "case", why="test")
    told = (tmp_path / "case" / "data" / "refused.csv").read_text()
    assert "pressure_bar" in told
    report = (tmp_path / "case" / "data" / "report.html").read_text()
    assert "1 message arrived and broke the contract" in report
    assert report.count("pressure_bar must be a number") == 1
    assert "Messages-Refused: 1" in (tmp_path / "case" / "bag-info.txt").read_text()
    assert verify_case(tmp_path / "case", again=True).faults == ()


def test_what_a_mapping_could_not_make_is_in_the_case_with_its_reason(tmp_path: Path) -> None:
    heard = list(read_capture(SAMPLE))
    at = next(one for one in heard[800:] if isinstance(one, Heard) and one.topic.endswith("/pressure"))
    _, _, service, _, set_id, _ = at.topic.split("/")
    (tmp_path / "other.toml").write_text(
        f'name = "other"\nversion = 1\nservice = "{service}"\n[[source]]\ntopic = "other/{{unit}}"\n'
        'set_id = { level = "unit" }\ntime = { form = "received" }\n[[source.flag]]\nalarm = "distress"\n'
        'pointer = "/flags"\ntrue = [4]\nfalse = [0]\n'
    )
    said = Heard(at.received, f"other/{set_id}", b'{"flags": 12}')
    write_capture(tmp_path / "both.ndjson", sorted([*heard, said], key=lambda one: one.received))
    assert run("import", str(tmp_path / "both.ndjson"), "--archive", str(tmp_path / "archive"),
               "--mapping", str(tmp_path / "other.toml")) == 3  # fmt: skip
    write_case(tmp_path / "archive", Profile.default(), INCIDENT, tmp_path / "case", why="test")
    told = (tmp_path / "case" / "data" / "refused.csv").read_text()
    assert f"underair/v1/{service}/set/{set_id}/alarm" in told
    report = (tmp_path / "case" / "data" / "report.html").read_text()
    assert report.count("the flag distress must be one of its values") >= 1
    assert verify_case(tmp_path / "case", again=True).faults == ()


def test_capture_lines_in_bulk_are_those_one_by_one(tmp_path: Path) -> None:
    for name in ("late_turn_back.ndjson.gz", "bad_messages.ndjson"):
        heard = list(read_capture(SAMPLE.with_name(name)))
        frames = frames_from_heard(heard)
        made = b"".join(capture_lines(frames))
        assert sorted(made.splitlines()) == sorted(
            line for one in heard for line in capture_line(one).splitlines()
        )


@pytest.mark.parametrize("spread_us", [5, 3_000_000, 90_000_000_000_000])
def test_capture_lines_are_in_order_of_receipt_topic_number_and_payload(spread_us: int) -> None:
    rng = random.Random(spread_us)
    first = datetime(1969, 12, 31, 23, 59, 59, 999_990, tzinfo=UTC)
    heard = [
        Heard(
            first + timedelta(microseconds=rng.randrange(spread_us)),
            f"underair/v1/x/set/{who}/link",
            f'{{"kind":"link","set_id":"{who}","state":"down","n":{rng.randrange(3)}}}'.encode(),
        )
        for who in rng.choices(["S-1", "S-2", "S-10"], k=500)
    ]
    expected = sorted(heard, key=lambda one: (one.received, one.topic, one.payload))
    frames = frames_from_heard(heard)
    assert len(frames["link"]) == len(heard)
    assert b"".join(capture_lines(frames)) == b"".join(map(capture_line, expected))


def test_a_long_table_is_written_in_pieces_as_the_same_csv(
    case: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("dashboard.evidence.case.CSV_ROWS_AT_ONCE", 7)
    about = msgspec.json.decode((case / "data" / "case.json").read_bytes(), type=About)
    tables = {name: pl.read_parquet(case / "data" / "results" / f"{name}.parquet") for name in TABLES}
    assert tables["air"].height > 7
    write_tables(tables, tmp_path / "again", about)
    for name, table in tables.items():
        assert (tmp_path / "again" / f"{name}.csv").read_text("utf-8") == to_csv(name, table)


def test_a_profile_comes_back_from_the_case_as_it_was() -> None:
    profile = Profile.default()
    assert parse_profile(profile_toml(profile), "case") == profile


def test_cases_of_0_3_0_still_verify(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with tarfile.open(OLDER) as packed:
        packed.extractall(tmp_path, filter="data")
    case = tmp_path / "old_case"
    assert run("verify", str(case)) == 0
    head = "5958df65d2298e05d974d8ef7bca19f115b380b4aa4676a9972b465a5bd8a098"  # as 0.3.0 printed it
    assert head in capsys.readouterr().out
    assert run("verify", str(case), "--expect", head) == 0
    assert run("verify", str(case), "--expect", "0" * 64) == 1
    capsys.readouterr()
    # Every profile of then has a part that no profile has now: the check ended in a traceback.
    run("verify", str(case), "--again")
    told = capsys.readouterr().out
    assert "made by underair 0.3.0, checked by" in told
    assert "results/air.parquet: this version computes other values from the same messages" in told
    assert "8 of 11 table files are the same in every column that both programs make" in told
    (case / "report.html").write_text("another")
    assert run("verify", str(case)) == 1
    assert "report.html: altered" in capsys.readouterr().out


def test_a_turn_back_policy_that_only_one_version_has_makes_no_case_differ(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("analysis.wears.entries.POLICIES", POLICIES[:-1])
    with tarfile.open(OLDER) as packed:
        packed.extractall(tmp_path, filter="data")
    run("verify", str(tmp_path / "old_case"), "--again")
    told = capsys.readouterr().out
    assert "turn_back" not in told
    assert "8 of 11 table files are the same in every column that both programs make" in told


def test_each_look_and_note_is_a_line_of_the_custody_log(case: Path) -> None:
    assert run("verify", str(case)) == 0
    assert run("case", "note", str(case), "--text", "handed to the inquiry") == 0
    assert run("verify", str(case)) == 0
    lines = [json.loads(line) for line in (case / "custody.ndjson").read_text().splitlines()]
    assert [line["what"] for line in lines] == ["made", "opened", "noted", "opened"]
    assert lines[2]["text"] == "handed to the inquiry"
    call(sys.executable, "-m", "bagit", "--validate", case)


def test_a_case_that_cannot_be_written_is_still_verified(
    case: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def refused(*_: object) -> str:
        raise OSError(30, "Read-only file system")

    monkeypatch.setattr("dashboard.evidence.case.add_entry", refused)
    assert run("verify", str(case)) == 0
    assert "not noted in custody.ndjson: Read-only file system" in capsys.readouterr().out
