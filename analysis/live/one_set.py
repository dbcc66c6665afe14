"""What is known of one set at this moment: wear in progress, alarms, tally, and when it was last heard.

Moments (`..._at`) are seconds since 1970-01-01 UTC on the listener's clock (`live_clock`). Readings are
used in the order of their moment; one that arrives later than a newer one is too late for the live filter
and only the review sees it.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from statistics import median
from typing import Any

from analysis.air.breathing import LiveAir
from analysis.air.gas import Cylinder, free_air_l
from analysis.alarms.derived import STALE_MOTION_S
from analysis.live.clock import LiveClock
from analysis.live.outlook import Outlook, look_ahead
from analysis.live.turn_back import TurnBackWatch
from analysis.profile import Profile
from analysis.wears.turn_back import prompt_times_s
from analysis.wears.valve import (
    CHANGED_RISE_BAR,
    CLOSED_BELOW_BAR,
    OPEN_ABOVE_BAR,
    RAMP_S,
    SPIKE_BAR,
    UNBREATHABLE_L_S,
)
from analysis.wears.wears import cylinder_of

RISING_BAR = 2.0  # less than this between two readings is no longer the valve's ramp
LEAP_CONFIRMED = 2  # readings in a row that must stand before a leap is believed
USUAL_VOLUME_L = 6.8  # for what counts as faster than breathing, until the set has said its own
FLICKER_BAR = 3.0
OUTLOOK_S = 1.0  # an outlook without a newer reading is made anew after this
LINE_STEP_S = 10.0  # the air line so far keeps one point each
MISSED_READINGS = 3
USED_AGAIN_S = 10.0  # said so long after the latest power-up was last heard: no straggler; our own rule
TRANSPORT_S = 1.0  # grace for radio and listener on top of the missed readings
DEFAULT_INTERVAL_S = 5.0  # until two readings have shown the usual interval
HELD = ("distress", "no_motion")  # a person closes these, not a set that goes off
PLANNING_C = 20.0  # expected times are planned, not measured: the reference temperature of free air

Record = dict[str, Any]


@dataclass
class ActiveAlarm:
    """An alarm that is raised, or has ended without anybody at the desk having seen it."""

    alarm: str
    raised_at: float
    inferred: bool = False  # no `raised` was heard, only what follows it
    derived: bool = False  # the readings say so, the set did not
    acknowledged_at: float | None = None
    ended_at: float | None = None
    seen_at: float | None = None
    seen_by: str | None = None
    detail: str | None = None
    unknown_since_at: float | None = None  # the set went off or restarted: nobody knows


@dataclass
class Wear:
    """A wear in progress."""

    started_at: float
    start_bar: float
    air: LiveAir | None
    turn_back: TurnBackWatch
    last_at: float
    last_bar: float
    cylinder: Cylinder | None = None  # a wear keeps its first: the air is counted with it to the end
    prompts_at: tuple[float, ...] = ()  # when a third and two thirds of the expected time are used
    line: list[tuple[float, float]] = field(default_factory=list)
    recent: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=40))
    _outlook: Outlook | None = None

    def outlook(self, low_air_bar: float, now_s: float, *, keep: bool = False) -> Outlook | None:
        """Return what lies ahead, None without a cylinder.

        It is made anew with each reading and once a second; `keep` takes an older one of the same reading.
        """
        if self.air is None:
            return None
        known = self._outlook
        fresh = (
            known is not None
            and known.reading_at == self.last_at
            and (keep or now_s - known.made_at < OUTLOOK_S)
        )
        if known is None or not fresh:
            leave_bar = self.turn_back.leave_bar if self.turn_back.reached_at is None else None
            reading = (self.last_at, self.last_bar)
            known = look_ahead(self.air, self.started_at, reading, low_air_bar, leave_bar, now_s)
            self._outlook = known
        return known


@dataclass
class Tally:
    """The latest tally of a set."""

    incident_id: str
    action: str
    wearer_id: str
    team: str | None
    task: str | None
    at: float
    desk_id: str
    identity: tuple[str, int | None, int]


class LiveSet:
    """One set; `take(kind, record)` in order of receipt."""

    def __init__(self, service: str, set_id: str, profile: Profile) -> None:
        self.service = service
        self.set_id = set_id
        self.profile = profile
        self.clock = LiveClock()
        self.boot: int | None = None
        self._boots_left: set[int] = set()
        self.cylinder: Cylinder | None = None
        self.low_air_bar = profile.air.low_air_bar
        self.no_motion_alarm_s = profile.motion.no_motion_alarm_s
        self.heat_start_c = profile.heat.heat_start_c
        self.tally: Tally | None = None
        self.wear: Wear | None = None
        self.ended_at: float | None = None  # of the last wear, once it is over
        self.entry_bar: float | None = None
        self.began_at: float | None = None  # of the last wear
        self.evacuate_acknowledged_at: float | None = None
        self.last_wear_bar: float | None = None
        self.power_off_at: float | None = None
        self.restarted_at: float | None = None
        self.alarms: dict[str, ActiveAlarm] = {}
        self.last_heard_at: float | None = None  # any kind
        self.reading_at: float | None = None  # of the last pressure reading, believed or not
        self.pressure: tuple[float, float] | None = None  # (at, bar) of the last one believed
        self.temperature: tuple[float, float] | None = None
        self.link: str | None = None
        self._alarm_order: dict[str, tuple[int, int, float]] = {}  # boot, seq, time
        self._cleared: set[str] = set()  # alarms whose last message was `cleared`
        self._intervals: deque[float] = deque(maxlen=21)
        self._motion_at: float | None = None  # of the last motion message
        self._motion_intervals: deque[float] = deque(maxlen=21)
        self._moved_at = 0.0  # when it last showed motion, or the count of stillness began anew
        self._opening_at: float | None = None
        self._leaps: list[tuple[float, float]] = []

    @property
    def cylinder_in_use(self) -> Cylinder | None:
        """The cylinder that the air is counted with; that of the wear in progress, if there is one."""
        return self.wear.cylinder if self.wear is not None else self.cylinder

    @property
    def usual_interval_s(self) -> float:
        """Seconds between two pressure readings, as the set has been sending them."""
        return median(self._intervals) if len(self._intervals) >= 3 else DEFAULT_INTERVAL_S

    def silent_since(self, now_s: float) -> float | None:
        """Return when the set was last heard if three readings are missing since, else None."""
        if self.wear is None or self.reading_at is None:
            return None
        allowed_s = MISSED_READINGS * self.usual_interval_s + TRANSPORT_S
        return self.reading_at if now_s - self.reading_at > allowed_s else None

    def take(self, kind: str, record: Record) -> float:
        """Take one message and return the moment it was spoken."""
        boot, seq = record["boot"], record["seq"]
        at = self.clock.at(boot, seq, record["time_s"], record["received_s"])
        if boot in self._boots_left:
            heard_at = at if self.last_heard_at is None else self.last_heard_at
            if record["retained"] or at <= heard_at + USED_AGAIN_S:
                return at  # a straggler of an earlier power-up: only the review can place it
            self._boots_left.discard(boot)  # against the contract, but its wearer is under air
        if kind == "setup":  # a retained one is knowledge as well
            self._setup(record)
            return at
        if kind == "link":
            self.link = record["state"]
            return at
        if record["retained"]:  # an old state that the broker kept: nothing that happens now
            return at
        if boot is not None and boot != self.boot:
            if self.boot is not None:
                self._boots_left.add(self.boot)
                self._end_wear(at)
                self._doubt_alarms(at)
                self.restarted_at = at
            self.boot = boot
        self.last_heard_at = max(at, self.last_heard_at or at)
        if kind == "pressure":
            self._reading(at, record["pressure_bar"], record["gas_temperature_c"])
        elif kind == "motion":
            self._motion(at, record["motion_m_s2"], record["still_s"])
        elif kind == "temperature":
            self.temperature = (at, record["temperature_c"])
            self._derive("heat", at, record["temperature_c"] >= self.heat_start_c)
        elif kind == "alarm":
            self._alarm(at, record)
        elif kind == "power":
            self._power(at, record)
        return at

    def take_tally(self, at: float, record: Record) -> None:
        """Take a tally of this set; an older one than the latest changes nothing."""
        if self.tally is not None and at < self.tally.at:
            return
        self.tally = Tally(
            incident_id=record["incident_id"],
            action=record["action"],
            wearer_id=record["wearer_id"],
            team=record["team"],
            task=record["task"],
            at=at,
            desk_id=record["desk_id"],
            identity=(record["desk_id"], record["boot"], record["seq"]),
        )

    def take_note(self, at: float, text: str, set_id: str | None) -> None:
        """Take a note of the desk: it may tell that this wearer or team has reached the objective."""
        if self.wear is None or self.profile.turn_back.objective_word.lower() not in text.lower():
            return
        team = self.tally.team if self.tally is not None else None
        if set_id == self.set_id or (set_id is None and team and team.lower() in text.lower()):
            self.wear.turn_back.objective_reached(at)

    def take_seen(self, at: float, alarm: str, desk_id: str) -> None:
        """Take the desk's word that it has seen an alarm of this set."""
        active = self.alarms.get(alarm)
        if active is None or at < active.raised_at:
            return
        if active.seen_at is None:
            active.seen_at, active.seen_by = at, desk_id
        if active.ended_at is not None:
            del self.alarms[alarm]

    def _setup(self, record: Record) -> None:
        if record["cylinders"] is not None:
            self.cylinder = cylinder_of(record)  # None when nobody wears such a one
        for name in ("low_air_bar", "heat_start_c"):
            if record[name] is not None:
                setattr(self, name, record[name])
        if record["no_motion_alarm_s"] is not None:
            self.no_motion_alarm_s = record["no_motion_alarm_s"]
        if self.wear is not None and self.wear.air is None:
            self._start_air(self.wear)

    def _power(self, at: float, record: Record) -> None:
        if record["state"] == "off":
            self._end_wear(at)
            self._doubt_alarms(at)
            self.power_off_at = at

    def _motion(self, at: float, motion_m_s2: float | None, still_s: float | None) -> None:
        """Follow stillness: as the set counts it, else from its motion (as `still_from_motion` does)."""
        if self._motion_at is not None and at < self._motion_at:
            return
        unknown = self._motion_at is None
        if self._motion_at is not None:
            usual_s = median(self._motion_intervals) if self._motion_intervals else 0.0
            unknown = at - self._motion_at > max(STALE_MOTION_S, MISSED_READINGS * usual_s)
            self._motion_intervals.append(at - self._motion_at)
        still = motion_m_s2 is not None and motion_m_s2 < self.profile.motion.still_below_m_s2
        if unknown or not still:
            self._moved_at = at
        self._motion_at = at
        counted_s = at - self._moved_at if still_s is None else still_s
        self._derive("no_motion", at, counted_s >= self.no_motion_alarm_s)

    def _reading(self, at: float, bar: float, gas_temperature_c: float | None) -> None:
        if self.reading_at is not None:
            if at <= self.reading_at:
                return
            self._intervals.append(at - self.reading_at)
        self.reading_at = at
        # A leap waits for the next reading: back again it was the sensor, else it is an event (`valve`).
        if self.pressure is not None and abs(bar - self.pressure[1]) > SPIKE_BAR:
            self._leaps.append((at, bar))
            if len(self._leaps) < LEAP_CONFIRMED:
                return
        else:
            self._leaps.append((at, bar))
            del self._leaps[:-1]
        readings, self._leaps = self._leaps, []
        for leap_at, leap_bar in readings:
            self._use(leap_at, leap_bar, gas_temperature_c if leap_at == at else None)

    def _use(self, at: float, bar: float, gas_temperature_c: float | None) -> None:
        before = self.pressure
        self.pressure = (at, bar)
        rise_bar = bar - before[1] if before is not None else 0.0
        if self.wear is not None and rise_bar > CHANGED_RISE_BAR:
            self._end_wear(at)
        if self.wear is None:
            self._perhaps_start(at, bar, rise_bar, gas_temperature_c)
        elif bar < CLOSED_BELOW_BAR or (bar < OPEN_ABOVE_BAR and self._collapsed(before, at, bar)):
            self._end_wear(before[0] if before is not None else at)
        else:
            self._continue(self.wear, at, bar, gas_temperature_c)

    def _collapsed(self, before: tuple[float, float] | None, at: float, bar: float) -> bool:
        """Return whether the pressure fell faster than anybody can breathe."""
        if before is None:
            return False
        cylinder = self.cylinder_in_use
        volume_l = cylinder.total_l if cylinder is not None else USUAL_VOLUME_L
        return (before[1] - bar) * volume_l > UNBREATHABLE_L_S * (at - before[0])

    def _perhaps_start(self, at: float, bar: float, rise_bar: float, gas_temperature_c: float | None) -> None:
        if bar < OPEN_ABOVE_BAR:
            self._opening_at = None
            return
        if rise_bar > RISING_BAR:
            self._opening_at = self._opening_at if self._opening_at is not None else at
            if at - self._opening_at < RAMP_S:
                return
        self._opening_at = None
        watch = TurnBackWatch(self.profile, at, bar, self.low_air_bar)
        self.wear = Wear(at, bar, None, watch, at, bar, line=[(at, bar)])
        self.wear.recent.append((at, bar))
        self.entry_bar, self.began_at = bar, at
        self.ended_at = None
        self._derive_low_air(at, bar)
        self._start_air(self.wear, gas_temperature_c)

    def _start_air(self, wear: Wear, gas_temperature_c: float | None = None) -> None:
        """Start the filter of a wear whose cylinder is known, with the readings so far.

        `gas_temperature_c` is that of the last of them. The filter itself refuses one that cannot be.
        """
        wear.cylinder = wear.cylinder or self.cylinder
        if wear.cylinder is None:
            return
        around_c = self.temperature[1] if self.temperature is not None else None
        air = LiveAir(
            wear.cylinder,
            self.low_air_bar,
            None,
            around_c,
            ends=self.profile.forecast.ends(),
            hard_l_min=self.profile.forecast.hard_l_min,
        )
        for at, bar in wear.line:
            if at < wear.last_at:
                air.add(at - wear.started_at, bar)
        air.add(wear.last_at - wear.started_at, wear.last_bar, gas_temperature_c)
        wear.turn_back.know_cylinder(wear.cylinder)
        expected_min = self._expected_min(wear.cylinder, wear.start_bar)
        wear.prompts_at = tuple(wear.started_at + after_s for after_s in prompt_times_s(expected_min))
        wear.air = air

    def _expected_min(self, cylinder: Cylinder, start_bar: float) -> float:
        """Return the minutes from the start to the warning at the doctrine's planning rate."""
        volume_l = cylinder.total_l
        start_l = float(free_air_l(start_bar, PLANNING_C, volume_l))
        usable_l = start_l - float(free_air_l(self.low_air_bar, PLANNING_C, volume_l))
        return max(usable_l, 0.0) / self.profile.air.planning_l_min

    def _continue(self, wear: Wear, at: float, bar: float, gas_temperature_c: float | None) -> None:
        if wear.air is not None:
            if self.temperature is not None:
                wear.air.surroundings_c = self.temperature[1]
            wear.air.add(at - wear.started_at, bar, gas_temperature_c)
        wear.turn_back.reading(at, bar)
        wear.last_at, wear.last_bar = at, bar
        wear.recent.append((at, bar))
        if at - wear.line[-1][0] >= LINE_STEP_S:
            wear.line.append((at, bar))
        self._derive_low_air(at, bar)

    def _end_wear(self, at: float) -> None:
        if self.wear is None:
            return
        self.last_wear_bar = self.wear.last_bar
        self.wear = None
        self.ended_at = at
        self._opening_at = None
        for alarm in [name for name, active in self.alarms.items() if active.derived]:
            if alarm not in HELD:
                del self.alarms[alarm]

    def _doubt_alarms(self, at: float) -> None:
        """The set went off or restarted: the gravest alarms stay, and nobody knows whether they still are."""
        for alarm, active in list(self.alarms.items()):
            if alarm not in HELD:
                self._end_alarm(alarm, at)
            elif active.ended_at is None and active.unknown_since_at is None:
                active.unknown_since_at = at

    def _end_alarm(self, alarm: str, at: float) -> None:
        active = self.alarms[alarm]
        if active.seen_at is not None or (active.derived and alarm not in HELD):
            del self.alarms[alarm]
        elif active.ended_at is None:
            active.ended_at = at  # it stays on the page until somebody has seen it

    def _alarm(self, at: float, record: Record) -> None:
        alarm, state = record["alarm"], record["state"]
        order = (record["boot"], record["seq"], record["time_s"])
        last = self._alarm_order.get(alarm)
        # One that is said later under a smaller number is of a set that used its boot number again.
        if last is not None and last[0] == order[0] and order[1] <= last[1] and order[2] <= last[2]:
            return  # a repeated or overtaken message
        self._alarm_order[alarm] = order
        if state == "acknowledged" and alarm in self._cleared and (last is None or last[0] == order[0]):
            return  # of the alarm that is over, not of a new one
        if state == "cleared":
            self._cleared.add(alarm)
        else:
            self._cleared.discard(alarm)
        active = self.alarms.get(alarm)
        if active is None or active.derived or (active.ended_at is not None and state == "raised"):
            if state == "cleared":
                self.alarms.pop(alarm, None)
                return
            active = ActiveAlarm(alarm, at, inferred=state == "acknowledged", detail=record["detail"])
            self.alarms[alarm] = active
        active.unknown_since_at = None
        if alarm == "evacuate" and state == "acknowledged":
            self.evacuate_acknowledged_at = at
        if state == "acknowledged" and active.acknowledged_at is None:
            active.acknowledged_at = at
        elif state == "cleared":
            self._end_alarm(alarm, at)

    def _derive_low_air(self, at: float, bar: float) -> None:
        # A reading that flickers by its step around the threshold is one alarm, not ten.
        margin_bar = FLICKER_BAR if "low_air" in self.alarms else 0.0
        self._derive("low_air", at, bar <= self.low_air_bar + margin_bar)

    def _derive(self, alarm: str, at: float, true: bool) -> None:
        """Raise from the readings what the set has not reported; what the set reports stands before it."""
        active = self.alarms.get(alarm)
        if true and self.wear is not None and active is None:
            self.alarms[alarm] = ActiveAlarm(alarm, at, derived=True)
        elif not true and active is not None and active.derived:
            del self.alarms[alarm]
