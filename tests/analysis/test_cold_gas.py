"""Gas that cools as it leaves: litres and temperature against CoolProp's gas and free convection."""

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
