"""Playing an incident's script: every set lives, the desk writes, the radio carries, the truth is kept."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from analysis.simulation.radio import Carried, Speaker, as_heard, carry
from analysis.simulation.script import IncidentScript, RefusedStart, SetScript
from analysis.simulation.set_alarms import AlarmTruth
from analysis.simulation.set_life import LivedWear, live
from analysis.simulation.truth import IncidentTruth, TrueAlarm, TrueClock, TrueGap, TrueWear
from ingest.contract.captures import Heard


@dataclass(frozen=True, slots=True)
class SimulatedIncident:
    """An incident that never was: what a listener heard, in the order received, and what really happened."""

    script: IncidentScript
    heard: list[Heard]
    truth: IncidentTruth

    @property
    def incident_id(self) -> str:
        """Its identity on the wire."""
        return self.truth.incident_id


@dataclass(slots=True)
class _Stage:
    """What collects while the script is played."""

    script: IncidentScript
    opened: datetime
    incident_id: str
    heard: list[Heard]
    wears: list[TrueWear]
    clocks: list[TrueClock]
    duplicates: list[str]
    conflicts: list[str]
    lost: list[str]

    def at(self, seconds: float) -> datetime:
        return self.opened + timedelta(microseconds=round(seconds * 1e6))


def stage(script: IncidentScript, seed: int, opened: datetime, incident_id: str) -> SimulatedIncident:
    """Play a script.

    Parameters
    ----------
    script : IncidentScript
    seed : int
        Decides everything that the script leaves open; the boots also follow `opened`.
    opened : datetime
        When the incident is opened, UTC, time-zone aware.
    incident_id : str

    Returns
    -------
    SimulatedIncident
        The same for the same arguments, on every machine.
    """
    play = _Stage(script, opened, incident_id, [], [], [], [], [], [])
    boots = _Boots(seed, opened)
    for index, one in enumerate(script.sets):
        _play_set(play, one, boots.next(at_random=one.boots_at_random), np.random.default_rng([seed, index]))
    for index, refused in enumerate(script.refused_starts):
        _play_refused_start(
            play, refused, boots.next(at_random=False), np.random.default_rng([seed, 900 + index])
        )
    _play_desk(play, boots.next(at_random=True), np.random.default_rng([seed, 999]))
    play.heard.sort(key=lambda one: one.received)
    silences = [(one.set_id, silence) for one in script.sets for silence in one.path.silences]
    truth = IncidentTruth(
        incident_id=incident_id,
        opened=opened,
        closed=play.at(script.closes_s) if script.closes_s is not None else play.heard[-1].received,
        wears=tuple(play.wears),
        clocks=tuple(play.clocks),
        gaps=tuple(
            TrueGap(set_id, play.at(silence.started_s), play.at(silence.ended_s), silence.kept)
            for set_id, silence in silences
        ),
        refused_starts=tuple(one.set_id for one in script.refused_starts),
        duplicates=tuple(play.duplicates),
        conflicts=tuple(play.conflicts),
        lost=tuple(play.lost),
    )
    return SimulatedIncident(script, play.heard, truth)


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


def _play_set(play: _Stage, script: SetScript, boot: int, rng: np.random.Generator) -> None:
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
        play.heard.append(Heard(play.at(script.link_down_s[0]), topic, _json(will)))
    _plant_doubles(play, script, speaker, carried)
    identity = f"{script.set_id}/{boot}/"
    play.duplicates.extend(f"{identity}{seq}" for seq, _ in carried.repeats)
    play.lost.extend(f"{identity}{seq}" for seq in carried.lost.tolist())
    steps = tuple((play.at(at_s), jump_s) for at_s, jump_s in script.clock.steps)
    play.clocks.append(TrueClock(script.set_id, boot, script.clock.offset_s, script.clock.drift_ppm, steps))
    play.wears.extend(_true_wear(play, script, boot, wear) for wear in lived)


def _plant_doubles(play: _Stage, script: SetScript, speaker: Speaker, carried: Carried) -> None:
    def first_pressure_after(at_s: float) -> int:
        return next(
            index
            for index, topic in enumerate(carried.topics)
            if carried.true_s[index] >= at_s
            and topic.endswith("/pressure")
            and not np.isnan(carried.received_s[index])
        )

    if script.sent_twice_s is not None:
        index = first_pressure_after(script.sent_twice_s)
        again = play.at(float(carried.received_s[index]) + 0.8)
        play.heard.append(Heard(again, carried.topics[index], carried.payloads[index]))
        play.duplicates.append(f"{script.set_id}/{speaker.boot}/{index}")
    if script.conflicting_s is not None:
        index = first_pressure_after(script.conflicting_s)
        other = re.sub(
            rb'"pressure_bar":([0-9.]+)',
            lambda found: b'"pressure_bar":%g' % (float(found[1]) - 7.0),
            carried.payloads[index],
        )
        again = play.at(float(carried.received_s[index]) + 0.5)
        play.heard.append(Heard(again, carried.topics[index], other))
        play.conflicts.append(f"{script.set_id}/{speaker.boot}/{index}")


def _true_wear(play: _Stage, script: SetScript, boot: int, lived: LivedWear) -> TrueWear:
    wear = lived.script
    low = np.flatnonzero(lived.truth.pressure_bar <= script.thresholds.low_air_bar)
    return TrueWear(
        set_id=script.set_id,
        boot=boot,
        number=lived.number,
        wearer_id=wear.wearer_id,
        team=wear.team,
        cylinder=wear.cylinder,
        low_air_bar=script.thresholds.low_air_bar,
        started=play.at(lived.started_s),
        ended=play.at(lived.ended_s),
        free_air_left_l=lived.truth.free_air_left_l,
        rate_l_min=lived.truth.rate_l_min,
        pressure_bar=lived.truth.pressure_bar,
        gas_temperature_c=lived.truth.gas_temperature_c,
        surroundings_c=lived.truth.surroundings_c,
        turned_back=None if wear.turns_back_s is None else play.at(wear.turns_back_s),
        low_air_at=play.at(lived.started_s + int(low[0])) if low.size else None,
        alarms=tuple(_true_alarm(play, script.set_id, alarm) for alarm in lived.alarms),
    )


def _true_alarm(play: _Stage, set_id: str, alarm: AlarmTruth) -> TrueAlarm:
    seen = [
        entry.at_s
        for entry in play.script.desk
        if entry.kind == "seen"
        and (entry.fields["set_id"], entry.fields["alarm"]) == (set_id, alarm.alarm)
        and alarm.raised_s <= entry.at_s
        and (alarm.cleared_s is None or entry.at_s <= alarm.cleared_s)
    ]
    return TrueAlarm(
        alarm.alarm,
        play.at(alarm.raised_s),
        None if alarm.acknowledged_s is None else play.at(alarm.acknowledged_s),
        None if alarm.cleared_s is None else play.at(alarm.cleared_s),
        play.at(seen[0]) if seen else None,
        alarm.detail,
    )


def _play_refused_start(play: _Stage, refused: RefusedStart, boot: int, rng: np.random.Generator) -> None:
    speaker = Speaker(play.script.service, "set", refused.set_id, boot, refused.at_s)
    fields = {
        "state": "refused",
        "battery_fraction": refused.battery_fraction,
        "battery_type": "rechargeable",
        "lasts_another_wear": False,
    }
    speaker.say(refused.at_s, "power", fields, certain=True)
    play.heard.extend(as_heard(carry(speaker, play.opened, rng), play.opened))


def _play_desk(play: _Stage, boot: int, rng: np.random.Generator) -> None:
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


def _json(fields: dict[str, Any]) -> bytes:
    return json.dumps(fields, separators=(",", ":"), ensure_ascii=False).encode()
