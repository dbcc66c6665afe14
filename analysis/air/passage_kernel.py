"""The compiled forecast of `analysis/air/breathing.py`: see `breathing_kernels.py`."""

from math import exp, log, sqrt

import numpy as np

from analysis.air.breathing_kernels import (
    COOLING_K_L,
    F_EARLY_S,
    F_HARDEST_S,
    F_LATE_S,
    F_SAID_S,
    F_TO_USE_L,
    FARTHEST_S,
    I_HIGHEST,
    I_LATE,
    I_LOWEST,
    I_MINUTES,
    I_USUAL,
    I_YOUNG,
    M_FOLLOWS_S,
    M_SETTLES_S,
    M_USUAL,
    MOST_UNKNOWN,
    T_AGE_S,
    T_EASIEST,
    T_GAS_K,
    T_HARDEST,
    T_LEFT,
    T_LL,
    T_MEAN,
    T_RATE,
    T_ROUNDED_L,
    T_SURE,
    V_GROWTH,
    V_LITRES,
    WINDOW_S,
)
from analysis.air.gas import (
    ATMOSPHERE_BAR,
    GAS_CONSTANT,
    MOLAR_VOLUME_L_MOL,
    REFERENCE_K,
    Z1_0,
    Z1_1,
    Z1_2,
    Z1_3,
    Z2_0,
    Z2_1,
    Z2_2,
    Z3_0,
    Z3_1,
    Z4_0,
)
from analysis.compiled import compiled


@compiled
def first_passage(model, vessel, ends, hard_l_min, track, target_bar, forecast):  # type: ignore[no-untyped-def]
    """For each row of `track`, find when the expected air left reaches the content at `target_bar`.

    Writes seconds from that row's moment: 0 when it is there already, `FARTHEST_S` when it is beyond that;
    then the ends of the interval about them (`analysis/air/forecast.py`), the litres that are still to use,
    and when they are used up at the rate of the hardest window so far (before the first is full: at
    `hard_l_min` or the mean so far, whichever is higher).
    """
    follows_s, settles_s, usual = model[M_FOLLOWS_S], model[M_SETTLES_S], model[M_USUAL]
    volume_l = vessel[V_LITRES]
    per_mol = volume_l * (1.0 + vessel[V_GROWTH] * target_bar) * MOLAR_VOLUME_L_MOL
    lowest, highest = ends[I_LOWEST], ends[I_HIGHEST]
    content = 0.0
    for row in range(track.shape[0]):
        left = track[row, T_LEFT]
        # Content at the target, at the temperature that the gas will have got to by then.
        kelvin = track[row, T_GAS_K]
        rho = (target_bar + ATMOSPHERE_BAR) / (GAS_CONSTANT * kelvin)
        for _ in range(2):
            u = REFERENCE_K / kelvin
            z1 = Z1_0 + u * (Z1_1 + u * (Z1_2 + u * Z1_3))
            z2 = Z2_0 + u * (Z2_1 + u * Z2_2)
            z3 = Z3_0 + u * Z3_1
            ideal = (target_bar + ATMOSPHERE_BAR) / (GAS_CONSTANT * kelvin)
            for _ in range(2):
                slope = 1.0 + rho * (2.0 * z1 + rho * (3.0 * z2 + rho * (4.0 * z3 + rho * 5.0 * Z4_0)))
                excess = rho * (1.0 + rho * (z1 + rho * (z2 + rho * (z3 + rho * Z4_0)))) - ideal
                rho -= excess / slope
            content = rho * per_mol
            kelvin = track[row, T_GAS_K] - COOLING_K_L / volume_l * max(left - content, 0.0)
        to_use = left - content
        forecast[row, F_TO_USE_L] = to_use
        if not to_use > 0.0:
            gone = 0.0 if to_use <= 0.0 else np.nan
            forecast[row, F_SAID_S] = forecast[row, F_EARLY_S] = forecast[row, F_LATE_S] = gone
            forecast[row, F_HARDEST_S] = gone
            continue
        rate, mean = max(track[row, T_RATE], 2.0), max(track[row, T_MEAN], 5.0)
        # Expected rate h seconds on: usual + slow exp(-h/settles) + fast exp(-h/follows).
        slow = (mean - usual) * settles_s / (settles_s - follows_s)
        fast = rate - usual - slow
        nearest, farthest = 0.0, FARTHEST_S
        h = min(60.0 * to_use / mean, FARTHEST_S)
        for _ in range(30):
            e_slow, e_fast = exp(-h / settles_s), exp(-h / follows_s)
            used = usual * h + slow * settles_s * (1.0 - e_slow) + fast * follows_s * (1.0 - e_fast)
            over = used / 60.0 - to_use
            if abs(over) < 1e-3:
                break
            if over > 0.0:
                farthest = h
            else:
                nearest = h
            h -= 60.0 * over / max(usual + slow * e_slow + fast * e_fast, 1e-3)
            if not nearest < h < farthest:
                h = 0.5 * (nearest + farthest)
        forecast[row, F_SAID_S] = h
        hardest = track[row, T_HARDEST]
        if track[row, T_AGE_S] < WINDOW_S:
            hardest = max(hardest, hard_l_min)
        forecast[row, F_HARDEST_S] = min(60.0 * to_use / max(hardest, 1.0), FARTHEST_S)
        # The interval: for each end a sum over what the wear has been like, for ln(said / happened).
        long = log(max(h, 1e-3) / 60.0 / ends[I_MINUTES])
        expected = log(min(max(60.0 * to_use / h, lowest), highest) / ends[I_USUAL])
        hard = log(min(max(track[row, T_HARDEST], lowest), highest) / ends[I_USUAL])
        easy = log(min(max(track[row, T_EASIEST], lowest), highest) / ends[I_USUAL])
        # What is not known of the litres themselves counts too: after a gap, between voice readings.
        unknown = min(1.645 * sqrt(max(track[row, T_LL], 0.0)) / to_use, MOST_UNKNOWN)
        young = ends[I_YOUNG] / (ends[I_YOUNG] + track[row, T_AGE_S] / 60.0)
        early = (
            ends[0]
            + ends[1] * expected
            + ends[2] * hard
            + ends[3] * easy
            + ends[4] * long
            + ends[5] * max(long, 0.0)
            + ends[6] * young
            + ends[7] * easy * long
        )
        late = (
            ends[I_LATE]
            + ends[I_LATE + 1] * expected
            + ends[I_LATE + 2] * hard
            + ends[I_LATE + 3] * long
            + ends[I_LATE + 4] * max(long, 0.0)
            + ends[I_LATE + 5] * young
            + ends[I_LATE + 6] * min(easy, 0.0) ** 2
        )
        # A coarse gauge may round up: then so much less is left.
        sure = track[row, T_SURE] * max(1.0 - track[row, T_ROUNDED_L] / to_use, 0.0)
        forecast[row, F_EARLY_S] = h * exp(-sqrt(max(early, 0.0) ** 2 + unknown**2)) * sure
        forecast[row, F_LATE_S] = h * exp(sqrt(max(-late, 0.0) ** 2 + unknown**2))
