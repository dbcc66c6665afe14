"""Air against CoolProp ("reference library": Lemmon et al. 2000, J. Phys. Chem. Ref. Data 29, 331-385)."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.air import gas
from analysis.air.gas import Cylinder, free_air_l, molar_density_mol_l, pressure_bar_of

pressures = st.floats(0.0, 500.0)
temperatures = st.floats(-40.0, 80.0)


def reference(output: str, temperature_c: np.ndarray, absolute_bar: np.ndarray) -> np.ndarray:
    from CoolProp import CoolProp  # takes two seconds, which no other worker needs to spend

    return np.asarray(CoolProp.PropsSI(output, "T", temperature_c + 273.15, "P", absolute_bar * 1e5, "Air"))


@pytest.fixture(scope="module")
def grid() -> tuple[np.ndarray, np.ndarray]:
    # Off the grid of the fit, so that the fit is not tested on its own points only.
    temperature_c, absolute_bar = np.meshgrid(np.linspace(-40, 80, 49), np.linspace(1, 350, 118))
    return temperature_c.ravel(), absolute_bar.ravel()


def test_density_is_within_a_thousandth_of_the_reference_library(grid):
    temperature_c, absolute_bar = grid
    expected = reference("Dmolar", temperature_c, absolute_bar) / 1000
    assert np.abs(molar_density_mol_l(absolute_bar, temperature_c) / expected - 1).max() < 0.00025


def test_density_beyond_the_fitted_range_stays_sane_up_to_500_bar():
    mesh = np.meshgrid(np.linspace(-40, 80, 13), np.linspace(350, 501, 16))
    temperature_c, absolute_bar = (axis.ravel() for axis in mesh)
    expected = reference("Dmolar", temperature_c, absolute_bar) / 1000
    # Nothing in use is filled above 350 bar; the contract lets 500 through, so it must not run away.
    assert np.abs(molar_density_mol_l(absolute_bar, temperature_c) / expected - 1).max() < 0.005


def test_expansion_factor_and_heat_capacity(grid):
    temperature_c, absolute_bar = grid
    density = reference("Dmolar", temperature_c, absolute_bar) / 1000
    slope = reference("d(P)/d(T)|Dmolar", temperature_c, absolute_bar) / 1e5
    factor = gas.expansion_factor(density, temperature_c + 273.15)
    # 1 %: the fit follows p, and its slope in T is one order worse; 1 % of the cooling is 0.1 K.
    assert np.abs(factor / (slope / (density * gas.GAS_CONSTANT)) - 1).max() < 0.011
    cv = reference("Cvmolar", temperature_c, absolute_bar)
    assert np.abs(gas.heat_capacity_j_mol_k(density) / cv - 1).max() < 0.02


def test_a_charged_cylinder_expands_harder_than_an_ideal_gas():
    # 1.72 at 300 bar (regression value, analysis/docs/method.md).
    assert gas.expansion_factor(molar_density_mol_l(300.0, 20.0), 293.15) == pytest.approx(1.72, abs=0.02)


@given(pressures, temperatures, st.floats(1.0, 20.0))
def test_pressure_and_free_air_are_each_others_inverse(pressure_bar, temperature_c, volume_l):
    content = free_air_l(pressure_bar, temperature_c, volume_l)
    assert pressure_bar_of(content, temperature_c, volume_l) == pytest.approx(pressure_bar, abs=1e-6)


@given(pressures, temperatures, st.floats(0.1, 20.0))
def test_more_pressure_is_more_air_and_warmer_is_less(pressure_bar, temperature_c, rise):
    content = free_air_l(pressure_bar, temperature_c, 6.8)
    assert free_air_l(pressure_bar + rise, temperature_c, 6.8) > content
    assert free_air_l(pressure_bar, temperature_c + rise, 6.8) < content


@given(pressures, temperatures, st.floats(1.0, 20.0), st.integers(1, 4))
def test_cylinders_joined_hold_the_sum_of_their_parts(pressure_bar, temperature_c, volume_l, count):
    together = free_air_l(pressure_bar, temperature_c, Cylinder(count, volume_l, 300.0).total_l)
    assert together == pytest.approx(count * free_air_l(pressure_bar, temperature_c, volume_l))


def test_arrays_and_missing_values_pass_through():
    content = free_air_l(np.array([300.0, np.nan, 0.0]), np.array([20.0, 20.0, -5.0]), 6.8)
    assert np.isnan(content).tolist() == [False, True, False]
    assert content[0] == free_air_l(300.0, 20.0, 6.8)


def test_the_kept_script_gives_the_constants_in_the_module():
    from tests.benchmarks import fit_air  # with the library

    result = fit_air.fitted()
    z1 = [gas.Z1_0, gas.Z1_1, gas.Z1_2, gas.Z1_3]
    mine = [*z1, gas.Z2_0, gas.Z2_1, gas.Z2_2, gas.Z3_0, gas.Z3_1, gas.Z4_0]
    # Another build of the linear algebra may differ in the last printed digits.
    assert result["z"] == pytest.approx(mine, rel=1e-4)
    assert result["cv"] == pytest.approx([gas.CV_0, gas.CV_1, gas.CV_2], rel=1e-4)
    assert result["density_error"] < 0.00025
