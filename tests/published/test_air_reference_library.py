"""Air against values of a reference library ("reference library": CoolProp 8, HEOS "Air").

Its equation of state: Lemmon, Jacobsen, Penoncello, Friend 2000, "Thermodynamic Properties of Air and
Mixtures of Nitrogen, Argon, and Oxygen From 60 to 2000 K at Pressures to 2000 MPa", J. Phys. Chem. Ref. Data
29, 331-385.
The figures stand here as they were printed, so the tolerances are half of their last digit plus 0.1 % of
density, the error that is allowed to the fit.
"""

import numpy as np
import pytest

from analysis.air.breathing import Cylinder, Vessel, reconstruct
from analysis.air.gas import (
    ATMOSPHERE_BAR,
    GAS_CONSTANT,
    MOLAR_VOLUME_L_MOL,
    free_air_l,
    molar_density_mol_l,
    nominal_air_l,
    pressure_bar_of,
)

LITRE_AT_15 = 23.6349 / MOLAR_VOLUME_L_MOL
"""A litre of real air at 15 °C and 1.01325 bar, which these tables count in, beside our free litre."""
LITRE_AT_20 = 24.0462 / MOLAR_VOLUME_L_MOL

TABLE_C = (-30, -20, -10, 0, 10, 15, 20, 30, 40, 50, 60)
TABLE_Z = """
1 .9989 .9991 .9993 .9994 .9995 .9996 .9996 .9997 .9998 .9999 .9999
10 .9895 .9914 .9930 .9944 .9955 .9961 .9965 .9974 .9982 .9989 .9995
50 .9548 .9637 .9713 .9777 .9832 .9856 .9879 .9920 .9955 .9985 1.0012
55 .9513 .9610 .9693 .9763 .9823 .9849 .9874 .9918 .9956 .9989 1.0018
100 .9300 .9458 .9591 .9704 .9799 .9842 .9881 .9952 1.0013 1.0065 1.0111
150 .9317 .9503 .9660 .9795 .9911 .9962 1.0010 1.0096 1.0170 1.0234 1.0289
200 .9588 .9762 .9914 1.0046 1.0161 1.0212 1.0260 1.0347 1.0422 1.0487 1.0544
232 .9864 1.0019 1.0156 1.0277 1.0383 1.0431 1.0475 1.0556 1.0627 1.0688 1.0741
250 1.0047 1.0188 1.0314 1.0427 1.0526 1.0570 1.0612 1.0689 1.0755 1.0813 1.0863
300 1.0628 1.0727 1.0818 1.0902 1.0976 1.1011 1.1043 1.1101 1.1153 1.1198 1.1237
350 1.1282 1.1338 1.1391 1.1441 1.1488 1.1509 1.1530 1.1567 1.1600 1.1628 1.1652
"""
Z_ROWS = [[float(value) for value in line.split()] for line in TABLE_Z.strip().splitlines()]


def compressibility(absolute_bar, temperature_c):
    density = molar_density_mol_l(absolute_bar, temperature_c)
    return absolute_bar / (density * GAS_CONSTANT * (temperature_c + 273.15))


@pytest.mark.parametrize("row", Z_ROWS, ids=lambda row: f"{row[0]:g} bar")
def test_compressibility_table(row):
    z = compressibility(np.full(len(TABLE_C), row[0]), np.array(TABLE_C, dtype=float))
    assert z == pytest.approx(row[1:], abs=0.00005, rel=0.001)


@pytest.mark.parametrize(
    ("absolute_bar", "celsius", "z"),
    [(300.0, 20.0, 1.1043), (200.0, 15.0, 1.0212), (100.0, -20.0, 0.9458)],
)
def test_worked_example_1(absolute_bar, celsius, z):
    assert compressibility(absolute_bar, celsius) == pytest.approx(z, abs=0.001)


@pytest.mark.parametrize(
    ("volume_l", "bar", "nominal", "at_15", "at_20"),
    [
        (4.7, 200, 940, 912, 908),
        (4.7, 300, 1410, 1266, 1263),
        (6.0, 200, 1200, 1164, 1159),
        (6.0, 300, 1800, 1617, 1612),
        (6.8, 200, 1360, 1320, 1314),
        (6.8, 300, 2040, 1832, 1827),  # worked example 3: 2040 doctrine litres, 1832 real ones at 15 °C
        (9.0, 200, 1800, 1747, 1739),
        (9.0, 300, 2700, 2425, 2418),
        (13.6, 200, 2720, 2639, 2627),  # twice 6.8 L
        (13.6, 300, 4080, 3665, 3654),
    ],
)
def test_free_air_table_and_worked_example_3(volume_l, bar, nominal, at_15, at_20):
    assert nominal_air_l(bar, volume_l) == pytest.approx(nominal)
    assert free_air_l(bar, 15.0, volume_l) * LITRE_AT_15 == pytest.approx(at_15, abs=0.5, rel=0.0005)
    assert free_air_l(bar, 20.0, volume_l) * LITRE_AT_20 == pytest.approx(at_20, abs=0.5, rel=0.0005)


@pytest.mark.parametrize(
    ("high_bar", "low_bar", "litres"),
    [
        (300, 290, 4.57),
        (300, 250, 4.81),
        (250, 200, 5.44),
        (200, 150, 6.06),
        (150, 100, 6.56),
        (100, 55, 6.82),
    ],
)
def test_litres_a_bar(high_bar, low_bar, litres):
    used = (free_air_l(high_bar, 15.0, 6.8) - free_air_l(low_bar, 15.0, 6.8)) * LITRE_AT_15
    # A difference of two contents: 0.02 % of each is 0.6 % of what 10 bar hold.
    assert used / (high_bar - low_bar) == pytest.approx(litres, abs=0.005, rel=0.006)


@pytest.mark.parametrize(
    ("bar", "percent"), [(225, 79.6), (150, 55.3), (99, 37.0), (75, 28.0), (134.9, 50.0)]
)
def test_air_fraction_is_not_pressure_fraction(bar, percent):
    # Counted without the last atmosphere, which nobody can breathe.
    full, empty = free_air_l(300.0, 15.0, 6.8), free_air_l(0.0, 15.0, 6.8)
    assert 100 * (free_air_l(bar, 15.0, 6.8) - empty) / (full - empty) == pytest.approx(percent, abs=0.1)


@pytest.mark.parametrize(
    ("charged_bar", "at_c", "bar"),
    [
        *[(300, c, bar) for c, bar in ((-20, 241.8), (0, 275.1), (40, 341.2), (60, 373.9))],
        *[(200, c, bar) for c, bar in ((-20, 164.2), (0, 184.7), (40, 225.3), (60, 245.5))],
        *[(100, c, bar) for c, bar in ((-20, 84.5), (0, 93.4), (40, 111.0), (60, 119.7))],
        *[(55, c, bar) for c, bar in ((-20, 47.2), (0, 51.7), (40, 60.5), (60, 65.0))],
    ],
)
def test_pressure_of_a_closed_cylinder_and_worked_example_18(charged_bar, at_c, bar):
    content = free_air_l(charged_bar, 15.0, 6.8)
    # Beyond 350 bar the fit was not made: 0.1 % there.
    assert pressure_bar_of(content, at_c, 6.8) == pytest.approx(bar, abs=0.05, rel=0.001)


@pytest.mark.parametrize(("filled_c", "bar"), [(30, 277.4), (40, 264.5), (50, 252.9), (60, 242.5)])
def test_warm_fill_settles_and_worked_example_19(filled_c, bar):
    settled = pressure_bar_of(free_air_l(300.0, filled_c, 6.8), 15.0, 6.8)
    assert settled == pytest.approx(bar, abs=0.15)


def test_content_at_the_warning():
    # Counted without the last atmosphere, one water volume.
    litres = [free_air_l(55.0, celsius, 6.8) * LITRE_AT_15 - 6.8 for celsius in (-20.0, 15.0, 40.0)]
    assert litres == pytest.approx([438, 375, 341], abs=0.6)


@pytest.mark.parametrize(
    ("volume_l", "real_min", "doctrine_min"), [(6.0, 32.0, 36.75), (6.8, 36.3, 41.65), (9.0, 48.0, 55.1)]
)
def test_worked_example_9_minutes_from_300_to_55_bar_at_40_l_min(volume_l, real_min, doctrine_min):
    used = (free_air_l(300.0, 15.0, volume_l) - free_air_l(55.0, 15.0, volume_l)) * LITRE_AT_15
    assert used / 40.0 == pytest.approx(real_min, abs=0.1)
    assert nominal_air_l(300.0 - 55.0, volume_l) / 40.0 == pytest.approx(doctrine_min, abs=0.05)


def test_worked_example_13_twice_the_air_of_the_way_in():
    used_l = (free_air_l(300.0, 15.0, 6.8) - free_air_l(250.0, 15.0, 6.8)) * LITRE_AT_15
    assert used_l == pytest.approx(240.6, abs=0.8)
    # What is kept must come out down to 0 bar gauge, so the last atmosphere stands on top.
    kept_bar = pressure_bar_of(2.0 * used_l / LITRE_AT_15 + free_air_l(0.0, 15.0, 6.8), 15.0, 6.8)
    assert kept_bar == pytest.approx(70.5, abs=0.4)


def record_at_40_l_min(step_bar: float) -> tuple[np.ndarray, np.ndarray]:
    """Readings of a 6.8 L cylinder at 15 °C from 300 bar, 40 L/min (litres at 15 °C) drawn evenly."""
    time_s = np.arange(0.0, 20.0 * 60.0 + 1.0)
    left_l = free_air_l(300.0, 15.0, 6.8) - 40.0 / LITRE_AT_15 * time_s / 60.0
    bar = pressure_bar_of(left_l, 15.0, 6.8)
    return time_s, np.round(bar / step_bar) * step_bar


def test_worked_example_17_pressures():
    time_s, bar = record_at_40_l_min(step_bar=1e-6)
    assert bar[[300, 600, 1200]] == pytest.approx([258.0, 220.0, 152.5], abs=0.2)
    assert time_s[-1] == 1200


@pytest.mark.parametrize("step_bar", [0.1, 1.0])
def test_worked_example_17_backwards_through_the_filter(step_bar):
    time_s, bar = record_at_40_l_min(step_bar)
    track = reconstruct(
        time_s, bar, Cylinder(1, 6.8, 300.0), gas_temperature_c=np.full(time_s.size, 15.0), vessel=ISOTHERMAL
    )
    # Half a step of 1 bar is 2.3 L of the 800 L used.
    assert track.free_air_l * LITRE_AT_15 == pytest.approx(800.0, rel=0.004)
    assert np.mean(track.rate_l_min[60:-60]) * LITRE_AT_15 == pytest.approx(40.0, rel=0.01)
    assert np.all(track.rate_lo_l_min[60:] * LITRE_AT_15 < 40.0)
    assert np.all(track.rate_hi_l_min[60:] * LITRE_AT_15 > 40.0)


# The worked examples speak of a rigid cylinder; 17 moreover of gas that stays at 15 °C.
RIGID = Vessel(growth=0.0)
ISOTHERMAL = Vessel(growth=0.0, gas_to_wall_w_k=1e5, wall_to_surroundings_w_k=1e5, wall_j_k=1e7)


@pytest.mark.parametrize("step_bar", [0.1, 1.0])
@pytest.mark.parametrize(
    ("from_c", "to_c", "to_bar", "example"), [(15.0, -20.0, 241.8, 18), (50.0, 15.0, 252.9, 19)]
)
def test_worked_examples_18_and_19_read_as_no_use_when_the_temperature_is_known(
    from_c, to_c, to_bar, example, step_bar
):
    minutes = 30
    time_s = np.arange(0.0, (minutes + 10) * 60.0)
    gas_c = np.interp(time_s, [0.0, minutes * 60.0], [from_c, to_c])
    bar = pressure_bar_of(np.full(time_s.size, free_air_l(300.0, from_c, 6.8)), gas_c, 6.8)
    assert bar[-1] == pytest.approx(to_bar, abs=0.15)
    readings = np.round(bar / step_bar) * step_bar
    track = reconstruct(
        time_s,
        readings,
        Cylinder(1, 6.8, 300.0),
        gas_temperature_c=np.round(gas_c, 1),
        surroundings_c=gas_c,
        vessel=RIGID,
    )
    # V x bar would call it some 400 (18) and 320 (19) litres; half a step is 2.5 to 3.5 L.
    assert abs(track.free_air_l) < 3.0
    assert abs(track.free_air_l) < 2.0 * track.free_air_sd_l
    assert np.mean(track.rate_l_min[120:]) < 1.0
    assert track.set_aside.size == 0


def test_pressure_is_gauge():
    assert free_air_l(0.0, 20.0, 6.8) * LITRE_AT_20 == pytest.approx(6.8, rel=0.0005)
    assert molar_density_mol_l(ATMOSPHERE_BAR, 20.0) * 6.8 * MOLAR_VOLUME_L_MOL == free_air_l(0.0, 20.0, 6.8)
