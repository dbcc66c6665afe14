"""A minute of one set, with some messages that no listener may accept, each wrong in one way."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import NamedTuple

import numpy as np

from ingest.contract.captures import Heard
from sample_logs.simulation.radio import clock_texts
from sample_logs.simulation.scenario import SERVICE

SET_ID = "S-301"
GOOD_MESSAGES = 60


class Wrong(NamedTuple):
    """One message that must be refused.

    Attributes
    ----------
    what : str
        What is wrong with it, for people.
    topic : str
        Below ``underair/v1/{service}/``, or whole when it starts with another word.
    payload : bytes
        ``%(seq)d`` and ``%(time)s`` are filled in when it is built.
    path : str or None
        JSON path that the refusal names; None when it is not about a field.
    """

    what: str
    topic: str
    payload: bytes
    path: str | None


_PRESSURE = f"set/{SET_ID}/pressure"
_WHO = b'"set_id":"S-301","boot":77,"seq":%(seq)d,"time":"%(time)s"'

WRONG = (
    Wrong("no JSON at all", _PRESSURE, b"pressure=212", None),
    Wrong("cut off in the middle", _PRESSURE, b'{"kind":"pressure","set_id":"S-301","boo', None),
    Wrong("empty", _PRESSURE, b"", None),
    Wrong("a list, not an object", _PRESSURE, b'["pressure",212]', "$"),
    Wrong(
        "not UTF-8", _PRESSURE, b'{"kind":"pressure",' + _WHO + b',"pressure_bar":212,"by":"\xff\xfe"}', None
    ),
    Wrong(
        "larger than 4 KiB",
        _PRESSURE,
        b'{"kind":"pressure",' + _WHO + b',"pressure_bar":212,"padding":"' + b"x" * 4096 + b'"}',
        None,
    ),
    Wrong("NaN is no JSON", _PRESSURE, b'{"kind":"pressure",' + _WHO + b',"pressure_bar":NaN}', None),
    Wrong(
        "pressure in kPa",
        _PRESSURE,
        b'{"kind":"pressure",' + _WHO + b',"pressure_bar":21200}',
        "$.pressure_bar",
    ),
    Wrong(
        "pressure as text",
        _PRESSURE,
        b'{"kind":"pressure",' + _WHO + b',"pressure_bar":"212"}',
        "$.pressure_bar",
    ),
    Wrong("pressure missing", _PRESSURE, b'{"kind":"pressure",' + _WHO + b"}", "$.pressure_bar"),
    Wrong(
        "time without its offset",
        _PRESSURE,
        b'{"kind":"pressure","set_id":"S-301","boot":77,"seq":%(seq)d,"time":"2031-05-04T19:12:00","pressure_bar":212}',
        "$.time",
    ),
    Wrong(
        "boot below 0",
        _PRESSURE,
        b'{"kind":"pressure","set_id":"S-301","boot":-1,"seq":%(seq)d,"time":"%(time)s","pressure_bar":212}',
        "$.boot",
    ),
    Wrong(
        "another set than the topic says",
        _PRESSURE,
        b'{"kind":"pressure","set_id":"S-999","boot":77,"seq":%(seq)d,"time":"%(time)s","pressure_bar":212}',
        "$.set_id",
    ),
    Wrong(
        "another kind than the topic says",
        _PRESSURE,
        b'{"kind":"motion",' + _WHO + b',"motion_m_s2":1}',
        "$.kind",
    ),
    Wrong(
        "an alarm that the contract does not know",
        f"set/{SET_ID}/alarm",
        b'{"kind":"alarm",' + _WHO + b',"alarm":"tired","state":"raised"}',
        "$.alarm",
    ),
    Wrong(
        "a kind that the contract does not know", f"set/{SET_ID}/mood", b'{"kind":"mood",' + _WHO + b"}", None
    ),
    Wrong("a topic with a level missing", f"set/{SET_ID}", b'{"kind":"pressure",' + _WHO + b"}", None),
    Wrong(
        "a set with a space in its name", "set/S 301/pressure", b'{"kind":"pressure","pressure_bar":1}', None
    ),
    Wrong("a topic of another version", f"underair/v9/x/set/{SET_ID}/pressure", b'{"kind":"pressure"}', None),
)


def build_bad_messages(opened: datetime) -> list[Heard]:
    """Return a minute of good pressure readings with every message of `WRONG` among them.

    Parameters
    ----------
    opened : datetime
        When it begins, UTC.

    Returns
    -------
    list of Heard
        `GOOD_MESSAGES` good ones and ``len(WRONG)`` bad ones, in the order received. The good ones also
        carry a field of a later version, which must be ignored.
    """
    heard = []
    seq = 0
    for second in range(GOOD_MESSAGES):
        received = opened + timedelta(seconds=second, milliseconds=90)
        good = (
            b'{"kind":"pressure",' + _WHO + b',"pressure_bar":%d,"of_version_2":true}' % (240 - second // 9)
        )
        heard.append(_message(received, _PRESSURE, good, opened, second, seq))
        seq += 1
        if second % 3 == 2 and second // 3 < len(WRONG):
            wrong = WRONG[second // 3]
            late = received + timedelta(milliseconds=400)
            heard.append(_message(late, wrong.topic, wrong.payload, opened, second, seq))
            seq += 1
    return heard


def _message(
    received: datetime, topic: str, payload: bytes, opened: datetime, second: int, seq: int
) -> Heard:
    (time,) = clock_texts(opened, np.array([float(second)]), 3)
    filled = payload.replace(b"%(seq)d", b"%d" % seq).replace(b"%(time)s", time.encode())
    whole = topic if topic.startswith("underair/") else f"underair/v1/{SERVICE}/{topic}"
    return Heard(received, whole, filled)
