"""Files that are no files, TOML that is nested or huge: each gets a sentence."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from analysis.profile import BadProfile, parse_profile
from analysis.trends.roster import BadRoster, load_roster
from dashboard.underair import main
from ingest.contract.captures import Heard
from ingest.contract.errors import BadSettings, UnderairError
from ingest.memory import EXAMPLE, load_mapping
from ingest.settings import load_settings
from ingest.toml_faults import LARGEST_CHARACTERS

Pressure = Callable[..., Heard]
NESTED = "a = " + "[" * 20_000 + "]" * 20_000
DEEP_KEY = "[seal]\nrows" + ".a" * 3000 + " = 1"
HUGE = "# " + "x" * LARGEST_CHARACTERS


def _profile(path: Path) -> object:
    return parse_profile(path.read_text(), path.name)


@pytest.mark.parametrize(
    ("load", "error"),
    [
        (load_settings, BadSettings),
        (load_mapping, BadSettings),
        (_profile, BadProfile),
        (load_roster, BadRoster),
    ],
)
@pytest.mark.parametrize(
    ("text", "said"),
    [(NESTED, "nested too deep"), (HUGE, "characters, at most 1,000,000 are read"), (DEEP_KEY, "")],
    ids=["nested", "huge", "deep key"],
)
def test_nested_or_huge_toml_is_refused_in_a_sentence(
    tmp_path: Path, load: Callable[[Path], object], error: type[UnderairError], text: str, said: str
) -> None:
    path = tmp_path / "odd.toml"
    path.write_text(text)
    with pytest.raises(error) as refused:
        load(path)
    assert said in str(refused.value)
    assert len(str(refused.value)) < 600


@pytest.mark.parametrize("more", [[], ["--mapping", str(EXAMPLE)]], ids=["capture", "memory"])
def test_named_pipe_is_not_waited_for(
    tmp_path: Path, more: list[str], capfd: pytest.CaptureFixture[str]
) -> None:
    pipe = tmp_path / ("pipe.csv" if more else "pipe.ndjson")
    os.mkfifo(pipe)
    with pytest.raises(SystemExit) as ended:
        main(["import", str(pipe), "--archive", str(tmp_path / "archive"), *more])
    assert ended.value.code == 1
    assert "is a named pipe; write what it gives into a file first" in capfd.readouterr().err
