"""The rows on screen, as CSV or Parquet: one a second and wearer, units in the headers, gaps empty."""

from typing import Any

import numpy as np
import polars as pl

from analysis.tables import formula_safe, with_units
from dashboard.review.clock import SECOND_MS, Window
from dashboard.review.lanes import READINGS, Band, Floats, PersonLanes, Series
from dashboard.review.view import Look
from dashboard.units import Quantity, Units
from ingest.contract.units import header_with_unit
from ingest.parquet_bytes import arrow_bytes

# Name, quantity and field of `PersonLanes`.
ESTIMATES: tuple[tuple[str, Quantity, str], ...] = (
    ("pressure_estimate", "pressure", "air"),
    ("rate_estimate", "rate", "rate"),
    ("surroundings_estimate", "temperature", "surroundings"),
)


def visible_rows(look: Look) -> tuple[pl.DataFrame, dict[str, str]]:
    """Return the window of the chosen people on the 1 s grid, and the unit of each column.

    Returns:

    - `DataFrame`: `time_utc` (and `time_local` on another clock), `wearer_id`, `set_id`, then readings and
      estimates in the view's units, `dose`, `alarms`. A reading is in the second in which it was made and is
      empty in all others; the rate's middle is empty where the set was not heard.
    - `dict of str to str`: column to unit.
    """
    units = look.view.units
    frames = [_rows_of(person, look.window, units) for person in look.lanes]
    found = {f"{kind}_reading": units.label[quantity] for kind, (_, quantity) in READINGS.items()}
    for name, quantity, _ in ESTIMATES:
        found |= {f"{name}{end}": units.label[quantity] for end in ("", "_low", "_high")}
    rows = pl.concat(frames)
    if not look.clock.is_utc:
        local = pl.col("time_utc").dt.convert_time_zone(look.clock.zone).alias("time_local")
        rows = rows.select("time_utc", local, pl.exclude("time_utc"))
        found["time_local"] = look.clock.zone
    return rows, found


def _rows_of(person: PersonLanes, window: Window, units: Units) -> pl.DataFrame:
    x = person.air.x[(person.air.x >= window.start) & (person.air.x <= window.end)]
    columns: dict[str, Any] = {
        "time_utc": pl.Series((x * 1000).astype(np.int64)).cast(pl.Datetime("us", "UTC")),
        "wearer_id": pl.repeat(person.wearer_id, len(x), dtype=pl.String, eager=True),
        "set_id": pl.repeat(", ".join(person.set_ids), len(x), dtype=pl.String, eager=True),
    }
    for kind, (_, quantity) in READINGS.items():
        columns[f"{kind}_reading"] = units.shown(quantity, _in_its_second(getattr(person, kind), x))
    for name, quantity, field in ESTIMATES:
        band: Band = getattr(person, field)
        for end, values in (("", band.middle), ("_low", band.low), ("_high", band.high)):
            columns[f"{name}{end}"] = units.shown(quantity, _picked(band.x, values, x))
    columns["dose"] = _picked(person.surroundings.x, person.dose, x)
    columns["alarms"] = pl.Series([_alarms(person, float(at)) for at in x], dtype=pl.String)
    frame = pl.DataFrame(columns)
    return frame.with_columns(pl.col(pl.Float64).fill_nan(None))


def _in_its_second(series: Series, grid: Floats) -> Floats:
    """Put each reading at the grid second that it belongs to; NaN in all others."""
    values = np.full(len(grid), np.nan)
    if len(grid) and len(series.x):
        place = np.searchsorted(grid, series.x, side="right") - 1
        inside = (place >= 0) & (series.x < grid[np.clip(place, 0, None)] + SECOND_MS)
        values[place[inside]] = series.y[inside]
    return values


def _picked(x: Floats, values: Floats, grid: Floats) -> Floats:
    picked = np.full(len(grid), np.nan)
    _, ours, theirs = np.intersect1d(np.round(grid), np.round(x), return_indices=True)
    picked[ours] = values[theirs]
    return picked


def _alarms(person: PersonLanes, at: float) -> str | None:
    names = [f"{span.what} reported" for span in person.reported if span.started <= at <= span.ended]
    names += [f"{span.what} derived" for span in person.derived if span.started <= at <= span.ended]
    names += ["silent" for span in person.silences if span.started < at < span.ended]
    return "; ".join(names) or None


def rows_as_csv(look: Look) -> bytes:
    """Return the visible rows as CSV: units in the headers, what is missing empty.

    Text that a spreadsheet would run as a formula is made harmless (`analysis.tables.formula_safe`).
    """
    frame, units = visible_rows(look)
    frame = formula_safe(
        frame.with_columns(
            pl.col("time_utc").dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ"),
            *([] if look.clock.is_utc else [pl.col("time_local").dt.strftime("%Y-%m-%dT%H:%M:%S%.3f%:z")]),
            pl.col(pl.Float64).round(4),
        )
    )
    heads = {name: header_with_unit(name, unit) for name, unit in units.items()}
    return frame.rename(heads).write_csv().encode()


def rows_as_parquet(look: Look) -> bytes:
    """Return the visible rows as Parquet with each column's unit in its field's metadata."""
    frame, units = visible_rows(look)
    return arrow_bytes(with_units(frame.to_arrow(), {name: (unit, "") for name, unit in units.items()}))
