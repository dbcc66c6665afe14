"""The units that people read, applied on screens and in exports only; all else stays in bar, °C and L.

Factors: 1 ft³ = 28.316847 L (NIST SP 811, Appendix B); of a psi see `ingest.contract.units`.
"""

from dataclasses import dataclass
from typing import Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

from ingest.contract.units import BAR_IN_A_PSI

LITRES_IN_A_CUBIC_FOOT = 28.316847
_FT3 = 1 / LITRES_IN_A_CUBIC_FOOT

Number = TypeVar("Number", float, NDArray[np.float64])
Quantity = Literal["pressure", "temperature", "rate", "volume", "motion"]


@dataclass(frozen=True)
class Units:
    """One choice of display units: for each quantity its label, factor, offset and decimals."""

    name: str
    label: dict[str, str]
    factor: dict[str, float]
    offset: dict[str, float]
    decimals: dict[str, int]

    def shown(self, quantity: Quantity, value: Number) -> Number:
        """Return a value (or an array) in these units; NaN stays NaN."""
        return value * self.factor[quantity] + self.offset[quantity]

    def text(self, quantity: Quantity, value: float, decimals: int | None = None) -> str:
        """Return a value with its unit for a person to read."""
        places = self.decimals[quantity] if decimals is None else decimals
        return f"{self.shown(quantity, value):,.{places}f} {self.label[quantity]}"


METRIC = Units(
    "metric",
    {"pressure": "bar", "temperature": "°C", "rate": "L/min", "volume": "L", "motion": "m/s²"},
    {"pressure": 1.0, "temperature": 1.0, "rate": 1.0, "volume": 1.0, "motion": 1.0},
    {"pressure": 0.0, "temperature": 0.0, "rate": 0.0, "volume": 0.0, "motion": 0.0},
    {"pressure": 0, "temperature": 0, "rate": 0, "volume": 0, "motion": 2},
)
IMPERIAL = Units(
    "imperial",
    {"pressure": "psi", "temperature": "°F", "rate": "ft³/min", "volume": "ft³", "motion": "m/s²"},
    {"pressure": 1.0 / BAR_IN_A_PSI, "temperature": 1.8, "rate": _FT3, "volume": _FT3, "motion": 1.0},
    {"pressure": 0.0, "temperature": 32.0, "rate": 0.0, "volume": 0.0, "motion": 0.0},
    {"pressure": 0, "temperature": 0, "rate": 2, "volume": 1, "motion": 2},
)
UNITS = {units.name: units for units in (METRIC, IMPERIAL)}
