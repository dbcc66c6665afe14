"""`underair learn`: refused below what is needed, each person left out once, adopted only when better."""

import json
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from click.testing import CliRunner

from analysis.air import learning
from analysis.air.forecast import SHIPPED
from analysis.air.learning import (
    Forecasts,
    NotEnough,
    forecasts_of_results,
    learn_interval,
    learnt_bytes,
    read_learnt,
)
from analysis.profile import load_profile, parse_profile
from dashboard.underair import root
from ingest.contract.errors import BadProfile

HEAD = 'name = "ours"\ntitle = "Ours"\ndecides = "Ours decides."\n'
MADE = "2031-05-04T10:00:00Z"


@pytest.fixture(autouse=True)
def without_simulated_wears(monkeypatch: pytest.MonkeyPatch) -> None:
    """What they add is measured by the benchmark; they take seconds."""
    monkeypatch.setattr(learning, "simulated_lots", list)


def wears_of(people: int, ends: float, l_min: float = 70.0, each: int = 4) -> list[Forecasts]:
    """Wears whose truths lie about `ends` times what was said."""
    rng = np.random.default_rng(people)
    rows = []
    for wear in range(people * each):
        size = 60
        said = np.linspace(30.0, 2.0, size)
        happened = said * ends * rng.lognormal(0.0, 0.25) * rng.lognormal(0.0, 0.05, size)
        fixed = [np.full(size, value) for value in (60.0, 80.0, 40.0)]
        number, person = np.full(size, wear), np.full(size, wear % people)
        rows.append(
            Forecasts(
                said, *fixed, np.linspace(3.0, 30.0, size), happened, number, person, np.full(size, l_min)
            )
        )
    return rows


def test_too_few_people_or_nobody_working_hard_teach_nothing() -> None:
    with pytest.raises(NotEnough, match=r"at least 10 wearers .* there are 9"):
        learn_interval(wears_of(9, 1.0), SHIPPED, MADE)
    with pytest.raises(NotEnough, match=r"nobody breathed more than 60 L/min over a wear .*50"):
        learn_interval(wears_of(12, 1.0, l_min=50.0), SHIPPED, MADE)


def test_a_service_whose_warnings_come_early_gets_a_wider_interval(tmp_path: Path) -> None:
    learnt = learn_interval(wears_of(14, 0.45), SHIPPED, MADE)
    own, _, in_force, _ = learnt.proof
    assert (learnt.people, learnt.wears, own.wears) == (14, 56, 56)
    assert own.early < 0.12 < 0.5 < in_force.early
    assert learnt.adopted
    assert learnt.version == "learnt 2031-05-04 from 14 people, 56 wears"
    (tmp_path / "forecast.json").write_bytes(learnt_bytes(learnt))
    assert read_learnt(tmp_path / "forecast.json") == learnt
    (tmp_path / "ours.toml").write_text(HEAD + '[forecast]\nlearnt = "forecast.json"\n')
    profile = load_profile(tmp_path / "ours.toml")
    assert profile.forecast.ends() == learnt.ends()
    assert profile.forecast.version == learnt.version
    assert profile.forecast.learnt == "", "the profile is whole by itself"


def test_what_is_no_better_is_written_but_no_profile_takes_it(tmp_path: Path) -> None:
    learnt = learn_interval(wears_of(14, 1.7), SHIPPED, MADE)
    # What ships is never early on these, so nothing can be better.
    assert learnt.proof[2].early == 0.0
    assert not learnt.adopted
    (tmp_path / "forecast.json").write_bytes(learnt_bytes(learnt))
    (tmp_path / "ours.toml").write_text(HEAD + '[forecast]\nlearnt = "forecast.json"\n')
    with pytest.raises(BadProfile, match=r"was not adopted.*forecast.learnt"):
        load_profile(tmp_path / "ours.toml")


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (None, "cannot read"),
        ("{}", "not a file written by `underair learn`"),
        (json.dumps({"format": 1, "version": "x"}), "not a file written by `underair learn`"),
    ],
)
def test_a_profile_says_what_is_wrong_with_the_file_that_it_names(
    text: str | None, sentence: str, tmp_path: Path
) -> None:
    if text is not None:
        (tmp_path / "forecast.json").write_text(text)
    (tmp_path / "ours.toml").write_text(HEAD + '[forecast]\nlearnt = "forecast.json"\n')
    with pytest.raises(BadProfile, match=sentence):
        load_profile(tmp_path / "ours.toml")


def test_only_known_wearers_who_reached_the_warning_are_learnt_from() -> None:
    start = pl.datetime(2031, 5, 4, 10)
    wears = pl.select(
        wear_id=pl.Series(["a", "b", "c"]),
        wearer_id=pl.Series(["W-1", None, "W-2"]),
        mean_l_min=pl.Series([56.0, 56.0, 36.0]),
        started=start,
        low_air_at=pl.when(pl.Series([True, True, False])).then(start + pl.duration(seconds=1500)),
    )
    seconds = np.arange(1600.0)
    said = np.maximum(1500.0 - seconds, 1.0) / 60.0
    air = pl.concat(
        pl.DataFrame(
            {
                "wear_id": [name] * seconds.size,
                "time": seconds,
                "low_air_min": said,
                "hardest_l_min": np.full(seconds.size, 60.0),
                "easiest_l_min": np.full(seconds.size, 40.0),
                "low_air_hardest_min": 0.8 * said,
                "rate_l_min": np.full(seconds.size, 50.0),
            }
        )
        for name in "abc"
    )
    people: dict[str, int] = {}
    (rows,) = forecasts_of_results({"wears": wears, "air": air}, people, 7)
    assert people == {"W-1": 0}
    assert set(rows.wear) == {7}
    assert rows.expected_l_min == pytest.approx(48.0)
    assert rows.happened_min == pytest.approx(rows.said_min)


def test_the_verb_says_why_it_learns_nothing(tmp_path: Path) -> None:
    capture = Path(__file__).parents[2] / "sample_logs" / "late_turn_back.ndjson.gz"
    archive = str(tmp_path / "archive")
    assert CliRunner().invoke(root, ["import", str(capture), "--archive", archive]).exit_code == 0
    out = tmp_path / "forecast.json"
    done = CliRunner().invoke(root, ["learn", "--archive", archive, "--out", str(out)])
    assert done.exit_code != 0
    assert "at least 10 wearers" in str(done.exception)
    assert not out.exists()


@pytest.mark.parametrize(
    "constants",
    [
        "early = [0.110, -0.221, 0.139, -0.182, -0.046, 0.029, 1.078, nan]",
        "early = [0.110, -0.221, 0.139, -0.182, -0.046, 0.029, inf, -0.092]",
        "early = [-50.0, 0, 0, 0, 0, 0, 0, 0]",
        "late = [nan, -0.265, 0.025, 0.363, -0.324, -0.452, -0.103]",
        "late = [-inf, -0.265, 0.025, 0.363, -0.324, -0.452, -0.103]",
    ],
)
def test_constants_that_take_an_end_of_the_interval_away_are_refused(constants: str) -> None:
    assert parse_profile(HEAD, "ours.toml").forecast.ends().has_early_end()
    with pytest.raises(BadProfile, match=r"must have an early end before it.*Remove both.*at \$\.forecast"):
        parse_profile(f"{HEAD}[forecast]\n{constants}\n", "ours.toml")
