"""A set that is first heard in the middle of its wear: entry pressure and start are not known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest

from analysis.incident import analyse
from analysis.profile import Profile
from dashboard.live.display import STANDARD
from dashboard.live.row_view import row_view
from ingest.contract.frames import frames_from_heard
from tests.analysis.conftest import WrittenLog

PROFILE = Profile.default()
BREATHED_S = 1000
FULL_LEAVES_BAR = 177.5  # (300 + 55) / 2


def told(results: Any) -> dict[str, list[str]]:
    """Return the statements of findings by code."""
    found: dict[str, list[str]] = {}
    for row in results["findings"].iter_rows(named=True):
        found.setdefault(row["code"], []).append(row["statement"])
    return found


def late(log: WrittenLog, from_s: float, to_s: float = 2000.0, **wear: Any) -> Any:
    """A wear from 60 s on with 295 bar; all is lost but the setup until `from_s`, and from `to_s` on."""
    one = log.talker("S-1")
    one.set_up(-40)
    one.say(-39, "power", state="on")
    one.breathe(60, 1800, **({"start_bar": 295.0, "bar_s": 0.137, "closes": False} | wear))
    one.said = [
        (at_s, kind, lost or (kind != "setup" and not from_s <= at_s < to_s), kind == "setup", fields)
        for at_s, kind, lost, retained, fields in one.said
    ]
    return one


def test_somebody_heard_first_in_the_middle_may_be_past_turn_back(log: Any, see: Any) -> None:
    """The row said "7 min (planned)" of somebody who should have turned back 12 minutes before."""
    late(log, 60 + BREATHED_S)
    (row,) = see(60 + BREATHED_S + 40).rows
    assert row.attention == "turn_back"
    assert (row.entry_bar, row.turn_back_bar) == (None, FULL_LEAVES_BAR)
    assert row.turn_back_reached_at == pytest.approx(log.at(60 + BREATHED_S).timestamp(), abs=1)
    assert [one.code for one in row.reasons if one.code == "beginning_not_heard"]
    painted = row_view(row, log.at(60 + BREATHED_S + 100).timestamp(), STANDARD)
    assert (painted["entry"], painted["inside"]) == ("–", "over 1 min")
    assert painted["entered"].startswith("by ")  # "at" would be the time of the first reading
    assert "beginning not heard" in painted["why"]


def test_the_review_says_the_beginning_was_not_heard_and_accuses_nobody(log: Any) -> None:
    late(log, 60 + BREATHED_S)
    results = analyse(log.frames(), PROFILE)
    found = told(results)
    assert "started_below_ready" not in found
    (statement,) = found["beginning_not_heard"]
    assert "158 bar" in statement
    assert "at least" in statement
    (entry,) = results["entries"].to_dicts()
    assert (entry["entry_bar"], entry["turn_back_bar"]) == (None, FULL_LEAVES_BAR)
    assert entry["turn_back_at"] == entry["first_heard"]


def test_a_team_whose_lowest_member_is_heard_first_in_the_middle_turns_with_it(log: Any, see: Any) -> None:
    """The other member was heard half a second later, and so had "< 1 min" to turn-back."""
    desk = log.desk()
    for number in (1, 2):
        who = {"incident_id": "I-1", "wearer_id": f"W-{number}", "set_id": f"S-{number}", "team": "Elm"}
        desk.say(50, "tally", action="in", **who)
    late(log, 60 + BREATHED_S)
    other = log.talker("S-2", first_seq=900)
    other.set_up(0)
    other.breathe(60 + BREATHED_S + 0.5, 300, start_bar=230.0, opens=False, closes=False)
    rows = see(60 + BREATHED_S + 40).rows
    assert [(row.wearer_id, row.attention) for row in rows] == [("W-1", "turn_back"), ("W-2", "turn_back")]
    entries = analyse(log.frames(), PROFILE)["entries"]
    assert len(set(entries["turn_back_at"])) == 1
    assert entries["turn_back_at"][0] is not None


def test_a_tally_before_says_since_when_the_wearer_is_inside(log: Any, see: Any) -> None:
    log.desk().say(50, "tally", incident_id="I-1", action="in", wearer_id="W-1", set_id="S-1", team="Elm")
    late(log, 60 + BREATHED_S)
    (row,) = see(60 + BREATHED_S + 40).rows
    assert row_view(row, log.at(60 + BREATHED_S + 100).timestamp(), STANDARD)["inside"] == "18 min"


@dataclass(frozen=True)
class Heard:
    """What is heard of a wear that began with 200 bar, so that its finding shows whether its start counts."""

    log: WrittenLog
    one: Any

    def keep(self, keep: Any) -> None:
        """Lose every message for which `keep` of its second and kind is false."""
        self.one.said = [
            (at_s, kind, not keep(at_s, kind), retained, fields)
            for at_s, kind, _, retained, fields in self.one.said
        ]

    @property
    def code(self) -> str:
        """The finding about its start."""
        (code,) = {"beginning_not_heard", "started_below_ready"} & told(
            analyse(self.log.frames(), PROFILE)
        ).keys()
        return code


@pytest.fixture
def heard(log: WrittenLog) -> Heard:
    one = log.talker("S-1")
    one.set_up(-300)
    for second in range(-299, 57):
        one.say(second, "motion", motion_m_s2=1.0)
    one.breathe(60, 600, start_bar=200.0)
    return Heard(log, one)


@pytest.mark.parametrize(
    ("keep", "code", "why"),
    [
        (lambda at_s, kind: True, "started_below_ready", "the rise was heard"),
        (lambda at_s, kind: not 58 <= at_s < 100, "started_below_ready", "a closed valve shortly before"),
        (lambda at_s, kind: not 58 <= at_s < 200, "beginning_not_heard", "a closed valve, but long before"),
        (
            lambda at_s, kind: kind != "pressure" or at_s >= 60,
            "started_below_ready",
            "nothing else was lost since its power-up",
        ),
        (lambda at_s, kind: kind == "setup" or at_s >= 100, "beginning_not_heard", "400 messages were lost"),
        (lambda at_s, kind: kind == "setup" or at_s >= 60.05, "beginning_not_heard", "the rise was lost too"),
    ],
)
def test_what_counts_as_an_opening_that_was_heard(heard: Heard, keep: Any, code: str, why: str) -> None:
    heard.keep(keep)
    assert heard.code == code, why


@pytest.mark.parametrize(("on_s", "code"), [(30, "started_below_ready"), (-30, "beginning_not_heard")])
def test_a_set_switched_on_shortly_before_began_then(heard: Heard, on_s: float, code: str) -> None:
    heard.one.say(on_s, "power", state="on")
    heard.keep(lambda at_s, kind: kind in ("setup", "power") or at_s >= 80)
    assert heard.code == code


@pytest.mark.parametrize(
    ("every_s", "lost", "known"),
    [
        (120, 10, False),  # 20 min
        (60, 2, False),
        (60, 1, True),
        (30, 2, True),
        (120, 0, True),
        (2, 20, True),
        (2, 21, False),
    ],
)
def test_few_messages_of_a_slow_set_are_a_long_time(log: Any, every_s: int, lost: int, known: bool) -> None:
    """45 L/min from 295 bar, a message every two minutes: ten of them are 20 min, and 140 bar."""
    one = log.talker("S-1")
    for number in range(40):
        bar = max(295 - 0.11 * number * every_s, 75.0)
        one.say(number * every_s, "pressure", pressure_bar=float(round(bar)), lost=number < lost)
    assert ("beginning_not_heard" not in told(analyse(log.frames(), PROFILE))) == known


def test_a_power_on_that_a_broker_kept_says_nothing_of_now(heard: Heard) -> None:
    heard.one.say(30, "power", state="on", retained=True)
    heard.keep(lambda at_s, kind: kind in ("setup", "power") or at_s >= 80)
    assert heard.code == "beginning_not_heard"


def test_a_restart_in_the_middle_keeps_the_entry_pressure(log: Any, see: Any) -> None:
    first = log.talker("S-1")
    first.set_up(0)
    first.breathe(60, 300, start_bar=290.0, closes=False)
    again = log.talker("S-1", boot=2, first_seq=500)
    again.breathe(400, 300, start_bar=258.0, opens=False, closes=False)
    (row,) = see(600).rows
    assert (row.entry_bar, row.turn_back_bar) == (290.0, 172.5)
    assert not [one.code for one in row.reasons if one.code == "beginning_not_heard"]
    assert "beginning_not_heard" not in told(analyse(log.frames(), PROFILE))


def test_a_full_cylinder_counts_as_heard(log: Any, see: Any) -> None:
    one = log.talker("S-1", first_seq=500)
    one.set_up(0)
    one.breathe(60, 300, start_bar=304.0, opens=False, closes=False)
    (row,) = see(200).rows
    assert (row.entry_bar, row.turn_back_bar) == (304.0, 179.5)


@pytest.mark.parametrize("seed", range(8))
def test_hearing_later_never_turns_back_later(seed: int) -> None:
    """Property: whatever is lost of the beginning, turn-back is due no later than with everything heard."""
    chance = np.random.default_rng(seed)
    whole, part = WrittenLog(), WrittenLog()
    start_bar, bar_s = float(chance.integers(200, 305)), float(chance.uniform(0.05, 0.15))
    from_s = 60.0 + float(chance.uniform(0.0, 1500.0))
    for log, since_s in ((whole, -100.0), (part, from_s)):
        late(log, since_s, start_bar=start_bar, bar_s=bar_s)
    due = [
        analyse(frames_from_heard([one for _, one in log.heard()]), PROFILE)["entries"]["turn_back_at"][0]
        for log in (whole, part)
    ]
    if due[0] is not None and due[0] >= log.at(from_s):
        assert due[1] is not None
        assert due[1] <= due[0]


@pytest.mark.parametrize(("policy", "after_s"), [("double_return", 0.0), ("fixed_margin", 63.0)])
def test_no_policy_gives_more_time_for_want_of_the_beginning(log: Any, policy: str, after_s: float) -> None:
    """Twice the way in of a full cylinder is long past; 6.8 L x 65 bar / 40 L/min - 10 min are 1.05 min."""
    late(log, 60 + 1679)
    (row,) = analyse(log.frames(), PROFILE)["turn_back"].filter(policy=policy).to_dicts()
    due_s = (row["at"] - log.at(1739)).total_seconds()
    assert due_s == pytest.approx(after_s, abs=8)
