"""One order of settings for all verbs: command line, environment, file, default."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner

from dashboard import serving
from dashboard.underair import root
from ingest.broker.mqtt import PASSWORD_VARIABLE, USERNAME_VARIABLE
from ingest.contract.errors import BadSettings
from ingest.settings import load_login

LOG = Path(__file__).parents[1] / "sample_logs" / "late_turn_back.ndjson.gz"


@pytest.fixture
def served(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> dict[str, Any]:
    """Take what `serve` was called with, instead of serving."""
    taken: dict[str, Any] = {}
    monkeypatch.setattr(serving, "serve", lambda port, **_: taken.update(port=port))
    (tmp_path / "archive").mkdir()
    (tmp_path / "other").mkdir()
    (tmp_path / "settings.toml").write_text(
        f'name = "one"\n[options.serve]\narchive = "{tmp_path / "archive"}"\nport = 8061\npublic-url = "https://x.test"\n'
    )
    return taken


@pytest.mark.parametrize(
    ("line", "environment", "with_file", "port"),
    [
        (["--port", "8063"], {"UNDERAIR_SERVE_PORT": "8062"}, True, 8063),
        ([], {"UNDERAIR_SERVE_PORT": "8062"}, True, 8062),
        ([], {}, True, 8061),
        ([], {}, False, 8050),
    ],
    ids=["line", "environment", "file", "default"],
)
@pytest.mark.parametrize("named_by", ["option", "environment"])
def test_line_before_environment_before_file_before_default(
    served: dict[str, Any],
    tmp_path: Path,
    line: list[str],
    environment: dict[str, str],
    with_file: bool,
    port: int,
    named_by: str,
) -> None:
    command, variables = ["serve", *line], dict(environment)
    if not with_file:
        command += ["--archive", str(tmp_path / "archive")]
    elif named_by == "option":
        command += ["--config", str(tmp_path / "settings.toml")]
    else:
        variables["UNDERAIR_CONFIG"] = str(tmp_path / "settings.toml")
    done = CliRunner().invoke(root, command, env=variables)
    assert done.exit_code == 0, (done.output, done.exception)
    assert served == {"port": port}


def test_verbs_without_config_take_the_file_that_the_environment_names(tmp_path: Path) -> None:
    archive, out = tmp_path / "archive", tmp_path / "out"
    assert CliRunner().invoke(root, ["import", str(LOG), "--archive", str(archive)]).exit_code == 0
    (tmp_path / "settings.toml").write_text(
        f'[options.analyse]\narchive = "{archive}"\nformat = "csv"\n'
        '[options.account.list]\naccounts = "none.json"\n'
    )
    named = {"UNDERAIR_CONFIG": str(tmp_path / "settings.toml")}
    done = CliRunner().invoke(root, ["analyse", "--out", str(out)], env=named)
    assert done.exit_code == 0, (done.output, done.exception)
    assert (out / "wears.csv").exists()
    done = CliRunner().invoke(root, ["account", "list"], env=named)
    assert "no account in none.json" in done.output


def test_an_unknown_option_in_the_file_is_named(tmp_path: Path) -> None:
    (tmp_path / "settings.toml").write_text("[options.serve]\nprot = 8061\n")
    done = CliRunner().invoke(root, ["serve", "--config", str(tmp_path / "settings.toml")])
    assert isinstance(done.exception, BadSettings)
    assert "unknown option 'prot' (at $.options.serve.prot); there are: accounts, archive" in str(
        done.exception
    )


def test_the_environments_user_goes_before_the_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "password").write_text("of the file\n")
    (tmp_path / "settings.toml").write_text(
        f'[broker]\nusername = "file"\npassword_file = "{tmp_path / "password"}"\n'
    )
    login = load_login(tmp_path / "settings.toml")
    assert (login.username, login.password) == ("file", "of the file")
    monkeypatch.setenv(USERNAME_VARIABLE, "environment")
    monkeypatch.setenv(PASSWORD_VARIABLE, "of the environment")
    login = load_login(tmp_path / "settings.toml")
    assert (login.username, login.password) == ("environment", "of the environment")


def options_of_every_verb() -> list[tuple[str, click.Option, str]]:
    """Return each option that is typed in words, with its verb and its variable as the documents say."""
    found = []

    def walk(command: click.Command, names: list[str]) -> None:
        if isinstance(command, click.Group):
            for name in command.list_commands(click.Context(command)):
                below = command.get_command(click.Context(command), name)
                assert below is not None
                walk(below, [*names, name])
            return
        for option in command.params:
            typed = [each[2:] for each in option.opts if each.startswith("--")]
            if isinstance(option, click.Option) and typed and option.name != "config":
                variable = "_".join(["UNDERAIR", *names, typed[0]]).replace("-", "_").upper()
                found.append((" ".join(names), option, variable))

    walk(root, [])
    return found


def test_every_option_of_every_verb_is_read_from_the_variable_that_is_named_after_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """`--archive` of `serve` used to be UNDERAIR_SERVE_ARCHIVE_FOLDER, as its function calls it."""
    options = options_of_every_verb()
    assert len(options) > 100
    for verb, option, variable in options:
        context = click.Context(click.Command("verb"), auto_envvar_prefix=f"UNDERAIR_{verb}".upper())
        monkeypatch.setenv(variable, "1")
        assert option.resolve_envvar_value(context) is not None, f"{verb} {option.opts[-1]}: {variable}"
        monkeypatch.delenv(variable)


def test_archive_and_broker_come_from_the_environment(served: dict[str, Any], tmp_path: Path) -> None:
    variables = {"UNDERAIR_SERVE_ARCHIVE": str(tmp_path / "archive"), "UNDERAIR_SERVE_LOG": "json"}
    done = CliRunner().invoke(root, ["serve"], env=variables)
    assert done.exit_code == 0, (done.output, done.exception)
