"""Findings in a reader's units and on a reader's clock: one of each in every sentence."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path

import pytest

from analysis.incident import analyse
from analysis.profile import Profile
from dashboard.review.clock import UTC_CLOCK, Clock
from dashboard.review.setting import reworded
from dashboard.units import IMPERIAL, METRIC
from ingest.contract.captures import read_capture
from ingest.contract.frames import frames_from_heard

SAMPLES = Path(__file__).parents[2] / "sample_logs"
NEAR = datetime(2031, 5, 4, 23, 50, tzinfo=UTC)


def test_times_are_moved_and_have_their_date_on_another_day_of_the_clock() -> None:
    said = "Not heard from 23:58:09 UTC (247 bar) to 2031-05-05 00:01:10 UTC (224 bar); lost: 399 messages."
    shown = reworded(said, NEAR, METRIC, Clock("Europe/Berlin"))
    assert shown == "Not heard from 01:58:09 (247 bar) to 02:01:10 (224 bar); lost: 399 messages."
    in_new_york = reworded(said, datetime(2031, 5, 4, 1, tzinfo=UTC), METRIC, Clock("America/New_York"))
    assert "from 05-04 19:58:09 (247 bar) to 05-04 20:01:10" in in_new_york
    dated = reworded(said, NEAR, METRIC, Clock(dated=True))
    assert "from 05-04 23:58:09 (247 bar) to 05-05 00:01:10" in dated
    assert reworded(said, NEAR, METRIC, UTC_CLOCK) == said


def test_no_day_is_guessed_from_a_bare_time() -> None:
    said = "Desk D-9 corrected a tally at 2031-05-07 09:00:00 UTC: W3 in at 00:05:00 UTC became W9."
    shown = reworded(said, NEAR, METRIC, Clock(dated=True))
    assert shown == "Desk D-9 corrected a tally at 05-07 09:00:00: W3 in at 05-04 00:05:00 became W9."
    no_such_day = "the desk wrote “back at 2031-02-30 09:00:00 UTC”"
    assert reworded(no_such_day, NEAR, METRIC, Clock("Europe/Berlin")) == no_such_day


@pytest.mark.parametrize(
    ("said", "shown"),
    [  # NIST SP 811, Appendix B: 1 bar = 14.5038 psi, 1 L = 0.0353147 ft3; C to F: 1.8 t + 32
        ("from 70 to 333 °C, by up to 632 K/min", "from 158 to 631 °F, by up to 1138 °F/min"),
        ("25 reading(s) (-60 to -5 °C)", "25 reading(s) (-76 to 23 °F)"),
        ("88 % of the rated 300 bar", "88 % of the rated 4,351 psi"),
        ("(129, 21, ... bar) jumped", "(1,871, 305, ... psi) jumped"),
        ("more than 150 L/min (highest 284 L/min)", "more than 5.30 ft³/min (highest 10.03 ft³/min)"),
        ("a cylinder of 6.8 L at 300 bar", "a cylinder of 0.2 ft³ at 4,351 psi"),
    ],
)
def test_quantities_are_converted_where_they_are(said: str, shown: str) -> None:
    assert reworded(said, NEAR, IMPERIAL, UTC_CLOCK) == shown


@pytest.mark.parametrize(
    "sample", ["cooperage_fire.ndjson.gz", "radio_drill.ndjson.zst", "clock_drill.ndjson.gz"]
)
def test_no_finding_keeps_a_second_clock_or_a_second_system(sample: str) -> None:
    findings = analyse(frames_from_heard(read_capture(SAMPLES / sample)), Profile.default())["findings"]
    assert len(findings)
    for row in findings.iter_rows(named=True):
        shown = reworded(row["statement"], row["started"], IMPERIAL, Clock("America/St_Johns"))
        assert not re.search(r"\d (bar|°C|K/min|L/min|L)\b|UTC", shown), shown
