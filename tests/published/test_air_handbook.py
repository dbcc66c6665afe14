"""Compressibility of air from Perry's Chemical Engineers' Handbook, table of compressibility factors of air.

Mark: "from memory" (the page could not be read); worked example 2. Tolerance: the equation of state that the
project follows differs from the handbook's older table by up to 0.0012.
"""

import pytest

from analysis.air.gas import GAS_CONSTANT, molar_density_mol_l


@pytest.mark.parametrize(
    ("kelvin", "absolute_bar", "z"),
    [
        (300.0, 100.0, 0.9930),
        (300.0, 200.0, 1.0326),
        (300.0, 250.0, 1.0669),
        (300.0, 300.0, 1.1089),
        (250.0, 300.0, 1.0702),
        (350.0, 300.0, 1.1303),
    ],
)
def test_handbook_compressibility(kelvin, absolute_bar, z):
    density = molar_density_mol_l(absolute_bar, kelvin - 273.15)
    assert absolute_bar / (density * GAS_CONSTANT * kelvin) == pytest.approx(z, abs=0.0013)


@pytest.mark.parametrize(("absolute_bar", "z"), [(100.0, 0.9931), (300.0, 1.1084)])
def test_worked_example_2_reference_library_values(absolute_bar, z):
    density = molar_density_mol_l(absolute_bar, 26.85)
    assert absolute_bar / (density * GAS_CONSTANT * 300.0) == pytest.approx(z, abs=0.0005)
