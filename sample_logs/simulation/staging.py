"""Play an incident's script: sets, desk and radio."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from ingest.contract.captures import Heard
from sample_logs.simulation.radio import Carried, Speaker, as_heard, carry
from sample_logs.simulation.script import IncidentScript, RefusedStart, SetScript
from sample_logs.simulation.set_life import LivedWear, live


@dataclass(frozen=True, slots=True)
class PlayedSet:
    """What came of one set's script: its wears, what the radio did, and which messages were planted twice."""

    script: SetScript
    boot: int
    wears: list[LivedWear]
    carried: Carried
    sent_twice: list[int]  # seq of a reading that arrives twice
    conflicting: list[int]  # ... and of one that arrives again with another pressure


@dataclass(frozen=True, slots=True)
class SimulatedIncident:
    """An incident that never was: what a listener heard, in the order received, and what really happened."""

    script: IncidentScript
    opened: datetime
    incident_id: str
    heard: list[Heard]
    sets: list[PlayedSet]

    def at(self, seconds: float) -> datetime:
        """Return the moment so many seconds after the opening."""
        return self.opened + timedelta(microseconds=round(seconds * 1e6))


def stage(script: IncidentScript, seed: int, opened: datetime, incident_id: str) -> SimulatedIncident:
    """Play a script.

    - `seed`: decides everything that the script leaves open; the boots also follow `opened`.
    - `opened`: when the incident is opened, UTC, time-zone aware.

    Returns the same for the same arguments, on every machine.
    """
    play = SimulatedIncident(script, opened, incident_id, [], [])
    boots = _Boots(seed, opened)
    for index, one in enumerate(script.sets):
        _play_set(play, one, boots.next(at_random=one.boots_at_random), np.random.default_rng([seed, index]))
    for index, refused in enumerate(script.refused_starts):
        _play_refused_start(
            play, refused, boots.next(at_random=False), np.random.default_rng([seed, 900 + index])
        )
    _play_desk(play, boots.next(at_random=True), np.random.default_rng([seed, 999]))
    play.heard.sort(key=lambda one: one.received)
    return play


class _Boots:
    """Boot numbers: some sets count power-ups, some draw a random number; none repeats later."""

    def __init__(self, seed: int, opened: datetime) -> None:
        moment = int(opened.timestamp())
        self._counter = moment // 600
        self._apart = 0
        self._rng = np.random.default_rng([seed, moment])

    def next(self, *, at_random: bool) -> int:
        drawn = int(self._rng.integers(1, 2**53 - 1))
        self._apart += 61
        return drawn if at_random else (self._counter + self._apart) % 1_000_000


def _play_set(play: SimulatedIncident, script: SetScript, boot: int, rng: np.random.Generator) -> None:
    speaker, lived = live(script, play.script.service, boot, rng)
    if script.link_down_s is not None:
        speaker.say(
            script.link_down_s[1], "link", {"state": "up", "rssi_dbm": -83}, retained=True, certain=True
        )
    carried = carry(speaker, play.opened, rng)
    play.heard.extend(as_heard(carried, play.opened))
    if script.link_down_s is not None:
        # The gateway's last will: written long before, so it has neither boot nor seq nor time.
        will = {"kind": "link", "set_id": script.set_id, "state": "down"}
        topic = f"underair/v1/{play.script.service}/set/{script.set_id}/link"
        play.heard.append(
            Heard(play.at(script.link_down_s[0]), topic, json.dumps(will, separators=(",", ":")).encode())
        )
    played = PlayedSet(script, boot, lived, carried, [], [])
    _plant_doubles(play, played)
    play.sets.append(played)


def _plant_doubles(play: SimulatedIncident, played: PlayedSet) -> None:
    script, carried = played.script, played.carried

    def first_pressure_after(at_s: float) -> int:
        return next(
            index
            for index, topic in enumerate(carried.topics)
            if carried.true_s[index] >= at_s
            and topic.endswith("/pressure")
            and not np.isnan(carried.received_s[index])
        )

    def hear_again(index: int, after_s: float, payload: bytes) -> None:
        play.heard.append(
            Heard(play.at(float(carried.received_s[index]) + after_s), carried.topics[index], payload)
        )

    if script.sent_twice_s is not None:
        index = first_pressure_after(script.sent_twice_s)
        hear_again(index, 0.8, carried.payloads[index])
        played.sent_twice.append(index)
    if script.conflicting_s is not None:
        index = first_pressure_after(script.conflicting_s)
        other = re.sub(
            rb'"pressure_bar":([0-9.]+)',
            lambda found: b'"pressure_bar":%g' % (float(found[1]) - 7.0),
            carried.payloads[index],
        )
        hear_again(index, 0.5, other)
        played.conflicting.append(index)


def _play_refused_start(
    play: SimulatedIncident, refused: RefusedStart, boot: int, rng: np.random.Generator
) -> None:
    speaker = Speaker(play.script.service, "set", refused.set_id, boot, refused.at_s)
    fields = {
        "state": "refused",
        "battery_fraction": refused.battery_fraction,
        "battery_type": "rechargeable",
        "lasts_another_wear": False,
    }
    speaker.say(refused.at_s, "power", fields, certain=True)
    play.heard.extend(as_heard(carry(speaker, play.opened, rng), play.opened))


def _play_desk(play: SimulatedIncident, boot: int, rng: np.random.Generator) -> None:
    script = play.script
    desk = Speaker(script.service, "desk", script.desk_id, boot, -30.0, script.desk_clock)
    incident: dict[str, Any] = {"incident_id": play.incident_id}
    about = {"name": script.name, "place": script.place, "type": script.type}
    desk.say(0.0, "incident", incident | {"action": "open"} | about, certain=True)
    if script.closes_s is not None:
        desk.say(script.closes_s, "incident", incident | {"action": "close"}, certain=True)
    for one in script.sets:
        for wear in one.wears:
            who = {"set_id": one.set_id, "wearer_id": wear.wearer_id, "team": wear.team}
            if wear.tallied_in_after_s is not None:
                in_s = wear.opens_s + wear.tallied_in_after_s
                fields = incident | {"action": "in"} | who | {"task": wear.task}
                desk.say(in_s, "tally", fields, certain=True)
            if wear.tallied_out_before_s is not None:
                out_s = wear.opens_s + wear.seconds - wear.tallied_out_before_s
                desk.say(out_s, "tally", incident | {"action": "out"} | who, certain=True)
    for entry in script.desk:
        fields = dict(entry.fields)
        if entry.kind != "seen":
            fields = incident | fields
        if entry.about_s is not None:
            fields["at"] = play.at(entry.about_s).isoformat(timespec="seconds").replace("+00:00", "Z")
        desk.say(entry.at_s, entry.kind, fields, certain=True)
    play.heard.extend(as_heard(carry(desk, play.opened, rng), play.opened))
