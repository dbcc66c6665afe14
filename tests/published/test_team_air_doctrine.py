"""FwDV 7 (2002, changes 2005): way back, prompts, readiness.

Sources: FwDV 7, 7.4, read at a fire service's page (prompts at 1/3 and 2/3; mark V); 90 % readiness and
twice the air of the way in as restated by a lexicon of respiratory protection (mark V2, secondary source).
The rule "leave when p <= 2 x (p_start - p_objective)" is the reading of that text (mark C); one public page
prints a formula that contradicts its own text and is not followed.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from analysis.policies import double_return_bar
from analysis.profile import shipped_profile
from analysis.wears.turn_back import is_ready, prompt_times_s


def test_worked_example_12_way_back() -> None:
    factor = shipped_profile("double_return").turn_back.double_return.factor
    assert factor == 2.0
    assert double_return_bar(300.0, 250.0, factor) == 100.0


def test_worked_example_12_lowest_gauge_of_the_team_counts() -> None:
    gauges = (250.0, 262.0)
    leave = [double_return_bar(300.0, gauge) for gauge in gauges]
    assert max(leave) == double_return_bar(300.0, min(gauges)) == 100.0


def test_worked_example_14_prompts_at_a_third_and_two_thirds() -> None:
    connected = datetime(2031, 5, 4, 14, 2, tzinfo=UTC)
    prompts = [connected + timedelta(seconds=seconds) for seconds in prompt_times_s(30.0)]
    assert [f"{prompt:%H:%M:%S}" for prompt in prompts] == ["14:12:00", "14:22:00"]


@pytest.mark.parametrize(("start_bar", "ready"), [(269.0, False), (270.0, True)])
def test_worked_example_15_readiness(start_bar: float, ready: bool) -> None:
    part = shipped_profile("double_return").air.ready_fraction
    assert is_ready(start_bar, 300.0, part) is ready
