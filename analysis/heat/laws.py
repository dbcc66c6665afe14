"""Laws of heat from the literature: tenability, thermal classes, radiation, burns.

All of them are of air temperature or heat flux on people without fire kit, or of equipment in test ovens;
none says what a person in fire kit felt. No set of the message contract reports heat flux: the radiant law
and the burn line are for what others measured, in notes and in planning.
"""

import numpy as np

from analysis.profile import DoseLaw
from analysis.records import Floats, Ints

CLASS_LIMITS_C = (100.0, 160.0, 260.0)
"""Upper limits of thermal classes I, II, III (NIST TN 1474, 2006, as NIST reported it)."""
TESTED_S = (1500.0, 900.0, 300.0, 60.0)
"""Seconds that equipment is tested in each class: 25, 15, 5 min (same); class IV under 1 min from memory."""


def tenability_min(temperature_c: Floats, law: DoseLaw) -> Floats:
    """Return the minutes to a full dose in air at a temperature.

    - `temperature_c`: air temperature, °C; at and below 0 the time is infinite.
    - `law`: "iso13571_clothed": t = 4.1e8 T^-3.61, ISO 13571:2012 Eq. (9), fully clothed subjects (secondary
      source). "sfpe_unclothed": t = 5e7 T^-3.4, SFPE Handbook, 5th ed., Eq. 63.44 (secondary source). Both
      are laws of air temperature for people without fire kit.
    """
    warm = np.maximum(np.asarray(temperature_c, dtype=np.float64), 1e-3)
    factor, power = (4.1e8, -3.61) if law == "iso13571_clothed" else (5.0e7, -3.4)
    return np.asarray(factor * warm**power, dtype=np.float64)


def dose_rate_s(temperature_c: Floats, law: DoseLaw) -> Floats:
    """Return the dose taken each second; NaN, and air at or below 0 °C, count as nothing."""
    return np.where(temperature_c > 0.0, 1.0 / (60.0 * tenability_min(temperature_c, law)), 0.0)


def thermal_class(temperature_c: Floats) -> Ints:
    """Return the thermal class, 1 to 4; 0 for NaN.

    Source: NIST TN 1474 (2006): class I to 100 °C, II to 160 °C, III to 260 °C, IV above (IV from memory).
    """
    classes = 1 + np.searchsorted(np.array(CLASS_LIMITS_C), temperature_c, side="left").astype(np.int64)
    return np.where(np.isnan(temperature_c), 0, classes)
