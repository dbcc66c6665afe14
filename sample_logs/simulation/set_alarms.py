"""The alarms of a simulated set: a small state machine over what its own sensors read, second by second.

An invented set, our own rules: thresholds come from its ``setup`` message; a motionless alarm and a
distress stay until someone resets them; a heat alarm comes at once when the sensor reaches
``heat_start_c``, or when the dose of a long stay in moderate heat is full.
"""

from __future__ import annotations

from dataclasses import dataclass, field

HEAT_CLEARS_BELOW_START_K = 30.0
DOSE_COUNTS_FROM_C = 60.0
DOSE_CLEARS_BELOW_C = 60.0
VALVE_CLOSED_BELOW_BAR = 5.0


@dataclass(frozen=True, slots=True)
class SimulatedThresholds:
    """What the set was set up with (the fields of its ``setup`` message)."""

    low_air_bar: float = 55.0
    no_motion_prealarm_s: float = 20.0
    no_motion_alarm_s: float = 30.0
    heat_start_c: float = 150.0


@dataclass(frozen=True, slots=True)
class Distress:
    """True times at which the distress button is pressed, acknowledged at the set, and reset."""

    raised_s: float
    acknowledged_s: float
    cleared_s: float


@dataclass(frozen=True, slots=True)
class AlarmEvent:
    """One ``alarm`` message to be: true time, alarm, state, detail."""

    true_s: float
    alarm: str
    state: str
    detail: str | None = None


@dataclass(slots=True)
class AlarmTruth:
    """One alarm as it really went, in true seconds from the incident's opening."""

    alarm: str
    raised_s: float
    acknowledged_s: float | None = None
    cleared_s: float | None = None
    detail: str | None = None


def clothed_limit_s(temperature_c: float) -> float:
    """Return the time to a full dose in air at `temperature_c`, seconds.

    Source: ISO 13571:2012 Eq. (9), fully clothed subjects: t = 4.1e8 T^-3.61 min, T in degrees Celsius.
    """
    return float(60.0 * 4.1e8 * temperature_c**-3.61)


@dataclass(slots=True)
class SetAlarms:
    """The alarms of one set under air; call :meth:`step` once a second in order.

    `no_motion_acknowledged_after_s`: how long after a motionless alarm somebody acknowledges it at the set.
    """

    thresholds: SimulatedThresholds
    no_motion_acknowledged_after_s: float = 12.0
    distress: Distress | None = None
    history: list[AlarmTruth] = field(default_factory=list)
    _active: dict[str, AlarmTruth] = field(default_factory=dict)
    _dose: float = 0.0
    _dose_reported: bool = False
    _events: list[AlarmEvent] = field(default_factory=list)

    def step(
        self, true_s: float, pressure_bar: float, still_s: float, temperature_c: float
    ) -> list[AlarmEvent]:
        """Take one second's readings and return what the set says about its alarms."""
        self._events = []
        self._low_air(true_s, pressure_bar)
        self._motion(true_s, still_s)
        self._heat(true_s, temperature_c)
        self._distress(true_s)
        return self._events

    def close(self, true_s: float) -> list[AlarmEvent]:
        """The valve is closed: every active alarm is cleared."""
        self._events = []
        for alarm in list(self._active):
            self._clear(alarm, true_s)
        return self._events

    def _raise(self, alarm: str, true_s: float, detail: str | None = None) -> None:
        truth = AlarmTruth(alarm, true_s, detail=detail)
        self._active[alarm] = truth
        self.history.append(truth)
        self._events.append(AlarmEvent(true_s, alarm, "raised", detail))

    def _acknowledge(self, alarm: str, true_s: float) -> None:
        self._active[alarm].acknowledged_s = true_s
        self._events.append(AlarmEvent(true_s, alarm, "acknowledged"))

    def _clear(self, alarm: str, true_s: float) -> None:
        self._active.pop(alarm).cleared_s = true_s
        self._events.append(AlarmEvent(true_s, alarm, "cleared"))

    def _low_air(self, true_s: float, pressure_bar: float) -> None:
        # No hysteresis: once the whistle blows it blows until the valve is closed.
        reached = VALVE_CLOSED_BELOW_BAR < pressure_bar <= self.thresholds.low_air_bar
        if reached and "low_air" not in self._active:
            self._raise("low_air", true_s, f"{pressure_bar:g} bar")

    def _motion(self, true_s: float, still_s: float) -> None:
        latched = self._active.get("no_motion")
        if latched is not None:
            due = latched.raised_s + self.no_motion_acknowledged_after_s
            if latched.acknowledged_s is None and true_s >= due:
                self._acknowledge("no_motion", true_s)
            elif latched.acknowledged_s is not None and still_s < 1.0:
                self._clear("no_motion", true_s)
            return
        if "no_motion_prealarm" in self._active:
            if still_s >= self.thresholds.no_motion_alarm_s:
                self._clear("no_motion_prealarm", true_s)
                self._raise("no_motion", true_s)
            elif still_s < 1.0:
                self._clear("no_motion_prealarm", true_s)
        elif still_s >= self.thresholds.no_motion_prealarm_s:
            self._raise("no_motion_prealarm", true_s)

    def _heat(self, true_s: float, temperature_c: float) -> None:
        if temperature_c > DOSE_COUNTS_FROM_C:
            self._dose += 1.0 / clothed_limit_s(temperature_c)
        hot = temperature_c >= self.thresholds.heat_start_c
        standing = self._active.get("heat")
        if standing is None:
            if hot:
                self._raise("heat", true_s, f"{temperature_c:.0f} °C at the sensor")
            elif self._dose >= 1.0 and not self._dose_reported:
                self._dose_reported = True
                self._raise("heat", true_s, f"dose full, {temperature_c:.0f} °C at the sensor")
            return
        by_dose = (standing.detail or "").startswith("dose")
        falls_to = (
            DOSE_CLEARS_BELOW_C if by_dose else self.thresholds.heat_start_c - HEAT_CLEARS_BELOW_START_K
        )
        if temperature_c < falls_to:
            self._clear("heat", true_s)

    def _distress(self, true_s: float) -> None:
        plan = self.distress
        if plan is None:
            return
        standing = self._active.get("distress")
        if standing is None:
            pressed_before = any(truth.alarm == "distress" for truth in self.history)
            if true_s >= plan.raised_s and not pressed_before:
                self._raise("distress", true_s)
        elif standing.acknowledged_s is None and true_s >= plan.acknowledged_s:
            self._acknowledge("distress", true_s)
        elif true_s >= plan.cleared_s:
            self._clear("distress", true_s)
