"""All rules together: what each may look at, in which order findings stand, and by which names."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import polars as pl
import pytest

from analysis.findings import findings
from analysis.findings.finding import Context, Finding, lasting
from analysis.findings.findings import find as find_all
from analysis.incident import analyse
from analysis.pieces.piecewise import analyse_archive
from analysis.profile import Profile
from analysis.wears.corrections import said
from ingest.archive.sealing import seal_messages
from ingest.contract.kinds import DESK_KINDS
from tests.analysis.conftest import WrittenLog
from tests.analysis.test_findings import below_warning, find, ordinary

PROFILE = Profile.default()


def test_identities_are_unique_and_stay(log: Any) -> None:
    below_warning(log)
    messages = log.frames()
    first = analyse(messages, PROFILE)["findings"]
    again = analyse({kind: frame.reverse() for kind, frame in messages.items()}, PROFILE)["findings"]
    assert first["finding_id"].is_unique().all()
    assert first.equals(again)
    assert first["finding_id"].to_list() == [  # regression values: whoever cited one finds it again
        "turned_back_late-f1d7729757",
        "alarm_not_raised-4811016f26",
        "under_air_below_warning-74291f1b83",
        "left_below_warning-870fdf6753",
    ]


@pytest.mark.parametrize(
    ("first_us", "last_us", "inside"),
    [(0, 9, False), (0, 10, True), (20, 30, True), (21, 30, False), (0, 30, True)],
)
def test_what_reaches_into_an_incident(first_us: int, last_us: int, inside: bool) -> None:
    of_one = SimpleNamespace(window_us=(10, 20))
    assert Context.overlaps(of_one, first_us, last_us) is inside  # type: ignore[arg-type]
    assert Context.overlaps(SimpleNamespace(window_us=None), first_us, last_us)  # type: ignore[arg-type]


def test_two_findings_of_one_moment_have_two_names_and_all_are_in_order(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def one(set_id: str | None, at_us: int, code: str = "free_flow") -> Finding:
        return Finding(code, "note", set_id, None, at_us, None, "It flowed.", ("S-1/1/1",))

    said = [one("S-2", 2), one("S-1", 2), one("S-2", 2), one("S-1", 1), one(None, 0), one("S-1", 2, "air")]
    monkeypatch.setattr("analysis.findings.findings.RULES", (lambda _: said,))
    found = find_all(SimpleNamespace(entries=()))  # type: ignore[arg-type]
    in_order = [said[number] for number in (4, 3, 5, 1, 0, 2)]
    assert found.select("set_id", "code").rows() == [(each.set_id, each.code) for each in in_order]
    names = [each.finding_id for each in in_order]
    assert found["finding_id"].to_list() == [*names[:5], f"{names[5]}-2"]


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "0 s"),
        (59.4, "59 s"),
        (59.6, "1 min"),
        (3599, "59 min 59 s"),
        (86399, "23 h 59 min"),
        (86400, "1 day"),
        (59 * 86400 + 3600, "59 days 1 h"),
        (60 * 86400 + 3600, "60 days"),
        (90, "1 min 30 s"),
        (3600, "1 h"),
        (3725, "1 h 2 min"),
        (90000, "1 day 1 h"),
    ],
)
def test_lasting(seconds: float, words: str) -> None:
    assert lasting(seconds) == words


def desk_speaks(log: Any) -> None:
    """A gauge read by voice, and a note."""
    ordinary(log)
    desk, about = log.talkers[-1], {"incident_id": "I-1", "set_id": "S-1"}
    desk.say(300, "gauge", pressure_bar=280.0, **about)
    desk.say(400, "note", text="objective reached", **about)


def what_desks_said(context: Context) -> Iterator[Finding]:
    """A rule about each word of a desk that a rule can get at."""
    words = {
        "gauge": [one.identity for one in context.gauges],
        "note": [one.identity for one in context.notes],
        "tally": [one.in_identity for one in context.book.tallies],
        "record": [one.identity for kind in DESK_KINDS for one in said(context.desks, kind)],
    }
    for code, identities in words.items():
        for one in identities:
            yield Finding(code, "note", None, None, 0, None, one, (one,))


def test_an_archive_in_pieces_hears_what_desks_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(findings, "RULES", (*findings.RULES, what_desks_said))
    log = WrittenLog()
    desk_speaks(log)
    (tmp_path / "archive").mkdir()
    seal_messages(tmp_path / "archive", log.frames(), "scene")
    analyse_archive(tmp_path / "archive", PROFILE, tmp_path / "out", "parquet", {})
    in_pieces = pl.read_parquet(tmp_path / "out" / "findings.parquet")
    assert sorted(in_pieces["code"]) == ["gauge", "note", "tally"]
    assert sorted(in_pieces["finding_id"]) == sorted(find(log)["finding_id"])
