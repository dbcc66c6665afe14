"""Wears, tallies and gauges of a few numbers for tests; moments are seconds, readings (second, bar)."""

from __future__ import annotations

from typing import Any

import numpy as np

from analysis.air.gas import Cylinder
from analysis.profile import Profile
from analysis.records import Channel, PowerUp
from analysis.wears.gauges import VoiceGauge
from analysis.wears.setups import thresholds_of
from analysis.wears.tally import TallyEntry
from analysis.wears.wears import Wear

PROFILE = Profile.default()
Readings = list[tuple[float, float]]
SECOND = 1_000_000


def us(at_s: float) -> int:
    return round(at_s * SECOND)


def flat(bar: float, first_s: float, last_s: float) -> Readings:
    return [(float(at_s), bar) for at_s in np.arange(first_s, last_s + 0.5)]


def channel(readings: Readings, *, first_seq: int = 0, rows: list[dict[str, Any]] | None = None) -> Channel:
    at_us = np.array([us(at_s) for at_s, _ in readings], np.int64)
    count = len(at_us)
    bar = np.array([bar for _, bar in readings], np.float64)  # as in a frame: numba would compile for others
    numbers = {"pressure_bar": bar, "gas_temperature_c": np.full(count, np.nan)}
    seq = np.arange(first_seq, first_seq + count)
    retained = np.zeros(count, np.bool_)
    return Channel(seq, at_us, at_us, np.full(count, np.nan), retained, at_us, numbers, rows or [])


def power_up(set_id: str, boot: int, readings: Readings) -> PowerUp:
    return PowerUp("set", set_id, boot, {"pressure": channel(readings)})


def wear(
    readings: Readings, how: str = "closed", of: PowerUp | None = None, number: int = 1, **more: Any
) -> Wear:
    """Give a wear of these readings, the spikes among them by their place."""
    of = of or power_up("S-1", 1, readings)
    heard = channel(readings, first_seq=100 * number)
    spike = np.zeros(len(readings), np.bool_)
    spike[list(more.pop("spikes", ()))] = True
    warning_bar = more.pop("warning_bar", 55.0)
    fields: dict[str, Any] = {
        "wear_id": f"{of.name}/{of.boot}/{number}",
        "cylinder": Cylinder(),
        "setup": None,
        "setup_identity": None,
        "thresholds": thresholds_of({"low_air_bar": warning_bar}, PROFILE),
    }
    arrays = (heard.seq, heard.at_us, heard.received_us, heard.numbers["pressure_bar"])
    gas_c = heard.numbers["gas_temperature_c"]
    named = fields | more
    wear_id = named.pop("wear_id")
    return Wear(wear_id, number, of, *arrays, gas_c, spike, how, **named)


def gauge(at_s: float, bar: float, set_id: str = "S-1") -> VoiceGauge:
    return VoiceGauge(us(at_s), "I-1", set_id, bar, "D-1", f"D-1/1/{at_s:g}")


def tally(wearer_id: str = "W-1", set_id: str = "S-1", in_s: float = 0, **more: Any) -> TallyEntry:
    spans = [(us(first), us(last)) for first, last in more.pop("spans", [(in_s, 1e6)])]
    return TallyEntry(
        set_id, "I-1", wearer_id, more.pop("team", "T-1"), None, us(in_s), us(in_s), f"{wearer_id}@{in_s}",
        "D-1", spans, **more,
    )  # fmt: skip
