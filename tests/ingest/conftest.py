"""Messages of the contract, made by number."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import settings

from ingest.contract.captures import Heard

# What is tested is whether it is right; on a loaded machine any single example may take its time.
settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")

START = datetime(2031, 5, 4, 10, 0, tzinfo=UTC)


def make_pressure(seq: int, set_id: str = "S-014", pressure_bar: float = 200.5, **fields: Any) -> Heard:
    """One pressure message a second from one set."""
    at = START + timedelta(seconds=seq)
    payload = {
        "kind": "pressure",
        "set_id": set_id,
        "boot": 17,
        "seq": seq,
        "time": at.isoformat().replace("+00:00", "Z"),
        "pressure_bar": pressure_bar,
        **fields,
    }
    topic = f"underair/v1/demo/set/{set_id}/pressure"
    return Heard(at + timedelta(milliseconds=40), topic, json.dumps(payload).encode())


@pytest.fixture(name="pressure")
def pressure_fixture() -> Callable[..., Heard]:
    return make_pressure
