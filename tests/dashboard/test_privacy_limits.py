"""The limits of holds, register and a wearer's own record, in figures. They are our own rules."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import polars as pl
import pytest

from analysis.incident import analyse
from analysis.profile import Profile
from analysis.trends.ledger import WEARS
from dashboard.privacy import wearer_record
from dashboard.privacy.holds import holds, set_hold
from dashboard.privacy.register import by_person, update
from dashboard.privacy.wearer_record import _messages_of, _named
from ingest.archive.folder import create_archive
from ingest.contract.errors import ArchiveProblem
from ingest.contract.kinds import KINDS
from tests.analysis.conftest import OPENED, WrittenLog

NOW = datetime(2031, 6, 1, 12, tzinfo=UTC)


class TestPrivacy:
    def test_a_holds_reason_has_up_to_500_characters_with_the_incident(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr("dashboard.privacy.holds.incidents_in", lambda archive: {"incident_id": ["I-1"]})
        for reason in ("", "  ", "x" * 496):
            with pytest.raises(ArchiveProblem, match="from 1 to 495"):
                set_hold(tmp_path, "I-1", reason)
        set_hold(tmp_path, "I-1", f" {'x' * 495} ")
        assert list(holds(tmp_path)) == ["I-1"]
        with pytest.raises(ArchiveProblem, match="under hold already"):
            set_hold(tmp_path, "I-1", "again")
        with pytest.raises(ArchiveProblem, match="not under hold"):
            set_hold(tmp_path, "I-2", "over", release=True)
        set_hold(tmp_path, "I-1", "over", release=True)
        assert holds(tmp_path) == {}
        set_hold(tmp_path, "I-1", "anew")
        assert list(holds(tmp_path)) == ["I-1"]

    def test_the_registers_figures_by_hand(self, tmp_path: Path) -> None:
        usual = {
            "incident_id": "A",
            "kind": "incident",
            "under_air_min": 20.0,
            "silent_min": 5.0,
            "hard_min": 4.0,
        }
        rows: list[dict[str, Any]] = [
            {"wearer_id": "W-1", "heat_dose": 0.25, "started": datetime(2030, 12, 31, 23, tzinfo=UTC)},
            {"wearer_id": "W-1", "started": datetime(2031, 1, 1, tzinfo=UTC), "contamination": "soot"},
            {"wearer_id": "W-1", "started": datetime(2031, 2, 1, tzinfo=UTC), "kind": "training",
             "incident_id": "T", "contamination": "soot", "decontaminated": "21:40",
             "contaminated_min": 12.0},
            {"wearer_id": "W-2", "started": datetime(2031, 2, 1, tzinfo=UTC), "silent_min": 0.0},
            {"wearer_id": "gone-1", "started": datetime(2031, 2, 1, tzinfo=UTC)},
            {"wearer_id": None, "started": datetime(2031, 2, 1, tzinfo=UTC)},
            {"wearer_id": "W-2", "started": datetime(1991, 6, 1, 11, 59, tzinfo=UTC)},
            {"wearer_id": "W-3", "started": datetime(1991, 6, 1, 12, 0, tzinfo=UTC)},
        ]  # fmt: skip
        wears = pl.DataFrame(
            [{"wear_id": str(n), **usual, **row} for n, row in enumerate(rows)], schema=WEARS
        )
        lines = update(tmp_path, wears, NOW, 40)  # 40 years are kept, to the minute
        assert lines["wearer_id"].to_list() == ["W-1", "W-1", "W-1", "W-2", "W-3"]
        table = {(row["wearer_id"], row["year"]): row for row in by_person(lines).to_dicts()}
        assert sorted(year for _, year in table) == ["1991", "2030", "2031", "2031", "all", "all", "all"]
        one = table["W-1", "all"]
        assert (one["wears"], one["incidents"], one["drills"], one["trainings"]) == (3, 1, 0, 1)
        assert (one["dose_wears"], one["heat_dose"]) == (1, 0.25)
        assert (one["contaminations"], one["not_decontaminated"], one["contaminated_min"]) == (2, 1, 12.0)
        assert (one["under_air_min"], one["hard_min"], one["heard_part"]) == (60.0, 12.0, 0.75)
        assert table["W-1", "2031"]["heat_dose"] is None, "a dose without a sensor is no zero"
        assert table["W-1", "2030"]["contaminated_min"] is None
        assert table["W-2", "2031"]["heard_part"] == 1.0
        assert by_person(lines, "W-2")["wearer_id"].unique().to_list() == ["W-2"]

    @pytest.mark.parametrize(
        ("silent_min", "under_air_min", "heard_min", "part"),
        [
            (5.0, 20.0, 15.0, 0.75),
            (None, 20.0, 20.0, 1.0),
            (20.0, 20.0, 0.0, 0.0),
            (20.5, 20.0, 20.0, 20.0 / 40.5),
            (5.0, None, 0.0, 0.0),
        ],
    )
    def test_the_minutes_heard_are_those_under_air_without_the_silent_ones(
        self,
        tmp_path: Path,
        silent_min: float | None,
        under_air_min: float | None,
        heard_min: float,
        part: float,
    ) -> None:
        """A silence longer than the wear came after its last reading. Our own rule."""
        row = {"wear_id": "1", "wearer_id": "W-1", "started": NOW, "incident_id": "A", "kind": "incident"}
        row |= {"silent_min": silent_min, "under_air_min": under_air_min}
        lines = update(tmp_path, pl.DataFrame([row], schema=WEARS), NOW, 40)
        assert by_person(lines)["heard_min"].to_list() == [heard_min] * 2
        assert by_person(lines)["heard_part"].to_list() == [part] * 2

    def test_a_line_without_a_name_leads_to_no_message(self, tmp_path: Path) -> None:
        """Its id is random, its moment the end of the year, its amounts are whole minutes."""
        told = {"wear_id": "1", "started": datetime(2030, 3, 1, 10, 1, tzinfo=UTC), "incident_id": "A",
                "kind": "incident", "under_air_min": 12.4, "heat_dose": 0.256, "class_2_s": 91.0,
                "class_3_s": 89.0, "contamination": "soot on the hood"}  # fmt: skip
        folder = tmp_path / "a" / "archive"  # the register is the first that is written there
        named, gone = (
            pl.DataFrame([told | {"wearer_id": wearer}], schema=WEARS)
            for wearer in ("W-1", "gone-0123456789")
        )
        assert update(folder, named, NOW, 40)["under_air_min"].to_list() == [12.4]
        (line,) = update(folder, gone, NOW, 40).to_dicts()
        assert line["wearer_id"] == "W-1"
        assert line["wear_id"].startswith("gone-")
        assert line["incident_id"].startswith("gone-")
        assert len({line["wear_id"], line["incident_id"]}) == 2
        assert line["started"] == datetime(2030, 12, 31, tzinfo=UTC)
        assert (line["under_air_min"], line["heat_dose"]) == (12.0, 0.26)
        assert (line["class_2_s"], line["class_3_s"]) == (120.0, 60.0)
        assert line["contamination"] == "noted"

    def test_ones_own_record_has_the_sets_messages_from_two_minutes_before_to_two_minutes_after(self) -> None:
        log = WrittenLog()
        talker, desk = log.talker("S-1"), log.desk()
        talker.set_up(-600)
        last = talker.breathe(60, 300, opens=False, closes=False)
        talker.said = [one for one in talker.said if one[1] != "temperature"]
        for at in (60 - 121, 60 - 119, last + 119, last + 121):
            talker.say(at, "temperature", temperature_c=20.0)
        who = {"incident_id": "I-1", "set_id": "S-1"}
        desk.say(50, "tally", action="in", wearer_id="W-1", **who)
        desk.say(400, "tally", action="out", wearer_id="W-1", **who)
        desk.say(2000, "note", incident_id="I-1", text="W-1 is well")
        desk.say(2001, "note", incident_id="I-1", text="W-12 is well")
        frames = log.frames()
        own = analyse(frames, Profile.default())
        placed = {kind: frames[kind].with_columns(at=pl.col("time")) for kind in KINDS}
        found = list(_messages_of(placed, own, "W-1"))
        kinds = [one.topic.rpartition("/")[2] for one in found]
        assert (kinds.count("temperature"), kinds.count("tally"), kinds.count("note")) == (2, 2, 1)
        assert kinds.count("pressure") == 300
        assert kinds.count("setup") == 0

    def test_ones_own_record_has_what_was_concluded_of_oneself_alone(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        found = [("wearer", "W-1"), ("wearer", "W-2"), ("station", "W-1")]
        signals = SimpleNamespace(found=[SimpleNamespace(part=part, name=name) for part, name in found])
        rests = [SimpleNamespace(wearer_id=wearer, started=OPENED) for wearer in ("W-1", "W-2")]
        words = SimpleNamespace(
            short_rest=lambda one: f"a rest of {one.wearer_id}",
            headline=lambda one: f"{one.part} {one.name}",
            reason=lambda _: "more than expected",
        )
        monkeypatch.setattr(wearer_record, "signals", lambda *_: signals)
        monkeypatch.setattr(wearer_record, "short_rests", lambda *_: rests)
        monkeypatch.setattr(wearer_record, "sentences", words)
        made = wearer_record._apart(create_archive(tmp_path), Profile.default(), "W-1", OPENED)
        assert made["concluded"].rows() == [
            ("rest", f"{OPENED:%Y-%m-%d}", "a rest of W-1"),
            ("comparison", "", "wearer W-1: more than expected"),
        ]

    @pytest.mark.parametrize(
        ("text", "named"),
        [
            ("W-1", True),
            ("to W-1.", True),
            ("W-1, then", True),
            ("W-12", False),
            ("W-1.a", False),
            ("W-1-b", False),
            ("aW-1", False),
            ("x.W-1", False),
            ("W-1 - and", True),
        ],
    )
    def test_a_text_names_a_wearer_and_not_one_whose_name_only_begins_so(
        self, text: str, named: bool
    ) -> None:
        assert pl.Series([text]).str.contains(_named("W-1")).to_list() == [named]
