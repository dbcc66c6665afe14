"""What a maker of sets is told: refused with the reason, advice once, and counts of its own."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner

from dashboard.underair import root
from ingest.checking import Checked, check
from ingest.contract.captures import BadLine, Heard, read_lines

SAMPLES = Path(__file__).parents[2] / "sample_logs"
START = datetime(2031, 5, 4, 19, 12, tzinfo=UTC)


def said(
    seq: int,
    *,
    kind: str = "motion",
    boot: int = 1,
    at_s: float | None = None,
    fast_s: float = 0.0,
    **more: object,
) -> Heard:
    heard_at = START + timedelta(seconds=seq if at_s is None else at_s)
    own = (heard_at + timedelta(seconds=fast_s)).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    fields = {"motion": {"motion_m_s2": 1.0}, "pressure": {"pressure_bar": 280.0}}.get(kind, {})
    retained = bool(more.pop("retained", False))
    payload = {"kind": kind, "set_id": "S-1", "boot": boot, "seq": seq, "time": own, **fields, **more}
    return Heard(heard_at, f"underair/v1/demo/set/S-1/{kind}", json.dumps(payload).encode(), retained)


def setup(seq: int = 0, water_volume_l: float = 6.8, rated_bar: float = 300.0, **more: object) -> Heard:
    cylinders = {"count": 1, "water_volume_l": water_volume_l, "rated_bar": rated_bar}
    return said(
        seq,
        kind="setup",
        cylinders=cylinders,
        **{
            "low_air_bar": 55,
            "no_motion_prealarm_s": 20,
            "no_motion_alarm_s": 30,
            "heat_start_c": 150,
            **more,
        },
    )


def advice(checked: Checked) -> list[str]:
    return [remark.what for remark in checked.remarks if remark.weight == "advice"]


def test_a_set_that_keeps_the_contract_hears_nothing() -> None:
    checked = check([setup(), *(said(seq, kind="pressure") for seq in range(1, 50))])
    assert checked.remarks == []
    (voice,) = checked.speakers
    assert dict(voice.kinds) == {"setup": 1, "pressure": 49}
    assert (voice.power_ups, voice.missing, voice.clock_fast_s) == (1, 0, 0.0)
    assert voice.every_s == {"pressure": 1.0}


def test_the_sample_of_bad_messages_has_its_nineteen() -> None:
    checked = check(read_lines(SAMPLES / "bad_messages.ndjson"))
    assert (checked.messages, checked.refused) == (79, 19)  # as sample_logs/README.md says
    refused = [remark for remark in checked.remarks if remark.weight == "refused"]
    assert len(refused) == 19
    assert next(remark.path for remark in refused if "kPa" in remark.what) == "$.pressure_bar"


def test_a_slip_of_the_pen_is_told_once_with_what_was_meant() -> None:
    (remark,) = check(said(seq, uptime=seq) for seq in range(30)).remarks
    assert (remark.number, remark.times, remark.path) == (1, 30, "$.uptime")
    assert "did you mean uptime_s?" in remark.what


@pytest.mark.parametrize("slower", [1e-3, 0.0])
def test_a_time_in_seconds_that_is_read_as_ms_is_named(slower: float) -> None:
    heard = [said(n, kind="pressure", fast_s=-1.7e9 - n * (1.0 - slower)) for n in range(1, 600)]
    (remark,) = check([setup(fast_s=-1.7e9), *heard]).remarks
    assert f"its time ran {0.6 if slower else 0.0} s in 599 s" in remark.what
    assert "is it in s, and read as ms?" in remark.what
    assert "corrects" not in remark.what
    (wrong,) = check([setup(fast_s=-1.7e9), *(said(n, fast_s=-1.7e9) for n in range(1, 600))]).remarks
    assert "1,700,000,000 s slow" in wrong.what


def test_a_counter_for_each_kind_is_an_identity_used_twice() -> None:
    (remark,) = check([setup(), said(1), said(1, kind="pressure")]).remarks
    assert "another payload" in remark.what


def test_a_power_up_without_a_new_boot_is_told() -> None:
    heard = [said(seq) for seq in range(100, 110)] + [said(0, at_s=200), said(1, at_s=201)]
    assert [remark.path for remark in check(heard).remarks] == ["$.boot"]
    changed = [said(seq) for seq in range(100, 110)] + [said(seq, boot=2, at_s=200 + seq) for seq in range(2)]
    checked = check(changed)
    assert checked.remarks == []
    assert checked.speakers[0].power_ups == 2


def test_what_the_radio_lost_delayed_or_doubled_is_no_fault_of_the_maker() -> None:
    lost = {7, 8, 20}
    late = said(12)
    heard = [said(seq) for seq in range(30) if seq not in lost | {12}]
    checked = check([*heard, late, late])
    assert checked.remarks == []
    assert checked.speakers[0].missing == len(lost)


def test_seq_in_steps_is_told() -> None:
    assert any(
        "count up by one" in " ".join(what.split())
        for what in advice(check(said(seq) for seq in range(0, 100, 10)))
    )


def test_what_the_broker_kept_is_no_sign_of_losses_or_of_the_clock() -> None:
    kept = setup()._replace(received=START + timedelta(hours=5), retained=True)
    checked = check([kept, *(said(seq, kind="pressure") for seq in range(5000, 5010))])
    assert checked.remarks == []
    assert checked.speakers[0].missing == 0


@pytest.mark.parametrize(("fast_s", "word"), [(90.0, "90 s fast"), (-3600.0, "3,600 s slow")])
def test_a_wrong_clock_is_told(fast_s: float, word: str) -> None:
    (what,) = advice(check(said(seq, fast_s=fast_s) for seq in range(10)))
    assert word in what


def test_a_clock_that_is_nearly_right_is_not_worth_a_word() -> None:
    assert check(said(seq, fast_s=4.0) for seq in range(10)).remarks == []


def test_pressure_without_setup_and_a_warning_above_the_rated_pressure_are_told() -> None:
    (what,) = advice(check([said(0, kind="pressure")]))
    assert "no setup" in what
    (what,) = advice(check([setup(low_air_bar=300)]))
    assert "low_air_bar 300 bar is not below rated_bar 300 bar" in what


def test_a_line_that_holds_no_message_is_refused() -> None:
    checked = check([BadLine(1, "it is not a capture line: truncated", b"{"), said(0)])
    assert (checked.messages, checked.refused) == (2, 1)


def test_progress_reaches_the_end() -> None:
    told: list[int] = []

    def many() -> Iterator[Heard]:
        return (said(seq) for seq in range(2500))

    check(many(), told.append)
    assert told == [1000, 2000, 2500]


def test_the_verb_prints_and_ends_as_it_says() -> None:
    run = CliRunner().invoke(root, ["check", str(SAMPLES / "bad_messages.ndjson")])
    assert run.exit_code == 3
    assert "79 messages: 19 would be refused; pieces of advice: 2" in run.stdout
    told = CliRunner().invoke(root, ["check", str(SAMPLES / "late_turn_back.ndjson.gz"), "--json"])
    assert told.exit_code == 0
    assert json.loads(told.stdout)["refused"] == 0


def test_a_refused_message_is_not_told_as_lost() -> None:
    wrong = said(2, motion_m_s2=-1.0)
    checked = check(
        [said(0), said(1), wrong, *(said(seq, motion_m_s2=-1.0) for seq in range(3, 30)), said(30)]
    )
    (voice,) = checked.speakers
    assert checked.refused == 28
    assert voice.missing == 0
    assert advice(checked) == []


def test_a_speaker_that_is_refused_all_over_has_no_line_of_its_own() -> None:
    assert check([said(0, motion_m_s2=-1.0)]).speakers == []


def test_a_cylinder_of_thousands_of_litres_is_pointed_out() -> None:
    checked = check([setup(water_volume_l=6800)])
    assert advice(checked) == [
        "water_volume_l 6800 l is not a cylinder that a wearer carries (expected 0.5 to 20 l): it counts as "
        "unknown, without litres and minutes"
    ]
    assert "rated_bar 4500 bar is not a cylinder" in advice(check([setup(rated_bar=4500)]))[0]  # psi


@pytest.mark.parametrize("low_air_bar", [-5, 0])
def test_a_warning_at_no_pressure_is_pointed_out(low_air_bar: float) -> None:
    (told,) = advice(check([setup(low_air_bar=low_air_bar)]))
    assert told.startswith(f"low_air_bar {low_air_bar} bar is no warning (expected 10 bar or more)")


def test_a_line_break_in_a_payload_is_named(tmp_path: Path) -> None:
    capture = tmp_path / "mine.ndjson"
    capture.write_text('{"received":"2031-05-04T10:00:00Z","topic":"t","payload":{"kind":\n"setup"}}\n')
    first = check(read_lines(capture)).remarks[0]
    assert first.what.endswith("is there a line break in its payload?")
