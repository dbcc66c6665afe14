"""The pages for readers keep to what is there: links lead somewhere, quotes are said, examples load."""

from __future__ import annotations

import re
import shlex
import subprocess
from datetime import UTC, datetime
from pathlib import Path

import click
import pytest

from analysis.profile import load_profile
from dashboard.underair import VERBS, root
from ingest.contract.fields import fields_of
from ingest.contract.kinds import DESK_KINDS, SET_KINDS, Spoken
from ingest.contract.messages import decode

ROOT = Path(__file__).parent.parent
PAGES = sorted(
    ROOT / name
    for name in subprocess.run(
        ["git", "ls-files", "*.md"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.split()
)


def anchors_of(page: Path) -> set[str]:
    titles = re.findall(r"^#+ (.+)$", page.read_text(encoding="utf-8"), re.M)
    return {re.sub(r"[^\w\- ]", "", title.lower()).strip().replace(" ", "-") for title in titles}


def test_there_are_pages() -> None:
    names = {str(page.relative_to(ROOT)) for page in PAGES}
    assert {"README.md", "DEVELOPERS.md", "ingest/docs/for_makers.md", "analysis/docs/method.md"} <= names


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_links_lead_somewhere(page: Path) -> None:
    wrong = []
    for target in re.findall(r"\]\(([^)\s]+)\)", page.read_text(encoding="utf-8")):
        assert not target.startswith(("http:", "https:")), f"{page.name} leads outside: {target}"
        path, _, anchor = target.partition("#")
        there = (page.parent / path).resolve() if path else page
        if not there.exists() or (anchor and anchor not in anchors_of(there)):
            wrong.append(target)
    assert wrong == []


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_verbs_and_options_that_are_shown_exist(page: Path) -> None:
    wrong = []
    text = page.read_text(encoding="utf-8").replace("\\\n", " ")
    for line in re.findall(r"(?:^|[`/ ])underair ((?:[a-z-]+)(?: [^`\n]*)?)", text):
        words = re.split(r"\s+", line.split("#")[0].strip())
        if words[0] not in VERBS:
            continue  # prose
        command = root.get_command(click.Context(root), words[0])
        if isinstance(command, click.Group) and len(words) > 1 and words[1] in command.commands:
            command = command.commands[words[1]]
        assert command is not None
        known = {name for option in command.params for name in [*option.opts, *option.secondary_opts]}
        shown = {word for word in words if re.fullmatch(r"--[a-z-]+", word)}
        wrong += [f"underair {words[0]} {option}" for option in shown - known - {"--help"}]
    assert wrong == []


def test_sentences_quoted_in_the_troubleshooting_are_really_said() -> None:
    code = " ".join(
        re.sub(r"\"\s*\n\s*f?\"|\\\n", "", path.read_text(encoding="utf-8"))
        for package in ("ingest", "analysis", "dashboard")
        for path in [*(ROOT / package).rglob("*.py"), *(ROOT / package).rglob("words.toml")]
    )
    page = (ROOT / "dashboard/docs/troubleshooting.md").read_text(encoding="utf-8")
    first_cells = re.findall(r"^\| `([^|]+?)`[^|]*\|", page, re.M)
    assert len(first_cells) > 5
    parts = [
        part.strip(" ;,`")
        for cell in first_cells
        for part in re.split(r"…|\([^)]*\)|mqtt://", cell)
        if len(part.strip(" ;,`")) > 6
    ]
    assert [part for part in parts if part not in code] == []


def test_the_example_of_a_profile_loads(tmp_path: Path) -> None:
    page = (ROOT / "analysis/docs/profile.md").read_text(encoding="utf-8")
    (example,) = re.findall(r"```toml\n(.*?)```", page, re.S)
    file = tmp_path / "our-service.toml"
    file.write_text(example, encoding="utf-8")
    assert load_profile(file).name == "our-service"


def test_the_messages_shown_to_makers_keep_the_contract() -> None:
    page = (ROOT / "ingest/docs/for_makers.md").read_text(encoding="utf-8")
    (block,) = re.findall(r"```sh\n(S=underair.*?)```", page, re.S)
    settings = dict(each.split("=", 1) for each in block.split("\n", 1)[0].split("; "))
    assert settings["T"] == "$(date -u +%FT%TZ)"
    settings["T"] = datetime.now(UTC).strftime("%FT%TZ")
    commands = re.findall(r"mosquitto_pub (.*?')\n", block)
    assert len(commands) == 4
    for command in commands:
        for name, value in settings.items():
            command = command.replace(f"'${name}'", f"'{value}'").replace(f"${name}", value)
        words = shlex.split(command)
        decode(words[words.index("-t") + 1], words[words.index("-m") + 1].encode())


@pytest.mark.parametrize(("speaker", "kinds"), [("set", SET_KINDS), ("desk", DESK_KINDS)])
def test_makers_read_every_kind_with_every_field(speaker: str, kinds: tuple[str, ...]) -> None:
    page = (ROOT / "ingest/docs/for_makers.md").read_text(encoding="utf-8")
    table = page.split(f"## What a {speaker} says\n")[1].split("\n#")[0]
    rows = dict(re.findall(r"^\| `(\w+)` \| (.*?) \|", table, re.M))
    assert set(rows) == set(kinds)
    for kind, cell in rows.items():
        own = [
            field
            for field in fields_of(kind)
            if field.name not in (*Spoken.__struct_fields__, f"{speaker}_id")
        ]
        optional = set(re.findall(r"\\\[`(\w+)`", cell))
        assert optional == {field.name for field in own if not field.required}, kind
        plain = re.sub(r"\{.*?\}|: (?:`\w+` ?)+|\\\[.*?\\\]", "", cell)
        assert set(re.findall(r"`(\w+)`", plain)) == {field.name for field in own if field.required}, kind


def test_what_tries_the_readme_s_claims_is_there() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    named = re.findall(
        r"tests/[a-z_/]+(?:\.py)?", readme.split("Test each claim in the clone")[1].split("\n## ")[0]
    )
    assert len(named) >= 12
    assert [path for path in named if not (ROOT / path).exists()] == []


def test_every_finding_is_explained_and_nothing_else_is() -> None:
    page = (ROOT / "analysis/docs/findings.md").read_text(encoding="utf-8")
    explained = set(re.findall(r"^\| `([a-z_]+)` \|", page, re.M))
    code = "".join(path.read_text(encoding="utf-8") for path in (ROOT / "analysis/findings").glob("*.py"))
    chosen = r"(?:about_\w+|[Ff]inding)\(\s*\"([a-z_]+)\"(?: if [^,]+ else \"([a-z_]+)\")?"
    given = {name for pair in re.findall(chosen, code) for name in pair if name}
    assert len(given) > 30
    assert explained == given


def test_the_files_that_contributors_are_sent_to_exist() -> None:
    """Whoever adds something follows these lists alone: each file that they name must be there."""
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    steps = page.split("## Add something, step by step")[1].split("\n## ")[0]
    named = set(re.findall(r"`((?:ingest|analysis|dashboard|tests)/[a-z_/.]+(?:\.py|\.toml|/))`", steps))
    assert len(named) > 15
    assert [path for path in sorted(named) if not (ROOT / path).exists()] == []
    for name, file in (
        ("RULES", "analysis/findings/findings.py"),
        ("PLANTED", "tests/analysis/test_findings.py"),
        ("POLICY_TYPES", "analysis/policies.py"),
        ("LANES", "dashboard/review/figures.py"),
        ("READOUT", "dashboard/review/words.toml"),
        ("VERSION", "analysis/trends/ledger.py"),
        ("MEASURED", "analysis/trends/ledger.py"),
        ("AMOUNTS", "analysis/trends/measures.py"),
        ("LISTINGS", "dashboard/trends/words.toml"),
        ("PLOTS", "dashboard/trends/sentences.py"),
        ("READINGS", "dashboard/review/lanes.py"),
        ("NUMBERS", "analysis/records.py"),
        ("UCUM", "ingest/contract/units.py"),
        ("VERBS", "dashboard/underair.py"),
        ("ACKNOWLEDGED_BY_VOICE", "analysis/wears/calls.py"),
    ):
        assert f"`{name}`" in steps
        assert re.search(rf"^\[?{name}\b", (ROOT / file).read_text(encoding="utf-8"), re.M), (
            f"{name} in {file}"
        )
