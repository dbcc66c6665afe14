"""One simulated wear: air, heat and readings of a set, with the truth kept beside what the set says.

It obeys real air, expansion cooling and the heat of cylinder and surroundings, breath by breath. Where it
honestly can it differs from the estimator in `analysis/air/breathing.py`: the heat that the gas takes from
the wall lies anywhere between a constant transfer (what the estimator assumes) and free convection, which
grows with density and temperature difference; the heat constants, the cylinder's growth and the gauge's
errors are drawn afresh for each wear; breathing comes in phases with skewed spreads. What is shared is the
equation of state and the two-node heat balance, so accuracy on these wears says nothing about cylinders
that exchange heat in another way.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.air.gas import (
    ATMOSPHERE_BAR,
    MOLAR_VOLUME_L_MOL,
    ZERO_CELSIUS_K,
    Cylinder,
    FloatArray,
    absolute_pressure_bar,
    expansion_factor,
    heat_capacity_j_mol_k,
    molar_density_mol_l,
)
from sample_logs.simulation.tasks import draw_work, follow

GAS_CONSTANT_J = 8.314462618
TEMPERATURE_STEP_C = 0.5
HEAT_SENSOR_LAG_S = 60.0


@dataclass(frozen=True, slots=True)
class Hardware:
    """What is true of one cylinder and its gauge and that nobody using it knows."""

    # `gauge_gain`, `gauge_offset_bar`: the gauge shows ``pressure x gauge_gain + gauge_offset_bar``
    gauge_gain: float = 1.0
    gauge_offset_bar: float = 0.0
    gauge_noise_bar: float = 0.1  # standard deviation of a reading before it is rounded
    gauge_late_s: float = 0.0  # the gauge shows what was true so many seconds ago
    volume_factor: float = 1.0  # true water volume over the stated one, at no pressure
    growth: float = 0.0075  # relative growth of the volume from 0 to 300 bar
    gas_to_wall_w_k: float = 22.0  # heat transfer at 10 mol/L and 10 K difference, per 6.8 L cylinder
    # How much of that transfer's change with density and difference there is: 0 none, 1 all.
    free_convection: float = 0.5
    # `wall_to_surroundings_w_k`, `wall_j_k`: heat transfer to the surroundings and heat capacity of the wall,
    # per 6.8 L cylinder
    wall_to_surroundings_w_k: float = 3.0
    wall_j_k: float = 3600.0
    temperature_lag_s: float = 15.0  # time constant of the gas thermometer


def draw_hardware(rng: np.random.Generator) -> Hardware:
    """Return the hidden properties of one set; the spreads are assumptions, not sourced."""
    return Hardware(
        gauge_gain=float(rng.normal(1.0, 0.005)),
        gauge_offset_bar=float(rng.normal(0.0, 1.0)),
        gauge_noise_bar=0.1,
        gauge_late_s=float(rng.uniform(0.0, 5.0)),
        volume_factor=float(rng.normal(1.0, 0.005)),
        growth=float(max(0.0, rng.normal(0.0075, 0.0025))),
        gas_to_wall_w_k=float(rng.lognormal(np.log(22.0), 0.3)),
        free_convection=float(rng.uniform(0.0, 1.0)),
        wall_to_surroundings_w_k=float(rng.lognormal(np.log(3.0), 0.3)),
        wall_j_k=float(rng.lognormal(np.log(3600.0), 0.2)),
        temperature_lag_s=float(rng.uniform(5.0, 30.0)),
    )


@dataclass(frozen=True, slots=True)
class SimulatedWear:
    """Truth on a 1 s grid from the first reading at full pressure, and what the set reported."""

    time_s: FloatArray  # array, shape (n,): 0, 1, 2, ... seconds; the other truth arrays have the same length
    # array, shape (n,): true breathing rate (averaged over breaths) plus any extra flow, free litres a
    # minute.
    rate_l_min: FloatArray
    free_air_left_l: FloatArray  # array, shape (n,): true free air in the cylinder, litres
    # `gas_temperature_c`, `surroundings_c`, `pressure_bar`, `motion_m_s2`: array, shape (n,): true gas
    # temperature, air around the set, gauge pressure, RMS acceleration
    gas_temperature_c: FloatArray
    surroundings_c: FloatArray
    pressure_bar: FloatArray
    motion_m_s2: FloatArray
    # array, shape (n,): the set's own heat sensor: lagging (60 s), noisy, in steps of 0.5 K.
    sensor_temperature_c: FloatArray
    # `reading_time_s`, `reading_bar`, `reading_gas_temperature_c`: array, shape (m,): readings: when, gauge
    # pressure in steps, lagging gas temperature in steps of 0.5 K
    reading_time_s: FloatArray
    reading_bar: FloatArray
    reading_gas_temperature_c: FloatArray
    cylinder: Cylinder  # as the set states it
    hardware: Hardware  # as it truly is

    @property
    def free_air_l(self) -> float:
        """Free air used, litres."""
        return float(self.free_air_left_l[0] - self.free_air_left_l[-1])

    def reached_s(self, pressure_bar: float) -> float | None:
        """Return when the true pressure first was at or below `pressure_bar`; None if never."""
        below = np.flatnonzero(self.pressure_bar <= pressure_bar)
        return float(self.time_s[below[0]]) if below.size else None


def simulate_wear(
    seed: int | np.random.Generator,
    task: str = "mixed",
    minutes: float = 90.0,
    *,
    tasks: Sequence[tuple[str, float]] | None = None,
    rate_l_min: FloatArray | None = None,
    extra_l_min: Sequence[tuple[float, float, float]] = (),
    until_bar: float = 5.0,
    cylinder: Cylinder | None = None,
    start_bar: float = 300.0,
    start_temperature_c: float = 20.0,
    surroundings_c: float | FloatArray = 20.0,
    reading_step_bar: float = 1.0,
    reading_interval_s: float = 1.0,
    hardware: Hardware | None = None,
    person: float | None = None,
) -> SimulatedWear:
    """Simulate one wear, from full pressure until its time is over or the cylinder is at `until_bar`.

    - `task`: one of `tasks.KINDS_OF_WORK`, for all of `minutes`.
    - `tasks`: sequence of (task, minutes), optional: a script of tasks, instead of `task` and `minutes`.
    - `rate_l_min`: a scripted breathing rate on a 1 s grid, instead of any task; then no motion is drawn
      (zeros).
    - `extra_l_min`: sequence of (from_s, until_s, l_min): flow beyond breathing, such as a free-flow of 150
      to 400 L/min.
    - `start_bar` and `start_temperature_c`: true gauge pressure and temperature of gas and wall at the start.
    - `surroundings_c`: float or array: temperature of the air around the set, constant or on the 1 s grid
      (its last value is held).
    - `reading_step_bar` and `reading_interval_s`: readings are rounded to this step (0: not rounded) and come
      this often.
    - `hardware`: hidden properties; drawn by `draw_hardware` when not given. ``Hardware()`` is a faultless
      gauge.

    Returns the truth on a 1 s grid, and the readings.
    """
    rng = np.random.default_rng(seed)
    cylinder = cylinder or Cylinder()
    hardware = hardware or draw_hardware(rng)
    if rate_l_min is None:
        work = draw_work(rng, tasks if tasks is not None else [(task, minutes)], person)
        rate, motion = work.rate_l_min.copy(), work.motion_m_s2
    else:
        rate, motion = np.array(rate_l_min, dtype=np.float64), np.zeros(len(rate_l_min))
    for from_s, to_s, flow in extra_l_min:
        rate[max(0, round(from_s)) : round(to_s)] += flow
    around = _held(np.atleast_1d(np.asarray(surroundings_c, dtype=np.float64)), rate.size)
    drawn_l = _drawn_by_breaths(rng, rate)
    left_l, gas_c, pressure = _empty_cylinder(
        drawn_l, around, cylinder, hardware, start_bar, start_temperature_c, until_bar
    )
    size = left_l.size
    time_s = np.arange(size, dtype=np.float64)
    reading_time_s = np.arange(0.0, float(size), reading_interval_s)
    reading_time_s = reading_time_s[reading_time_s <= time_s[-1]]
    shown = np.interp(reading_time_s - hardware.gauge_late_s, time_s, pressure)
    shown = shown * hardware.gauge_gain + hardware.gauge_offset_bar
    shown = shown + rng.normal(0.0, hardware.gauge_noise_bar, shown.size)
    gas_shown = np.interp(reading_time_s, time_s, follow(gas_c, hardware.temperature_lag_s))
    heat_shown = follow(around[:size], HEAT_SENSOR_LAG_S) + rng.normal(0.0, 0.3, size)
    return SimulatedWear(
        time_s=time_s,
        rate_l_min=rate[:size],
        free_air_left_l=left_l,
        gas_temperature_c=gas_c,
        surroundings_c=np.array(around[:size]),
        pressure_bar=pressure,
        motion_m_s2=motion[:size],
        sensor_temperature_c=_stepped(heat_shown, TEMPERATURE_STEP_C),
        reading_time_s=reading_time_s,
        reading_bar=np.maximum(_stepped(shown, reading_step_bar), 0.0),
        reading_gas_temperature_c=_stepped(gas_shown, TEMPERATURE_STEP_C),
        cylinder=cylinder,
        hardware=hardware,
    )


def _held(values: FloatArray, size: int) -> FloatArray:
    return np.concatenate([values[:size], np.full(max(0, size - values.size), values[-1])])


def _stepped(values: FloatArray, step: float) -> FloatArray:
    # Rounded again, so that 0.1 bar steps are the decimals that a set would send.
    if step <= 0.0:
        return values
    stepped: FloatArray = np.round(np.round(values / step) * step, 6)
    return stepped


def _drawn_by_breaths(rng: np.random.Generator, rate_l_min: FloatArray) -> FloatArray:
    """Return the litres drawn in each second: a set gives air while its wearer breathes in, not while out."""
    fine = np.repeat(rate_l_min, 10)
    depth_l = np.clip(0.6 + fine / 40.0, 0.6, 3.0)
    phase = (np.cumsum(fine / depth_l) / 600.0 + rng.uniform()) % 1.0
    breathing_in = phase < 0.42
    taken: FloatArray = np.where(breathing_in, fine / 600.0 / 0.42, 0.0).reshape(-1, 10).sum(axis=1)
    return taken


def _empty_cylinder(
    drawn_l: FloatArray,
    around_c: FloatArray,
    cylinder: Cylinder,
    hardware: Hardware,
    start_bar: float,
    start_temperature_c: float,
    until_bar: float,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Draw air second by second; return free air left (L), gas temperature (°C), gauge pressure (bar)."""
    # Heat passes through the surface, which grows with the 2/3 power of the volume; the wall's mass with it.
    surface = cylinder.count * (cylinder.water_volume_l / 6.8) ** (2.0 / 3.0)
    outside_w_k = hardware.wall_to_surroundings_w_k * surface
    wall_j_k = hardware.wall_j_k * cylinder.total_l / 6.8
    volume_l = cylinder.total_l * hardware.volume_factor
    pressure = start_bar
    gas_k = wall_k = start_temperature_c + ZERO_CELSIUS_K
    grown_l = volume_l * (1.0 + hardware.growth * pressure / 300.0)
    moles = grown_l * molar_density_mol_l(start_bar + ATMOSPHERE_BAR, start_temperature_c)
    left, temperatures, pressures = [], [], []
    for taken_l, outside_c in zip(drawn_l.tolist(), around_c.tolist(), strict=True):
        left.append(moles * MOLAR_VOLUME_L_MOL)
        temperatures.append(gas_k - ZERO_CELSIUS_K)
        pressures.append(pressure)
        if pressure <= until_bar:
            break
        density = moles / grown_l
        taken = taken_l / MOLAR_VOLUME_L_MOL
        capacity = moles * heat_capacity_j_mol_k(density)
        # Free convection in a closed vessel: Nu ~ Ra^(1/3), so h ~ density^(2/3) x difference^(1/3).
        difference = abs(wall_k - gas_k)
        convection = ((density / 10.0) ** 2 * (difference / 10.0 + 0.02)) ** (hardware.free_convection / 3.0)
        inside_w_k = hardware.gas_to_wall_w_k * surface * convection
        cooled_j = taken * GAS_CONSTANT_J * gas_k * expansion_factor(density, gas_k)
        to_gas_j = inside_w_k * (wall_k - gas_k) / (1.0 + inside_w_k / capacity)
        gas_k += (to_gas_j - cooled_j) / capacity
        wall_k += (outside_w_k * (outside_c + ZERO_CELSIUS_K - wall_k) - to_gas_j) / wall_j_k
        moles -= taken
        grown_l = volume_l * (1.0 + hardware.growth * pressure / 300.0)
        pressure = absolute_pressure_bar(moles / grown_l, gas_k - ZERO_CELSIUS_K) - ATMOSPHERE_BAR
    return np.array(left), np.array(temperatures), np.array(pressures)
