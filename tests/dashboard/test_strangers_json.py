"""Other people's JSON on the live page by a mapping file alone: broker, `listen --mapping`, `serve`, no code.

One object is NIST's for breathing apparatus. One is an invented maker's, made up when all code was finished:
local time, kilopascals, kelvin, a nested list, numbers as text, and a German word for a state.
"""

from __future__ import annotations

import contextlib
import gzip
import json
import signal
import subprocess
import sys
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from ingest.archive.reading import Archive
from ingest.broker.mqtt import Publisher
from ingest.mapping.rules import EXAMPLES

UNDERAIR = [sys.executable, "-W", "error", "-m", "dashboard.underair"]
STRANGER = """
name = "kolbe-ax"
version = 1
service = "demo"

[[source]]
topic = "wache/{station}/traeger/{nummer}/zustand"
set_id = { level = "nummer" }
time = { form = "local", pointer = "/kopf/zeit", zone = "Europe/Vienna" }
counter = { pointer = "/kopf/lfd" }
uptime_s = { pointer = "/kopf/laeuft_min", unit = "min" }

[[source.message]]
kind = "setup"
once = true
[source.message.fields]
cylinders = { value = { count = 1, water_volume_l = 6.8, rated_bar = 300 } }
low_air_bar = { value = 55 }

[[source.message]]
kind = "pressure"
[source.message.fields]
pressure_bar = { pointer = "/flaschen/0/druck~1kPa", unit = "kPa" }
gas_temperature_c = { pointer = "/flaschen/0/temp", unit = "K", optional = true }

[[source.message]]
kind = "temperature"
[source.message.fields]
temperature_c = { pointer = "/umgebung", unit = "K" }

[[source.message]]
kind = "motion"
[source.message.fields]
motion_m_s2 = { pointer = "/ruck_g", unit = "g" }

[[source.flag]]
alarm = "distress"
pointer = "/lage"
true = ["NOTRUF"]
"""


def strangers_object(number: int, now: datetime) -> dict[str, Any]:
    return {
        "kopf": {
            "zeit": now.astimezone(ZoneInfo("Europe/Vienna")).replace(tzinfo=None).isoformat(),
            "lfd": number,
            "laeuft_min": 3 + number / 60,
        },
        "flaschen": [{"druck/kPa": str(27_450.0 - 10 * number), "temp": 295.4}],
        "umgebung": 318.15,
        "ruck_g": 0.21,
        "lage": "NOTRUF" if number >= 4 else "ruhig",
    }


def nist_object(number: int, now: datetime) -> dict[str, Any]:
    return {
        "observedAt": now.isoformat(),
        "cylinderPressure": 4100 - number,
        "ambientTemperature": 31.5,
        "secondsWithoutMotion": 0,
        "passAlarm": False,
        "light": 12,
    }


@contextlib.contextmanager
def running(*arguments: object) -> Iterator[subprocess.Popen[str]]:
    command = [*UNDERAIR, *map(str, arguments)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        try:
            yield process
        finally:
            if process.poll() is None:
                process.send_signal(signal.SIGINT)
            process.communicate(timeout=60)


@pytest.mark.broker
def test_a_strangers_sets_are_on_the_live_page_by_a_mapping_file_alone(
    mosquitto: Any, tmp_path: Path, free_port: Callable[[], int], wait_until: Callable[..., Any]
) -> None:
    archive, mapping, port = tmp_path / "archive", tmp_path / "mine.toml", free_port()
    mapping.write_text(STRANGER)
    nist = EXAMPLES / "nist_scba.toml"

    def rows() -> dict[str, dict[str, Any]]:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/live.json", timeout=60) as response:
                shown = json.loads(gzip.decompress(response.read()))
        except (urllib.error.URLError, ConnectionError):
            return {}
        return {row["who"]: row for row in shown.get("rows", ())}

    def tally(moment: datetime) -> bytes:
        told = {"kind": "tally", "desk_id": "D-1", "boot": 1, "seq": 0, "time": moment.isoformat()}
        told |= {"incident_id": "I-1", "action": "in", "set_id": "AX-31", "wearer_id": "W-31"}
        return json.dumps(told).encode()

    listening = (
        "listen",
        "--broker",
        mosquitto.url,
        "--archive",
        archive,
        "--mapping",
        mapping,
        "--mapping",
        nist,
    )
    serving = ("serve", "--broker", mosquitto.url, "--archive", archive, "--port", port)
    with running(*listening) as listener, Publisher(mosquitto.url) as publisher:
        assert listener.stderr is not None
        assert any("receiving from" in line for line in iter(listener.stderr.readline, ""))
        with running(*serving):
            number = 0
            publisher.publish("underair/v1/demo/desk/D-1/tally", tally(datetime.now(UTC)))

            def shown() -> dict[str, dict[str, Any]] | None:
                nonlocal number
                now = datetime.now(UTC)
                for topic, made in (
                    ("wache/nord/traeger/AX-31/zustand", strangers_object(number, now)),
                    ("responders/R-7/scba", nist_object(number, now)),
                ):
                    publisher.publish(topic, json.dumps(made).encode())
                publisher.flush()
                number += 1
                found = {name: row for who, row in rows().items() for name in ("W-31", "R-7") if name in who}
                return found if len(found) == 2 and number > 8 else None

            live = wait_until(shown, what="both sets on the live page")
    assert live["W-31"]["incident"] == "I-1"
    assert "distress" in json.dumps(live["W-31"]).lower()
    assert "distress" not in json.dumps(live["R-7"]).lower()
    messages = Archive(archive).messages()
    assert messages["refused"].is_empty()
    assert messages["originals"].height == 2 * number
    pressure = messages["pressure"].filter(set_id="AX-31").sort("seq")["pressure_bar"].to_list()
    assert pressure == pytest.approx([274.5 - 0.1 * each for each in range(number)])
    gas = messages["pressure"].filter(set_id="AX-31")["gas_temperature_c"][0]
    assert gas == pytest.approx(22.25)  # 295.4 K - 273.15
    motion = messages["motion"].filter(set_id="AX-31")["motion_m_s2"][0]
    assert motion == pytest.approx(0.21 * 9.80665)  # standard gravity, NIST SP 811 (2008), appendix B.8
    times = messages["pressure"].filter(set_id="AX-31").select("time", "received")
    assert (times["received"] - times["time"]).dt.total_milliseconds().abs().max() < 60_000
