"""Gas that cools as it leaves: litres and temperature against CoolProp's gas and free convection."""

from typing import Any

import numpy as np
import pytest

from analysis.air.breathing import VESSEL, AirTrack, Cylinder, Vessel, reconstruct
from tests.benchmarks.real_wears import AROUND_C, emptied

BEFORE = Vessel(gas_to_wall_w_k=22.0, free_convection=0.0)
"""A transfer that does not change with density and difference."""


@pytest.mark.parametrize("l_min", [40.0, 110.0])
def test_air_used_and_the_coldest_gas_are_those_of_free_convection(l_min: float) -> None:
    """Nu = 0.13 Ra^(1/3) (McAdams 1954, "Heat Transmission", from memory), no line of our own gas model."""
    left_l, bar, gas_c = emptied(np.full(7200, l_min / 60.0), 6.8)
    used_l = left_l[0] - left_l[-1]

    def track_with(vessel: Vessel) -> AirTrack:
        known = {"start_temperature_c": AROUND_C, "surroundings_c": AROUND_C}
        return reconstruct(np.arange(float(bar.size)), np.round(bar), Cylinder(), vessel=vessel, **known)

    track, before = track_with(VESSEL), track_with(BEFORE)
    assert track.free_air_l == pytest.approx(used_l, rel=0.004)
    coldest_c = float(gas_c.min())
    off_c, was_off_c = (abs(float(one.gas_temperature_c.min()) - coldest_c) for one in (track, before))
    assert off_c < 2.0
    assert was_off_c > off_c, "a constant transfer leaves the coldest gas too warm"


@pytest.mark.parametrize("reported", [False, True])
def test_heat_that_a_cover_keeps_off_the_cylinder_is_within_what_is_unsure(reported: bool) -> None:
    """It said 1,323 L with a standard deviation of 20 where 1,201 L were breathed beside 180 °C."""
    left_l, bar, gas_c = emptied(np.full(1441, 50.0 / 60.0), 6.8)
    used_l = left_l[0] - left_l[-1]
    time_s = np.arange(float(bar.size))
    around_c = np.where((time_s >= 240.0) & (time_s < 900.0), 180.0, 20.0)
    known: dict[str, Any] = {"gas_temperature_c": gas_c} if reported else {}
    hot = reconstruct(time_s, np.round(bar), Cylinder(), surroundings_c=around_c, **known)
    cool = reconstruct(time_s, np.round(bar), Cylinder(), surroundings_c=AROUND_C, **known)
    assert abs(hot.free_air_l - used_l) < 2.0 * hot.free_air_sd_l
    assert (hot.free_air_sd_l > 2.0 * cool.free_air_sd_l) is not reported
    mild = reconstruct(time_s, np.round(bar), Cylinder(), surroundings_c=np.minimum(around_c, 40.0), **known)
    assert mild.free_air_sd_l == pytest.approx(cool.free_air_sd_l, rel=0.05)
