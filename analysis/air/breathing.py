"""Air left, breathing rate and their bands, from the pressure readings of one wear.

A reading becomes litres left by the density of real air (`analysis/air/gas.py`) at the temperature that a
heat balance gives for the gas. Litres, breathing rate and the wearer's own mean rate are then followed by a
Kalman filter (Kalman 1960, J. Basic Eng. 82:35-45) on a 1 s grid. It assumes that litres fall by the rate,
that the rate returns to the wearer's mean and the mean very slowly to the usual one, and that a reading is
uncertain by its noise and its step. Live values use past readings only; the review uses the whole record
(Rauch-Tung-Striebel smoother, twice, the gas temperature from the smoothed rate the second time).
`LiveAir` runs the same compiled loop as `reconstruct`, so a causal value is the same in both.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from analysis.air import breathing_kernels as kernels
from analysis.air.breathing_model import (
    BREATHING,
    VESSEL,
    Breathing,
    Vessel,
    first_state,
    pressure_and_slope,
    start_temperature,
    used_sd_l,
    vessel_array,
    warmed_by,
)
from analysis.air.forecast import (
    HARD_L_MIN,
    NO_FORECAST,
    SHIPPED,
    ForecastMinutes,
    IntervalEnds,
    Scenario,
    forecast_given,
    forecast_minutes,
)
from analysis.air.gas import ZERO_CELSIUS_K, Cylinder, FloatArray
from analysis.air.passage_kernel import first_passage
from analysis.air.smoother_kernel import smooth

HEARD_S = 5.0
HIGHEST_L_MIN = 1000.0
LATE_S = 2.0
NORMAL_90 = 1.645
SAID_AND_ENDS = [kernels.F_SAID_S, kernels.F_EARLY_S, kernels.F_LATE_S]

_NO_RATE = np.empty(0)


@dataclass(slots=True)
class AirTrack:
    """One wear on the 1 s grid 0..floor(last reading); arrays of shape (n,)."""

    # `pressure_bar`, `pressure_sd_bar`: gauge pressure after the fact, and its standard deviation
    pressure_bar: FloatArray
    pressure_sd_bar: FloatArray
    # `rate_l_min`, `rate_lo_l_min`, `rate_hi_l_min`: breathing rate after the fact with its 90 % band, L/min
    # of free air
    rate_l_min: FloatArray
    rate_lo_l_min: FloatArray
    rate_hi_l_min: FloatArray
    # `live_rate_l_min`, `live_rate_lo_l_min`, `live_rate_hi_l_min`: the same as it was known at that second
    live_rate_l_min: FloatArray
    live_rate_lo_l_min: FloatArray
    live_rate_hi_l_min: FloatArray
    # `low_air_min`, `low_air_lo_min`, `low_air_hi_min`: minutes to the low-air pressure with their 90 %
    # interval, as known at that second; NaN: no forecast
    low_air_min: FloatArray
    low_air_lo_min: FloatArray
    low_air_hi_min: FloatArray
    # `hardest_l_min`, `easiest_l_min`: mean rate of the hardest and of the easiest three minutes so far, as
    # known at that second. In the first three minutes: the mean so far, or, as the hardest, the doctrine's
    # hard rate if that is higher.
    hardest_l_min: FloatArray
    easiest_l_min: FloatArray
    # Minutes to the low-air pressure if it stays as hard as the hardest three minutes; no forecast.
    low_air_hardest_min: FloatArray
    # array of bool: a reading came within the last 5 s, of a gauge that does not hang
    heard: NDArray[np.bool_]
    free_air_left_l: FloatArray  # free air in the cylinder after the fact, litres
    free_air_left_sd_l: FloatArray  # its standard deviation by the filter alone
    gas_temperature_c: FloatArray  # gas temperature by the heat balance, °C
    # `free_air_l`, `free_air_sd_l`: free air used and its standard deviation (filter, gauge, volume,
    # temperature, heat balance)
    free_air_l: float
    free_air_sd_l: float
    # array of int: places of readings that were left out: beyond 5 standard deviations and back within two
    # readings.
    set_aside: NDArray[np.intp]
    # `doubted`, `stuck`: array of int: places of readings alike for so long that the gauge may have hung, and
    # of those that were left out because it did
    doubted: NDArray[np.intp]
    stuck: NDArray[np.intp]
    # `start_bar`, `end_bar`: first and last reading that were used, gauge
    start_bar: float
    end_bar: float
    step_bar: float  # the step that the readings seem to be rounded to
    # Seconds and pressures of the readings that were used; then what the uncertainty rests on.
    used: tuple[FloatArray, FloatArray] = field(repr=False)
    assumed: tuple[Cylinder, Vessel, float, FloatArray] = field(repr=False)

    def part(self, first: int, stop: int) -> "AirTrack":
        """Return the track of the seconds from `first` to before `stop`; places of readings stay."""
        names = self.__slots__[: self.__slots__.index("free_air_l")]
        part = replace(self, **{name: getattr(self, name)[first:stop].copy() for name in names})
        used_s, used_bar = self.used
        bars = used_bar[(used_s >= first) & (used_s < stop)]
        ends = bars if bars.size else part.pressure_bar
        part.start_bar, part.end_bar = float(ends[0]), float(ends[-1])
        part.free_air_l = float(part.free_air_left_l[0] - part.free_air_left_l[-1])
        nothing = np.zeros(stop - first)
        columns = (part.free_air_left_l, part.free_air_left_sd_l**2, nothing, nothing, part.pressure_bar)
        cylinder, vessel, start_sd_c, warmed_k = self.assumed
        known = cylinder, vessel, start_sd_c, warmed_k[first:stop]
        part.free_air_sd_l = used_sd_l(np.column_stack(columns), part.gas_temperature_c, *known)
        return part


def reconstruct(
    time_s: FloatArray,
    pressure_bar: FloatArray,
    cylinder: Cylinder,
    *,
    low_air_bar: float = 55.0,
    start_temperature_c: float | None = None,
    surroundings_c: float | FloatArray | None = None,
    gas_temperature_c: FloatArray | None = None,
    said_step_bar: FloatArray | None = None,
    ends: IntervalEnds = SHIPPED,
    hard_l_min: float = HARD_L_MIN,
    rested: bool = True,
    breathing: Breathing = BREATHING,
    vessel: Vessel = VESSEL,
) -> AirTrack:
    """Reconstruct one wear from its pressure readings.

    - `time_s`: array, shape (m,): seconds since the wear's start, ascending from 0; a reading at the very
      time of the one before it is a double and not used.
    - `cylinder`: the set's cylinders.
    - `low_air_bar`: gauge pressure of the low-air warning.
    - `start_temperature_c`: gas temperature at the start; not given: the first reported gas temperature, else
      the first surroundings, else 20 °C with a larger uncertainty.
    - `surroundings_c`: float or array, optional: temperature of the air around the set, constant or on the 1
      s grid; not given: as at the start.
    - `gas_temperature_c`: array, shape (m,), optional: reported gas temperature beside each reading, NaN
      where there is none.
    - `said_step_bar`: array, shape (m,), optional: 0 for a reading of the set; for one that a person read off
      the gauge, the step that it was rounded to.
    - `hard_l_min`: rate of the scenario until three minutes have been seen.
    - `rested`: whether nobody had breathed from the cylinder shortly before: else its gas may be colder.
    - `breathing` and `vessel`: breathing, Vessel: assumptions, for experiments.

    Raises `ValueError` if there is no reading, or times fall or do not start near 0.
    """
    time_s = np.ascontiguousarray(time_s, dtype=np.float64)
    pressure_bar = np.ascontiguousarray(pressure_bar, dtype=np.float64)
    if time_s.size == 0 or time_s.size != pressure_bar.size:
        raise ValueError(
            f"as many times as pressures, at least one; got {time_s.size} and {pressure_bar.size}"
        )
    if not 0.0 <= time_s[0] < 1.0 or (time_s[1:] < time_s[:-1]).any():
        raise ValueError(f"time_s must ascend from 0 s, got {time_s[0]} s first; sort the readings")
    gas_c = (
        np.full(time_s.size, np.nan) if gas_temperature_c is None else np.asarray(gas_temperature_c, float)
    )
    start_c, start_sd_c = start_temperature(start_temperature_c, gas_c, surroundings_c, vessel, rested)
    around_c = np.atleast_1d(np.asarray(start_c if surroundings_c is None else surroundings_c, float))
    size = int(time_s[-1]) + 1
    if 1 < around_c.size < size:
        around_c = np.concatenate([around_c, np.full(size - around_c.size, around_c[-1])])
    model, heat = breathing.as_array(), vessel_array(cylinder, vessel)
    fate = np.zeros(time_s.size, dtype=np.int8)

    state = first_state(float(time_s[0]), float(pressure_bar[0]), start_c, model, heat)
    again = state.copy()
    causal = np.empty((size, kernels.TRACK_WIDTH))
    steps_bar = np.zeros(time_s.size) if said_step_bar is None else np.asarray(said_step_bar, float)
    readings = (time_s, pressure_bar, steps_bar, gas_c, around_c, size - 1)
    kernels.advance(model, heat, state, *readings, _NO_RATE, fate, causal)
    passage = np.empty((size, kernels.FORECAST_WIDTH))
    first_passage(model, heat, ends.as_array(), hard_l_min, causal, low_air_bar, passage)
    _no_later_than_moved(passage, causal)
    grid_s = np.arange(size, dtype=np.float64)
    minutes = forecast_minutes(passage[:, SAID_AND_ENDS], grid_s)
    scenario_min = forecast_minutes(passage[:, kernels.F_HARDEST_S], grid_s)
    live_half = NORMAL_90 * breathing.live_band * np.sqrt(causal[:, kernels.T_RR])
    live_rate = causal[:, kernels.T_RATE].copy()
    hardest, easiest = causal[:, kernels.T_HARDEST].copy(), causal[:, kernels.T_EASIEST].copy()
    first_window = hardest[: kernels.WINDOW_S]
    np.maximum(first_window, hard_l_min, out=first_window)

    track = causal  # already read, so it is overwritten: memory that is in the cache is quicker
    if (fate >= kernels.UNMOVED).any():
        # A track that took back what it took cannot be smoothed. A hang that never ended stays: what the
        # gauge shows is the least that was used, and all that is known.
        readings = (*(one[fate != kernels.STUCK] for one in readings[:4]), *readings[4:])
        model[kernels.M_STUCK_READINGS] = np.inf
        nothing = np.zeros(len(readings[0]), dtype=np.int8)
        kernels.advance(model, heat, again.copy(), *readings, _NO_RATE, nothing, track)
    smoothed = np.empty((size, 6))
    smooth(model, heat, track, smoothed, True)
    again[[kernels.STEP, kernels.CHANGES]] = state[[kernels.STEP, kernels.CHANGES]]
    rate = np.clip(smoothed[:, 2], 0.0, HIGHEST_L_MIN)
    # What is set aside is what did not fit at the time, so the second pass keeps its own count.
    kernels.advance(model, heat, again, *readings, rate, np.zeros(len(readings[0]), dtype=np.int8), track)
    smooth(model, heat, track, smoothed, False)

    left_l, rate = smoothed[:, 0], smoothed[:, 2]
    half = NORMAL_90 * breathing.smooth_band * np.sqrt(smoothed[:, 3])
    fate[0] = kernels.USED  # it made the first state, and the filter then passed over it
    used = np.flatnonzero((fate == kernels.USED) | (fate == kernels.DOUBTED) | (fate == kernels.BEFORE_JUMP))
    gas_track_c = track[:, kernels.T_GAS_K] - ZERO_CELSIUS_K
    start_bar, end_bar = float(pressure_bar[used[0]]), float(pressure_bar[used[-1]])
    # A reported gas temperature shows how much of the heat around came in.
    warmed_k = warmed_by(around_c, size, vessel) * (not np.isfinite(gas_c).any())
    assumed = cylinder, vessel, start_sd_c, warmed_k
    moving_s = time_s[fate < kernels.UNMOVED]
    newest = newest_by(moving_s, size)
    # Copies of what is kept: a view would keep all that the filter worked with, three times as much.
    return AirTrack(
        pressure_bar=smoothed[:, 4].copy(),
        pressure_sd_bar=smoothed[:, 5].copy(),
        rate_l_min=np.maximum(rate, 0.0),
        rate_lo_l_min=np.maximum(rate - half, 0.0),
        rate_hi_l_min=np.maximum(rate + half, 0.0),
        live_rate_l_min=np.maximum(live_rate, 0.0),
        live_rate_lo_l_min=np.maximum(live_rate - live_half, 0.0),
        live_rate_hi_l_min=np.maximum(live_rate + live_half, 0.0),
        low_air_min=minutes[:, 0].copy(),
        low_air_lo_min=minutes[:, 1].copy(),
        low_air_hi_min=minutes[:, 2].copy(),
        hardest_l_min=hardest,
        easiest_l_min=easiest,
        low_air_hardest_min=scenario_min,
        heard=(newest >= 0) & (grid_s - moving_s[newest] <= HEARD_S),
        free_air_left_l=left_l.copy(),
        free_air_left_sd_l=np.sqrt(smoothed[:, 1]),
        gas_temperature_c=gas_track_c,
        free_air_l=float(left_l[0] - left_l[-1]),
        free_air_sd_l=used_sd_l(smoothed, gas_track_c, *assumed),
        set_aside=np.flatnonzero((fate == kernels.OUTSIDE) | (fate == kernels.SET_ASIDE)),
        doubted=np.flatnonzero(fate >= kernels.DOUBTED),
        stuck=np.flatnonzero(fate >= kernels.UNMOVED),
        start_bar=start_bar,
        end_bar=end_bar,
        step_bar=float(state[kernels.STEP]),
        used=(time_s[used], pressure_bar[used]),
        assumed=assumed,
    )


def _no_later_than_moved(passage: FloatArray, track: FloatArray) -> None:
    """While a gauge may hang, keep the early end and the scenario no later than at its last move.

    - `passage`: array, shape (n, 5): by `first_passage`; changed in place.
    - `track`: array, shape (n, width): one row a second; or such a row after that of the last move.
    """
    rows = np.flatnonzero(track[:, kernels.T_UNMOVED_S])
    if rows.size:
        unmoved_s = track[rows, kernels.T_UNMOVED_S]
        moved = np.maximum(rows - unmoved_s.astype(np.intp), 0)
        for column in (kernels.F_EARLY_S, kernels.F_HARDEST_S):
            then_s = np.maximum(passage[moved, column] - unmoved_s, 0.0)
            passage[rows, column] = np.minimum(passage[rows, column], then_s)


def newest_by(time_s: FloatArray, seconds: int) -> NDArray[np.intp]:
    """Return the place of the newest reading at each second of the grid, -1 before the first one.

    - `time_s`: array, shape (n,): seconds since the wear's start, ascending; a reading before 0 is there from
      second 0 on.
    - `seconds`: length of the grid.
    """
    # Counted, since both are in order: searching for each second takes three times as long.
    since = np.maximum(np.ceil(time_s), 0.0).astype(np.intp)
    newest: NDArray[np.intp] = np.bincount(since, minlength=seconds)[:seconds].cumsum() - 1
    return newest


@dataclass(frozen=True, slots=True)
class LiveEstimate:
    """What is known at one moment from the readings up to it."""

    # `pressure_bar`, `pressure_sd_bar`: gauge pressure expected at that moment
    pressure_bar: float
    pressure_sd_bar: float
    rate_l_min: float  # breathing rate
    time_s: float  # the moment, seconds since the wear's start
    _row: FloatArray = field(repr=False)  # before it, of a gauge that may hang, that of its last move
    _assumed: tuple[FloatArray, FloatArray, FloatArray, float] = field(repr=False)

    def minutes_to(self, target_bar: float) -> ForecastMinutes:
        """Return the forecast of the time until the gauge pressure is at `target_bar`, from that moment."""
        said_s, early_s, late_s, _, _ = self._passage(target_bar)
        if not forecast_given(said_s, self.time_s):
            return NO_FORECAST
        return ForecastMinutes(said_s / 60.0, early_s / 60.0, late_s / 60.0)

    def if_hardest(self, target_bar: float) -> Scenario:
        """Return when `target_bar` is reached if it stays as hard as the hardest three minutes so far."""
        seconds = self._passage(target_bar)[kernels.F_HARDEST_S]
        rate = float(self._row[-1, kernels.T_HARDEST])
        if self.time_s < kernels.WINDOW_S:
            rate = max(rate, self._assumed[-1])
        given = forecast_given(seconds, self.time_s)
        return Scenario(seconds / 60.0 if given else float("nan"), rate)

    def hard_minutes_to(self, target_bar: float) -> float:
        """Return the same at the doctrine's hard rate, or at that of those three minutes if it is higher."""
        rate = max(float(self._row[-1, kernels.T_HARDEST]), self._assumed[-1])
        return self._passage(target_bar)[kernels.F_TO_USE_L] / rate

    def _passage(self, target_bar: float) -> list[float]:
        passage = np.empty((len(self._row), kernels.FORECAST_WIDTH))
        first_passage(*self._assumed, self._row, target_bar, passage)
        if len(self._row) > 1:
            _no_later_than_moved(passage, self._row)
        row: list[float] = passage[-1].tolist()
        return row


class LiveAir:
    """The causal half of `reconstruct`, reading by reading.

    - `cylinder`: the set's cylinders.
    - `start_temperature_c` and `surroundings_c`: as in `reconstruct`. `surroundings_c` may be set again
      whenever a temperature is heard.
    - `ends`, `hard_l_min` and `breathing`: IntervalEnds, float, Breathing: as in `reconstruct`.
    """

    def __init__(
        self,
        cylinder: Cylinder,
        start_temperature_c: float | None = None,
        surroundings_c: float | None = None,
        *,
        ends: IntervalEnds = SHIPPED,
        hard_l_min: float = HARD_L_MIN,
        breathing: Breathing = BREATHING,
    ) -> None:
        self.surroundings_c = surroundings_c
        self._start_c = start_temperature_c
        self._assumed = (breathing.as_array(), vessel_array(cylinder, VESSEL), ends.as_array(), hard_l_min)
        self._state: FloatArray | None = None
        self._newest_s = -np.inf

    def add(
        self,
        time_s: float,
        pressure_bar: float,
        gas_temperature_c: float | None = None,
        said_step_bar: float = 0.0,
    ) -> bool:
        """Take one reading; return False if it came more than 2 s too late, or twice, and was not used.

        - `time_s`: seconds since the wear's start, the first reading near 0.
        - `pressure_bar`: gauge pressure.
        - `gas_temperature_c`: reported gas temperature.
        - `said_step_bar`: 0 for a reading of the set; for one that a person read off the gauge, the step of
          the gauge.
        """
        if time_s < self._newest_s - LATE_S or time_s == self._newest_s:
            return False
        gas_c = np.nan if gas_temperature_c is None else gas_temperature_c
        one = np.array([[time_s], [pressure_bar], [gas_c], [said_step_bar]], dtype=np.float64)
        self.take(one[0], one[1], one[2], one[3], [None])
        return True

    def take(
        self,
        time_s: FloatArray,
        pressure_bar: FloatArray,
        gas_temperature_c: FloatArray,
        said_step_bar: FloatArray,
        surroundings_c: Sequence[float | None],
    ) -> None:
        """Take several readings in order of time at once: the same as `add` one by one, many times as fast.

        - `time_s`, `pressure_bar`, `said_step_bar`: array, shape (n,): as in `add`, ascending.
        - `gas_temperature_c`: array, shape (n,): NaN where none is reported.
        - `surroundings_c`: what was known of the surroundings at each reading; None: as before it.
        """
        if self._state is None:
            self.surroundings_c = surroundings_c[0] if surroundings_c[0] is not None else self.surroundings_c
            self._start_c, _ = start_temperature(
                self._start_c, gas_temperature_c[:1], self.surroundings_c, VESSEL
            )
            first = float(time_s[0]), float(pressure_bar[0])
            self._state = first_state(*first, self._start_c, *self._assumed[:2])
        upto = max(int(np.ceil(time_s[-1])), int(self._state[kernels.SECOND]))
        around_c = np.empty(upto + 1)
        filled = 0
        for second, known_c in zip(np.ceil(time_s).astype(np.int64).tolist(), surroundings_c, strict=True):
            self.surroundings_c = known_c if known_c is not None else self.surroundings_c
            around_c[filled : second + 1] = (
                self.surroundings_c if self.surroundings_c is not None else self._start_c
            )
            filled = max(filled, second + 1)
        self._newest_s = max(self._newest_s, float(time_s[-1]))
        readings = (time_s, pressure_bar, said_step_bar, gas_temperature_c)
        self._run(self._state, upto, [np.ascontiguousarray(one) for one in readings], around_c)

    def at(self, time_s: float) -> LiveEstimate:
        """Return what is known at `time_s` (seconds since the wear's start); nothing is changed by asking.

        Raises `ValueError` if no reading was taken yet.
        """
        if self._state is None:
            raise ValueError("no reading yet; add one first")
        state = self._state.copy()
        around = self.surroundings_c if self.surroundings_c is not None else self._start_c
        around_c = np.array([around], dtype=np.float64)
        row = self._run(state, int(np.floor(time_s)), [np.empty(0)] * 4, around_c)
        if row[0, kernels.T_UNMOVED_S] > 0.0:
            row = np.vstack([state[kernels.KEPT : kernels.KEPT + kernels.TRACK_WIDTH], row])
        left_l, rate, gas_k = state[[kernels.LEFT, kernels.RATE, kernels.GAS_K]].tolist()
        pressure, per_bar_l = pressure_and_slope(left_l, gas_k - ZERO_CELSIUS_K, self._assumed[1])
        return LiveEstimate(
            pressure_bar=pressure,
            pressure_sd_bar=float(np.sqrt(state[kernels.V_LL])) / per_bar_l,
            rate_l_min=max(rate, 0.0),
            time_s=float(state[kernels.SECOND]),
            _row=row,
            _assumed=self._assumed,
        )

    @property
    def unmoved_since_s(self) -> tuple[float, bool] | None:
        """Since when a gauge that may hang has not moved, and whether it must; None of any other."""
        if self._state is None or self._state[kernels.DOUBT] not in (kernels.MAY_HANG, kernels.HANGS):
            return None
        return float(self._state[kernels.MOVED_AT_S]), bool(self._state[kernels.DOUBT] == kernels.HANGS)

    @property
    def hung_s(self) -> tuple[float, float] | None:
        """From when until when the gauge hung last, before it moved again; None if it never did."""
        if self._state is None or self._state[kernels.HUNG_UNTIL_S] == 0.0:
            return None
        return float(self._state[kernels.HUNG_FROM_S]), float(self._state[kernels.HUNG_UNTIL_S])

    def _run(
        self, state: FloatArray, second: int, readings: Sequence[FloatArray], around_c: FloatArray
    ) -> FloatArray:
        """Carry `state` on to `second`, in place; return the last row of the track, shape (1, width)."""
        upto = max(second, int(state[kernels.SECOND]))
        track = np.empty((upto - int(state[kernels.SECOND]) + 1, kernels.TRACK_WIDTH))
        fate = np.zeros(len(readings[0]), dtype=np.int8)
        kernels.advance(*self._assumed[:2], state, *readings, around_c, upto, _NO_RATE, fate, track)
        return track[-1:]
