"""Captures that each have one fault of sets, radio or desk: short, and named after the fault."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import timedelta
from typing import Any

from ingest.contract.captures import Heard
from tests.analysis.conftest import Talker, WrittenLog

LASTS_S = 600


def _tallied(log: WrittenLog) -> None:
    desk = log.desk()
    who = {"incident_id": "I-1", "wearer_id": "W-1", "set_id": "S-1", "team": "Larch"}
    desk.say(50, "tally", action="in", **who)
    desk.say(LASTS_S + 90, "tally", action="out", **who)


def _wear(bar_s: float = 0.2, **options: Any) -> tuple[WrittenLog, Talker]:
    log = WrittenLog()
    _tallied(log)
    one = log.talker("S-1", **options)
    one.set_up(40)
    one.breathe(60, LASTS_S, bar_s=bar_s)
    return log, one


def _heard(log: WrittenLog) -> list[Heard]:
    return [one for _, one in log.heard()]


def _changed(change: Callable[[dict[str, Any], int], dict[str, Any] | None]) -> list[Heard]:
    """Return a wear whose pressure readings a function changes, or takes away."""
    found, number = [], 0
    for one in _heard(_wear()[0]):
        if not one.topic.endswith("/pressure"):
            found.append(one)
            continue
        number += 1
        told = change(json.loads(one.payload), number)
        if told is not None:
            found.append(one._replace(payload=json.dumps(told).encode()))
    return found


def _said(**options: Any) -> list[Heard]:
    return _heard(_wear(**options)[0])


def _factor_100() -> list[Heard]:
    return _changed(lambda told, _: told | {"pressure_bar": told["pressure_bar"] / 100.0})


def _refused() -> list[Heard]:
    return _changed(lambda told, n: told | {"pressure_bar": 4200.0} if 200 < n < 300 else told)


def _one_clock_far_ahead() -> list[Heard]:
    return _changed(lambda told, n: told | {"time": "2199-12-31T23:59:59Z"} if n == 300 else told)


def _stuck() -> list[Heard]:
    return _changed(lambda told, n: told | {"pressure_bar": 250.0} if n > 250 else told)


def _hour_without_a_word() -> list[Heard]:
    log = WrittenLog()
    _tallied(log)
    one = log.talker("S-1")
    one.set_up(40)
    one.breathe(60, 4200, bar_s=0.04, silent=(300.0, 3900.0))
    return _heard(log)


def _drop_out_of_many_readings() -> list[Heard]:
    return _changed(lambda told, n: told | {"pressure_bar": 21.0} if 240 < n < 260 else told)


def _every_message_twice() -> list[Heard]:
    heard = _said()
    again = [one._replace(received=one.received + timedelta(seconds=3)) for one in heard]
    return sorted([*heard, *again], key=lambda one: one.received)


def _two_contents_of_one_identity() -> list[Heard]:
    heard = _said()
    other = [
        one._replace(
            received=one.received + timedelta(seconds=1),
            payload=one.payload.replace(b'"pressure_bar": 2', b'"pressure_bar": 1'),
        )
        for one in heard[400:430]
        if one.topic.endswith("/pressure")
    ]
    return sorted([*heard, *other], key=lambda one: one.received)


def _retained_replay() -> list[Heard]:
    heard = _said()
    end = heard[-1].received
    again = [one._replace(received=end + timedelta(seconds=5), retained=True) for one in heard[-5:]]
    return [*heard, *again]


def _boot_number_used_again() -> list[Heard]:
    log, _ = _wear()
    again = log.talker("S-1")
    again.set_up(8 * 3600.0)
    again.breathe(8 * 3600.0 + 60, 300)
    return _heard(log)


def _last_will() -> list[Heard]:
    heard = _said()
    will = b'{"kind":"link","set_id":"S-1","state":"down"}'
    topic = "underair/v1/trial/set/S-1/link"
    middle = Heard(heard[len(heard) // 2].received, topic, will, False)
    return sorted([*heard, middle], key=lambda one: one.received)


def _alarm_without_raised() -> list[Heard]:
    log, one = _wear()
    one.say(200, "alarm", alarm="distress", state="acknowledged")
    return _heard(log)


def _tally_of_nobody() -> list[Heard]:
    log, _ = _wear()
    desk = log.desk("D-2")
    desk.say(30, "tally", action="out", incident_id="I-1", wearer_id="W-9", set_id="S-9")
    return _heard(log)


FAULTS: dict[str, Callable[[], list[Heard]]] = {
    "a gauge in the wrong unit": _factor_100,
    "readings refused": _refused,
    "one clock far ahead": _one_clock_far_ahead,
    "a gauge that sticks": _stuck,
    "an hour without a word": _hour_without_a_word,
    "a drop-out of many readings": _drop_out_of_many_readings,
    "every message twice": _every_message_twice,
    "two contents of one identity": _two_contents_of_one_identity,
    "a retained replay": _retained_replay,
    "a boot number used again": _boot_number_used_again,
    "a last will": _last_will,
    "an alarm without its beginning": _alarm_without_raised,
    "a tally of nobody": _tally_of_nobody,
    "a clock of 1970": lambda: _said(clock=lambda at: at - 1_935_655_200.0),
    "a clock that steps back": lambda: _said(clock=lambda at: at - (600.0 if at > 300 else 0.0)),
    "a clock that drifts": lambda: _said(clock=lambda at: at * 1.002),
    "no clock but uptime": lambda: _said(clock=lambda at: at - 1_935_655_200.0, powered_s=30.0),
    "stored for two minutes": lambda: _said(delay=lambda at: max(400.0 - at, 0.05) if at > 280 else 0.05),
}
