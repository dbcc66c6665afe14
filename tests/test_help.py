"""Every verb's help stands by itself: what it does, and an example that can be typed."""

from __future__ import annotations

import errno
from pathlib import Path

import pytest
from click.testing import CliRunner

from analysis.profile import shipped_profiles
from dashboard.underair import VERBS, main, root


@pytest.mark.parametrize("verb", VERBS)
def test_help_shows_an_example(verb: str) -> None:
    shown = CliRunner().invoke(root, [verb, "--help"])
    assert shown.exit_code == 0
    assert "Example" in shown.output or f"    underair {verb} " in shown.output
    assert f"underair {verb}" in shown.output.split("Usage:", 1)[1].split("\n", 1)[1]


@pytest.mark.parametrize("verb", ["add", "password", "list", "end", "remove", "log"])
def test_help_of_accounts_shows_examples_too(verb: str) -> None:
    shown = CliRunner().invoke(root, ["account", verb, "--help"]).output
    assert f"  Example: underair account {verb} " in shown


def test_the_file_that_the_help_of_notes_shows_is_taken(tmp_path: Path) -> None:
    shown = CliRunner().invoke(root, ["notes", "--help"]).output
    told = shown.split("radio.csv such as\n")[1].split("and then:")[0]
    (tmp_path / "radio.csv").write_text(
        "".join(f"{line.strip()}\n" for line in told.splitlines() if line.strip())
    )
    archive = str(tmp_path / "archive")
    capture = Path(__file__).parents[1] / "sample_logs" / "late_turn_back.ndjson.gz"
    incident_id = "TH-20310504-1912"
    CliRunner().invoke(root, ["import", str(capture), "--archive", archive])
    call = ["notes", str(tmp_path / "radio.csv"), "--archive", archive, "--incident", incident_id]
    done = CliRunner().invoke(root, call)
    assert (done.exit_code, done.output) == (0, f"{tmp_path / 'radio.csv'}: 2 notes, 2 of them new\n")


def test_the_list_of_verbs_cuts_no_sentence() -> None:
    shown = CliRunner().invoke(root, ["--help"]).output.split("Commands:")[1]
    assert "..." not in shown
    assert all(f"\n  {verb} " in shown for verb in VERBS)


@pytest.mark.parametrize(
    ("typed", "hint"),
    [("repport", "did you mean report"), ("lisen", "did you mean listen"), ("xyz", "--help`")],
)
def test_a_mistyped_verb_is_answered_with_one_that_there_is(typed: str, hint: str) -> None:
    shown = CliRunner().invoke(root, [typed])
    assert shown.exit_code == 2
    assert f"there is no verb {typed!r}" in shown.output
    assert hint in shown.output


def test_bash_completes_verbs_options_and_values() -> None:
    def completed(typed: str) -> list[str]:
        asked = {
            "_UNDERAIR_COMPLETE": "bash_complete",
            "COMP_WORDS": typed,
            "COMP_CWORD": str(len(typed.split(" ")) - 1),
        }
        shown = CliRunner().invoke(root, prog_name="underair", env=asked)
        return [line.partition(",")[2] for line in shown.output.splitlines()]

    assert completed("underair re") == ["replay", "register", "retain", "report"]
    assert "--incident" in completed("underair report --inc")
    assert completed("underair report --units im") == ["imperial"]
    assert completed("underair report --profile th") == ["th", "thirds"]  # "th": the shell's own files too
    assert set(shipped_profiles()) < set(completed("underair serve --profile "))


@pytest.mark.parametrize(
    ("refused", "said"),
    [
        (OSError(errno.ENOSPC, "No space left on device"), "the disk is full: free space and run this again"),
        (
            OSError(errno.EACCES, "Permission denied", "a/b"),
            "not allowed at a/b (Permission denied): run this",
        ),
        (OSError(errno.EIO, "Input/output error", "a/b"), "Input/output error: a/b"),
    ],
)
def test_what_the_machine_refuses_is_a_sentence(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], refused: OSError, said: str
) -> None:
    def refuse(**_: object) -> None:
        raise refused

    monkeypatch.setattr(root, "main", refuse)
    with pytest.raises(SystemExit, match="1"):
        main(["tidy"])
    assert capsys.readouterr().err.startswith(f"underair: {said}")


def test_a_day_in_another_form_is_answered_in_words(tmp_path: Path) -> None:
    asked = ["audit", "--archive", str(tmp_path), "--out", "out", "--from", "04/05/2031"]
    shown = CliRunner().invoke(root, asked)
    assert shown.exit_code == 2
    assert "'04/05/2031' is not a day; expected YYYY-MM-DD, such as 2031-01-01" in shown.output


def test_a_file_of_accounts_that_is_not_there_is_named(tmp_path: Path) -> None:
    shown = CliRunner().invoke(root, ["account", "list", "--accounts", str(tmp_path / "none.json")])
    assert f"no account in {tmp_path / 'none.json'}: there is no such file" in shown.output
