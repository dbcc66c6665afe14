"""The compiled smoother of `analysis/air/breathing.py`: see `breathing_kernels.py`."""

from math import sqrt

from analysis.air.breathing_kernels import (
    DENSEST_MOL_L,
    M_FLOOR,
    M_USUAL,
    T_GAS_K,
    T_LEFT,
    T_LL,
    T_LM,
    T_LR,
    T_MEAN,
    T_MM,
    T_RATE,
    T_RM,
    T_RR,
    V_GROWTH,
    V_LITRES,
    one_second,
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
def smooth(model, vessel, track, smoothed, rate_only):  # type: ignore[no-untyped-def]
    """Carry what was learnt later back to each second (Rauch, Tung and Striebel 1965, AIAA J. 3:1445-50).

    Columns of `smoothed`: litres left, their variance, rate, its variance, gauge pressure, its sd; of
    these with ``rate_only`` no other than the rate.
    """
    keep, area, settle, kick, drift = one_second(model)
    usual = model[M_USUAL]
    f1, f2 = -area / 60.0, -(1.0 - area) / 60.0
    last = track.shape[0] - 1
    left, rate, mean = track[last, T_LEFT], track[last, T_RATE], track[last, T_MEAN]
    s00, s01, s02 = track[last, T_LL], track[last, T_LR], track[last, T_LM]
    s11, s12, s22 = track[last, T_RR], track[last, T_RM], track[last, T_MM]
    bar = 0.0
    for second in range(last, -1, -1):
        if second < last:
            l0, r0, m0 = track[second, T_LEFT], track[second, T_RATE], track[second, T_MEAN]
            p00, p01, p02 = track[second, T_LL], track[second, T_LR], track[second, T_LM]
            p11, p12, p22 = track[second, T_RR], track[second, T_RM], track[second, T_MM]
            kicked = kick * max(m0, model[M_FLOOR]) ** 2
            # a = F P, n = F P F' + Q, the prediction that `advance` made from here.
            a00, a01, a02 = p00 + f1 * p01 + f2 * p02, p01 + f1 * p11 + f2 * p12, p02 + f1 * p12 + f2 * p22
            a10, a11 = keep * p01 + (1.0 - keep) * p02, keep * p11 + (1.0 - keep) * p12
            a12 = keep * p12 + (1.0 - keep) * p22
            a20, a21, a22 = settle * p02, settle * p12, settle * p22
            n00 = a00 + f1 * a01 + f2 * a02 + kicked / 10800.0
            n01 = keep * a01 + (1.0 - keep) * a02 - kicked / 120.0
            n02 = settle * a02
            n11 = keep * a11 + (1.0 - keep) * a12 + kicked
            n12 = settle * a12
            n22 = settle * a22 + drift
            i00, i01, i02 = n11 * n22 - n12 * n12, n02 * n12 - n01 * n22, n01 * n12 - n02 * n11
            det = n00 * i00 + n01 * i01 + n02 * i02
            i00, i01, i02 = i00 / det, i01 / det, i02 / det
            i11, i12 = (n00 * n22 - n02 * n02) / det, (n01 * n02 - n00 * n12) / det
            i22 = (n00 * n11 - n01 * n01) / det
            # c = a' n^-1, the smoother's gain.
            c00 = a00 * i00 + a10 * i01 + a20 * i02
            c01 = a00 * i01 + a10 * i11 + a20 * i12
            c02 = a00 * i02 + a10 * i12 + a20 * i22
            c10 = a01 * i00 + a11 * i01 + a21 * i02
            c11 = a01 * i01 + a11 * i11 + a21 * i12
            c12 = a01 * i02 + a11 * i12 + a21 * i22
            c20 = a02 * i00 + a12 * i01 + a22 * i02
            c21 = a02 * i01 + a12 * i11 + a22 * i12
            c22 = a02 * i02 + a12 * i12 + a22 * i22
            d0 = left - (l0 + f1 * r0 + f2 * m0)
            d1 = rate - (keep * r0 + (1.0 - keep) * m0)
            d2 = mean - (usual + settle * (m0 - usual))
            left = l0 + c00 * d0 + c01 * d1 + c02 * d2
            rate = r0 + c10 * d0 + c11 * d1 + c12 * d2
            mean = m0 + c20 * d0 + c21 * d1 + c22 * d2
            if rate_only:
                smoothed[second, 2] = rate
                continue
            e00, e01, e02 = s00 - n00, s01 - n01, s02 - n02
            e11, e12, e22 = s11 - n11, s12 - n12, s22 - n22
            x00 = c00 * e00 + c01 * e01 + c02 * e02
            x01 = c00 * e01 + c01 * e11 + c02 * e12
            x02 = c00 * e02 + c01 * e12 + c02 * e22
            x10 = c10 * e00 + c11 * e01 + c12 * e02
            x11 = c10 * e01 + c11 * e11 + c12 * e12
            x12 = c10 * e02 + c11 * e12 + c12 * e22
            x20 = c20 * e00 + c21 * e01 + c22 * e02
            x21 = c20 * e01 + c21 * e11 + c22 * e12
            x22 = c20 * e02 + c21 * e12 + c22 * e22
            s00 = p00 + x00 * c00 + x01 * c01 + x02 * c02
            s01 = p01 + x00 * c10 + x01 * c11 + x02 * c12
            s02 = p02 + x00 * c20 + x01 * c21 + x02 * c22
            s11 = p11 + x10 * c10 + x11 * c11 + x12 * c12
            s12 = p12 + x10 * c20 + x11 * c21 + x12 * c22
            s22 = p22 + x20 * c20 + x21 * c21 + x22 * c22
        # The pressure that belongs to these litres; the growth of the volume needs it once in advance.
        gas_k = track[second, T_GAS_K]
        u = REFERENCE_K / gas_k
        z1 = Z1_0 + u * (Z1_1 + u * (Z1_2 + u * Z1_3))
        z2 = Z2_0 + u * (Z2_1 + u * Z2_2)
        z3 = Z3_0 + u * Z3_1
        slope = 1.0
        per_mol = 1.0
        for _ in range(4 if second == last else 2):
            per_mol = vessel[V_LITRES] * (1.0 + vessel[V_GROWTH] * bar) * MOLAR_VOLUME_L_MOL
            rho = min(max(left / per_mol, 0.0), DENSEST_MOL_L)
            slope = 1.0 + rho * (2.0 * z1 + rho * (3.0 * z2 + rho * (4.0 * z3 + rho * 5.0 * Z4_0)))
            z = 1.0 + rho * (z1 + rho * (z2 + rho * (z3 + rho * Z4_0)))
            bar = z * rho * GAS_CONSTANT * gas_k - ATMOSPHERE_BAR
        smoothed[second, 0], smoothed[second, 1] = left, max(s00, 0.0)
        smoothed[second, 2], smoothed[second, 3] = rate, max(s11, 0.0)
        smoothed[second, 4] = max(bar, 0.0)
        smoothed[second, 5] = sqrt(max(s00, 0.0)) * GAS_CONSTANT * gas_k * slope / per_mol
