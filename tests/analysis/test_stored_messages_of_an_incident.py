"""What a set stored and sent later belongs to the time when it was made, whoever asks for it and however."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest

from analysis.incident import analyse
from analysis.pieces.archive_pieces import cut, incident_piece, incidents_in, pieces_of
from analysis.pieces.piecewise import analyse_batch
from analysis.profile import Profile
from analysis.tables import Results
from dashboard.evidence.case_messages import messages_of, received_of
from ingest.archive.tidying import tidy
from ingest.contract.captures import Heard, write_capture
from ingest.importing import import_capture
from tests.analysis.test_incident_name_again import HOUR, OPENED, said

PROFILE = Profile.default()
DAY = 24 * HOUR


def at_desk(from_s: float, incident_id: str, wearer_id: str, set_id: str, seq: int) -> list[Heard]:
    who = {"incident_id": incident_id, "wearer_id": wearer_id, "set_id": set_id}
    return [
        said(from_s, "incident", seq, "D-1", incident_id=incident_id, action="open"),
        said(from_s + 60, "tally", seq + 1, "D-1", action="in", **who),
        said(from_s + 1400, "tally", seq + 2, "D-1", action="out", **who),
        said(from_s + 1500, "incident", seq + 3, "D-1", incident_id=incident_id, action="close"),
    ]


def worn(from_s: float, set_id: str, boot: int) -> list[Heard]:
    """20 min under air from 300 to 60 bar, a distress 15 min after its start, then the valve is closed."""
    readings = [(70 + 5 * n, 300 - n) for n in range(241)] + [(1275 + 5 * n, 0) for n in range(4)]
    messages = [
        said(from_s + at, "pressure", n, set_id, boot=boot, pressure_bar=bar)
        for n, (at, bar) in enumerate(readings)
    ]
    alarm = said(from_s + 970, "alarm", 500, set_id, boot=boot, alarm="distress", state="raised")
    return [*messages, alarm]


def received(messages: list[Heard], at_s: float) -> list[Heard]:
    return [one._replace(received=OPENED + timedelta(seconds=at_s)) for one in messages]


def bring_in(folder: Path, *lots: list[Heard]) -> Path:
    for number, lot in enumerate(lots):
        write_capture(folder / f"{number}.ndjson", sorted(lot, key=lambda one: one.received))
        import_capture(folder / f"{number}.ndjson", folder / "archive")
    return folder / "archive"


def of_the_whole(archive: Path) -> Results:
    lots = [analyse_batch(archive, batch, PROFILE) for batch in pieces_of(archive).batches()]
    return {name: pl.concat([lot[name] for lot in lots]) for name in lots[0]}


def of_incident(archive: Path, incident: str) -> Results:
    messages, scope = incident_piece(archive, incident)
    return analyse(messages, PROFILE, incident, scope=scope)


@pytest.mark.parametrize("merged", [False, True])
@pytest.mark.parametrize("delay_s", [2 * HOUR, 5 * HOUR, DAY, 600 * DAY])
@pytest.mark.parametrize("heard_s", [0, 300])
def test_an_incident_has_what_its_set_stored(
    tmp_path: Path, heard_s: float, delay_s: float, merged: bool
) -> None:
    """Whether the radio heard nothing of it, or lost the set after 5 min: the end, the air, the distress."""
    live = [one for one in worn(0, "S-1", 7) if (one.received - OPENED).total_seconds() < heard_s]
    stored = [one for one in worn(0, "S-1", 7) if one not in live]
    archive = bring_in(tmp_path, [*at_desk(0, "I-1", "W-1", "S-1", 1), *live], received(stored, delay_s))
    if merged:
        tidy(archive, OPENED + timedelta(days=900), grace_s=0.0)
    whole, own = of_the_whole(archive), of_incident(archive, "I-1")
    (wear,) = own["wears"].to_dicts()
    assert (wear["incident_id"], wear["wearer_id"], wear["end_bar"]) == ("I-1", "W-1", 60.0)
    assert wear["started"] == OPENED + timedelta(seconds=70)
    assert own["alarms"].filter(source="reported")["alarm"].to_list() == ["distress"]
    for name in ("wears", "entries", "alarms", "findings", "gaps"):
        assert own[name].equals(whole[name]), name
    chosen, _ = messages_of(archive, "I-1")
    assert len(received_of(chosen, "pressure")) == 245
    assert len(received_of(chosen, "alarm")) == 1


def test_what_a_set_stored_that_nobody_tallied_in_is_in_the_incident(tmp_path: Path) -> None:
    desk, other = at_desk(0, "I-1", "W-1", "S-1", 1), worn(0, "S-2", 4)
    found = []
    for name, lots in {
        "by radio": [[*desk, *worn(0, "S-1", 7), *other]],
        "stored": [[*desk, *worn(0, "S-1", 7)], received(other, 3 * DAY)],
    }.items():
        (tmp_path / name).mkdir()
        archive = bring_in(tmp_path / name, *lots)
        messages, _ = incident_piece(archive, "I-1")
        assert messages["pressure"].filter(set_id="S-2").height == 245
        found.append({*of_incident(archive, "I-1")["findings"].filter(set_id="S-2")["code"]})
    assert "no_tally" in found[0]
    assert found[1] == {*found[0], "heard_late"}


def test_wears_of_two_incidents_read_out_together_stay_two_pieces(tmp_path: Path) -> None:
    """They are read only with their own incident, whatever lies between."""
    desk = [*at_desk(0, "I-1", "W-1", "S-1", 1), *at_desk(40 * DAY, "I-2", "W-2", "S-1", 11)]
    between = worn(20 * DAY, "S-1", 8)
    read_out = received([*worn(0, "S-1", 7), *worn(40 * DAY, "S-1", 9)], 60 * DAY)
    archive = bring_in(tmp_path, [*desk, *between], read_out)
    pieces = cut(archive)
    assert pieces.table["rows"].to_list() == [250, 246, 250]
    assert ((pieces.table["until"] - pieces.table["since"]) < timedelta(hours=1)).all()
    for incident, wearer in (("I-1", "W-1"), ("I-2", "W-2")):
        assert of_incident(archive, incident)["wears"]["wearer_id"].to_list() == [wearer]
    assert of_the_whole(archive)["wears"]["wearer_id"].to_list() == ["W-1", None, "W-2"]
    assert incidents_in(archive)["key"].to_list() == ["I-1", "I-2"]


def test_a_slow_clock_moves_nothing_to_an_earlier_incident(tmp_path: Path) -> None:
    """Heard as it breathed, by a set whose clock is 40 days slow: it belongs to the time of receipt."""
    desk = [*at_desk(0, "I-1", "W-1", "S-1", 1), *at_desk(40 * DAY, "I-2", "W-2", "S-2", 11)]
    slow = [
        one._replace(received=one.received + timedelta(days=40, seconds=0.001 * number))
        for number, one in enumerate(worn(0, "S-2", 3))
    ]
    archive = bring_in(tmp_path, [*desk, *worn(0, "S-1", 7)], slow)
    assert of_incident(archive, "I-1")["wears"]["set_id"].to_list() == ["S-1"]
    assert of_incident(archive, "I-2")["wears"]["wearer_id"].to_list() == ["W-2"]


def test_a_clock_that_was_set_while_the_set_was_on_leaves_its_power_up_whole(tmp_path: Path) -> None:
    """A set that began in the year 2000 and then got the time does not join years of its wears."""
    first, *rest = worn(40 * DAY, "S-1", 9)
    unset = first._replace(payload=first.payload.replace(b"2031-06-19", b"2000-01-01"))
    assert unset != first
    desk = [*at_desk(0, "I-1", "W-1", "S-1", 1), *at_desk(40 * DAY, "I-2", "W-2", "S-1", 11)]
    archive = bring_in(tmp_path, [*desk, *worn(0, "S-1", 7)], [unset, *rest])
    assert cut(archive).table.height == 2
    assert of_incident(archive, "I-2")["wears"]["wearer_id"].to_list() == ["W-2"]
