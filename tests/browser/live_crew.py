"""Sets and a desk that publish as real ones would, for the tests of the live page in a browser."""

from __future__ import annotations

import json
import threading
import time
from datetime import UTC, datetime
from typing import Any

from ingest.broker.mqtt import Publisher


class Crew:
    """Sets and a desk that publish as real ones would."""

    def __init__(self, url: str, service: str = "trial") -> None:
        self._publisher = Publisher(url)
        self._service = service
        self._seq: dict[str, int] = {}
        self._boots: dict[str, int] = {}

    def say(self, speaker: str, role: str, kind: str, **fields: Any) -> None:
        seq = self._seq[speaker] = self._seq.get(speaker, -1) + 1
        now = datetime.now(UTC).isoformat()
        payload = {"kind": kind, f"{role}_id": speaker, "boot": self._boots.get(speaker, 1)}
        payload |= {"seq": seq, "time": now, **fields}
        topic = f"underair/v1/{self._service}/{role}/{speaker}/{kind}"
        self._publisher.publish(topic, json.dumps(payload).encode(), retain=kind == "setup")

    def set(self, set_id: str, kind: str, **fields: Any) -> None:
        self.say(set_id, "set", kind, **fields)

    def restart(self, set_id: str) -> None:
        """Switch a set off and on: its next message is of another power-up."""
        self._boots[set_id] = self._boots.get(set_id, 1) + 1
        self.set(set_id, "power", state="on")

    def desk(self, kind: str, **fields: Any) -> None:
        self.say("D-1", "desk", kind, **fields)

    def close(self) -> None:
        self._publisher.close()


class Breathing(threading.Thread):
    """A set that goes on sending its pressure, five times a second, until it is told to be silent.

    `bar_s` is how fast the pressure falls: 0.2 bar/s of 6.8 L is hard work, from 0.5 bar/s on it is an open
    line and no longer a wearer who breathes (`air.free_flow_l_min`).
    """

    def __init__(self, crew: Crew, set_id: str, bar: float, bar_s: float = 0.2) -> None:
        super().__init__(daemon=True)
        self._crew, self._set_id, self.bar, self.bar_s = crew, set_id, bar, bar_s
        self.silent = threading.Event()

    def run(self) -> None:
        began_s, full_bar = time.monotonic(), self.bar
        while not self.silent.wait(0.2):
            # By the clock: on a loaded machine the pauses are longer, and the air goes no slower.
            self.bar = max(0.0, full_bar - self.bar_s * (time.monotonic() - began_s))
            self._crew.set(self._set_id, "pressure", pressure_bar=round(self.bar))
