"""The compiled loops of `analysis/air/breathing.py` and `analysis/air/forecast.py`; nothing else calls them.

Few and flat functions, because compiling takes longer with each one: `advance` (heat balance and Kalman
filter), `first_passage` in `passage_kernel.py` (when the air reaches a content, and the interval about that),
and `smooth` in `smoother_kernel.py`. Numba keeps the compiled code beside the file and renews it when *that*
file changes; after a change of the constants in `analysis/air/gas.py`, or of those here, touch all three.

The state of a wear is one array, so that the live page can go on second by second with the very code that
the review runs in one sweep, and both get the same numbers to the last bit.
"""

from math import exp

from analysis.air.gas import (
    ATMOSPHERE_BAR,
    CV_0,
    CV_1,
    CV_2,
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

GAS_CONSTANT_J = 100.0 * GAS_CONSTANT
ZERO_CELSIUS_K = 273.15

# Places in the array of the state.
SECOND, LEFT, RATE, MEAN = 0, 1, 2, 3
V_LL, V_LR, V_LM, V_RR, V_RM, V_MM = 4, 5, 6, 7, 8, 9
GAS_K, WALL_K, DENSITY = 10, 11, 12
STEP, CHANGES, LAST_BAR, LAST_S, WAITING = 13, 14, 15, 16, 17
HARDEST, EASIEST = 18, 19
# Of the readings alike: second and time of the first, how many, the rate before; whether the gauge is
# doubted. Then when it hung last, from its last reading that moved to the next one.
MOVED_S, MOVED_AT_S, ALIKE, RATE_BEFORE, DOUBT, HUNG_FROM_S, HUNG_UNTIL_S = 20, 21, 22, 23, 24, 25, 26
GRAIN = 27  # the coarsest step of which all changes so far are multiples
KEPT = 28  # the row of the track at `MOVED_S`, then wall, density, `HARDEST` and `EASIEST`
WINDOW_S = 180
"""The hardest and the easiest so many seconds of a wear say how restless it is."""

# States of a gauge that does not move: none; it should have moved; it may hang; it hangs. Then:
# it hung, until a reading is believed again.
MOVES, OVERDUE, MAY_HANG, HANGS, HUNG = 0.0, 1.0, 2.0, 3.0, 4.0
SAME_BAR = 0.05
"""So far off, a change is still a multiple of a step: sets round after they convert units. Our own rule."""
LEAST_STEP_BAR = 0.5
"""A gauge with finer steps is judged as one with these. Our own rule."""

# Places in the array of the model (`Breathing.as_array`) and of the vessel (`_vessel_array`).
(
    M_FOLLOWS_S,
    M_SPREAD,
    M_SETTLES_S,
    M_USUAL,
    M_DRIFT,
    M_START,
    M_FLOOR,
    M_NOISE,
    M_STEP_WEIGHT,
    M_GAS_GAIN,
    M_WALL_GAIN,
    M_STUCK_READINGS,
    M_STUCK_RATE_PART,
    M_STUCK_STEPS,
    M_REST,
) = range(15)
V_LITRES, V_GROWTH, V_GAS_WALL, V_OUTSIDE, V_WALL_J, V_CONVECTION = range(6)

# What became of a reading.
UNUSED, USED, OUTSIDE, SET_ASIDE, DOUBLE, BEFORE_JUMP = 0, 1, 2, 3, 4, 5
# It counted, and the gauge may have hung; it hung and has not moved since; it hung, and moved later.
DOUBTED, UNMOVED, STUCK = 6, 7, 8

# Columns of a track: the state after each second's readings.
T_LEFT, T_RATE, T_MEAN, T_LL, T_LR, T_LM, T_RR, T_RM, T_MM, T_GAS_K = range(10)
T_HARDEST, T_EASIEST, T_AGE_S, T_SURE, T_UNMOVED_S, T_ROUNDED_L = 10, 11, 12, 13, 14, 15
TRACK_WIDTH = 16
KEPT_WALL_K, KEPT_DENSITY, KEPT_HARDEST, KEPT_EASIEST, RING = range(
    KEPT + TRACK_WIDTH, KEPT + TRACK_WIDTH + 5
)
STATE_SIZE = RING + WINDOW_S

# Columns of a forecast.
F_SAID_S, F_EARLY_S, F_LATE_S, F_TO_USE_L, F_HARDEST_S = range(5)
FORECAST_WIDTH = 5
# Places in the array of the interval's constants: the weights of the early end, of the late one, then these.
EARLY_WEIGHTS, LATE_WEIGHTS = 8, 7
I_LATE = EARLY_WEIGHTS
I_LOWEST, I_HIGHEST, I_USUAL, I_MINUTES, I_YOUNG = range(I_LATE + LATE_WEIGHTS, I_LATE + LATE_WEIGHTS + 5)

OUTLIER_SD = 5.0
JUMP_RATE_SD = 150.0
ESCAPES_L_MIN = 600.0
"""Nobody breathes so much: air escapes, and the faster it does, the more that may change. Our own rule."""
LATEST_STEP_BAR = 10.0
COARSE_BAR, LEAST_SURE = 1.5, 0.25
"""Of a gauge with coarser steps, or one read seldom, part of a step is missing from the fall so far. So much
of a young wear's early end is not sure, but this part always is. Our own rule."""
FINEST_STEP_BAR = 0.05
FARTHEST_S = 36_000.0
MOST_UNKNOWN = 2.0
# Bounds that no wear reaches; they keep nonsense in the readings from becoming nonsense without end.
COLDEST_K, HOTTEST_K = 200.0, 450.0
LOWEST_C, HIGHEST_C = -60.0, 120.0
DENSEST_MOL_L = 17.0
COOLING_K_L = 0.0067 * 6.8
"""How much colder the gas will be at the warning, K for each litre drawn and litre of volume (simulated)."""


@compiled
def one_second(model):  # type: ignore[no-untyped-def]
    """Return one second's factors: decay of the rate, its share of the air, decay of the mean, noise."""
    follows_s, settles_s = model[M_FOLLOWS_S], model[M_SETTLES_S]
    keep = exp(-1.0 / follows_s)
    area = follows_s * (1.0 - keep)
    settle = exp(-1.0 / settles_s)
    kick = model[M_SPREAD] ** 2 * (1.0 - keep * keep)
    drift = model[M_DRIFT] ** 2 * (1.0 - settle * settle)
    return keep, area, settle, kick, drift


@compiled
def first_after(time_s, reading, at_s):  # type: ignore[no-untyped-def]
    """Return the index of the first reading after a moment."""
    while reading > 0 and time_s[reading - 1] > at_s:
        reading -= 1
    return reading


@compiled
def common_step(one, other):  # type: ignore[no-untyped-def]
    """Return the coarsest step of which both are multiples, by Euclid's algorithm."""
    while other > SAME_BAR:
        rest = one % other
        one, other = other, 0.0 if other - rest < SAME_BAR else rest
    return one


@compiled
def advance(  # type: ignore[no-untyped-def]
    model, vessel, state, time_s, pressure_bar, said_step_bar, gas_c, around_c, upto, heat_rate, fate, track
):
    """Carry `state` on to second `upto` with the readings up to then; row 0 of `track` is the state's second.

    ``around_c`` and ``heat_rate`` start at second 0 (one value: constant; no value in `heat_rate`: the
    filter's own rate cools the gas). ``said_step_bar`` is 0 for a set's own reading, else the step to which a
    person rounded it. A second's readings are those with ``second - 1 < time <= second``;
    one that comes late joins the second that the state has reached.

    Readings alike for longer than somebody at rest takes for some steps of the gauge hang. So do those for
    longer than the rate before, in part, takes, if the gauge then falls by as much at once. The filter goes
    back to the last reading that moved: a hang is a silence. What fell in it spreads evenly over it, so it is
    neither hard nor easy work. ``track`` keeps what was known at each second.
    """
    keep, area, settle, kick, drift = one_second(model)
    usual = model[M_USUAL]
    f1, f2 = -area / 60.0, -(1.0 - area) / 60.0
    litres, growth = vessel[V_LITRES], vessel[V_GROWTH]
    least = 0.5 * litres
    left, rate, mean = state[LEFT], state[RATE], state[MEAN]
    p_ll, p_lr, p_lm = state[V_LL], state[V_LR], state[V_LM]
    p_rr, p_rm, p_mm = state[V_RR], state[V_RM], state[V_MM]
    gas_k, wall_k, rho = state[GAS_K], state[WALL_K], state[DENSITY]
    begin = int(state[SECOND])
    own_heat = heat_rate.size == 0
    reading, second, again, goes_on = 0, begin, begin, False
    while second <= upto:
        if goes_on:
            # The state at the end of the second before, with all its readings.
            before = second - 1
            if before >= WINDOW_S and state[DOUBT] < HANGS:
                used = (state[RING + before % WINDOW_S] - left) * (60.0 / WINDOW_S)
                state[HARDEST] = max(state[HARDEST], used)
                state[EASIEST] = min(state[EASIEST], used)
            state[RING + before % WINDOW_S] = left
            # Heat: what leaves cools what stays; the wall warms it; the surroundings warm the wall.
            drawn = (rate if own_heat else heat_rate[second]) / 60.0 / MOLAR_VOLUME_L_MOL
            moles = max(left, least) / MOLAR_VOLUME_L_MOL
            u = REFERENCE_K / gas_k
            factor = 1.0 + rho * (
                (Z1_0 - u * u * (Z1_2 + 2.0 * u * Z1_3))
                + rho * ((Z2_0 - u * u * Z2_2) + rho * (Z3_0 + rho * Z4_0))
            )
            heat_capacity = CV_0 + rho * (CV_1 + rho * CV_2)
            # Free convection in a closed vessel: Nu ~ Ra^(1/3), so density^(2/3) x difference^(1/3).
            stirred = (0.1 * rho) ** 2 * (0.1 * abs(wall_k - gas_k) + 0.02)
            per_k = vessel[V_GAS_WALL] * stirred ** (vessel[V_CONVECTION] / 3.0)
            to_gas = per_k * (wall_k - gas_k)
            cooled = drawn * GAS_CONSTANT_J * gas_k * factor
            gas_k += (to_gas - cooled) / (moles * heat_capacity + per_k)
            gas_k = min(max(gas_k, COLDEST_K), HOTTEST_K)
            outside_k = (around_c[max(second, again)] if around_c.size > 1 else around_c[0]) + ZERO_CELSIUS_K
            wall_k += (vessel[V_OUTSIDE] * (outside_k - wall_k) - to_gas) / vessel[V_WALL_J]
            # Prediction over one second.
            # An empty cylinder is empty, however long the silence.
            left = max(left - (area * rate + (1.0 - area) * mean) / 60.0, least)
            rate = keep * rate + (1.0 - keep) * mean
            kicked = kick * max(rate if rate > ESCAPES_L_MIN else mean, model[M_FLOOR]) ** 2
            mean = usual + settle * (mean - usual)
            a0 = p_ll + f1 * p_lr + f2 * p_lm
            a1 = p_lr + f1 * p_rr + f2 * p_rm
            a2 = p_lm + f1 * p_rm + f2 * p_mm
            b1 = keep * p_rr + (1.0 - keep) * p_rm
            b2 = keep * p_rm + (1.0 - keep) * p_mm
            p_ll = a0 + f1 * a1 + f2 * a2 + kicked / 10800.0
            p_lr = keep * a1 + (1.0 - keep) * a2 - kicked / 120.0
            p_lm = settle * a2
            p_rr = keep * b1 + (1.0 - keep) * b2 + kicked
            p_rm = settle * b2
            p_mm = settle * settle * p_mm + drift
        goes_on, back = True, False
        while reading < time_s.size and time_s[reading] <= second:
            bar = pressure_bar[reading]
            if time_s[reading] == state[LAST_S]:
                fate[reading] = DOUBLE
                reading += 1
                continue
            if LOWEST_C < gas_c[reading] < HIGHEST_C:  # not so: NaN, or no thermometer says it
                error_k = gas_c[reading] + ZERO_CELSIUS_K - gas_k
                gas_k += model[M_GAS_GAIN] * error_k
                wall_k += model[M_WALL_GAIN] * error_k
            # Litres left that this reading speaks of, and how well: Newton from the ideal gas.
            u = REFERENCE_K / gas_k
            z1 = Z1_0 + u * (Z1_1 + u * (Z1_2 + u * Z1_3))
            z2 = Z2_0 + u * (Z2_1 + u * Z2_2)
            z3 = Z3_0 + u * Z3_1
            ideal = (bar + ATMOSPHERE_BAR) / (GAS_CONSTANT * gas_k)
            rho, slope = ideal, 1.0
            for _ in range(5):
                slope = 1.0 + rho * (2.0 * z1 + rho * (3.0 * z2 + rho * (4.0 * z3 + rho * 5.0 * Z4_0)))
                excess = rho * (1.0 + rho * (z1 + rho * (z2 + rho * (z3 + rho * Z4_0)))) - ideal
                rho -= excess / slope
            per_mol = litres * (1.0 + growth * bar) * MOLAR_VOLUME_L_MOL
            per_bar = per_mol / (GAS_CONSTANT * gas_k * slope)
            # The finest change seen so far is the step that the set rounds to.
            change = abs(bar - state[LAST_BAR])
            falls_l_min = 0.0
            if time_s[reading] > state[LAST_S]:
                falls_l_min = (state[LAST_BAR] - bar) * per_bar * 60.0 / (time_s[reading] - state[LAST_S])
            by_voice = said_step_bar[reading] > 0.0
            if own_heat and state[DOUBT] != HUNG:
                steps_bar = LATEST_STEP_BAR if state[CHANGES] == 0.0 else max(state[GRAIN], LEAST_STEP_BAR)
                steps_bar *= model[M_STUCK_STEPS]
                if by_voice or change > 1e-6:
                    fell_bar = state[LAST_BAR] - bar - said_step_bar[reading]
                    if state[DOUBT] == HANGS or (state[DOUBT] == MAY_HANG and fell_bar > steps_bar - 1e-6):
                        back = state[DOUBT] == MAY_HANG
                        state[DOUBT], state[HUNG_FROM_S] = HUNG, state[MOVED_AT_S]
                        state[HUNG_UNTIL_S] = time_s[reading]
                        fate[first_after(time_s, reading, state[MOVED_AT_S]) : reading] = STUCK
                    else:
                        state[DOUBT] = MOVES
                        state[MOVED_S], state[MOVED_AT_S] = second, time_s[reading]
                        state[ALIKE] = 0.0 if by_voice else 1.0
                else:
                    state[ALIKE] += 1.0
                    alike_min = (time_s[reading] - state[MOVED_AT_S]) / 60.0
                    if state[DOUBT] != HANGS and alike_min > 0.0:
                        moves_l_min = steps_bar * per_bar / alike_min
                        enough = state[ALIKE] >= model[M_STUCK_READINGS]
                        # At rest: in nominal litres, so a little later.
                        back = enough and model[M_REST] * alike_min > steps_bar * litres
                        if back:
                            state[DOUBT] = HANGS
                            fate[first_after(time_s, reading, state[MOVED_AT_S]) : reading] = UNMOVED
                        elif (
                            enough
                            and max(model[M_STUCK_RATE_PART] * state[RATE_BEFORE], model[M_REST])
                            > moves_l_min
                        ):
                            state[DOUBT] = MAY_HANG
                        elif state[RATE_BEFORE] > moves_l_min:
                            state[DOUBT] = OVERDUE
                    if state[DOUBT] == HANGS:
                        fate[reading] = UNMOVED
                        state[LAST_S] = time_s[reading]
                        reading += 1
                if back:
                    again, second = second, int(state[KEPT + T_AGE_S])
                    break
                if state[DOUBT] == HANGS:
                    continue
            if change > 1e-6 and own_heat and not by_voice:
                state[CHANGES] += 1.0
                state[GRAIN] = common_step(change, state[GRAIN])
                if state[CHANGES] == 1.0 or change < state[STEP]:
                    state[STEP] = min(max(change, FINEST_STEP_BAR), LATEST_STEP_BAR)
            step = state[STEP] if state[CHANGES] >= 3.0 or state[STEP] > COARSE_BAR else 1.0
            state[LAST_S] = time_s[reading]
            if not by_voice:
                state[LAST_BAR] = bar
            stepped = model[M_STEP_WEIGHT] * step * step / 12.0
            if by_voice:
                stepped = said_step_bar[reading] ** 2 / 12.0
            noise = (model[M_NOISE] + stepped) * per_bar * per_bar
            ago = (second - time_s[reading]) / 60.0
            error = rho * per_mol - (left + rate * ago)
            # A coarse gauge that shows the same says only that the air is within its step, and nothing new
            # when it is read again. Before its first change its step is not known.
            within = LATEST_STEP_BAR if state[CHANGES] == 0.0 else step
            alike = change <= 1e-6 and within > COARSE_BAR and not by_voice
            if alike and abs(error) < 0.5 * within * per_bar and state[WAITING] == 0.0:
                fate[reading] = DOUBTED if state[DOUBT] == MAY_HANG else USED
                reading += 1
                continue
            g_l, g_r, g_m = p_ll + ago * p_lr, p_lr + ago * p_rr, p_lm + ago * p_rm
            spread = g_l + ago * g_r + noise
            # Less than expected that a person read off the gauge is no slip of a sensor.
            if error * error > OUTLIER_SD**2 * spread and not (by_voice and error < 0.0):
                if state[WAITING] < 2.0:
                    state[WAITING] += 1.0
                    fate[reading] = OUTSIDE
                    reading += 1
                    continue
                # The third in a row: no slip of one reading but a jump, or a flow never seen before.
                meaning = BEFORE_JUMP
                p_ll += error * error
                p_rr += max(JUMP_RATE_SD, falls_l_min) ** 2
                g_l, g_r, g_m = p_ll + ago * p_lr, p_lr + ago * p_rr, p_lm + ago * p_rm
                spread = g_l + ago * g_r + noise
            else:
                meaning = SET_ASIDE
            if state[WAITING] > 0.0:
                earlier = reading - 1
                while earlier >= 0 and fate[earlier] != USED:
                    if fate[earlier] == OUTSIDE:
                        fate[earlier] = meaning
                    earlier -= 1
            state[WAITING] = 0.0
            fate[reading] = DOUBTED if state[DOUBT] == MAY_HANG else USED
            k_l, k_r, k_m = g_l / spread, g_r / spread, g_m / spread
            if own_heat:
                # A correction of the litres is an expansion as well: it moves the temperature, which
                # moves the litres that the same reading speaks of.
                factor = 1.0 + rho * (
                    (Z1_0 - u * u * (Z1_2 + 2.0 * u * Z1_3))
                    + rho * ((Z2_0 - u * u * Z2_2) + rho * (Z3_0 + rho * Z4_0))
                )
                colder = GAS_CONSTANT_J * factor / (CV_0 + rho * (CV_1 + rho * CV_2))
                error /= 1.0 + k_l * colder
                gas_k += k_l * error * gas_k * colder / max(left, least)
                gas_k = min(max(gas_k, COLDEST_K), HOTTEST_K)
            left += k_l * error
            rate += k_r * error
            mean += k_m * error
            p_ll -= k_l * g_l
            p_lr -= k_l * g_r
            p_lm -= k_l * g_m
            p_rr -= k_r * g_r
            p_rm -= k_r * g_m
            p_mm -= k_m * g_m
            if state[DOUBT] == HUNG:
                from_s = int(state[KEPT + T_AGE_S])
                fallen = left - state[KEPT + T_LEFT]
                for between in range(max(from_s, second - WINDOW_S), second):
                    part = (between - from_s) / max(second - from_s, 1)
                    state[RING + between % WINDOW_S] = state[KEPT + T_LEFT] + part * fallen
                state[DOUBT], state[ALIKE] = MOVES, 0.0 if by_voice else 1.0
                state[MOVED_S], state[MOVED_AT_S] = second, time_s[reading]
            reading += 1
        if back:
            left, rate, mean = state[KEPT + T_LEFT], state[KEPT + T_RATE], state[KEPT + T_MEAN]
            p_ll, p_lr, p_lm = state[KEPT + T_LL], state[KEPT + T_LR], state[KEPT + T_LM]
            p_rr, p_rm, p_mm = state[KEPT + T_RR], state[KEPT + T_RM], state[KEPT + T_MM]
            gas_k, wall_k, rho = state[KEPT + T_GAS_K], state[KEPT_WALL_K], state[KEPT_DENSITY]
            state[HARDEST], state[EASIEST] = state[KEPT_HARDEST], state[KEPT_EASIEST]
            state[WAITING] = 0.0
            second += 1
            continue
        if second < again:
            second += 1
            continue
        row = second - begin
        track[row, T_LEFT], track[row, T_RATE], track[row, T_MEAN] = left, rate, mean
        track[row, T_LL], track[row, T_LR], track[row, T_LM] = p_ll, p_lr, p_lm
        track[row, T_RR], track[row, T_RM], track[row, T_MM] = p_rr, p_rm, p_mm
        track[row, T_GAS_K] = gas_k
        track[row, T_SURE], track[row, T_ROUNDED_L] = 1.0, 0.0
        if state[CHANGES] >= 1.0 and state[STEP] > COARSE_BAR:
            track[row, T_ROUNDED_L] = 0.5 * state[STEP] * litres
        if second < WINDOW_S and state[CHANGES] >= 1.0 and state[STEP] > COARSE_BAR:
            fallen = max(state[RING] - left, 0.0)
            track[row, T_SURE] = max(fallen / (fallen + 0.25 * state[STEP] * litres), LEAST_SURE)
        # Mean use over the window that ends here; before it is full, since the start; in a hang, before it.
        track[row, T_UNMOVED_S] = second - state[KEPT + T_AGE_S] if state[DOUBT] != MOVES else 0.0
        if state[DOUBT] >= HANGS:
            track[row, T_HARDEST], track[row, T_EASIEST] = state[KEPT + T_HARDEST], state[KEPT + T_EASIEST]
        elif second >= WINDOW_S:
            used = (state[RING + second % WINDOW_S] - left) * (60.0 / WINDOW_S)
            track[row, T_HARDEST] = max(state[HARDEST], used)
            track[row, T_EASIEST] = min(state[EASIEST], used)
        else:
            used = (state[RING] - left) * 60.0 / second if second > 0 else rate
            track[row, T_HARDEST], track[row, T_EASIEST] = used, used
        track[row, T_AGE_S] = second
        if state[MOVED_S] == second and state[DOUBT] == MOVES:
            for place in range(TRACK_WIDTH):
                state[KEPT + place] = track[row, place]
            state[KEPT_WALL_K], state[KEPT_DENSITY] = wall_k, rho
            state[KEPT_HARDEST], state[KEPT_EASIEST] = state[HARDEST], state[EASIEST]
            breathed = rate  # in the minute before, too: the rate of a young wear begins high on purpose
            if second > 0:
                since_s = min(second, 60)
                breathed = (state[RING + (second - since_s) % WINDOW_S] - left) * 60.0 / since_s
            state[RATE_BEFORE] = min(rate, breathed)
        second += 1
    state[SECOND] = max(upto, begin)
    state[LEFT], state[RATE], state[MEAN] = left, rate, mean
    state[V_LL], state[V_LR], state[V_LM] = p_ll, p_lr, p_lm
    state[V_RR], state[V_RM], state[V_MM] = p_rr, p_rm, p_mm
    state[GAS_K], state[WALL_K], state[DENSITY] = gas_k, wall_k, rho
