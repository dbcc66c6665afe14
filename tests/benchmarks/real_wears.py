"""Real breaths and real cylinders played as wears: `real_wears(folder)`.

Three files make a folder: `breaths.parquet` (breath by breath, people in an intermittent running test,
Oxford Natural Interaction Lab, *YoYoTest* data set, 2023), `cylinder_pressures.parquet` (real cylinders with
real transmitters) and a README with the sources. Nothing of them is in this repository.

The breaths are drawn from a cylinder whose gas obeys CoolProp's equation of state, heat capacity, viscosity
and conductivity (HEOS, Air), and whose wall warms it by free convection; no line of `analysis` is used for
that. The convection is Nu = 0.13 Ra^(1/3) (turbulent, along a wall: McAdams 1954, "Heat Transmission", from
memory); surface, wall and outside transfer are our own assumptions.

| set | what |
| --- | --- |
| `act` | 120 s before each test to 180 s after it, repeated until the air is gone: nearest to work |
| `own` | whole sessions, standing and maximal work, from the beginning and from their middle |
| `p40` | `own`, scaled to a mean of 40 L/min |
| `hot` | `act` without its rests, scaled to 60 to 110 L/min; half of them rise from 0.7 to 1.3 of that |
| `dives` | the real cylinders, until nine tenths of what they used is gone: divers come up after that |
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from analysis.air.gas import Cylinder, FloatArray

START_BAR, UNTIL_BAR, AROUND_C = 300.0, 50.0, 20.0
MOLAR_L = 24.055
LONGEST_S = 4 * 3600
SURFACE_M2, LENGTH_M, WALL_J_K, OUTSIDE_W_K, GROWTH = 0.20, 0.14, 3600.0, 3.0, 0.0075
"""Inner surface and diameter of a 6.8 L cylinder, heat capacity of its wall, transfer to the air around."""
BEFORE_S, AFTER_S = 120.0, 180.0


@dataclass(frozen=True)
class RealWear:
    """One played wear.

    Attributes
    ----------
    kind, person : str
        The set, and who breathed; a dive's person is its recording.
    cylinder : Cylinder
    low_air_bar : float
        The warning that is forecast.
    time_s, pressure_bar : array, shape (m,)
        Readings.
    rate_l_min, free_air_left_l : array, shape (n,) or None
        Truth on the 1 s grid; None for dives, whose air nobody measured.
    reached_s : float or None
        When the true pressure was down to the warning.
    surroundings_c : float
    """

    kind: str
    person: str
    cylinder: Cylinder
    low_air_bar: float
    time_s: FloatArray
    pressure_bar: FloatArray
    rate_l_min: FloatArray | None
    free_air_left_l: FloatArray | None
    reached_s: float | None
    surroundings_c: float


def real_wears(
    folder: Path,
    *,
    step_bar: float = 1.0,
    interval_s: float = 1.0,
    dives: bool = True,
    until_bar: float = UNTIL_BAR,
) -> list[RealWear]:
    """Return all wears that the folder's files make, in a fixed order; breaths are drawn until a pressure."""
    wears = []
    breaths = pl.read_parquet(folder / "breaths.parquet").sort("person", "round", maintain_order=True)
    for place, ((person, _), session) in enumerate(breaths.group_by("person", "round", maintain_order=True)):
        whole = _flow_l_s(session)
        around = _around_test(session)
        rng = np.random.default_rng((2023, place))
        worked = _without_rests(session)
        rate = 60.0 * float(whole.mean())
        variants = [
            ("act", around),
            ("own", whole),
            ("own", np.roll(whole, whole.size // 2)),
            ("p40", whole * (40.0 / rate)),
            ("p40", np.roll(whole, whole.size // 2) * (40.0 / rate)),
            ("hot", _hot(rng, worked, rising=False)),
            ("hot", _hot(rng, worked, rising=True)),
        ]
        wears += [
            _played(kind, str(person), flow, step_bar, interval_s, until_bar) for kind, flow in variants
        ]
    return wears + (_dives(folder) if dives else [])


def _flow_l_s(session: pl.DataFrame) -> FloatArray:
    """Return litres drawn in each second, breath after breath, each drawn while it is breathed in."""
    length_s = session["breath_s"].to_numpy().astype(float)
    air_l = session["free_air_l"].to_numpy().astype(float)
    breathed_s = np.minimum(session["inspiration_s"].to_numpy().astype(float), length_s)
    begin_s = np.cumsum(length_s) - length_s
    edges_s = np.ravel(np.column_stack([begin_s, begin_s + np.maximum(breathed_s, 0.05)]))
    drawn_l = np.ravel(np.column_stack([np.cumsum(air_l) - air_l, np.cumsum(air_l)]))
    return np.diff(np.interp(np.arange(int(begin_s[-1] + length_s[-1]) + 1.0), edges_s, drawn_l))


def _around_test(session: pl.DataFrame) -> FloatArray:
    at_s = (pl.col("breath_s").cum_sum() - pl.col("breath_s")).alias("at_s")
    timed = session.with_columns(at_s)
    tested = timed.filter(pl.col("in_test"))["at_s"]
    begin_s, end_s = float(tested.min()), float(tested.max())  # type: ignore[arg-type]
    return _flow_l_s(timed.filter(pl.col("at_s").is_between(begin_s - BEFORE_S, end_s + AFTER_S)))


def _without_rests(session: pl.DataFrame) -> FloatArray:
    flow = _flow_l_s(session.filter(pl.col("in_test")))
    half_minute = np.convolve(flow, np.full(30, 1.0 / 30.0), mode="same")
    worked = flow[half_minute > 0.7 * half_minute.mean()]
    return worked if worked.size > 60 else flow


def _hot(rng: np.random.Generator, worked: FloatArray, *, rising: bool) -> FloatArray:
    """Return work that goes on until the air is gone; a 6.8 L cylinder's 1450 L set how long that is."""
    mean_l_min = float(rng.uniform(60.0, 110.0))
    size = round(1450.0 / mean_l_min * 60.0) + 120
    level = np.linspace(0.7, 1.3, size) if rising else np.ones(size)
    repeated = np.resize(worked / worked.mean(), size)
    return repeated * level * mean_l_min / 60.0


def _played(
    kind: str, person: str, flow_l_s: FloatArray, step_bar: float, interval_s: float, until_bar: float
) -> RealWear:
    cylinder = Cylinder()
    left_l, pressure, _ = emptied(np.resize(flow_l_s, LONGEST_S), cylinder.total_l, until_bar)
    size = left_l.size
    flow = np.resize(flow_l_s, LONGEST_S)[:size]
    shown_s = np.arange(0.0, size, interval_s)
    shown_bar = np.round(np.interp(shown_s, np.arange(size), pressure) / step_bar) * step_bar
    below = np.flatnonzero(pressure <= 55.0)
    reached_s = float(below[0]) if below.size else None
    return RealWear(
        kind, person, cylinder, 55.0, shown_s, shown_bar, 60.0 * flow, left_l, reached_s, AROUND_C
    )


def emptied(
    flow_l_s: FloatArray, volume_l: float, until_bar: float = UNTIL_BAR
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Draw litres second by second from a cylinder; return free litres left, gauge pressure (bar), gas (°C).

    The gas is CoolProp's, the wall's heat comes by free convection; see the head of this module.
    """
    import CoolProp

    air: Any = CoolProp.AbstractState("HEOS", "Air")
    molar = air.molar_mass()
    gas_k = wall_k = AROUND_C + 273.15
    air.update(CoolProp.PT_INPUTS, (START_BAR + 1.01325) * 1e5, gas_k)
    bar = START_BAR
    grown_m3 = 1e-3 * volume_l * (1.0 + GROWTH * bar / 300.0)
    moles = air.rhomolar() * grown_m3
    left, pressures, gas_c = [], [], []
    per_k = 0.0
    for second, taken_l in enumerate(flow_l_s.tolist()):
        left.append(moles * MOLAR_L)
        pressures.append(bar)
        gas_c.append(gas_k - 273.15)
        if bar <= until_bar:
            break
        if second % 5 == 0:  # convection changes slowly; viscosity and conductivity are dear
            viscosity = air.viscosity() / air.rhomass()
            spread = air.conductivity() / (air.rhomass() * air.cpmass())
            lift = air.isobaric_expansion_coefficient() * abs(wall_k - gas_k) * 9.81
            rayleigh = lift * LENGTH_M**3 / (viscosity * spread)
            nusselt = max(0.13 * rayleigh ** (1.0 / 3.0), 1.0)
            per_k = nusselt * air.conductivity() / LENGTH_M * SURFACE_M2
        taken = taken_l / MOLAR_L
        capacity = moles * air.cvmass() * molar
        pushes = air.first_partial_deriv(CoolProp.iP, CoolProp.iT, CoolProp.iDmolar) / air.rhomolar()
        to_gas = per_k * (wall_k - gas_k) / (1.0 + per_k / capacity)
        gas_k += (to_gas - taken * gas_k * pushes) / capacity
        wall_k += (OUTSIDE_W_K * (AROUND_C + 273.15 - wall_k) - to_gas) / WALL_J_K
        moles -= taken
        grown_m3 = 1e-3 * volume_l * (1.0 + GROWTH * bar / 300.0)
        air.update(CoolProp.DmolarT_INPUTS, moles / grown_m3, gas_k)
        bar = air.p() / 1e5 - 1.01325
    return np.array(left), np.array(pressures), np.array(gas_c)


def _dives(folder: Path) -> list[RealWear]:
    wears = []
    recordings = pl.read_parquet(folder / "cylinder_pressures.parquet")
    for (number,), part in recordings.group_by("recording", maintain_order=True):
        time_s = part["time_s"].to_numpy().astype(float)
        bar = part["pressure_bar"].to_numpy().astype(float)
        volume_l = part["cylinder_l"][0]
        cylinder = Cylinder(1, 12.0 if volume_l is None else float(volume_l), 232.0)
        lowest_bar = float(bar[-10:].mean())  # one recording drops out to 21 bar and back on its way
        warning_bar = max(55.0, float(np.ceil(lowest_bar + 0.1 * (bar[0] - lowest_bar))))
        reached_s = float(time_s[np.flatnonzero(bar > warning_bar)[-1] + 1])
        water_c = float(part["water_c"].mean())  # type: ignore[arg-type]
        wears.append(
            RealWear(
                "dives",
                f"dive {number}",
                cylinder,
                warning_bar,
                time_s,
                np.round(bar),
                None,
                None,
                reached_s,
                water_c,
            )
        )
    return wears
