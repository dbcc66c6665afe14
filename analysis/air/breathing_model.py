"""What the estimator of air and breathing assumes: one named table each for breathing and for cylinders."""

import math
from dataclasses import dataclass

import numpy as np

from analysis.air import breathing_kernels as kernels
from analysis.air.gas import (
    MOLAR_VOLUME_L_MOL,
    ZERO_CELSIUS_K,
    Cylinder,
    FloatArray,
    free_air_l,
    molar_density_mol_l,
    pressure_bar_of,
)
from analysis.compiled import compiled

UNKNOWN_START_C = 20.0


@dataclass(frozen=True, slots=True)
class Breathing:
    """What the filter assumes of breathing and of readings; `tests/benchmarks/fit_breathing.py` fits it."""

    follows_s: float = 282.0  # time constant with which the rate returns to the wearer's own mean
    spread: float = 0.43  # standard deviation of the rate about that mean, as a part of it
    settles_s: float = 43_500.0  # time constant with which that mean returns to the usual rate
    # The usual rate. It is a hard one on purpose: a wearer counts as working hard until seen otherwise.
    usual_l_min: float = 64.5
    # `drift_l_min`, `start_l_min`: standard deviation of wearers' means about the usual rate in the long run,
    # and at the start
    drift_l_min: float = 33.4
    start_l_min: float = 23.9
    floor_l_min: float = 15.0  # a mean below this spreads like this one
    # Variance of a reading without steps: the gauge's noise and the ripple of breaths.
    noise_bar2: float = 0.037
    step_weight: float = 0.92  # part of a step's variance (step squared / 12) that counts
    # `gas_gain`, `wall_gain`: how much of the difference to a reported gas temperature is taken over at each
    # reading
    gas_gain: float = 0.02
    wall_gain: float = 0.01
    # `stuck_readings`, `stuck_rate_part`, `stuck_steps`: so many readings alike hang if this part of the rate
    # before would have moved the gauge by so many steps: see the profile
    stuck_readings: float = 5.0
    stuck_rate_part: float = 0.4
    stuck_steps: float = 3.0
    # Nobody at work breathes less, L/min: it is the rate of a person at rest. Our own rule.
    rest_l_min: float = 6.0
    # `live_band`, `smooth_band`: factor on the filter's and the smoother's own standard deviation that makes
    # 90 % bands hold
    live_band: float = 0.845
    smooth_band: float = 0.97

    def as_array(self) -> FloatArray:
        """Return the values in the order that the kernels expect."""
        return np.array([getattr(self, name) for name in self.__slots__[: kernels.M_REST + 1]])


@dataclass(frozen=True, slots=True)
class Vessel:
    """What is assumed of cylinders, per 6.8 L cylinder: our own rules, no source supports them."""

    # `gas_to_wall_w_k`, `wall_to_surroundings_w_k`, `wall_j_k`: heat transfer (to the wall: at 10 mol/L and
    # 10 K) and heat capacity; surfaces grow with the 2/3 power of the volume, mass with it
    gas_to_wall_w_k: float = 20.0
    # How much the transfer to the wall changes with density and difference: 0 not at all, 1 as in free
    # convection.
    free_convection: float = 0.75
    wall_to_surroundings_w_k: float = 3.0
    wall_j_k: float = 3600.0
    growth: float = 0.0075  # relative growth of the volume from 0 to 300 bar
    # `gauge_gain_sd`, `gauge_offset_sd_bar`, `volume_sd`, `growth_sd`, `heat_sd`: uncertainty of the gauge
    # (part of the pressure; bar), of the volume, its growth and of the heat balance (part of the air used);
    # they enter `free_air_sd_l` only
    gauge_gain_sd: float = 0.005
    gauge_offset_sd_bar: float = 1.0
    volume_sd: float = 0.005
    growth_sd: float = 0.0025
    heat_sd: float = 0.004
    # `start_sd_c`, `unknown_start_sd_c`: uncertainty of a start temperature that was given, and of 20 °C when
    # none was
    start_sd_c: float = 1.5
    unknown_start_sd_c: float = 10.0
    # So much colder than its surroundings is gas that somebody breathes at work (simulated: 10 to 20 K).
    breathed_sd_c: float = 15.0
    # Which part of the heat around reaches the cylinder (a cover may keep all of it off): 0 to 1, all alike
    # likely, so 1 is off by the root of a third. Surroundings that changed by no more than 20 K do reach it.
    reached_sd: float = 0.58
    reaches_k: float = 20.0


BREATHING = Breathing()
VESSEL = Vessel()


def vessel_array(cylinder: Cylinder, vessel: Vessel) -> FloatArray:
    """Return the constants of this cylinder in the order that the kernels expect."""
    surface = cylinder.count * (cylinder.water_volume_l / 6.8) ** (2.0 / 3.0)
    return np.array(
        [
            cylinder.total_l,
            vessel.growth / 300.0,
            vessel.gas_to_wall_w_k * surface,
            vessel.wall_to_surroundings_w_k * surface,
            vessel.wall_j_k * cylinder.total_l / 6.8,
            vessel.free_convection,
        ]
    )


def start_temperature(
    given_c: float | None,
    gas_c: FloatArray,
    surroundings_c: float | FloatArray | None,
    vessel: Vessel,
    rested: bool = True,
) -> tuple[float, float]:
    """Return the gas temperature to start with and its standard deviation, °C.

    `rested`: whether nobody had breathed from the cylinder shortly before.
    """
    if given_c is not None:
        return given_c, vessel.start_sd_c
    known = gas_c[(gas_c > kernels.LOWEST_C) & (gas_c < kernels.HIGHEST_C)]
    if known.size:
        return float(known[0]), vessel.start_sd_c
    around_c, sd_c = UNKNOWN_START_C, vessel.unknown_start_sd_c
    if surroundings_c is not None:
        around_c = min(max(float(np.ravel(surroundings_c)[0]), -40.0), 60.0)
        sd_c = 2.0 * vessel.start_sd_c
    return around_c, sd_c if rested else math.hypot(sd_c, vessel.breathed_sd_c)


def first_state(
    time_s: float, pressure_bar: float, start_c: float, model: FloatArray, vessel: FloatArray
) -> FloatArray:
    """Return the state after the first reading: its litres, the usual rate, a wide spread."""
    state = np.zeros(kernels.STATE_SIZE)
    volume_l = vessel[kernels.V_LITRES] * (1.0 + vessel[kernels.V_GROWTH] * pressure_bar)
    left_l = free_air_l(pressure_bar, start_c, float(volume_l))
    per_bar_l = free_air_l(pressure_bar + 0.5, start_c, float(volume_l)) - free_air_l(
        pressure_bar - 0.5, start_c, float(volume_l)
    )
    usual = model[kernels.M_USUAL]
    mean_variance = model[kernels.M_START] ** 2
    state[kernels.SECOND] = np.floor(time_s)
    state[[kernels.LEFT, kernels.RATE, kernels.MEAN]] = left_l, usual, usual
    state[kernels.V_LL] = (model[kernels.M_NOISE] + model[kernels.M_STEP_WEIGHT] / 12.0) * per_bar_l**2
    state[[kernels.V_RM, kernels.V_MM]] = mean_variance
    state[kernels.V_RR] = mean_variance + (model[kernels.M_SPREAD] * usual) ** 2
    state[[kernels.GAS_K, kernels.WALL_K]] = start_c + ZERO_CELSIUS_K
    state[kernels.DENSITY] = left_l / (volume_l * MOLAR_VOLUME_L_MOL)
    state[kernels.STEP] = 1.0
    state[kernels.HARDEST], state[kernels.EASIEST] = -np.inf, np.inf
    state[kernels.RING :] = left_l
    # The filter meets this reading again and passes over it as a double.
    state[[kernels.LAST_BAR, kernels.LAST_S]] = pressure_bar, time_s
    state[[kernels.MOVED_S, kernels.MOVED_AT_S, kernels.ALIKE]] = np.floor(time_s), time_s, 1.0
    return state


def pressure_and_slope(left_l: float, gas_c: float, vessel: FloatArray) -> tuple[float, float]:
    """Return the gauge pressure of these litres, bar, and litres a bar there."""
    pressure = 0.0
    for _ in range(4):
        volume_l = float(vessel[kernels.V_LITRES] * (1.0 + vessel[kernels.V_GROWTH] * pressure))
        pressure = pressure_bar_of(left_l, gas_c, volume_l)
    return pressure, free_air_l(pressure + 0.5, gas_c, volume_l) - free_air_l(pressure - 0.5, gas_c, volume_l)


def warmed_by(around_c: FloatArray, size: int, vessel: Vessel) -> FloatArray:
    """Return by how much surroundings that may not reach it warmed the wall, K by each second."""
    if around_c.size == 1:
        return np.zeros(size)
    changed_k = around_c[:size] - around_c[0]
    doubted_k = changed_k - np.clip(changed_k, -vessel.reaches_k, vessel.reaches_k)
    warmed_k: FloatArray = _followed(doubted_k, vessel.wall_to_surroundings_w_k / vessel.wall_j_k)
    return warmed_k


@compiled
def _followed(values: FloatArray, per_s: float) -> FloatArray:
    follower, now = np.empty_like(values), 0.0
    for second in range(values.size):
        now += per_s * (values[second] - now)
        follower[second] = now
    return follower


def used_sd_l(
    smoothed: FloatArray,
    gas_c: FloatArray,
    cylinder: Cylinder,
    vessel: Vessel,
    start_sd_c: float,
    warmed_k: FloatArray | None = None,
) -> float:
    """Return the standard deviation of the air used, litres: what is unknown, added in squares.

    `warmed_k`: array, shape (n,): see `warmed_by`; nobody knows how much of it reached the cylinder.

    Gauge errors and temperature are the same at both ends of a wear, so they enter by how differently
    litres depend on them there.
    """
    volume_l = cylinder.total_l
    bar, per_bar, per_kelvin, grown_l = [], [], [], []
    for at_bar, at_c in zip(smoothed[[0, -1], 4].tolist(), gas_c[[0, -1]].tolist(), strict=True):
        bar.append(at_bar)
        per_bar.append(free_air_l(at_bar + 0.5, at_c, volume_l) - free_air_l(at_bar - 0.5, at_c, volume_l))
        per_kelvin.append(free_air_l(at_bar, at_c + 0.5, volume_l) - free_air_l(at_bar, at_c - 0.5, volume_l))
        grown_l.append(volume_l * MOLAR_VOLUME_L_MOL * at_bar / 300.0 * molar_density_mol_l(at_bar, at_c))
    used_l = float(smoothed[0, 0] - smoothed[-1, 0])
    parts = [
        np.sqrt(smoothed[0, 1] + smoothed[-1, 1]),
        vessel.gauge_gain_sd * (per_bar[0] * bar[0] - per_bar[1] * bar[1]),
        vessel.gauge_offset_sd_bar * (per_bar[0] - per_bar[1]),
        vessel.volume_sd * used_l,
        vessel.growth_sd * (grown_l[0] - grown_l[1]),
        vessel.heat_sd * used_l,
        start_sd_c * (per_kelvin[0] - per_kelvin[1]),
    ]
    if warmed_k is not None:
        parts.append(vessel.reached_sd * (per_kelvin[0] * warmed_k[0] - per_kelvin[1] * warmed_k[-1]))
    return float(np.sqrt(np.sum(np.square(parts))))
