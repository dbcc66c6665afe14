"""Profiles: what is shipped, what is refused, and that the shipped default documents every number."""

from __future__ import annotations

import re
import tomllib
from importlib import resources
from pathlib import Path
from typing import get_args

import msgspec
import pytest

from analysis.profile import (
    POLICIES,
    Policy,
    Profile,
    load_profile,
    parse_profile,
    shipped_profile,
    shipped_profiles,
)
from ingest.contract.errors import BadProfile

HEAD = 'name = "x"\ntitle = "x"\ndecides = "local procedure decides"\n'


def test_every_policy_is_shipped_with_its_sources() -> None:
    profiles = [shipped_profile(name) for name in shipped_profiles()]
    assert {profile.turn_back.policy for profile in profiles} == set(POLICIES)
    for profile in profiles:
        assert profile.sources, profile.name
        assert profile.decides.startswith("Local procedure decides."), profile.name


def test_shipped_name_is_the_file_name() -> None:
    assert [shipped_profile(name).name for name in shipped_profiles()] == list(shipped_profiles())


def test_default_file_documents_every_key_and_agrees_with_the_code() -> None:
    written = msgspec.to_builtins(Profile.default())
    bare = msgspec.to_builtins(parse_profile(HEAD, "bare"))
    for key in ("name", "title", "decides", "sources"):
        written.pop(key)
        bare.pop(key)
    assert written == bare
    text = resources.files("analysis").joinpath("profiles", "default.toml").read_text(encoding="utf-8")

    def paths(part: dict[str, object], above: str = "") -> set[str]:
        return {
            name
            for key, value in part.items()
            for name in (paths(value, f"{above}{key}.") if isinstance(value, dict) else {above + key})
        }

    def each_rest(found: set[str]) -> set[str]:  # a rule of rest leaves out what it does not ask for
        return {re.sub(r"^rest\.\w+\.", "rest.*.", name) for name in found}

    assert each_rest(paths(tomllib.loads(text))) >= each_rest(paths(written))


def test_document_and_default_file_name_every_policy_and_profile() -> None:
    """A policy or profile that they leave out is one that nobody finds."""
    document = resources.files("analysis").joinpath("docs", "profile.md").read_text(encoding="utf-8")
    assert f"`expected one of {', '.join(POLICIES)}, got" in document
    (shipped,) = re.findall(r"Name a shipped profile instead of a file:\s+([^.]*)\.", document)
    assert set(re.findall(r"`(\w+)`", shipped)) == set(shipped_profiles()) - {"default"}
    text = resources.files("analysis").joinpath("profiles", "default.toml").read_text(encoding="utf-8")
    assert f"# {' | '.join(POLICIES)};" in text
    assert set(get_args(Policy)) == set(POLICIES)
    assert {part for part in Profile.default().turn_back.__struct_fields__ if part in POLICIES} == set(
        POLICIES
    )
    method = resources.files("analysis").joinpath("docs", "method.md").read_text(encoding="utf-8")
    assert [name for name in POLICIES if f"  - `{name}`: " not in method] == []


def test_every_number_in_the_default_says_where_it_comes_from() -> None:
    text = resources.files("analysis").joinpath("profiles", "default.toml").read_text(encoding="utf-8")
    for line in re.findall(r"^\w+ = [-0-9.].*$", text, flags=re.MULTILINE):
        assert "#" in line, f"no source or reason beside: {line}"


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("[air]\nready_fraction = 1.4", r"expected a number <= 1.0, got 1.4 \(at \$.air.ready_fraction\)"),
        ("[air]\nready = 1", r"unknown key 'ready' \(at \$.air.ready\)"),
        (
            "[turn_back]\npolicy = 'thirds'",
            r"expected one of double_return, .*, got 'thirds' \(at \$.turn_back.policy",
        ),
        ("[heat]\nsensor_lag_s = 0", r"expected a number > 0.0 s, got 0 \(at \$.heat.sensor_lag_s\)"),
        ("[heat]\nsensor_lag_s = '60'", r"expected a number in s, got '60' \(at \$.heat.sensor_lag_s\)"),
        ("[air]\nlow_air_bar = nan", r"got nan \(at \$.air.low_air_bar\)"),
        ("[motion]\nno_motion_alarm_s = 5", r"must not be before .* \(20.0 s\), got 5.0 s"),
        ("[link]\nsilence_serious_s = 5", r"must not be shorter than .* \(60.0 s\), got 5.0 s"),
        ("[air", "is not TOML"),
    ],
)
def test_refused_profiles_say_where_and_what(text: str, sentence: str) -> None:
    with pytest.raises(BadProfile, match=sentence):
        parse_profile(HEAD + text, "service.toml")


def test_a_file_needs_only_what_differs(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(HEAD + "[air]\nlow_air_bar = 60", encoding="utf-8")
    profile = load_profile(path)
    assert profile.air.low_air_bar == 60
    assert profile.air.ready_fraction == 0.9


def test_missing_file_names_the_shipped_profiles(tmp_path: Path) -> None:
    with pytest.raises(BadProfile, match="shipped profiles are default, double_return"):
        load_profile(tmp_path / "none.toml")
