"""Other people's JSON for the tests: flat objects of one invented set."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

from ingest.contract.captures import Heard

BEGAN = datetime(2031, 5, 4, 19, 0, tzinfo=UTC)
FLAT = "bench7/telemetry/K12"
NIST = "responders/R-7/scba"
OWN = {"set_id": "S-1", "boot": 1, "seq": 0, "time": "2031-05-04T19:00:03Z"}


def heard(at_s: float, topic: str, told: Any) -> Heard:
    payload = told if isinstance(told, bytes) else json.dumps(told).encode()
    return Heard(BEGAN + timedelta(seconds=at_s), topic, payload)


def flat(number: int, at_s: float, **more: Any) -> Heard:
    told = {"n": number, "up": 5 + at_s, "ts": int((BEGAN.timestamp() + at_s) * 1000), "mode": "OK", **more}
    return heard(at_s, FLAT, told)
