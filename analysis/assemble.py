"""The rows of every table, from what was computed about wears and alarms."""

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import polars as pl
import pyarrow as pa

from analysis.air.breathing import AirTrack
from analysis.air.gas import free_air_l
from analysis.alarms.rates import alarm_rates
from analysis.clocks.links import Gap
from analysis.findings.examined import Examined
from analysis.findings.finding import Context
from analysis.findings.findings import find
from analysis.findings.late import not_yet_known
from analysis.heat.heat import TESTED_S, HeatTrack, seconds_in_classes
from analysis.records import Bools, Floats, Ints, micros
from analysis.refused import refused_table, said_in
from analysis.tables import TABLES, Results, empty_table, table_of
from analysis.wears.corrections import corrected_in
from analysis.wears.entries import Entry
from analysis.wears.unbroken import goes_on_from
from ingest.freed_memory import give_back

BIG_COLUMN = 4_000_000
"""Bytes of a column from which the memory of its parts is worth giving back."""


def results_of(context: Context) -> Results:
    """Return every table of the results."""
    air = _air(context)
    made = {"air": air, "heat": _heat(context, air)} | {name: of(context) for name, of in TABLE.items()}
    return {name: made[name] for name in TABLES}


def _wears(context: Context) -> pl.DataFrame:
    policy, turns = context.profile.turn_back.policy, context.turns
    rows = []
    for one in context.examined:
        wear, air, known = one.wear, one.air, one.known_air
        cylinder, tally = wear.cylinder, wear.tally
        moment = turns[wear.wear_id].moments[policy]
        peak_c, dose = None, None
        if one.heat is not None and one.heat.measured:
            peak_c = float(np.fmax.reduce(one.heat.temperature_c))
            dose = float(one.heat.dose[-1])
        turn_back_bar = moment.leave_bar if moment.leave_bar is not None else moment.pressure_bar
        rows.append(
            (
                wear.wear_id,
                tally.incident_id if tally else None,
                wear.set_id,
                tally.wearer_id if tally else None,
                tally.team if tally else None,
                wear.started_us,
                wear.ended_us,
                cylinder.count if cylinder else None,
                cylinder.water_volume_l if cylinder else None,
                cylinder.rated_bar if cylinder else None,
                air.start_bar,
                air.end_bar,
                one.used_l if known else None,
                air.free_air_sd_l if known else None,
                one.used_l / one.minutes if known and one.breathed and not wear.bleeding else None,
                one.peak_l_min() if known and one.breathed else None,
                wear.thresholds.low_air_bar,
                one.low_air_us,
                one.low_air_seconds,
                turn_back_bar,
                turns[wear.wear_id].team_us[policy],
                peak_c,
                dose,
                float(sum(gap.seconds for gap in one.gaps)),
                one.lost_messages,
                turns[wear.wear_id].entry.entry_id,
                wear.restarted_from.wear_id if wear.restarted_from else None,
            )
        )
    return table_of("wears", rows)


BETWEEN_SD = 0.05
"""Relative uncertainty of the air between two wears of a cylinder: the temperature of the gas is not known.
Our own rule."""
BETWEEN_C = 20.0


def _entries(context: Context) -> pl.DataFrame:
    by_wear = {one.wear.wear_id: one for one in context.examined}
    return table_of("entries", [_entry_row(entry, by_wear) for entry in context.entries])


def _entry_row(entry: Entry, by_wear: Mapping[str, Examined]) -> tuple[Any, ...]:
    own = [by_wear[wear.wear_id] for wear in entry.wears]
    # Of two sets under air at once nobody knows which air the wearer used.
    known = bool(own) and all(one.known_air for one in own) and not entry.at_once
    between_l, between_s = 0.0, 0.0
    spread_l = []
    for charge in entry.charges:
        # Gauge, volume and temperature are those of one cylinder: what is unsure of them adds up.
        unsure_l = sum(by_wear[wear.wear_id].air.free_air_sd_l for wear in charge.wears)
        for before, after in itertools.pairwise(charge.wears):
            if before.ended_how in ("closed", "changed"):  # else its silence goes on until the next one
                between_s += (after.started_us - before.ended_us) * 1e-6
                between_s -= sum(gap.seconds for gap in by_wear[before.wear_id].gaps if gap.at_end)
            gone_l = by_wear[after.wear_id].between_l if goes_on_from(after) is before else None
            if gone_l is not None:
                between_l += gone_l
            elif charge.cylinder is not None:
                volume_l = charge.cylinder.total_l
                left_l, there_l = (
                    float(free_air_l(bar, BETWEEN_C, volume_l)) for bar in (before.last_bar, after.first_bar)
                )
                between_l += max(left_l - there_l, 0.0)
                unsure_l += BETWEEN_SD * max(left_l - there_l, 0.0)
        spread_l.append(unsure_l)
    other = entry.stay.elsewhere[-1] if entry.stay is not None and entry.stay.elsewhere else None
    return (
        entry.entry_id,
        entry.incident_id,
        entry.wearer_id,
        entry.team,
        list(entry.set_ids),
        [wear.wear_id for wear in entry.wears],
        entry.tallied_in_us,
        entry.first_heard_us,
        entry.entry_bar,
        entry.turn_back_bar,
        entry.team_turn_back_us,
        entry.noted.at_us if entry.noted is not None else None,
        entry.late_s,
        entry.low_air_us,
        entry.lowest_bar,
        entry.last_heard_us,
        entry.tallied_out_us,
        entry.ended_how,
        entry.under_air_s,
        sum((one.unheard_s for one in own), between_s + entry.unheard_apart_s),
        sum(one.used_l for one in own) + between_l if known else None,
        math.hypot(*spread_l) if known else None,
        entry.late_bound or None if entry.late_s is not None else None,
        entry.noted.text if entry.noted is not None else None,
        other.incident_id if other is not None else None,
        other.in_us if other is not None else None,
        entry.not_due_us,
        entry.due_as_last_heard,
    )


FORESEEN_WITHIN_S = 60.0
"""Of readings that came so late no forecast was known: the page showed a silent set. Our own rule."""


def _air(context: Context) -> pl.DataFrame:
    examined = context.examined
    if not examined:
        return empty_table("air")
    columns: dict[str, pa.Array] = {}
    foreseen = _foreseen(examined)
    for name in [name for name, dtype in TABLES["air"].items() if dtype == pl.Float64]:
        values = _in_one([one.air for one in examined], name)
        unknown = [not (one.known_air or name.startswith("pressure")) for one in examined]
        if any(unknown):
            values = np.where(np.repeat(unknown, [one.seconds for one in examined]), np.nan, values)
        if name.startswith("low_air") and foreseen is not None:
            values = np.where(foreseen, values, np.nan)
        columns[name] = _numbers(values)
    heard = np.packbits(np.concatenate([one.air.heard for one in examined]), bitorder="little")
    # `pa.array` of an array imports pandas where there is one: 0.2 s and 40 MB.
    columns["heard"] = pa.Array.from_buffers(pa.bool_(), len(values), [None, pa.py_buffer(heard)])
    sizes = [one.seconds for one in examined]
    at_us, end = np.empty(sum(sizes), np.int64), 0
    for one, size in zip(examined, sizes, strict=True):
        end += size
        at_us[end - size : end] = one.wear.started_us + 1_000_000 * np.arange(size)
    columns["time"] = _column(at_us, pa.timestamp("us", "UTC"))
    frame = _frame({name: columns[name] for name in TABLES["air"] if name in columns})
    ids = pl.Series("wear_id", [one.wear.wear_id for one in examined], dtype=pl.String)
    if len(sizes) == 1:
        return frame.insert_column(0, ids.new_from_index(0, sizes[0]))
    return frame.insert_column(0, ids.gather(np.repeat(np.arange(len(sizes), dtype=np.uint32), sizes)))


def _foreseen(examined: Sequence[Examined]) -> Any:
    """Return at which seconds a forecast was possible; None where at all: not of readings that came later."""
    spans = [not_yet_known(one.wear.at_us, one.wear.received_us, FORESEEN_WITHIN_S) for one in examined]
    if not any(spans):
        return None
    parts = [np.ones(one.seconds, np.bool_) for one in examined]
    for one, part, own in zip(examined, parts, spans, strict=True):
        for first_us, until_us in own:
            first, until = ((at_us - one.wear.started_us) // 1_000_000 for at_us in (first_us, until_us))
            part[first : until + 1] = False
    return np.concatenate(parts)


def _in_one(tracks: Sequence[AirTrack | HeatTrack], name: str) -> Any:
    """Return one array of every track, joined; each track has its part of it from then on.

    So what a big incident's tables hold is in memory once.
    """
    parts = [getattr(track, name) for track in tracks]
    if len(parts) == 1:
        return parts[0]
    joined, end = np.concatenate(parts), 0
    for track, part in zip(tracks, parts, strict=True):
        setattr(track, name, joined[end : end + len(part)])
        end += len(part)
    del part, parts
    if joined.nbytes > BIG_COLUMN:
        give_back()  # the parts: too small for the system to take each back at once, and many
    return joined


def _numbers(values: Floats) -> pa.Array:
    """Return numbers as a column, null where NaN, in the same memory."""
    all_known = not np.isnan(values.min())  # which is NaN where any is
    return _column(values, pa.float64(), None if all_known else ~np.isnan(values))


def _column(values: Floats | Ints, kind: pa.DataType, known: Bools | None = None) -> pa.Array:
    """Return values as a column, null where not known, in the same memory."""
    bits = None if known is None or known.all() else pa.py_buffer(np.packbits(known, bitorder="little"))
    return pa.Array.from_buffers(kind, len(values), [bits, pa.py_buffer(values)])


def _frame(columns: Mapping[str, pa.Array]) -> pl.DataFrame:
    """Return columns as a frame; all go over in one batch, half the cost of one by one."""
    return pl.DataFrame(pa.RecordBatch.from_arrays([*columns.values()], names=[*columns]))


def _heat(context: Context, air: pl.DataFrame) -> pl.DataFrame:
    """Return the table; wears and times are those of the table `air`, in the same memory."""
    tracks = [one.heat for one in context.examined if one.heat is not None and one.heat.measured]
    if not tracks:
        return empty_table("heat")
    columns = {
        name: _numbers(_in_one(tracks, name))
        for name in ("temperature_c", "ambient_c", "ambient_lo_c", "ambient_hi_c")
    }
    classes = _in_one(tracks, "thermal_class")
    columns["thermal_class"] = _column(classes, pa.int64(), classes > 0)
    columns["dose"] = _column(_in_one(tracks, "dose"), pa.float64())
    grid = air.select("wear_id", "time")
    if len(tracks) < len(context.examined):
        measured = [one.heat is not None and one.heat.measured for one in context.examined]
        grid = grid.filter(np.repeat(measured, [one.seconds for one in context.examined]))
    return grid.hstack(_frame(columns))


def _alarms(context: Context) -> pl.DataFrame:
    return table_of(
        "alarms",
        [
            (
                one.wear.wear_id if one.wear else None,
                one.set_id,
                one.alarm,
                one.raised_us,
                one.acknowledged_us,
                one.cleared_us,
                one.seen_us,
                one.response_s,
                one.source,
                one.lead_s,
                one.heard_us,
                one.entry.entry_id if one.entry else None,
                one.entry.wearer_id if one.entry else None,
            )
            for one in context.alarms
        ],
    )


def _gaps(context: Context) -> pl.DataFrame:
    return table_of("gaps", [_gap_row(gap) for one in context.examined for gap in one.gaps])


def _heard_later(context: Context) -> pl.DataFrame:
    silences = [gap for one in context.examined for gap in one.later]  # for the desk alone
    rows = [(*_gap_row(gap), gap.heard_later, gap.known_us) for gap in silences]
    return table_of("heard_later", rows)


def _gap_row(gap: Gap) -> tuple[Any, ...]:
    messages = gap.lost_messages, gap.refused_messages
    return (gap.wear.set_id, gap.wear.wear_id, gap.started_us, gap.ended_us, gap.seconds, *messages)


def _tallies(context: Context) -> pl.DataFrame:
    """Return all that desks said about who was in, also corrected and refused."""
    book, refused = context.book, context.refused
    by = {old.identity: new.identity for old, new in book.corrected}
    names = ("incident_id", "action", "wearer_id", "set_id", "team", "task")
    rows = [
        (
            one.identity,
            *(one.row[name] for name in names),
            one.desk_id,
            one.said_us,
            None if one.identity in by else one.from_us,
            one.heard_us,
            corrected_in(one.row),
            by.get(one.identity),
            None,
        )
        for one in sorted(book.words, key=lambda one: (one.said_us, one.identity))
    ]
    if refused.height:
        tallies = refused.filter((pl.col("role") == "desk") & (pl.col("kind") == "tally"))
        for row, heard_us in zip(
            tallies.iter_rows(named=True), micros(tallies["received"]).tolist(), strict=True
        ):
            said = said_in(row["payload"])
            known = [said.get(name) if isinstance(said.get(name), str) else None for name in names]
            rows.append((None, *known, row["speaker"], None, None, heard_us, None, None, row["reason"]))
    return table_of("tallies", rows)


def _answers(context: Context) -> pl.DataFrame:
    """Return who was in at each order and roll call, and how each answered."""
    rows = [
        (
            *(one.call.incident_id, one.call.kind, one.call.about, one.call.identity),
            *(one.call.called_us, one.call.ended_us),
            *(one.wearer_id, one.set_id, one.team, one.answered_us, one.missing_us, one.out_us),
        )
        for one in context.answers
        if one.reached
    ]
    return table_of("answers", rows)


def _clocks(context: Context) -> pl.DataFrame:
    """Return the sets' clocks; within a window, of the power-ups in which something was said in it."""
    clocks, window = context.clocks, context.window_us
    if window is None:
        return clocks.table
    said = {
        record.key
        for record in context.sets
        for channel in record.channels.values()
        if np.any((channel.at_us >= window[0]) & (channel.at_us <= window[1]))
    }
    # A row for each clock of a set that could be fitted.
    keep = [key in said for key in clocks.fits if key[0] == "set"]
    return clocks.table.filter(pl.Series(keep, dtype=pl.Boolean))


def _turn_back(context: Context) -> pl.DataFrame:
    """Return every policy replayed on every wear."""
    rows = []
    for one in context.examined:
        low_us, own = one.low_air_us, context.turns[one.wear.wear_id]
        for policy, moment in own.moments.items():
            at_us = moment.at_us
            rows.append(
                (
                    one.wear.wear_id,
                    policy,
                    at_us,
                    own.team_us[policy],
                    moment.pressure_bar,
                    (low_us - at_us) / 60e6 if low_us is not None and at_us is not None else None,
                    (one.wear.ended_us - at_us) / 60e6 if at_us is not None else None,
                )
            )
    return table_of("turn_back", rows)


def _exposure(context: Context) -> pl.DataFrame:
    """Return the seconds in each thermal class, and the part of its tested time.

    Class 0 is the time without a heat reading near enough to give a class.
    """
    rows: list[tuple[str, int, float, float | None, float | None]] = []
    for one in context.examined:
        if one.heat is not None and one.heat.measured:
            rows.append((one.wear.wear_id, 0, float(one.heat.not_heard_s), None, None))
            seconds = seconds_in_classes(one.heat.thermal_class).tolist()
            for number, (spent_s, tested_s) in enumerate(zip(seconds, TESTED_S, strict=True), 1):
                rows.append((one.wear.wear_id, number, spent_s, tested_s, spent_s / tested_s))
    return table_of("exposure", rows)


def _alarm_rates(context: Context) -> pl.DataFrame:
    """Return one row an incident, counting what sets reported."""
    spans: dict[str | None, tuple[int, int]] = {}
    raised: dict[str | None, list[int]] = {}
    for one in context.examined:
        name = one.wear.tally.incident_id if one.wear.tally else None
        first, last = spans.get(name, (one.wear.started_us, one.wear.ended_us))
        spans[name] = (min(first, one.wear.started_us), max(last, one.wear.ended_us))
    for alarm in context.alarms:
        if alarm.reported is not None and (alarm.wear is not None or alarm.entry is not None):
            tally = alarm.wear.tally if alarm.wear is not None else None
            own = tally if tally is not None else alarm.entry
            name = own.incident_id if own is not None else None
            raised.setdefault(name, []).append(alarm.raised_us)
    rows = []
    for name, (started_us, ended_us) in sorted(spans.items(), key=lambda item: (item[1], item[0] or "")):
        rates = alarm_rates(np.array(raised.get(name, []), dtype=np.int64), started_us, ended_us)
        rows.append((name, started_us, ended_us, *rates, "; ".join(rates.beyond)))
    return table_of("alarm_rates", rows)


TABLE: dict[str, Callable[[Context], pl.DataFrame]] = {
    "wears": _wears,
    "entries": _entries,
    "alarms": _alarms,
    "gaps": _gaps,
    "heard_later": _heard_later,
    "refused": lambda context: refused_table(context.refused),
    "tallies": _tallies,
    "answers": _answers,
    "clocks": _clocks,
    "findings": find,
    "turn_back": _turn_back,
    "exposure": _exposure,
    "alarm_rates": _alarm_rates,
    "floods": lambda context: table_of("floods", context.floods),
}
"""What makes each table except `air` and `heat`."""
