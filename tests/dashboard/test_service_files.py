"""The container file and the systemd units fit the project: what they copy, install, call and ask exists."""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import subprocess
import sys
import tomllib
import zipfile
from dataclasses import dataclass, field
from pathlib import Path

import click
import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from dashboard.underair import root
from ingest.operations import Operations
from tests.conftest import free_port, wait_until

ROOT = Path(__file__).parents[2]
FILES = ROOT / "dashboard" / "service_files"
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
UNITS = sorted(FILES.glob("*.service"))


@dataclass
class Stage:
    """One stage of the container file: its base, and its instructions in their order."""

    base: str
    steps: list[tuple[str, str]] = field(default_factory=list)

    def of(self, name: str) -> list[str]:
        return [told for step, told in self.steps if step == name]


def stages() -> dict[str, Stage]:
    found: dict[str, Stage] = {}
    for line in (FILES / "Containerfile").read_text().splitlines():
        if not line or line.startswith("#"):
            continue
        step, told = line.split(" ", 1)
        if step == "FROM":
            base, _, name = told.partition(" AS ")
            found[name] = Stage(base)
        else:
            next(reversed(found.values())).steps.append((step, told))
    return found


STAGES = stages()
SERVICES = ("listen", "serve")


def environment_of(stage: Stage) -> dict[str, str]:
    return dict(each.split("=", 1) for told in stage.of("ENV") for each in told.split())


def words_of(path: Path, start: str) -> list[str]:
    """Return the commands of a file's lines that begin so."""
    return [line.split(start, 1)[1] for line in path.read_text().splitlines() if start in line]


def parsed(words: list[str]) -> click.Context:
    """Return what a verb makes of a command line, without running it."""
    verb = root.get_command(click.Context(root), words[0])
    assert verb is not None, words[0]
    return verb.make_context(words[0], words[1:], auto_envvar_prefix=f"UNDERAIR_{words[0].upper()}")


def test_what_is_copied_is_enough_to_build_the_package(tmp_path: Path) -> None:
    for told in STAGES["build"].of("COPY"):
        *sources, target = told.split()
        for source in sources:
            place = tmp_path / target.removeprefix("/")
            if (ROOT / source).is_dir():
                shutil.copytree(ROOT / source, place, ignore=shutil.ignore_patterns("__pycache__"))
            else:
                place.mkdir(parents=True, exist_ok=True)
                shutil.copy(ROOT / source, place)
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)],
        cwd=tmp_path / "source",
        check=True,
        capture_output=True,
        timeout=120,
    )
    (wheel,) = tmp_path.glob("*.whl")
    with zipfile.ZipFile(wheel) as packed:
        inside = set(packed.namelist())
    for package in ("ingest", "analysis", "dashboard"):
        listed = subprocess.run(["git", "ls-files", package], cwd=ROOT, capture_output=True, text=True)
        assert set(listed.stdout.split("\n")) - {""} <= inside


def test_the_install_step_names_extras_and_constraints_that_exist() -> None:
    (install,) = STAGES["build"].of("RUN")
    (extras,) = re.findall(r"'/source\[(.+)\]'", install)
    assert set(extras.split(",")) <= set(PROJECT["optional-dependencies"])
    (constraints,) = re.findall(r"-c /source/(\S+)", install)
    lines = (ROOT / constraints).read_text().splitlines()
    pinned = {
        canonicalize_name(one.name)
        for one in (Requirement(line) for line in lines if not line.startswith("#"))
        if one.marker is None or one.marker.evaluate({"python_full_version": f"{python_of('build')}.0"})
    }
    wanted = [*PROJECT["dependencies"]]
    wanted += [line for extra in extras.split(",") for line in PROJECT["optional-dependencies"][extra]]
    names = {canonicalize_name(Requirement(line).name) for line in wanted} - {"underair"}
    assert names <= pinned


def python_of(stage: str) -> str:
    (found,) = re.findall(r"^python:(\d+\.\d+)-slim$", STAGES[stage].base)
    return str(found)


def test_both_stages_have_one_python_that_the_project_allows() -> None:
    assert python_of("build") == python_of("installed")
    assert f"{python_of('build')}.0" in Requirement(f"python{PROJECT['requires-python']}").specifier
    (copied,) = STAGES["installed"].of("COPY")
    assert copied == "--from=build /opt/underair /opt/underair"
    assert environment_of(STAGES["installed"])["PATH"].startswith("/opt/underair/bin:")
    assert STAGES["installed"].of("ENTRYPOINT") == ['["underair"]']
    assert "underair" in PROJECT["scripts"]


def test_nothing_runs_as_root_and_everything_kept_is_in_the_volume() -> None:
    installed = STAGES["installed"]
    (user,) = installed.of("USER")
    (volume,) = installed.of("VOLUME")
    assert installed.of("RUN") == [f"useradd --system --home-dir {volume} --create-home {user}"]
    for name in SERVICES:
        assert STAGES[name].base == "installed"
        assert not STAGES[name].of("USER")
        archive = environment_of(STAGES[name])[f"UNDERAIR_{name.upper()}_ARCHIVE"]
        assert archive.startswith(f"{volume}/")


@pytest.mark.parametrize("name", SERVICES)
def test_a_service_takes_the_settings_of_its_image(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stage = STAGES[name]
    (command,) = stage.of("CMD")
    for variable, value in environment_of(stage).items():
        assert variable.startswith(f"UNDERAIR_{name.upper()}_")
        monkeypatch.setenv(variable, value.replace("/var/lib/underair/archive", str(tmp_path)))
    monkeypatch.setenv("UNDERAIR_LISTEN_BROKER", "mqtt://broker.air.example")
    taken = parsed(json.loads(command))
    by_environment = {
        one.name
        for one in taken.command.params
        if one.name and taken.get_parameter_source(one.name) is click.core.ParameterSource.ENVIRONMENT
    }
    assert len(by_environment - {"broker"}) == len(environment_of(stage))


@pytest.mark.parametrize("line", words_of(FILES / "Containerfile", " underair-"))
def test_the_examples_name_images_and_verbs_that_exist(line: str, monkeypatch: pytest.MonkeyPatch) -> None:
    image, *words = shlex.split(line)
    assert image in SERVICES
    monkeypatch.setenv(f"UNDERAIR_{image.upper()}_ARCHIVE", "archive")
    if words and not words[0].startswith("--"):
        parsed(words)


def health_check(name: str, port: str) -> list[str]:
    """Return an image's own check, asking another port."""
    (check,) = STAGES[name].of("HEALTHCHECK")
    program, *words = json.loads(check.split("CMD ", 1)[1])
    assert program == "python"
    own = environment_of(STAGES[name])[f"UNDERAIR_{name.upper()}_METRICS"]
    assert f"'127.0.0.1', {own}," in words[-1]
    return [sys.executable, *words[:-1], words[-1].replace(own, port)]


def is_healthy(name: str, port: str) -> bool:
    return subprocess.run(health_check(name, port), capture_output=True, check=False).returncode == 0


@pytest.mark.parametrize("name", SERVICES)
def test_the_health_check_hears_a_service_and_that_it_ended(name: str, tmp_path: Path) -> None:
    """Runs the service with its image's settings, on a free port and in another folder."""
    port = str(free_port())
    archive = tmp_path / "archive"
    archive.mkdir()
    verb = f"UNDERAIR_{name.upper()}"
    settings = environment_of(STAGES[name]) | {f"{verb}_METRICS": port, f"{verb}_ARCHIVE": str(archive)}
    settings |= {"UNDERAIR_LISTEN_BROKER": "mqtt://127.0.0.1:9", "UNDERAIR_SERVE_PORT": "0"}
    (command,) = STAGES[name].of("CMD")
    with subprocess.Popen(
        [Path(sys.executable).with_name("underair"), *json.loads(command)],
        env={**os.environ, **settings},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    ) as service:
        try:
            wait_until(lambda: is_healthy(name, port))
        finally:
            service.terminate()
            service.wait(timeout=60)
    assert not is_healthy(name, port)


@pytest.mark.parametrize("name", SERVICES)
def test_the_health_check_fails_when_a_service_says_that_it_is_not_alive(name: str) -> None:
    reasons = [""]
    with Operations("0", tuple, lambda: reasons[0], lambda: "not ready") as operations:
        port = operations.url.rpartition(":")[2]
        assert is_healthy(name, port)
        reasons[0] = "the journal's thread has ended"
        assert not is_healthy(name, port)


@pytest.mark.parametrize("unit", UNITS, ids=[unit.stem for unit in UNITS])
def test_a_unit_starts_a_verb_with_options_that_it_has(unit: Path, tmp_path: Path) -> None:
    text = unit.read_text()
    (line,) = words_of(unit, "ExecStart=")
    program, *words = shlex.split(line)
    assert program == "/opt/underair/bin/underair"
    (tmp_path / "etc").mkdir()
    for name in ("listener.toml", "desk.toml", "profile.toml"):
        (tmp_path / "etc" / name).write_text("")
    (tmp_path / "archive").mkdir()
    here = {"/etc/underair/": f"{tmp_path}/etc/", "/var/lib/underair/": f"{tmp_path}/"}
    taken = parsed([re.sub("|".join(here), lambda found: here[found[0]], word) for word in words])
    writable = " ".join(words_of(unit, "ReadWritePaths=")).split()
    for word in words:
        if word.startswith(("/var/", "/etc/underair/accounts/")):
            assert any(Path(word).is_relative_to(place) for place in writable)
    assert taken.params["metrics"] in {"9310", "9311"}
    assert "Type=notify" in text


def ports_of_the_broker_example() -> dict[str, bool]:
    """Return whether each port of the shipped broker lets one user have several connections."""
    told: dict[str, bool] = {}
    for line in (ROOT / "ingest" / "broker_example" / "mosquitto.conf").read_text().splitlines():
        if line.startswith("listener "):
            told[line.split()[1]] = True
        if line == "use_username_as_clientid true":
            told[next(reversed(told))] = False
    return told


def test_each_command_of_the_documents_uses_the_port_of_the_broker_example_that_it_needs() -> None:
    """The listener's two connections used to end each other on the sets' port, every two seconds."""
    ports = ports_of_the_broker_example()
    pages = [*UNITS, *(ROOT / "dashboard" / "docs").glob("*.md"), *(ROOT / "ingest" / "docs").glob("*.md")]
    found = re.findall(
        r"underair (listen|leave|check-broker|replay|serve)\b[^\n]* mqtts://([\w.]+)(?::(\d+))?",
        "\n".join(page.read_text() for page in pages),
    )
    assert {verb for verb, _, _ in found} == {"listen", "leave", "check-broker", "replay", "serve"}
    for verb, host, port in found:
        assert ports[port or "8883"] == (verb != "serve"), verb
        assert (host == "localhost") == (verb != "serve"), verb
