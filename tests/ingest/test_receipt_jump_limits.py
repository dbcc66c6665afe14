"""From which difference on the clock of a capture's listener was set, and how many must say so."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from ingest.contract.captures import Heard
from ingest.receipt_jumps import find_jumps

BEGAN = datetime(2031, 5, 9, 20, 0, tzinfo=UTC)
DAY_S = 86_400.0


def said(set_id: str, seq: int, at_s: float, late_s: float = 0.0, *, retained: bool = False) -> Heard:
    """One reading: its own time, and by how much the time of receipt is later."""
    time = (BEGAN + timedelta(seconds=at_s)).isoformat().replace("+00:00", "Z")
    payload: dict[str, object] = {"kind": "pressure", "set_id": set_id, "boot": 1, "seq": seq}
    payload |= {"time": time, "uptime_s": 60.0 + at_s, "pressure_bar": 200.0}
    topic = f"underair/v1/trial/set/{set_id}/pressure"
    return Heard(BEGAN + timedelta(seconds=at_s + late_s), topic, json.dumps(payload).encode(), retained)


def capture(*sets: tuple[float, int], before: int = 10) -> list[Heard]:
    """Some sets, each with readings every second: by how much its receipts jump, and how many follow."""
    lines: list[tuple[bool, Heard]] = []
    for number, (jump_s, after) in enumerate(sets):
        for second in range(before + after):
            at_s = second + number / 8
            late_s = 0.25 + (jump_s if second >= before else 0.0)  # on the way
            lines.append((second >= before, said(f"S-{number}", second, at_s, late_s)))
    return [one for _, one in sorted(lines, key=lambda line: (line[0], line[1].received))]


def seconds(heard: Sequence[Heard]) -> list[float]:
    return [round(one.seconds, 2) for one in find_jumps(heard)]


def test_a_clock_is_set_back_from_half_a_second_on() -> None:
    """Readings come each second: from 1.5 s on the next receipt is half a second earlier."""
    assert [seconds(capture((by_s, 5))) for by_s in (-1.4, -1.5, -DAY_S)] == [[], [-1.5], [-DAY_S]]


def test_a_clock_is_set_forward_from_a_quarter_of_an_hour_on() -> None:
    for by_s, found in ((900.0, [900.0]), (899.5, []), (DAY_S, [DAY_S])):
        assert seconds(capture((by_s, 25), (by_s, 25))) == found


def test_one_sender_alone_must_be_later_by_six_hours() -> None:
    assert seconds(capture((6 * 3600.0, 25))) == [6 * 3600.0]
    assert seconds(capture((6 * 3600.0 - 0.5, 25))) == []
    assert seconds(capture((6 * 3600.0 - 0.5, 25), (6 * 3600.0 - 0.5, 25))) == [6 * 3600.0 - 0.5]


def test_twenty_messages_must_agree_that_a_clock_was_set_forward() -> None:
    assert seconds(capture((DAY_S, 20))) == [DAY_S]
    assert seconds(capture((DAY_S, 19))) == []
    assert seconds(capture((-DAY_S, 1))) == [-DAY_S], "nothing else makes a receipt earlier"


def test_four_of_five_senders_must_agree_within_two_seconds() -> None:
    agree = [(DAY_S, 25), (DAY_S + 2.0, 25), (DAY_S - 2.0, 25), (DAY_S, 25)]
    assert seconds(capture(*agree, (DAY_S + 90.0, 25))) == [DAY_S]
    apart = [(DAY_S - 2.5, 25), (DAY_S, 25), (DAY_S, 25), (DAY_S + 2.0, 25), (DAY_S + 90.0, 25)]
    assert seconds(capture(*apart)) == []
    late = [one._replace(received=one.received + timedelta(seconds=30)) for one in capture((DAY_S, 25))[-6:]]
    assert seconds([*capture((DAY_S, 25))[:-6], *late]) == [], "6 of 25 messages do not stay as late"
    late = late[1:]
    assert seconds([*capture((DAY_S, 25))[:-5], *late]) == [DAY_S], "5 of 25 may"


def test_only_who_counts_on_and_whose_own_time_does_not_go_back_is_a_witness() -> None:
    before, after = said("S-0", 5, 0.0), said("S-0", 6, 0.0, -60.0)
    assert seconds([before, after]) == [-60.0]
    assert seconds([before, said("S-0", 6, 0.0, -0.5)]) == [-0.5]
    assert seconds([before, said("S-0", 5, 0.0, -60.0)]) == [], "the same message again"
    assert seconds([before, said("S-0", 6, -1.0, -60.0)]) == [], "the set's clock was set back, not ours"
    assert seconds([before, said("S-1", 6, 0.0, -60.0)]) == []
    assert seconds([before, said("S-0", 6, 0.0, -60.0, retained=True)]) == []
    refused = after._replace(payload=b"?")
    assert seconds([before, refused, said("S-0", 7, 1.0, -60.0)]) == [-60.0]


def test_with_more_than_twenty_jumps_the_lines_are_in_another_order() -> None:
    def back_and_forth(times: int) -> list[Heard]:
        return [said("S-0", number, float(number), -10.0 * number) for number in range(times + 1)]

    assert len(seconds(back_and_forth(20))) == 20
    assert seconds(back_and_forth(21)) == []
