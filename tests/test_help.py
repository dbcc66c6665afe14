"""Every verb's help stands by itself: what it does, and an example that can be typed."""

from __future__ import annotations

import pytest
from click.testing import CliRunner

from dashboard.underair import VERBS, root


@pytest.mark.parametrize("verb", VERBS)
def test_help_shows_an_example(verb: str) -> None:
    shown = CliRunner().invoke(root, [verb, "--help"])
    assert shown.exit_code == 0
    assert "Example" in shown.output or f"    underair {verb} " in shown.output
    assert f"underair {verb}" in shown.output.split("Usage:", 1)[1].split("\n", 1)[1]


def test_the_list_of_verbs_cuts_no_sentence() -> None:
    shown = CliRunner().invoke(root, ["--help"]).output.split("Commands:")[1]
    assert "..." not in shown
    assert all(f"\n  {verb} " in shown for verb in VERBS)
