"""Fits the constants of `analysis/air/gas.py` to CoolProp's air; run `python -m tests.benchmarks.fit_air`.

CoolProp's "Air" is the equation of state of Lemmon, Jacobsen, Penoncello and Friend (2000), "Thermodynamic
Properties of Air and Mixtures of Nitrogen, Argon, and Oxygen From 60 to 2000 K at Pressures to 2000 MPa",
J. Phys. Chem. Ref. Data 29, 331-385. The fit is linear in its constants; the weights are renewed until the
largest error of density, not its mean, is least. Paste what this prints into `analysis/air/gas.py`.
"""

import numpy as np
from CoolProp import CoolProp

from analysis.air.gas import GAS_CONSTANT, REFERENCE_K

TERMS = [(1, 0), (1, 1), (1, 2), (1, 3), (2, 0), (2, 1), (2, 2), (3, 0), (3, 1), (4, 0)]


def fitted() -> dict[str, np.ndarray | float]:
    """Return the fitted constants and the largest relative error of density."""
    temperatures_k = np.arange(-40.0, 80.1, 2.0) + 273.15
    pressures_bar = np.concatenate([[1.0, 2.0, 3.0, 5.0, 7.0], np.arange(10.0, 351.0, 5.0)])
    grid_k, grid_bar = (axis.ravel() for axis in np.meshgrid(temperatures_k, pressures_bar))
    state = CoolProp.AbstractState("HEOS", "Air")
    density, stiffness, heat_capacity = np.empty((3, grid_k.size))
    for index, (kelvin, bar) in enumerate(zip(grid_k, grid_bar, strict=True)):
        state.update(CoolProp.PT_INPUTS, bar * 1e5, kelvin)
        density[index] = state.rhomolar() / 1000.0
        slope = state.first_partial_deriv(CoolProp.iP, CoolProp.iDmolar, CoolProp.iT)
        stiffness[index] = slope * state.rhomolar() / (bar * 1e5)  # d ln p / d ln density
        heat_capacity[index] = state.cvmolar()
    z = grid_bar / (GAS_CONSTANT * density * grid_k)
    u = REFERENCE_K / grid_k
    columns = np.array([density**power * u**order for power, order in TERMS]).T
    weight = np.ones_like(z)
    for _ in range(60):
        scale = np.sqrt(weight) / (z * stiffness)
        constants = np.linalg.lstsq(columns * scale[:, None], (z - 1.0) * scale, rcond=None)[0]
        error = np.abs(columns @ constants - (z - 1.0)) / (z * stiffness)
        weight *= error / error.max() + 0.05
        weight /= weight.sum()
    powers = np.array([np.ones_like(density), density, density**2]).T
    cv = np.linalg.lstsq(powers, heat_capacity, rcond=None)[0]
    cv_error = np.abs(powers @ cv / heat_capacity - 1).max()
    return {"z": constants, "cv": cv, "density_error": error.max(), "cv_error": cv_error}


if __name__ == "__main__":
    result = fitted()
    for (power, order), value in zip(TERMS, np.atleast_1d(result["z"]), strict=True):
        print(f"density^{power} (293.15/T)^{order}: {value:.9e}")
    print("cv, J/mol/K, constant, linear, square:", result["cv"])
    print(f"largest error: density {result['density_error']:.3%}, cv {result['cv_error']:.2%}")
