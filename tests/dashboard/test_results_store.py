"""Incidents and periods of an archive: found, kept apart, analysed once."""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from analysis.incident import Analysed, analysed
from analysis.profile import Profile
from analysis.tables import TABLES, Results
from dashboard import results_store
from dashboard.pages.review import incident_listing
from dashboard.results_store import MOST_RECORDS, PieceProblem, ResultsStore, UnknownIncident
from ingest.archive.reading import Archive
from ingest.contract.errors import ArchiveProblem
from ingest.contract.frames import Messages, concat
from tests.analysis.conftest import WrittenLog
from tests.dashboard.invented_incident import (
    INCIDENT,
    OPENED,
    Incident,
    archive_with,
    as_analysed,
    at,
    store_with,
)


def test_an_incident_has_its_line_its_results_and_its_messages(tmp_path: Path) -> None:
    store = store_with(Incident(wearers=3, minutes=25), tmp_path)
    (row,) = store.incidents().to_dicts()
    assert (row["key"], row["name"], row["place"]) == (INCIDENT, "Cooperage", "Fellmire Quay")
    assert (row["wears"], row["wearers"], row["alarms"], row["serious"], row["cautions"]) == (3, 3, 2, 1, 1)
    assert row["started"] == OPENED - timedelta(seconds=60 - 0.05)
    record = store.incident(INCIDENT)
    assert set(record.results) == set(TABLES)
    assert "at" in record.messages["pressure"].columns
    assert store.wears()["incident_key"].unique().to_list() == [INCIDENT]


def test_a_note_keeps_the_moment_that_it_is_about(tmp_path: Path) -> None:
    note = store_with(Incident(2, 20), tmp_path).incident(INCIDENT).messages["note"].sort("at")
    late = note.filter(pl.col("text") == "Water on").row(0, named=True)
    assert late["about"] == at(240)
    assert abs((late["at"] - at(300.05)).total_seconds()) < 0.1


def test_an_unknown_incident_is_an_error_that_names_those_known(tmp_path: Path) -> None:
    with pytest.raises(UnknownIncident, match=INCIDENT):
        store_with(Incident(1, 1), tmp_path).incident("I-9999")


def test_an_empty_archive_has_no_incident_and_no_wear(tmp_path: Path) -> None:
    store = ResultsStore(Archive(tmp_path / "not there yet"), Profile.default())
    assert store.incidents().is_empty()
    assert store.wears().is_empty()


def again_later(messages: Messages, by: timedelta, power_up: int = 1) -> Messages:
    """The same from another power-up, so much later; blanks make its payloads others.

    Without the desk's words of the incident: it would go on over the silence, and nothing be cut.
    """

    def moved(frame: pl.DataFrame) -> pl.DataFrame:
        return frame.with_columns(
            *(pl.col(name) + by for name in ("received", "time", "at") if name in frame.columns),
            pl.col("boot") + power_up,
            pl.col("payload") + " " * power_up,
        )

    later = {kind: moved(frame) if "boot" in frame.columns else frame for kind, frame in messages.items()}
    return {**later, **{kind: later[kind].clear() for kind in ("incident", "tally", "note")}}


def results_for(incident: Incident, found: Messages) -> Results:
    """What an analysis would give: without a tally nobody knows whose the wears are."""
    if found["tally"].height:
        return incident.results
    unknown = (pl.lit(None, pl.String).alias(name) for name in ("incident_id", "wearer_id", "team"))
    return {**incident.results, "wears": incident.results["wears"].with_columns(unknown)}


def counting_store(folder: Path, incident: Incident, messages: Messages) -> tuple[ResultsStore, list[int]]:
    """A store, and how many pressure readings it analysed each time."""
    asked: list[int] = []

    def analyse(found: Messages, *_: Any, **_scope: Any) -> Analysed:
        asked.append(len(found["pressure"]))
        return as_analysed(results_for(incident, found))

    return ResultsStore(archive_with(folder, messages), Profile.default(), analyse), asked


def test_each_piece_is_analysed_once_and_again_when_it_is_opened(tmp_path: Path) -> None:
    incident = Incident(1, 2)
    later = again_later(incident.messages, timedelta(hours=30))
    store, asked = counting_store(tmp_path, incident, concat([incident.messages, later]))
    store.incidents()
    store.wears()
    assert asked == [120, 120]
    # As the report does it, so that the two agree.
    store.incident(INCIDENT)
    store.incident(INCIDENT)
    assert asked == [120] * 3
    # A file that comes makes the store look again; only a piece that changed would be analysed anew.
    (tmp_path / "letter.txt").write_bytes(b"x")
    store.incidents()
    store.incident(INCIDENT)
    assert asked == [120] * 3
    archive_with(tmp_path, again_later(incident.messages, timedelta(hours=60), 2))
    store.incidents()
    store.incident(INCIDENT)
    assert asked == [120] * 4


def test_memory_holds_the_few_incidents_that_were_looked_at_last(tmp_path: Path) -> None:
    archive = tmp_path / "archive"
    log = WrittenLog()
    desk = log.desk()
    names = [f"I-{number}" for number in range(MOST_RECORDS + 2)]
    for number, name in enumerate(names):
        about: dict[str, Any] = {"incident_id": name, "set_id": "S-1", "wearer_id": "W-1"}
        desk.say(number * 86400.0, "tally", action="in", **about)
        log.talker("S-1", 1 + number).breathe(number * 86400.0, 60)
    archive_with(archive, log.frames())
    looked_at: list[str] = []

    def counted(messages: Messages, *given: Any, **scope: Any) -> Analysed:
        looked_at.append(given[1] if len(given) > 1 else "a piece")
        return analysed(messages, *given, **scope)

    store = ResultsStore(Archive(archive), Profile.default(), counted)
    versions = [store.incident(name).version for name in names]
    assert looked_at == names  # no list was made for it
    assert len(store._records) == MOST_RECORDS
    # The first is found again, analysed anew, and the figures keep their version: nothing has changed.
    assert store.incident(names[0]).version == versions[0]
    assert looked_at == [*names, names[0]]
    assert store.incident(names[0]).version == versions[0]
    assert len(looked_at) == len(names) + 1


def test_retained_messages_tell_no_time(tmp_path: Path) -> None:
    incident = Incident(1, 2)
    old = incident.messages["pressure"].head(1)
    old = old.with_columns(pl.col("received") - timedelta(days=2), retained=pl.lit(value=True))
    incident.messages["pressure"] = pl.concat([old, incident.messages["pressure"]])
    assert len(store_with(incident, tmp_path).incidents()) == 1


def test_wears_without_a_tally_form_their_own_line(tmp_path: Path) -> None:
    incident = Incident(2, 20)
    nobody = pl.when(pl.col("set_id") == "S-002").then(None)
    incident.results["wears"] = incident.results["wears"].with_columns(
        nobody.otherwise(pl.col(name)).alias(name) for name in ("incident_id", "wearer_id", "team")
    )
    store = store_with(incident, tmp_path)
    keys = store.incidents()["key"].sort().to_list()
    assert keys == [INCIDENT, "untallied-20310504"]
    untallied = store.incident(keys[1])
    assert untallied.results["wears"]["set_id"].to_list() == ["S-002"]
    assert untallied.results["air"]["wear_id"].unique().to_list() == ["S-002/1/1"]
    assert untallied.results["findings"]["set_id"].unique().to_list() == ["S-002"]


def test_a_piece_that_fails_says_so_in_its_line_hides_no_other_and_is_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    incident = Incident(1, 2)
    both = concat([incident.messages, again_later(incident.messages, timedelta(hours=30))])
    tries: list[int] = []

    def analyse(found: Messages, *_: Any, **_scope: Any) -> Analysed:
        tries.append(1)
        if len(tries) <= 2:  # and it is tried by itself, apart from the others
            raise ArchiveProblem("the disk failed once")
        return as_analysed(results_for(incident, found))

    store = ResultsStore(archive_with(tmp_path, both), Profile.default(), analyse)
    rows = store.incidents().to_dicts()
    assert sorted(row["problem"] is None for row in rows) == [False, True]
    (failed,) = (row for row in rows if row["problem"])
    assert "the disk failed once" in failed["problem"]
    assert "2031-05-04" in failed["problem"]
    assert len(store.wears()) == 1
    assert "the disk failed once" in str(incident_listing(store.incidents()).to_plotly_json())
    with pytest.raises(PieceProblem, match="the disk failed once"):
        store.incident(failed["key"])
    assert not store.is_ready()
    monkeypatch.setattr(results_store, "GROWING_IS_KEPT_S", 0.0)
    assert store.incidents()["problem"].null_count() == store.incidents().height
    assert len(tries) == 4


class Slow:
    """An analysis that stops in the piece so many hours after the incident, until it is let go."""

    def __init__(self, incident: Incident, hours: float) -> None:
        self._incident = incident
        self._from = OPENED + timedelta(hours=hours) - timedelta(minutes=5)
        self.begun, self.go_on = threading.Event(), threading.Event()
        self.times = 0

    def __call__(self, found: Messages, *_: Any, **_scope: Any) -> Analysed:
        first = found["pressure"]["received"].min()
        if self._from <= first <= self._from + timedelta(hours=1):  # type: ignore[operator]
            self.times += 1
            self.begun.set()
            assert self.go_on.wait(120)
        return as_analysed(results_for(self._incident, found))


def while_one_is_analysed(
    folder: Path, look: Callable[[ResultsStore], Any]
) -> tuple[Any, ResultsStore, Slow]:
    """What a visitor gets of a known incident, while another has a later one analysed."""
    incident = Incident(1, 2)
    slow = Slow(incident, hours=30)
    store = ResultsStore(archive_with(folder, incident.messages), Profile.default(), slow)
    store.incidents()
    archive_with(folder, again_later(incident.messages, timedelta(hours=30)))
    with ThreadPoolExecutor(2) as visitors:
        other = visitors.submit(store.incidents)
        try:
            assert slow.begun.wait(60)
            mine = visitors.submit(look, store).result(timeout=60)
            assert not other.done()
        finally:
            slow.go_on.set()
        assert len(other.result(timeout=60)) == 2
    return mine, store, slow


def test_an_incident_opens_while_another_is_still_analysed(tmp_path: Path) -> None:
    record, _, _ = while_one_is_analysed(tmp_path, lambda store: store.incident(INCIDENT))
    assert record.about["started"] == OPENED - timedelta(seconds=60 - 0.05)


def test_the_lists_are_there_as_they_were_while_something_new_is_analysed(tmp_path: Path) -> None:
    listed, store, slow = while_one_is_analysed(tmp_path, lambda store: (store.incidents(), store.wears()))
    assert [len(frame) for frame in listed] == [1, 1]
    assert len(store.incidents()) == 2
    assert slow.times == 1


def test_two_who_ask_for_what_is_new_have_it_analysed_once(tmp_path: Path) -> None:
    incident = Incident(1, 2)
    slow = Slow(incident, hours=0)
    store = ResultsStore(archive_with(tmp_path, incident.messages), Profile.default(), slow)
    with ThreadPoolExecutor(2) as visitors:
        first = visitors.submit(store.incidents)
        assert slow.begun.wait(60)
        # The list was never complete: nobody is shown a part of it, everybody waits for the whole.
        second = visitors.submit(store.incidents)
        assert not second.done()
        assert not store.is_ready()
        slow.go_on.set()
        assert len(first.result(60)) == 1
        assert len(second.result(60)) == 1
    assert slow.times == 1
