"""What the record says at one moment: every value with its unit, and the messages behind it, verbatim.

Both are plain data for the page's script, which words nothing itself.
"""

import math
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import numpy as np
import polars as pl

from analysis.tables import Results
from dashboard.incident_record import IncidentRecord
from dashboard.review import words
from dashboard.review.clock import SECOND_MS, UTC_CLOCK, Clock, moment_of
from dashboard.review.lanes import Band, Floats, PersonLanes, Series, owned_messages, owned_windows
from dashboard.review.setting import duration_text
from dashboard.units import Quantity, Units
from dashboard.words import ALARMS
from ingest.contract.kinds import DESK_KINDS, SET_KINDS

SPAN_S = 5.0
MOST_MESSAGES = 120

Row = dict[str, str]


def readout(person: PersonLanes, at_ms: float, units: Units) -> list[Row]:
    """Return every value of one person at a moment: name, value with unit, and a remark.

    A reading is the last one at or before the moment, with its age; it is never carried over a silence.
    """
    if not person.started - SECOND_MS <= at_ms <= person.ended + SECOND_MS:
        return [_row("air", words.NOT_UNDER_AIR)]
    second = _index(person.air.x, at_ms)
    rows = [_reading("pressure", person.pressure, at_ms, units, "pressure", decimals=1)]
    if (last := _before(person.spoken.x, at_ms)) >= 0:
        age = duration_text((at_ms - person.spoken.x[last]) / SECOND_MS)
        bar = units.text("pressure", float(person.spoken.y[last]))
        rows.append(_row("spoken", bar, words.SPOKEN_BEFORE.format(age=age)))
    if second is not None:
        rows.append(_estimate("air", person.air, second, units, "pressure"))
        rows.append(_estimate("rate", person.rate, second, units, "rate"))
        rows.append(_forecast(person, second))
        rows.append(_if_hardest(person, second, units))
    rows.append(_reading("motion", person.motion, at_ms, units, "motion"))
    rows.append(_reading("temperature", person.temperature, at_ms, units, "temperature", decimals=1))
    warm = _index(person.surroundings.x, at_ms)
    if warm is not None:
        rows.append(_estimate("surroundings", person.surroundings, warm, units, "temperature"))
        if math.isfinite(person.thermal_class[warm]):
            rows.append(_row("class", f"{person.thermal_class[warm]:.0f}"))
        if math.isfinite(person.dose[warm]):
            rows.append(_row("dose", f"{person.dose[warm]:.3f}"))
    rows.append(_row("alarms", _alarms_at(person, at_ms)))
    if any(span.started <= at_ms < span.ended for span in person.unknown):
        rows.append(_row("known", words.NOT_YET_KNOWN))
    return rows


def _row(name: str, value: str, remark: str = "") -> Row:
    return {"name": words.READOUT[name], "value": value, "remark": remark}


def _before(x: Floats, at_ms: float) -> int:
    """Return the place of the last moment at or before another; -1 without one."""
    return int(np.searchsorted(x, at_ms, side="right")) - 1


def _index(x: Floats, at_ms: float) -> int | None:
    """Return the last grid second at or before a moment, None when the grid has none within 1.5 s."""
    position = _before(x, at_ms)
    return position if position >= 0 and at_ms - x[position] <= 1.5 * SECOND_MS else None


def _reading(
    name: str, series: Series, at_ms: float, units: Units, quantity: Quantity, decimals: int | None = None
) -> Row:
    position = _before(series.x, at_ms)
    while position >= 0 and not math.isfinite(series.y[position]):
        position -= 1
    if position < 0:
        return _row(name, words.NOT_HEARD)
    age_ms = at_ms - series.x[position]
    value = units.text(quantity, float(series.y[position]), decimals)
    if age_ms > series.gap_ms:
        return _row(name, words.NOT_HEARD, f"{value}, " + words.BEFORE.format(age_s=f"{age_ms / 1000:.0f}"))
    return _row(name, value, words.BEFORE.format(age_s=f"{age_ms / SECOND_MS:.1f}"))


def _estimate(name: str, band: Band, second: int, units: Units, quantity: Quantity) -> Row:
    ends = [units.shown(quantity, float(part[second])) for part in (band.low, band.high)]
    places = units.decimals[quantity]
    if not all(math.isfinite(end) for end in ends):
        return _row(name, words.NONE)
    # Rounded outwards: a range never looks narrower than it is, least of all like none.
    step = 10.0**-places
    begin, end = math.floor(ends[0] / step) * step, math.ceil(ends[1] / step) * step
    span = f"{begin:,.{places}f} to {end:,.{places}f} {units.label[quantity]}"
    value = float(band.middle[second])
    if not math.isfinite(value):
        return _row(name, words.NOT_HEARD, span)
    return _row(name, units.text(quantity, value), span)


def _forecast(person: PersonLanes, second: int) -> Row:
    band = person.forecast
    middle, low, high = (float(part[second]) for part in (band.middle, band.low, band.high))
    if not math.isfinite(low):
        return _row("forecast", words.NONE)
    if not math.isfinite(middle):
        return _row("forecast", words.FORECAST_AT_LEAST.format(minutes=f"{low:.1f}"), words.YOUNG_WEAR)
    return _row("forecast", f"{middle:.1f} min", f"{low:.1f} to {high:.1f} min")


def _if_hardest(person: PersonLanes, second: int, units: Units) -> Row:
    minutes = float(person.if_hardest_min[second])
    if not math.isfinite(minutes):
        return _row("if_hardest", words.NONE)
    return _row("if_hardest", f"{minutes:.1f} min", units.text("rate", float(person.hardest_l_min[second])))


def _alarms_at(person: PersonLanes, at_ms: float) -> str:
    texts = []
    for source, spans in ((words.REPORTED, person.reported), (words.DERIVED, person.derived)):
        for span in spans:
            if span.started <= at_ms <= span.ended:
                age = duration_text((at_ms - span.started) / SECOND_MS)
                texts.append(f"{ALARMS[span.what]}: {source}, {age}")
    if any(gap.started < at_ms < gap.ended for gap in person.silences):
        texts.append(words.SILENT)
    return "; ".join(texts) or words.NONE


def messages_behind(
    record: IncidentRecord, wear_ids: list[str], at_ms: float, clock: Clock = UTC_CLOCK
) -> list[dict[str, Any]]:
    """Return the messages within `SPAN_S` of a moment and the last of each kind before it.

    Those around the moment come first, each part in time order.

    `wear_ids`: of the chosen people. `clock`: that is shown; a message's own times are never moved.
    """
    # Of all wears: a set's time is split between its wearers.
    owned = owned_windows(record.results["wears"]).filter(pl.col("wear_id").is_in(wear_ids))
    moment = moment_of(at_ms)
    span = timedelta(seconds=SPAN_S)
    found: list[pl.DataFrame] = []
    for kind, frame in _said(record):
        own = owned_messages(frame, owned) if kind in SET_KINDS else frame.sort("at")
        near = own.filter(pl.col("at").is_between(moment - span, moment + span))
        if kind in SET_KINDS and kind != "setup":
            before = own.filter(pl.col("at") < moment - span).group_by("set_id").last()
            near = pl.concat([before.select(own.columns), near]) if not len(near) else near
        found.append(_as_lines(record.verbatim(kind, near), kind))
    if not found:
        return []
    # What was said around the moment comes first; what was known from before it follows.
    lines = pl.concat(found).sort(pl.col("at") < moment - span, "at").head(MOST_MESSAGES)
    return _rows(lines, clock)


def messages_of_evidence(
    record: IncidentRecord, evidence: list[str], clock: Clock = UTC_CLOCK
) -> list[dict[str, Any]]:
    """Return the messages that a finding names (`set_id/boot/seq`) in time order, `MOST_MESSAGES` at most."""
    wanted = pl.Series(evidence[:MOST_MESSAGES], dtype=pl.String).implode()
    found = [
        _as_lines(record.verbatim(kind, frame.filter(_identity(frame).is_in(wanted))), kind)
        for kind, frame in _said(record)
    ]
    return _rows(pl.concat(found).sort("at"), clock) if found else []


def _said(record: IncidentRecord) -> Iterator[tuple[str, pl.DataFrame]]:
    for kind in (*SET_KINDS, *DESK_KINDS):
        frame = record.messages.get(kind)
        if frame is not None and "at" in frame.columns and len(frame):
            yield kind, frame


def _identity(frame: pl.DataFrame) -> pl.Expr:
    speaker = "set_id" if "boot" in frame.columns and "desk_id" not in frame.columns else "desk_id"
    return pl.concat_str([speaker, "boot", "seq"], separator="/", ignore_nulls=False)


def _as_lines(frame: pl.DataFrame, kind: str) -> pl.DataFrame:
    own, received = (pl.col(name).dt.strftime("%Y-%m-%dT%H:%M:%S.%6fZ") for name in ("time", "received"))
    return frame.select(
        "at",
        pl.lit(kind).alias("kind"),
        _identity(frame).fill_null("–").alias("identity"),
        own.fill_null("–").alias("own"),
        received,
        "topic",
        "payload",
    )


def _rows(lines: pl.DataFrame, clock: Clock) -> list[dict[str, Any]]:
    return [
        row | {"at": clock.precise(row["at"]) if row["at"] else "–"} for row in lines.iter_rows(named=True)
    ]


def evidence_of(results: Results, finding_id: str) -> tuple[str, list[str]]:
    """Return the rule of a finding and its evidence, both empty when there is no such finding."""
    rows = results["findings"].filter(pl.col("finding_id") == finding_id)
    code, evidence = rows.select("code", "evidence").row(0) if len(rows) else ("", None)
    return code, list(evidence or [])
