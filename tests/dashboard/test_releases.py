"""The list of what was published: month after month, kept, chained, never of what is not known whole."""

from __future__ import annotations

import fcntl
import json
import threading
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

import msgspec
import polars as pl
import pytest
from click.testing import CliRunner

from analysis.profile import Profile
from analysis.trends.cells import Published
from analysis.trends.roster import with_station_and_role
from dashboard.context import PageContext
from dashboard.trends.export import published_now
from dashboard.trends.outside import published_html, published_periods, service_of
from dashboard.trends.releases import FILE_NAME, BadReleases, ReleaseLine, faults, publish, published, replace
from dashboard.trends.view import TrendsLook
from dashboard.underair import root
from ingest.archive.chained import with_own
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from ingest.contract.frames import frames_from_heard
from sample_logs.simulation.past_year import build_past_incident
from tests.three_years import three_years


@cache
def wears() -> pl.DataFrame:
    """Three years of wears of 2028 and later, with stations and roles."""
    ledger, roster = three_years(1, incidents_a_month=6.0)
    return with_station_and_role(ledger["wears"], roster)


def at(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def lines(archive: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in (archive / FILE_NAME).read_text().splitlines()]


def test_month_after_month_is_published_and_what_was_published_stays(tmp_path: Path) -> None:
    """The second monthly release used to be refused as overlapping the first."""
    first = publish(tmp_path, wears(), at("2029-04-10"))
    assert {"2029-03", "2029-Q1", "2028"} <= set(first)
    assert "2029-04" not in first
    count = len(lines(tmp_path))
    assert publish(tmp_path, wears(), at("2029-04-30")) == first
    assert len(lines(tmp_path)) == count
    second = publish(tmp_path, wears(), at("2029-05-01"))
    assert set(second) - set(first) == {"2029-04"}
    # A log that is brought in later changes the service's own tables, not what has left it.
    fewer = wears().filter(pl.col("started").dt.strftime("%Y-%m") != "2029-02")
    assert publish(tmp_path, fewer, at("2029-05-02")) == second
    assert faults(tmp_path) == (count + 1, [])


@pytest.mark.parametrize("rest", [0, -1])
def test_a_list_that_lost_lines_publishes_nothing_anew_without_a_reason(tmp_path: Path, rest: int) -> None:
    """From an empty list every period was published again, with the roster of that day: the difference of
    both versions gave one person's wears."""
    first = publish(tmp_path, wears(), at("2029-04-10"))
    list_file = tmp_path / FILE_NAME
    whole = list_file.read_bytes()
    list_file.write_bytes(b"".join(whole.splitlines(keepends=True)[:rest]))
    with pytest.raises(
        BadReleases, match=r"this machine published on 20.*line .* is missing.*backup"
    ) as told:
        publish(tmp_path, wears(), at("2029-04-11"))
    assert "audit --reason" in str(told.value)
    assert len(list_file.read_bytes().splitlines()) == len(whole.splitlines()[:rest])
    list_file.write_bytes(whole)
    assert publish(tmp_path, wears(), at("2029-04-11")) == first
    with pytest.raises(BadReleases, match="give a reason only with --replace, or if the list was lost"):
        publish(tmp_path, wears(), at("2029-05-11"), reason="why not", by="officer")
    list_file.unlink()
    publish(tmp_path, wears(), at("2029-04-11"), reason="the disk was lost", by="officer")
    assert {(line["reason"], line["by"]) for line in lines(tmp_path)} == {("the disk was lost", "officer")}
    publish(tmp_path, wears(), at("2029-05-11"))
    assert [line["reason"] for line in lines(tmp_path)][-1] == ""


def test_a_period_is_replaced_for_a_reason_and_both_versions_stay(tmp_path: Path) -> None:
    before = publish(tmp_path, wears(), at("2029-05-01"))["2029-04"]
    fewer = wears().filter(pl.col("started").dt.day() > 3)
    after = replace(tmp_path, fewer, "2029-04", "a log was counted twice", "officer", at("2029-06-01"))
    assert after != before
    assert published(tmp_path)["2029-04"] == after
    told = [line for line in lines(tmp_path) if line["published"]["period"] == "2029-04"]
    assert [line["reason"] for line in told] == ["", "a log was counted twice"]
    assert told[1]["by"] == "officer"
    assert faults(tmp_path)[1] == []
    with pytest.raises(BadReleases, match="2035-01 was never published"):
        replace(tmp_path, wears(), "2035-01", "no", "officer", at("2029-06-01"))
    with pytest.raises(BadReleases, match="2029-04 cannot be published again: no wear before its end"):
        replace(tmp_path, wears().clear(), "2029-04", "no", "officer", at("2029-06-01"))


def test_verify_finds_a_list_that_was_changed(tmp_path: Path) -> None:
    heard = build_past_incident(1, at("2029-05-01")).heard
    seal_messages(tmp_path, frames_from_heard(heard), "past")
    publish(tmp_path, wears(), at("2029-05-01"))
    whole = CliRunner().invoke(root, ["verify", str(tmp_path)])
    assert "releases: " in whole.stderr
    assert whole.exit_code == 0, whole.output
    path = tmp_path / FILE_NAME
    text = path.read_text().splitlines()
    altered = text[2].replace('"wears":', '"wears":1', 1)
    for instead, said in (
        ([altered], "does not follow from the line before"),
        ([], "does not follow from the line before"),
        (["no line"], "cannot be read"),
    ):
        path.write_text("\n".join([*text[:2], *instead, *text[3:]]) + "\n")
        broken = CliRunner().invoke(root, ["verify", str(tmp_path)])
        assert broken.exit_code == 1, instead
        assert said in broken.output


def test_a_line_that_forgets_the_one_before_it_is_found(tmp_path: Path) -> None:
    """Only lines of underair 0.3 name none before them; a published one that does hides one taken out."""
    publish(tmp_path, wears(), at("2029-05-01"))
    path = tmp_path / FILE_NAME
    text = path.read_bytes().splitlines()
    forged = with_own(msgspec.structs.replace(msgspec.json.decode(text[2], type=ReleaseLine), before=""))
    path.write_bytes(b"\n".join([text[0], msgspec.json.encode(forged)]) + b"\n")
    count, found = faults(tmp_path)
    assert count == 2
    assert len(found) == 1
    assert "line 2 does not follow from the line before" in found[0]


def test_a_list_of_an_earlier_version_is_kept_and_chained(tmp_path: Path) -> None:
    old = {"first": "2028-01-01", "last": "2028-12-31", "made": "2029-01-01T00:00:00Z", "figures": "ab"}
    (tmp_path / FILE_NAME).write_text(json.dumps(old) + "\n")
    publish(tmp_path, wears(), at("2029-05-01"))
    assert faults(tmp_path)[1] == []
    (tmp_path / FILE_NAME).write_text((tmp_path / FILE_NAME).read_text().replace('"ab"', '"ac"'))
    assert len(faults(tmp_path)[1]) == 1


def test_a_line_torn_by_a_power_cut_neither_stops_nor_spoils_the_list(tmp_path: Path) -> None:
    publish(tmp_path, wears(), at("2029-04-01"))
    with (tmp_path / FILE_NAME).open("ab") as file:
        file.write(b'{"made":"2029-05-01T')
    assert "2029-04" in publish(tmp_path, wears(), at("2029-05-01"))
    assert faults(tmp_path)[1] == []


def test_another_process_that_publishes_is_waited_for(tmp_path: Path) -> None:
    publish(tmp_path, wears(), at("2029-04-01"))
    count = len(lines(tmp_path))
    found: list[dict[str, Published]] = []
    with (tmp_path / FILE_NAME).open("ab") as other:
        fcntl.flock(other, fcntl.LOCK_EX)
        thread = threading.Thread(target=lambda: found.append(publish(tmp_path, wears(), at("2029-05-01"))))
        thread.start()
        thread.join(0.3)
        assert not found
    thread.join(60)
    assert len(found) == 1
    assert len(lines(tmp_path)) == count + 1


def test_a_list_that_is_none_is_said(tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).write_text("no list\n")
    with pytest.raises(BadReleases, match=r"cannot use .*releases\.ndjson, the list of what was published"):
        publish(tmp_path, wears(), at("2029-05-01"))


@pytest.mark.parametrize(
    "odd", [{"working": (1, 2)}, {"update_problem": "a fault"}, {"roster_problem": "a fault"}, {}]
)
def test_nothing_is_published_of_wears_that_are_not_known_whole(tmp_path: Path, odd: dict[str, Any]) -> None:
    context = PageContext(Archive(tmp_path), Profile.default())
    whole = {"roster_problem": "", "working": None, "version": 1}
    past = wears().with_columns(pl.col("started").dt.offset_by("-5y"))
    known = published_now(context, TrendsLook({"wears": past}, **(whole | odd)))
    assert bool(known) is (not odd)
    assert (tmp_path / FILE_NAME).exists() is (not odd)


def test_nothing_is_published_into_a_folder_that_is_not_there(tmp_path: Path) -> None:
    context = PageContext(Archive(tmp_path / "none"), Profile.default())
    look = TrendsLook({"wears": wears()}, roster_problem="", working=None, version=1)
    assert published_now(context, look) == {}


def test_too_few_people_are_said_and_not_counted(tmp_path: Path) -> None:
    few = wears().filter(pl.col("wearer_id").is_in([f"W-{n:03d}" for n in range(1, 8)]))
    known = publish(tmp_path, few, at("2029-05-01"))
    assert all(cell.wears is None for one in known.values() for cell in one.cells if cell.wears != 0)
    months = published_periods(known)
    month = next(m for m in reversed(months) if known[m].cells[0].wears is None)
    sheet = published_html(known, month, Profile.default(), at("2029-05-01"))
    assert f"Too few people were at work in {month} to publish it." in sheet


def between(first: str, last: str) -> pl.DataFrame:
    """The wears from one month to another, both included."""
    return wears().filter(pl.col("started").dt.strftime("%Y-%m").is_between(pl.lit(first), pl.lit(last)))


def test_a_period_without_a_message_is_not_published_and_stays_open(tmp_path: Path) -> None:
    """Empty months were published as 0 wears for good: captures that came later had no place."""
    early = pl.concat([between("2028-01", "2029-01"), between("2029-03", "2029-03")])
    first = publish(tmp_path, early, at("2029-09-10"))
    assert {"2029-01", "2029-03", "2029-Q1"} <= set(first)
    assert not {"2029-02", "2029-04", "2029-Q2", "2029-08"} & set(first)
    # What came late has its month and quarter, unless its quarter was published without it.
    late = pl.concat([between("2028-01", "2029-03"), between("2029-06", "2029-06")])
    second = publish(tmp_path, late, at("2029-09-11"))
    assert set(second) - set(first) == {"2029-06", "2029-Q2"}
    # Nor does it come out as what the year has more than its quarters.
    assert "2029" in publish(tmp_path, late, at("2030-01-02"))
    months = service_of(second, "month")
    assert [name for name, _ in months[-5:]] == ["2029-02", "2029-03", "2029-04", "2029-05", "2029-06"]
    assert [cell.wears is None for _, cell in months[-5:]] == [True, False, True, True, False]
    with pytest.raises(BadReleases, match="2029-02 was never published"):
        replace(tmp_path, late, "2029-02", "no", "officer", at("2030-02-01"))


def test_alarms_that_no_set_ever_raised_are_unknown_not_none(tmp_path: Path) -> None:
    """Sets without a motion sensor, or whose alarms nobody receives, had "0 to 2" for every month."""
    without = wears().with_columns(no_motion_alarms=pl.lit(0), distress_alarms=pl.lit(0))
    known = publish(tmp_path, without.filter(pl.col("started") < at("2028-04-01")), at("2028-04-02"))
    cell = known["2028-03"].cells[0]
    assert set(cell.events) == {"low_air_exits", "silent_wears"}


def test_a_late_capture_does_not_stop_what_is_published_later(tmp_path: Path) -> None:
    """A quarter had more alarms than its months may have had, so nothing more was ever published."""
    publish(tmp_path, wears().filter(pl.col("started") < at("2028-03-01")), at("2028-03-02"))
    flood = wears().with_columns(
        distress_alarms=pl.when(pl.col("started") < at("2028-03-01")).then(3).otherwise("distress_alarms")
    )
    assert "2028-Q1" in publish(tmp_path, flood, at("2028-04-02"))
    assert "2028" in publish(tmp_path, flood, at("2029-01-02"))
