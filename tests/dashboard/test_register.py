"""The exposure register keeps what `retain` drops; stations stay; one's own record names nobody else."""

from __future__ import annotations

import gzip
import json
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from click.testing import CliRunner

from analysis.profile import Profile
from analysis.trends.ledger import NOTED, WEARS
from analysis.trends.roster import roster_beside, with_station_and_role
from dashboard.access.log import access_table
from dashboard.privacy.register import LINES, PLACE, by_person, keep_before_dropping, keep_stations, update
from dashboard.privacy.wearer_record import without_others
from dashboard.trends.wear_ledger import WearLedger, bring_in, write_table
from dashboard.underair import root
from ingest.archive.folder import create_archive
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from ingest.contract.errors import ArchiveProblem
from ingest.contract.frames import frames_from_heard
from sample_logs.simulation.past_year import build_past_incident
from tests.analysis.conftest import OPENED, WrittenLog
from tests.dashboard.guarded_pages import GuardedPages
from tests.three_years import three_years

NOW = datetime(2031, 6, 1, tzinfo=UTC)
START = datetime(2030, 3, 1, 10, tzinfo=UTC)


def wears_of(*rows: dict[str, object]) -> pl.DataFrame:
    return pl.DataFrame(
        [{"wear_id": f"{n}", "started": START, **row} for n, row in enumerate(rows)], schema=WEARS
    )


def two_people() -> pl.DataFrame:
    usual = {"under_air_min": 20.0, "silent_min": 1.0, "hard_min": 5.0, "kind": "incident"}
    return wears_of(
        {**usual, "wearer_id": "W-01", "incident_id": "A", "heat_dose": 0.1},
        {**usual, "wearer_id": "W-01", "incident_id": "A", "heat_dose": 0.2},
        {**usual, "wearer_id": "W-02", "incident_id": "A"},
        {**usual, "wearer_id": "W-02", "incident_id": "B", "kind": "drill"},
        {**usual, "wearer_id": None, "incident_id": "B"},
    )


def test_the_register_sums_what_each_person_was_exposed_to(tmp_path: Path) -> None:
    table = by_person(update(tmp_path, two_people(), NOW, 40))
    assert table["wearer_id"].unique().sort().to_list() == ["W-01", "W-02"]
    one = table.row(by_predicate=(pl.col("wearer_id") == "W-01") & (pl.col("year") == "2030"), named=True)
    assert (one["wears"], one["incidents"], one["drills"]) == (2, 1, 0)
    assert one["heat_dose"] == pytest.approx(0.3)
    assert one["heard_part"] == pytest.approx(0.95)
    two = table.row(by_predicate=(pl.col("wearer_id") == "W-02") & (pl.col("year") == "all"), named=True)
    assert (two["incidents"], two["drills"]) == (1, 1)
    assert two["heat_dose"] is None  # nothing measured it: not 0


def test_a_silence_after_the_wear_is_no_part_of_it_and_shares_stay_shares(tmp_path: Path) -> None:
    """19.6 minutes under air and 400 of silence were a heard part of -19.4."""
    lines = wears_of(
        {"wearer_id": "W-1", "incident_id": "A", "under_air_min": 19.6, "silent_min": 400.0},
        {"wearer_id": "W-2", "incident_id": "A", "under_air_min": 20.0, "silent_min": 5.0, "hard_min": 0.0},
        {"wearer_id": "W-3", "incident_id": "A", "under_air_min": 0.0, "silent_min": 0.0},
    )
    found = by_person(update(tmp_path, lines, NOW, 40)).filter(pl.col("year") == "all").to_dicts()
    assert [one["heard_min"] for one in found] == pytest.approx([19.6, 15.0, 0.0])
    assert [one["heard_part"] for one in found] == [pytest.approx(19.6 / 419.6), pytest.approx(0.75), None]
    assert [one["silent_min"] for one in found] == [400.0, 5.0, 0.0]
    # Nothing measured how hard they worked, or the heat: unknown, not none.
    assert [one["hard_min"] for one in found] == [None, 0.0, None]
    assert {one["class_4_s"] for one in found} == {None}


def test_who_was_never_heard_is_in_the_register_and_leaves_when_heard_late(tmp_path: Path) -> None:
    """Three of five people were in it: the sets of two had said nothing, though a note said soot."""
    silent = {
        "wearer_id": "W-3",
        "incident_id": "A",
        "silent_min": 30.0,
        "contamination": "soot",
        "kind": "incident",
    }
    lines = wears_of({**silent, "wear_id": "S-3/-/1", "contaminated_min": 40.0})
    (one,) = by_person(update(tmp_path, lines, NOW, 40)).filter(pl.col("year") == "all").to_dicts()
    assert (one["wears"], one["never_heard"], one["contaminations"], one["contaminated_min"]) == (
        0,
        1,
        1,
        40.0,
    )
    assert (one["under_air_min"], one["heard_min"], one["heard_part"], one["silent_min"]) == (
        None,
        0.0,
        0.0,
        30.0,
    )
    late = wears_of({**silent, "under_air_min": 25.0, "entry_id": "A/W-3/1"})
    (one,) = by_person(update(tmp_path, late, NOW, 40)).filter(pl.col("year") == "all").to_dicts()
    assert (one["wears"], one["never_heard"]) == (1, 0)


def test_names_that_retain_drops_stay_in_the_register_until_its_own_time(tmp_path: Path) -> None:
    update(tmp_path, two_people(), NOW, 40)
    dropped = two_people().with_columns(wearer_id=pl.lit("gone-0123456789"))
    assert by_person(update(tmp_path, dropped, NOW, 40))["wearer_id"].unique().sort().to_list() == [
        "W-01",
        "W-02",
    ]
    late = NOW + timedelta(days=366 * 41)
    assert len(update(tmp_path, dropped, late, 40)) == 0


def test_a_wear_that_is_counted_again_is_counted_once(tmp_path: Path) -> None:
    update(tmp_path, two_people(), NOW, 40)
    again = two_people().with_columns(under_air_min=pl.lit(30.0))
    found = update(tmp_path, again, NOW, 40)
    assert len(found) == 4
    assert set(found["under_air_min"]) == {30.0}


def test_a_station_stays_known_for_the_incident_when_its_names_go(tmp_path: Path) -> None:
    """Comparisons over years used to lose every wear whose name was dropped."""
    (tmp_path / "roster.csv").write_text("wearer,station,role\nW-01,North,trainee\nW-02,South,\n")
    roster = roster_beside(tmp_path)
    wears = with_station_and_role(two_people(), roster)
    names = {
        ("A", "W-01"): "gone-aaaaaaaaaa",
        ("A", "W-02"): "gone-bbbbbbbbbb",
        ("B", "W-02"): "gone-cccccccccc",
    }
    assert keep_stations(tmp_path, wears, names) == 3
    assert keep_stations(tmp_path, wears, names) == 0  # a run that was broken off goes on
    after = two_people().with_columns(
        pl.struct("incident_id", "wearer_id")
        .map_elements(lambda one: names.get((one["incident_id"], one["wearer_id"])), return_dtype=pl.String)
        .alias("wearer_id")
    )
    kept = roster_beside(tmp_path)
    known = with_station_and_role(after, kept)
    assert known["station"].to_list() == wears["station"].to_list()
    assert known["role"].to_list() == wears["role"].to_list()


def test_the_station_of_who_was_never_heard_stays_known_too(tmp_path: Path) -> None:
    log = WrittenLog()
    log.desk().say(10, "tally", action="in", incident_id="I-1", set_id="S-1", wearer_id="W-1")
    seal_messages(create_archive(tmp_path / "archive"), log.frames(), "made")
    (tmp_path / "archive" / "roster.csv").write_text("wearer,station\nW-1,North\n")
    later = OPENED + timedelta(days=9)
    names = {("I-1", "W-1"): "gone-aaaaaaaaaa"}
    assert keep_before_dropping(tmp_path / "archive", Profile.default(), later, names) == 1


def station_role_kind(archive: Path) -> list[tuple[object, ...]]:
    """What comparisons over years need of each wear, by its start."""
    ledger = WearLedger(Archive(archive), Profile.default())
    ledger.update(datetime(2026, 1, 1, tzinfo=UTC))
    roster = roster_beside(archive)
    wears = with_station_and_role(ledger.tables()["wears"], roster)
    assert set(wears["kind"]) <= {"incident", "drill", "training"}
    return (
        wears.select("started", "set_id", "station", "role", "kind", "task").sort("started", "set_id").rows()
    )


def test_retain_keeps_the_stations(tmp_path: Path) -> None:
    then = datetime(2024, 5, 4, 19, tzinfo=UTC)
    archive = tmp_path / "archive"
    seal_messages(archive, frames_from_heard(build_past_incident(1, then).heard), "past")
    roster = "wearer,station,role\n" + "".join(
        f"W-{n:02d},North,commander\nW-{n:03d},North,trainee\n" for n in range(99)
    )
    (archive / "roster.csv").write_text(roster)
    (tmp_path / "p.toml").write_text(
        'name = "p"\ntitle = "t"\ndecides = "d"\n[retention]\nidentity_months = 1\n'
    )
    before = station_role_kind(archive)
    assert before
    done = CliRunner().invoke(
        root, ["retain", "--archive", str(archive), "--profile", str(tmp_path / "p.toml"), "--apply"]
    )
    assert station_role_kind(archive) == before
    assert done.exit_code == 0, (done.output, done.exception)
    ledger = WearLedger(Archive(archive), Profile.default())
    ledger.update(NOW)
    wears = ledger.tables()["wears"]
    register = update(archive, wears, NOW, 40)
    assert set(register["wearer_id"]) & {f"W-{n:02d}" for n in range(99)}
    for column in ("wear_id", "incident_id", "started", "under_air_min", "heat_dose"):
        assert wears.join(register, on=column).is_empty(), f"{column} leads back to a name"
    assert update(archive, wears, NOW, 40).equals(register)
    path = archive / PLACE
    assert (path.stat().st_mode & 0o777, path.parent.stat().st_mode & 0o777) == (0o600, 0o700)
    kept = (archive / "stations_kept.csv").read_text()
    assert kept.count("gone-") > 0
    assert "W-" not in kept
    assert ",North," in kept


def test_only_health_reads_the_register_and_every_look_is_logged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pages = GuardedPages(tmp_path, monkeypatch)
    ledger, _ = three_years(1, incidents_a_month=3.0)
    bring_in(pages.archive, "three-years", ledger)
    for role in ("review", "audit", "admin", "desk"):
        assert pages.client(role).get("/register.csv").status_code == 403
    for wearer in ("W-050", "W-050"):
        answer = pages.client("health").get(f"/register.csv?wearer={wearer}")
        assert answer.status_code == 200
        table = pl.read_csv(answer.data)
        assert set(table["wearer_id"]) == {"W-050"}
    looks = access_table(pages.archive).filter(pl.col("action") == "register")
    assert looks.filter(pl.col("outcome") == "done").height == 2
    assert all("W-050" in target for target in looks.filter(pl.col("outcome") == "done")["target"])


def test_the_page_shows_everybody_and_the_years_of_one_and_each_look_is_logged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pages = GuardedPages(tmp_path, monkeypatch)
    ledger, _ = three_years(1, incidents_a_month=3.0)
    bring_in(pages.archive, "three-years", ledger)
    health = pages.client("health")
    every = str(health.page("/register").get_json())
    assert "/register?wearer=W-050" in every
    assert "W-051" in every
    for _ in range(2):
        one = str(health.page("/register", "?wearer=W-050").get_json())
        assert "W-050, by year" in one
        assert "W-051" not in one
    looks = access_table(pages.archive).filter(pl.col("action") == "register")
    assert looks.filter(pl.col("outcome") == "done")["target"].to_list() == [
        "/register",
        "/register?wearer=W-050",
        "/register?wearer=W-050",
    ]
    for role in ("review", "audit", "admin", "desk"):
        assert "by year" not in str(pages.client(role).page("/register", "?wearer=W-050").data)


def test_the_verb_writes_the_register_and_notes_it(tmp_path: Path) -> None:
    ledger, _ = three_years(1, incidents_a_month=3.0)
    bring_in(tmp_path, "three-years", ledger)
    out = tmp_path / "register.csv"
    done = CliRunner().invoke(root, ["register", "--archive", str(tmp_path), "--out", str(out), "--json"])
    assert done.exit_code == 0, (done.output, done.exception)
    assert json.loads(done.stdout)["people"] == pl.read_csv(out)["wearer_id"].n_unique() > 50
    assert access_table(tmp_path).filter(pl.col("action") == "register").height == 1


def test_ones_own_record_has_conclusions_and_nobody_else(tmp_path: Path) -> None:
    """Notes and tables used to carry other people's pseudonyms."""
    then = datetime(2024, 5, 4, 19, tzinfo=UTC)
    archive = tmp_path / "archive"
    heard = build_past_incident(1, then).heard
    seal_messages(archive, frames_from_heard(heard), "past")
    tallies = [json.loads(one.payload) for one in heard if b'"wearer_id"' in one.payload]
    people = sorted({one["wearer_id"] for one in tallies if one.get("wearer_id")})
    assert len(people) > 1
    own, others = people[0], people[1:]
    done = CliRunner().invoke(
        root, ["wearer", own, "--archive", str(archive), "--out", str(tmp_path / "own")]
    )
    assert done.exit_code == 0, (done.output, done.exception)
    told = {
        path.name: path.read_text()
        for path in (tmp_path / "own").rglob("*")
        if path.suffix in (".csv", ".txt")
    }
    told["messages"] = gzip.decompress((tmp_path / "own" / "messages.ndjson.gz").read_bytes()).decode()
    assert {"exposure_register.csv", "concluded.csv", "ABOUT.txt"} <= set(told)
    for name, text in told.items():
        assert not [one for one in others if re.search(rf"(?<!\w){one}(?!\w)", text)], name
    assert own in told["exposure_register.csv"]
    assert "Purposes:" in told["ABOUT.txt"]
    assert without_others("W-08 and W-081, X-W-08", {"W-08"}) == "another person and W-081, X-W-08"
    # A name that begins as another does goes as a whole.
    assert without_others("W-1.5 follows W-1", {"W-1", "W-1.5"}) == "another person follows another person"


def test_contamination_is_in_the_register_and_unknown_minutes_are_no_zero(tmp_path: Path) -> None:
    wears = two_people().with_columns(
        contamination=pl.lit("soot"),
        contaminated_min=pl.when(pl.col("wear_id") == "0").then(25.0),
        decontaminated=pl.when(pl.col("wear_id") == "0").then(pl.lit("21:40")),
    )
    whole = by_person(update(tmp_path, wears, NOW, 40)).filter(pl.col("year") == "all")
    count = whole["wears"].sum()
    assert whole["contaminations"].sum() == count
    assert whole["not_decontaminated"].sum() == count - 1
    assert whole["contaminated_min"].to_list().count(25.0) == 1
    assert set(whole["contaminated_min"]) == {25.0, None}


def test_a_register_of_before_is_read_and_a_damaged_one_is_never_written_over(tmp_path: Path) -> None:
    earlier = [name for name in LINES if name not in NOTED]
    lines = update(tmp_path, two_people(), NOW, 40)
    write_table(lines.select(earlier), tmp_path / PLACE)
    assert update(tmp_path, two_people().clear(), NOW, 40)["wear_id"].to_list() == lines["wear_id"].to_list()
    damaged = (tmp_path / PLACE).read_bytes()[:-40]
    (tmp_path / PLACE).write_bytes(damaged)
    with pytest.raises(ArchiveProblem, match=r"cannot read the exposure register .* Restore it"):
        update(tmp_path, two_people(), NOW, 40)
    assert (tmp_path / PLACE).read_bytes() == damaged
