"""Scenes of the live page: crews in every state, given to the real feed as if they were heard just now."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import polars as pl
from werkzeug.serving import make_server

from analysis.profile import Profile
from dashboard.app import create_app
from dashboard.context import PageContext
from dashboard.live.desk import Desk
from dashboard.live.feed import Feed
from dashboard.pages import board as board_page
from dashboard.pages import live as live_page
from ingest.archive.reading import Archive
from ingest.contract.captures import Heard
from ingest.contract.frames import Messages, frames_from_heard
from ingest.status import FILE_NAME, Status, encode_status

SETUP = {
    "cylinders": {"count": 1, "water_volume_l": 6.8, "rated_bar": 300.0},
    "low_air_bar": 55.0,
    "no_motion_prealarm_s": 20.0,
    "no_motion_alarm_s": 30.0,
    "heat_start_c": 120.0,
}
TEAMS = ("Alder", "Birch", "Rowan", "Maple", "Elm", "Ash", "Hazel", "Larch")
TASKS = ("search, first floor", "hose line", "ventilation", "safety team")
LONGEST_NAME = 40  # of a set, wearer or team (contract)
LONGEST_TEXT = 120
SCENES = (
    "12",
    "busy",
    "danger",
    "50",
    "200",
    "empty",
    "one",
    "long",
    "pressure_only",
    "all_silent",
    "starting",
)


class Line:
    """Stands for the broker: takes everything."""

    connected = True

    def publish(self, topic: str, payload: bytes, retain: bool = False, timeout_s: float = 60.0) -> None:
        pass

    def close(self, timeout_s: float = 30.0) -> None:
        pass


class Staged(Archive):
    """An archive that holds one scene and goes on breathing while it is looked at."""

    def __init__(self, folder: Path, scene: str) -> None:
        super().__init__(folder)
        self.began = datetime.now(UTC)
        self.scene = scene
        count = {
            "empty": 0,
            "one": 1,
            "long": 8,
            "starting": 3,
            "pressure_only": 6,
            "all_silent": 12,
            "busy": 10,
            "danger": 11,
        }
        kind = InDanger if scene == "danger" else Wearer
        self.wearers = [kind(number, scene) for number in range(count.get(scene) or int_or(scene, 0))]
        self._seq = 100_000
        self._status = folder / "journal" / "listener"
        self._status.mkdir(parents=True)
        said = [one for wearer in self.wearers for one in wearer.said(self.began)]
        self._history = frames_from_heard(sorted([*said, *self._desk()], key=lambda one: one.received))
        self.waiting = threading.Event()
        if scene != "starting":
            self.waiting.set()

    def messages(self, since: Any = None, until: Any = None, only: Any = None) -> Messages:
        self.waiting.wait()
        within = (pl.col("received") >= since) & (pl.col("received") < until)
        return {kind: frame.filter(within) for kind, frame in self._history.items()}

    def follow(self) -> Any:
        return self

    def new_messages(self) -> Messages:
        now = datetime.now(UTC)
        status = Status(listener="listener", state="up", at=now, connected=True)
        (self._status / FILE_NAME).write_bytes(encode_status(status))
        self._seq += 1
        said = [
            wearer.reading(self.began, (now - self.began).total_seconds(), self._seq)
            for wearer in self.wearers
            if wearer.speaks
        ]
        return frames_from_heard(said)

    def close(self) -> None:
        pass

    def _desk(self) -> list[Heard]:
        if not self.wearers:
            return []
        opened = self.began - timedelta(minutes=16)
        long = self.scene == "long"
        name = "x" * LONGEST_TEXT if long else "Cooperage, Quay 4"
        told = [(opened, "incident", {"incident_id": "TH-20310504-1912", "action": "open", "name": name})]
        for wearer in self.wearers:
            if wearer.tallied:
                fields = {"incident_id": "TH-20310504-1912", "action": "in", "set_id": wearer.set_id}
                fields |= {"wearer_id": wearer.wearer_id, "team": wearer.team, "task": wearer.task}
                told.append((self.began - timedelta(seconds=wearer.under_s + 40), "tally", fields))
        if long:  # refused, and quoted in its row and in the system line
            unread = {"incident_id": "TH-20310504-1912", "action": "in", "set_id": "S-900", "team": "Elm"}
            told.append((self.began - timedelta(minutes=5), "tally", unread | {"wearer_id": "X" * 64}))
        note = {
            "incident_id": "TH-20310504-1912",
            "text": "Stairs to the cellar are gone. " * (9 if long else 1),
        }
        told.append((self.began - timedelta(minutes=4), "note", note))
        told.append((self.began - timedelta(minutes=2), "note", note | {"set_id": self.wearers[0].set_id}))
        said = [
            heard(at, "desk", "desk-1", kind, seq, **fields) for seq, (at, kind, fields) in enumerate(told)
        ]
        if self.scene == "danger":
            by_voice = {"incident_id": "TH-20310504-1912", "set_id": "S-008", "pressure_bar": 190}
            at = self.began - timedelta(seconds=15)
            said.append(heard(at, "desk", "desk-1", "gauge", 900, **by_voice))
        return [*said, *self._busy()] if self.scene == "busy" else said

    def _busy(self) -> list[Heard]:
        """Say all else that a desk can say: two incidents, orders, a roll call, who came out."""
        mill, quay = {"incident_id": "TH-20310504-1930"}, {"incident_id": "TH-20310504-1912"}
        roll = quay | {"roll_id": "R-1"}
        last, out = self.wearers[-2:]
        who = last.names
        told = [
            (600, "incident", mill | {"action": "open", "name": "Mill, Weir Lane"}),
            (590, "tally", mill | {"action": "in", "set_id": "S-050", "wearer_id": "W-50", "team": "Alder"}),
            (300, "standby", quay | {"team": "Elm", "state": "ready"}),
            (120, "order", quay | {"order": "evacuate", "state": "given"}),
            (
                110,
                "order",
                quay | {"order": "withdraw", "state": "given", "team": "Rowan", "text": "north door"},
            ),
            (60, "roll_call", roll | {"state": "called"}),
            (50, "roll_call", roll | {"state": "answered", "team": "Alder"}),
            (40, "roll_call", roll | {"state": "missing", "wearer_id": "W-05"}),
            (30, "gauge", quay | {"set_id": "S-002", "pressure_bar": 210}),
            (20, "tally", quay | who | {"action": "out"}),
            (15, "tally", quay | out.names | {"action": "out"}),
        ]
        said = [
            heard(self.began - timedelta(seconds=ago), "desk", "desk-1", kind, 1000 + seq, **fields)
            for seq, (ago, kind, fields) in enumerate(told)
        ]
        against = heard(
            self.began - timedelta(seconds=12), "desk", "desk-2", "tally", 1, **quay, **who, action="in"
        )
        return [*said, against]


class Wearer:
    """One wearer of a scene; the first eight are in trouble, each in another way."""

    def __init__(self, number: int, scene: str) -> None:
        trouble = number if scene not in ("one", "all_silent", "pressure_only") else 99
        long = scene == "long"
        self.number = number
        self.set_id = f"S-{number:03}" + ("-" + "m" * LONGEST_NAME)[: LONGEST_NAME - 5] * long
        self.wearer_id = "W" * LONGEST_NAME if long else f"W-{number:02}"
        self.team = (
            "Brigade-of-the-eastern-harbour-district-1"[:LONGEST_NAME] if long else TEAMS[number // 4 % 8]
        )
        self.task = "w" * LONGEST_TEXT if long else TASKS[number % 4]
        self.tallied = trouble != 6
        self.set_up = trouble != 5
        self.left = scene == "busy" and number == 9  # closed the valve outside, and is tallied out
        self.silent_s = (
            25.0 if self.left else 70.0 if trouble == 2 else 45.0 if scene == "all_silent" else 0.0
        )
        self.under_s = 400.0 + 37.0 * (number % 11)
        self.pressure_only = scene == "pressure_only"
        used_bar = {1: 248.0, 3: 150.0, 7: 112.0}.get(trouble, 0.12 * self.under_s + 3.0 * (number % 7))
        self.bar_s = used_bar / self.under_s
        self.speaks = self.silent_s == 0
        self.alarms = {0: ("distress",), 4: ("no_motion",), 1: ("low_air",), 7: ("heat",)}.get(trouble, ())

    @property
    def names(self) -> dict[str, str]:
        """What a tally says of the wearer."""
        return {"set_id": self.set_id, "wearer_id": self.wearer_id, "team": self.team}

    def said(self, now: datetime) -> Iterator[Heard]:
        began = now - timedelta(seconds=self.under_s)
        if self.set_up:
            yield heard(began, "set", self.set_id, "setup", 0, retained=True, **SETUP)
        for second in range(0, int(self.under_s - self.silent_s), 2):
            at = began + timedelta(seconds=second)
            bar = round(295.0 - self.bar_s * second)
            yield heard(at, "set", self.set_id, "pressure", 3 * second + 1, pressure_bar=bar)
            if not self.pressure_only:
                still = {"still_s": 0.0, "motion_m_s2": 1.5}
                yield heard(at, "set", self.set_id, "motion", 3 * second + 2, **still)
        for ago in (24, 23) if self.left else ():
            at = now - timedelta(seconds=ago)
            yield heard(at, "set", self.set_id, "pressure", 40_000 - ago, pressure_bar=0)
        for place, alarm in enumerate(self.alarms):
            at = now - timedelta(seconds=25 + 31 * place + 9 * self.number)
            yield heard(at, "set", self.set_id, "alarm", 50_000 + place, alarm=alarm, state="raised")

    def reading(self, began: datetime, since_s: float, seq: int) -> Heard:
        bar = max(0.0, round(295.0 - self.bar_s * (self.under_s + since_s)))
        at = began + timedelta(seconds=since_s)
        return heard(at, "set", self.set_id, "pressure", seq, pressure_bar=bar)


class InDanger(Wearer):
    """One wearer of the scene of everything that puts somebody at the top."""

    LOSING, EMPTY, OFF, NEVER, TO_EMPTY, SILENT_PAST, PAST, RESTARTED, BY_VOICE, NO_MOTION, CALM = range(11)

    def __init__(self, number: int, scene: str) -> None:
        super().__init__(number, "12")
        trouble = number
        self.tallied = self.set_up = True
        self.alarms = {self.OFF: ("distress",), self.NO_MOTION: ("no_motion",)}.get(trouble, ())
        self.silent_s = {
            self.OFF: 40.0,
            self.SILENT_PAST: 200.0,
            self.RESTARTED: 30.0,
            self.BY_VOICE: 90.0,
        }.get(trouble, 0.0)
        self.speaks = trouble in (self.LOSING, self.TO_EMPTY, self.PAST, self.NO_MOTION, self.CALM)
        used_bar = {self.TO_EMPTY: 258.0, self.PAST: 150.0, self.SILENT_PAST: 130.0, self.OFF: 60.0}
        self.bar_s = used_bar.get(trouble, 0.12 * self.under_s) / self.under_s

    def said(self, now: datetime) -> Iterator[Heard]:
        if self.number == self.NEVER:
            return
        yield from (one for one in super().said(now) if self._before_the_end(one, now))
        if self.number in (self.OFF, self.RESTARTED):
            state = "off" if self.number == self.OFF else "on"
            boot = 1 if self.number == self.OFF else 2
            at = now - timedelta(seconds=25)
            yield heard(at, "set", self.set_id, "power", 60_000, boot=boot, state=state)
        if self.number in (self.EMPTY, self.LOSING):
            for second in range(20):
                at = now - timedelta(seconds=20 - second)
                bar = max(0, round(40 - 4 * second)) if self.number == self.EMPTY else 240 - 3 * second
                yield heard(at, "set", self.set_id, "pressure", 70_000 + second, pressure_bar=bar)

    def _before_the_end(self, one: Heard, now: datetime) -> bool:
        return self.number not in (self.EMPTY, self.LOSING) or one.received < now - timedelta(seconds=20)

    def reading(self, began: datetime, since_s: float, seq: int) -> Heard:
        if self.number != self.LOSING:
            return super().reading(began, since_s, seq)
        at = began + timedelta(seconds=since_s)
        bar = max(0.0, round(180.0 - 3.0 * since_s))
        return heard(at, "set", self.set_id, "pressure", seq, pressure_bar=bar)


def int_or(text: str, otherwise: int) -> int:
    return int(text) if text.isdigit() else otherwise


def heard(
    at: datetime,
    role: str,
    speaker: str,
    kind: str,
    seq: int,
    *,
    retained: bool = False,
    boot: int = 1,
    **fields: Any,
) -> Heard:
    payload = {
        "kind": kind,
        f"{role}_id": speaker,
        "boot": boot,
        "seq": seq,
        "time": at.isoformat(),
        **fields,
    }
    return Heard(at, f"underair/v1/trial/{role}/{speaker}/{kind}", json.dumps(payload).encode(), retained)


@contextmanager
def staged(folder: Path, scene: str) -> Iterator[tuple[str, Any]]:
    """Serve a scene: give the page's address and what stops the server."""
    archive = Staged(folder, scene)
    desk = Desk(lambda: Line(), "desk-1")  # type: ignore[arg-type,return-value]
    desk.open()
    profile = Profile.default()
    feed = Feed(archive, profile, desk.connected, desk_id="desk-1")
    other = SimpleNamespace(layout=lambda context, query: [], register=lambda app, context: None)
    pages: Any = {"/live": live_page, "/review": other, "/trends": other, "/board": board_page}
    app = create_app(PageContext(archive, profile, feed, desk), pages)
    server = make_server("127.0.0.1", 0, app.server, threaded=True)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    feed.start()
    thread.start()

    def stop() -> None:
        server.shutdown()
        thread.join()
        server.server_close()

    try:
        yield f"http://127.0.0.1:{server.server_port}/live", stop
    finally:
        archive.waiting.set()
        if thread.is_alive():
            stop()
        feed.stop()
