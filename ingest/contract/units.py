"""Convert units of other people's records to those of the contract."""

BAR_IN_A_PSI = 0.06894757293168
"""1 psi = 6894.757293168 Pa (NIST SP 811, 2008, appendix B.8; from memory)."""

# unit of the contract: {unit of the record: (factor, offset)}, contract = record * factor + offset
_CONVERSIONS: dict[str, dict[str, tuple[float, float]]] = {
    "bar": {"bar": (1, 0), "kPa": (0.01, 0), "MPa": (10, 0), "Pa": (1e-5, 0), "psi": (BAR_IN_A_PSI, 0)},
    "°C": {"°C": (1, 0), "°F": (5 / 9, -160 / 9), "K": (1, -273.15)},
    "s": {"s": (1, 0), "ms": (0.001, 0), "min": (60, 0)},
    "min": {"min": (1, 0), "s": (1 / 60, 0)},
    "m/s²": {"m/s²": (1, 0), "g": (9.80665, 0), "mg": (0.00980665, 0)},
    "1": {"1": (1, 0), "%": (0.01, 0)},
}


def known_units(contract_unit: str) -> tuple[str, ...]:
    """Return the units that can be converted into a unit of the contract."""
    return tuple(_CONVERSIONS.get(contract_unit, {contract_unit: (1, 0)}))


def to_contract_unit(value: float, unit: str, contract_unit: str) -> float:
    """Convert a value; rounded to nine decimals, so that 0.01 steps do not become 0.010000000000000002.

    Raises `KeyError` when `unit` cannot be converted.

    Examples
    --------
    >>> to_contract_unit(4350, "psi", "bar")
    299.921942253
    """
    factor, offset = _CONVERSIONS.get(contract_unit, {contract_unit: (1.0, 0.0)})[unit]
    return round(value * factor + offset, 9)


# The Unified Code for Units of Measure, version 2.2 (2024); decibels over a milliwatt have no code there.
UCUM = {
    "": "",
    "1": "1",
    "bar": "bar",
    "°C": "Cel",
    "s": "s",
    "min": "min",
    "1/min": "/min",
    "m/s²": "m/s2",
    "l": "L",
    "L": "L",
    "L/min": "L/min",
    "ppm": "[ppm]",
    "‰": "[ppth]",
    "h": "h",
    "d": "d",
    # What people may choose on screens and in exports.
    "psi": "[psi]",
    "°F": "[degF]",
    "ft³": "[ft_i]3",
    "ft³/min": "[ft_i]3/min",
    "dBm": "",
}


def described(unit: str, meaning: str) -> dict[str, str]:
    """Return what a column's metadata says: the unit, its code in UCUM, and what the column means."""
    told = {"unit": unit, "ucum": UCUM.get(unit, ""), "meaning": meaning}
    return {name: text for name, text in told.items() if text}


def header_with_unit(column: str, unit: str) -> str:
    """Return the head of a column of a table that is one file: the unit in brackets, and its UCUM code where
    that is written otherwise.

    Examples
    --------
    >>> header_with_unit("pressure", "bar"), header_with_unit("temperature", "°C")
    ('pressure [bar]', 'temperature [°C, UCUM Cel]')
    """
    code = UCUM.get(unit, "")
    return f"{column} [{unit}]" if code in ("", unit) else f"{column} [{unit}, UCUM {code}]"
