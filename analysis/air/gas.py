"""Real air in a cylinder: how much is left at a pressure and a temperature.

Free air is litres at 1.01325 bar and 20 °C. The density comes from a short virial-type form fitted to
the equation of state of Lemmon et al. (2000), "Thermodynamic Properties of Air ...", J. Phys. Chem. Ref.
Data 29, 331-385, as computed by CoolProp: largest error of density 0.022 % over -40..80 °C and 1..350
bar. The script `tests/benchmarks/fit_air.py` makes the constants again; `tests/analysis/test_gas.py`
checks them.

Pressures named `pressure_bar` are gauge, as on the wire; `absolute_bar` says so.
"""

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Values = TypeVar("Values", float, FloatArray)
"""A number or an array; what else a function takes is a number or broadcasts with it."""

ATMOSPHERE_BAR = 1.01325
ZERO_CELSIUS_K = 273.15
REFERENCE_K = 293.15
"""20 °C, the temperature of a free litre; the fit below is in `REFERENCE_K / T`."""
MOLAR_VOLUME_L_MOL = 24.055
"""Litres of one mole as an ideal gas at 1.01325 bar and 20 °C (real air there: 24.046, 0.04 % less)."""
GAS_CONSTANT = 8.314462618e-2
"""L bar / (mol K)."""

# Z - 1 in powers of the molar density (mol/L) and of u = 293.15 K / T, made by tests/benchmarks/fit_air.py.
Z1_0, Z1_1, Z1_2, Z1_3 = 3.909088250e-02, -3.271168824e-02, -1.754095588e-02, 2.343418830e-03
Z2_0, Z2_1, Z2_2 = 9.552031636e-04, 8.227923090e-05, 4.269429992e-04
Z3_0, Z3_1 = 2.270928318e-05, -4.021223228e-05
Z4_0 = 2.897676004e-06
# Heat capacity at constant volume, J/(mol K), in powers of the molar density; within 1.8 %.
CV_0, CV_1, CV_2 = 20.8493702, 0.146181771, -1.97423128e-04

# Newton's method starts at the ideal gas, whose Z is 0.93..1.35 here, and doubles its digits each step.
NEWTON_STEPS = 5


@dataclass(frozen=True, slots=True)
class Cylinder:
    """The cylinders of one set, all alike and joined."""

    count: int = 1  # how many
    water_volume_l: float = 6.8  # water volume of each, litres
    rated_bar: float = 300.0  # rated filling pressure, bar gauge

    @property
    def total_l(self) -> float:
        """Water volume of all together, litres."""
        return self.count * self.water_volume_l


def absolute_pressure_bar(density_mol_l: Values, temperature_c: Values | float) -> Values:
    """Return the absolute pressure of air, bar, Z rho R T, from its molar density (mol/L) and °C."""
    kelvin = temperature_c + ZERO_CELSIUS_K
    u = REFERENCE_K / kelvin
    rho = density_mol_l
    first = Z1_0 + u * (Z1_1 + u * (Z1_2 + u * Z1_3))
    second = Z2_0 + u * (Z2_1 + u * Z2_2)
    third = Z3_0 + u * Z3_1
    z = 1.0 + rho * (first + rho * (second + rho * (third + rho * Z4_0)))
    return z * rho * GAS_CONSTANT * kelvin


def molar_density_mol_l(absolute_bar: Values, temperature_c: Values | float) -> Values:
    """Return the molar density of air, mol/L.

    - `absolute_bar`: float or array: absolute pressure, 0..500 bar (fitted over 1..350).
    - `temperature_c`: float or array: gas temperature, °C (fitted over -40..80); must broadcast with the
      pressure.

    Newton's method on the fit named at the head of this module; NaN gives NaN.

    Examples
    --------
    >>> round(molar_density_mol_l(300.0, 20.0), 2)
    11.15
    """
    kelvin = temperature_c + ZERO_CELSIUS_K
    u = REFERENCE_K / kelvin
    first = Z1_0 + u * (Z1_1 + u * (Z1_2 + u * Z1_3))
    second = Z2_0 + u * (Z2_1 + u * Z2_2)
    third = Z3_0 + u * Z3_1
    ideal = absolute_bar / (GAS_CONSTANT * kelvin)
    rho = ideal
    for _ in range(NEWTON_STEPS):
        excess = rho * (1.0 + rho * (first + rho * (second + rho * (third + rho * Z4_0)))) - ideal
        slope = 1.0 + rho * (2.0 * first + rho * (3.0 * second + rho * (4.0 * third + rho * 5.0 * Z4_0)))
        rho = rho - excess / slope
    return rho


def free_air_l(pressure_bar: Values, temperature_c: Values | float, water_volume_l: Values | float) -> Values:
    """Return the free air in a cylinder, litres at 1.01325 bar and 20 °C.

    - `pressure_bar`: gauge pressure, 0..500 bar.
    - `water_volume_l`: of all cylinders together.

    The whole content, so at 0 bar gauge one water volume is still there.

    Examples
    --------
    >>> round(free_air_l(300.0, 20.0, 6.8))
    1828
    """
    density_mol_l = molar_density_mol_l(pressure_bar + ATMOSPHERE_BAR, temperature_c)
    return density_mol_l * MOLAR_VOLUME_L_MOL * water_volume_l


def pressure_bar_of(
    free_air_l: Values, temperature_c: Values | float, water_volume_l: Values | float
) -> Values:
    """Return the gauge pressure, bar, of so much free air (litres); the inverse of `free_air_l`.

    Examples
    --------
    >>> round(pressure_bar_of(1827.8, 20.0, 6.8))
    300
    """
    density_mol_l = free_air_l / (MOLAR_VOLUME_L_MOL * water_volume_l)
    return absolute_pressure_bar(density_mol_l, temperature_c) - ATMOSPHERE_BAR


def nominal_air_l(pressure_bar: float, water_volume_l: float) -> float:
    """Return volume x bar, litres: what doctrine's tables ask for, never to be mixed with real litres."""
    return pressure_bar * water_volume_l


def expansion_factor(density_mol_l: Values, temperature_k: Values) -> Values:
    """Return (dp/dT at constant density) / (density x R): 1 for an ideal gas, 1.72 for air at 300 bar.

    It sets how much the gas that stays behind cools when some leaves: dT = dn R T factor / (n cv).
    """
    u = REFERENCE_K / temperature_k
    rho = density_mol_l
    first = Z1_0 - u * u * (Z1_2 + u * 2.0 * Z1_3)
    second = Z2_0 - u * u * Z2_2
    return 1.0 + rho * (first + rho * (second + rho * (Z3_0 + rho * Z4_0)))


def heat_capacity_j_mol_k(density_mol_l: Values) -> Values:
    """Return the molar heat capacity of air at constant volume, J/(mol K), from its molar density."""
    return CV_0 + density_mol_l * (CV_1 + density_mol_l * CV_2)
