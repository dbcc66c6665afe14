"""A service learns its interval: archive, `learn`, profile, review, report, case, `verify --again`."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from analysis.air.forecast import SHIPPED
from analysis.profile import load_profile, parse_profile
from dashboard.evidence.case_check import verify_case
from dashboard.results_store import ResultsStore
from dashboard.review.view import Bench, request_of
from dashboard.underair import root
from ingest.archive.reading import Archive
from ingest.contract.captures import write_capture
from ingest.importing import import_capture
from sample_logs.simulation.wear import simulate_wear
from tests.analysis.conftest import WrittenLog

PEOPLE, WEARS_EACH, INCIDENT = 12, 2, "I-0504"
HEAD = 'name = "ours"\ntitle = "Ours"\ndecides = "Ours decides."\n'


def service_whose_work_gets_hard(people: int) -> WrittenLog:
    """Build wears that begin quietly and end as hard as few people work: what ships is caught out by them."""
    log = WrittenLog()
    desk = log.desk()
    desk.say(1, "incident", incident_id=INCIDENT, action="open")
    for number in range(people):
        who = {"incident_id": INCIDENT, "wearer_id": f"W-{number:02}", "set_id": f"S-{number:02}"}
        talker = log.talker(f"S-{number:02}")
        talker.set_up(2.0)
        at_s = 60.0 + 7.0 * number
        for wear in range(WEARS_EACH):
            rng = np.random.default_rng((number, wear))
            rate = np.full(3600, rng.uniform(30.0, 45.0))
            rate[int(rng.uniform(300.0, 500.0)) :] = rng.uniform(110.0, 140.0)
            worn = simulate_wear(rng, rate_l_min=rate, until_bar=45.0, reading_interval_s=5.0)
            desk.say(at_s - 5.0, "tally", action="in", **who)
            for back in (2.0, 1.0):
                talker.say(at_s - back, "pressure", pressure_bar=0.0)
            for time_s, bar in zip(worn.reading_time_s, worn.reading_bar, strict=True):
                talker.say(at_s + float(time_s), "pressure", pressure_bar=float(bar))
            ended_s = at_s + float(worn.reading_time_s[-1])
            for ahead in (5.0, 10.0):
                talker.say(ended_s + ahead, "pressure", pressure_bar=0.0)
            desk.say(ended_s + 20.0, "tally", action="out", **who)
            at_s = ended_s + 120.0
    return log


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("learnt")
    heard = [one for _, one in service_whose_work_gets_hard(PEOPLE).heard()]
    write_capture(folder / "log.ndjson.gz", heard)
    import_capture(folder / "log.ndjson.gz", folder / "archive")
    return folder / "archive"


@pytest.fixture(scope="module")
def profile(archive: Path) -> Path:
    """Learn from the archive and name the file in a profile beside it."""
    out = archive.parent / "forecast.json"
    done = CliRunner().invoke(root, ["learn", "--archive", str(archive), "--out", str(out)])
    assert done.exit_code == 0, done.output
    assert f"{PEOPLE * WEARS_EACH} wears of {PEOPLE} people, each person left out once" in done.output
    assert "can be used" in done.output
    path = archive.parent / "ours.toml"
    path.write_text(HEAD + '[forecast]\nlearnt = "forecast.json"\n')
    return path


def test_the_file_holds_constants_version_and_proof_on_people_left_out(profile: Path) -> None:
    learnt = json.loads((profile.parent / "forecast.json").read_text())
    assert (learnt["people"], learnt["wears"]) == (PEOPLE, PEOPLE * WEARS_EACH)
    assert learnt["version"].endswith(f"from {PEOPLE} people, {PEOPLE * WEARS_EACH} wears")
    own, _, shipped, _ = learnt["proof"]
    assert (own["interval"], shipped["interval"]) == ("learnt", SHIPPED.name)
    assert own["early"] < shipped["early"]
    assert own["winkler_min"] <= shipped["winkler_min"]
    assert load_profile(str(profile)).forecast.ends().early == tuple(learnt["early"])


def test_review_names_what_was_learnt_and_shows_the_wider_interval(archive: Path, profile: Path) -> None:
    learnt, shipped = (
        Bench(ResultsStore(Archive(archive), load_profile(name))).look(request_of({"incident": INCIDENT}))
        for name in (str(profile), "default")
    )
    assert learnt.setting.forecast == load_profile(str(profile)).forecast.version
    early = [look.record.results["air"]["low_air_lo_min"].drop_nulls().sum() for look in (learnt, shipped)]
    assert early[0] < early[1], "the early end comes sooner than the shipped one"


def test_a_case_holds_the_constants_and_is_made_again_with_them(
    archive: Path, profile: Path, tmp_path: Path
) -> None:
    given = ["--archive", str(archive), "--incident", INCIDENT, "--profile", str(profile)]
    out = tmp_path / "case"
    done = CliRunner().invoke(root, ["case", *given, "--out", str(out), "--why", "test"])
    assert done.exit_code == 0, done.output
    inside = parse_profile((out / "data" / "profile.toml").read_text(), "profile.toml")
    ours = load_profile(str(profile))
    assert inside.forecast == ours.forecast
    assert inside.forecast.learnt == "", "the case needs no file beside it"
    assert ours.forecast.version in (out / "data" / "report.html").read_text()
    # It is made again where the service's own file is not at hand.
    (profile.parent / "forecast.json").rename(profile.parent / "away.json")
    try:
        assert verify_case(out, again=True).faults == ()
    finally:
        (profile.parent / "away.json").rename(profile.parent / "forecast.json")
