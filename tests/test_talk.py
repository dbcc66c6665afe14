"""How much a verb says: `--json` for every answer, `--quiet` and `-v` on every verb."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from dashboard.underair import VERBS, root
from ingest.talk import is_quiet, with_talk_options

LOG = Path(__file__).parents[1] / "sample_logs" / "late_turn_back.ndjson.gz"
INCIDENT = "TH-20310504-1912"
# They run until they are stopped, or give no answer.
WITHOUT_ANSWER = {
    "demo",
    "listen",
    "serve",
    "account add",
    "account password",
    "account end",
    "account remove",
}
WITHOUT_ANSWER |= {"account token", "case note"}  # a token is printed bare, for a shell's variable


def every_verb() -> Iterator[tuple[str, click.Command]]:
    for name in VERBS:
        command = root.get_command(click.Context(root), name)
        assert command is not None
        if isinstance(command, click.Group):
            yield from ((f"{name} {below}", verb) for below, verb in command.commands.items())
        if not isinstance(command, click.Group) or command.invoke_without_command:
            yield name, command


@pytest.mark.parametrize(("name", "command"), [pytest.param(*one, id=one[0]) for one in every_verb()])
def test_every_verb_that_answers_answers_in_json_and_can_be_quiet(name: str, command: click.Command) -> None:
    options = {option for each in command.params for option in each.opts}
    assert ("--json" in options) != (name in WITHOUT_ANSWER)
    assert {"-q", "--quiet", "-v", "--verbose"} <= options


def test_quiet_prints_the_answer_only(tmp_path: Path) -> None:
    archive = str(tmp_path / "archive")
    assert CliRunner().invoke(root, ["import", str(LOG), "--archive", archive]).exit_code == 0
    told = CliRunner().invoke(root, ["register", "--archive", archive, "--out", str(tmp_path / "a.csv")])
    assert "it contains health data" in told.stderr
    quiet = CliRunner().invoke(
        root, ["register", "-q", "--archive", archive, "--out", str(tmp_path / "b.csv")]
    )
    assert (quiet.exit_code, quiet.stderr, quiet.stdout) == (0, "", "")
    wrong = CliRunner().invoke(root, ["incidents", "-q", "--archive", str(tmp_path / "none")])
    assert "there is no folder" in wrong.stderr


def test_verbose_shows_where_an_error_arose(tmp_path: Path) -> None:
    (tmp_path / "log.txt").touch()
    command = ["import", str(tmp_path / "log.txt"), "--archive", str(tmp_path / "archive")]
    assert "Traceback" not in CliRunner().invoke(root, command).stderr
    assert "Traceback" in CliRunner().invoke(root, [*command, "-v"]).stderr


def test_verbs_below_verbs_can_be_quiet_too() -> None:
    said: list[bool] = []
    below = click.Command("below", callback=lambda: said.append(is_quiet()))
    group = with_talk_options(click.Group("group", commands={"below": below}))
    for arguments in (["below"], ["below", "--quiet"], ["--quiet", "below"]):
        assert CliRunner().invoke(group, arguments).exit_code == 0
    assert said == [False, True, True]


def test_hold_notes_report_and_case_answer_in_json(tmp_path: Path) -> None:
    archive = str(tmp_path / "archive")
    assert CliRunner().invoke(root, ["import", str(LOG), "--archive", archive]).exit_code == 0
    (tmp_path / "radio.csv").write_text(
        "time,source,text,certainty\n2031-05-04 19:27:30,radio,Hose,recorded\n"
    )
    about = ["--archive", archive, "--incident", INCIDENT, "--json"]

    def answered(*arguments: str) -> dict[str, object]:
        done = CliRunner().invoke(root, [*arguments, *about])
        assert done.exit_code == 0, (done.output, done.exception)
        return dict(json.loads(done.stdout))

    assert answered("notes", str(tmp_path / "radio.csv")) == {"notes": 1, "new": 1}
    held = answered("hold", "--reason", "inquiry")
    assert list(held["holds"]) == [INCIDENT]  # type: ignore[call-overload]
    assert len(str(held["head"])) == 64
    report = answered("report", "--out", str(tmp_path / "a.html"))
    assert (report["file"], report["replaced"]) == (str(tmp_path / "a.html"), False)
    assert len(str(answered("case", "--out", str(tmp_path / "case"), "--why", "inquiry")["head"])) > 20
