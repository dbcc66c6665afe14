"""Refused messages: whose they are, and which silences they explain.

A message that breaks the contract is kept with its reason and is read no further. It was received, so nobody
may call it lost. Its topic says whose it is; its payload, where that can be read, which number it has.
"""

from collections.abc import Collection, Mapping, Sequence
from typing import Any

import msgspec
import numpy as np
import polars as pl

from analysis.records import PowerUp, micros
from analysis.tables import conform, empty_table
from ingest.contract.columns import FRAME_SCHEMAS
from ingest.plurals import counted

_TOPIC = r"^underair/v1/[^/]+/(?<role>set|desk)/(?<speaker>[^/]+)/(?<kind>[^/]+)$"


_AROUND = pl.duration(hours=1)


class _Said(msgspec.Struct):
    """What of a refused payload may still be read."""

    boot: int | None = None
    seq: int | None = None
    incident_id: str | None = None
    pressure_bar: Any = None

    @property
    def above_bar(self) -> float | None:
        """The pressure that it says, if that is above all that the contract takes."""
        said = self.pressure_bar
        return float(said) if type(said) in (int, float) and said > MOST_BAR else None


MOST_BAR = 500.0  # of the contract's `pressure_bar`
_PAYLOAD = {"boot": pl.Int64, "seq": pl.Int64, "incident_id": pl.String, "above_bar": pl.Float64}
_NAMED = {"role": pl.String, "speaker": pl.String, "kind": pl.String}
_NOTHING = pl.DataFrame(schema={**FRAME_SCHEMAS["refused"], **_NAMED, **_PAYLOAD})


def whose(refused: pl.DataFrame) -> pl.DataFrame:
    """Return refused messages with `role` (set, desk), `speaker` and `kind`, as their topics say.

    Those whose topic names no speaker are left out.
    """
    named = refused.with_columns(pl.col("topic").str.extract_groups(_TOPIC).alias("named")).unnest("named")
    return named.filter(pl.col("speaker").is_not_null() & ~pl.col("retained"))


def read_refused(messages: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """Return the refused messages of an analysis, as `whose`, with what can be read of their payloads.

    They have `boot`, `seq`, `incident_id` and `above_bar` (the pressure that was too high to be taken); null
    where the payload cannot be read so far.
    """
    refused = messages["refused"]
    if refused.is_empty():  # the usual case, and a query about nothing takes as long as one about something
        return _NOTHING.clone()
    found = whose(refused).sort("received", "topic", "payload")
    said = [said_of(payload) for payload in found["payload"]]
    return found.with_columns(
        pl.Series(name, [getattr(one, name) for one in said], dtype) for name, dtype in _PAYLOAD.items()
    )


def of_incident(
    refused: pl.DataFrame, incident_id: str, sets: Collection[str], spoken: pl.Series
) -> pl.DataFrame:
    """Return those of an incident: of its sets, and of desks that may have spoken of it.

    - `refused`: from `read_refused`.
    - `sets`: of the incident.
    - `spoken`: when desks spoke of it; refused messages up to an hour around that count. Our own rule.
    """
    about = (
        pl.when(pl.col("role") == "set")
        .then(pl.col("speaker").is_in(list(sets)))
        .otherwise(pl.col("incident_id").fill_null(incident_id) == incident_id)
    )
    if not spoken.len():
        return refused.clear()
    around = pl.lit(spoken.min()) - _AROUND, pl.lit(spoken.max()) + _AROUND
    return refused.filter(about & pl.col("received").is_between(*around))


def note_refused(records: Sequence[PowerUp], refused: pl.DataFrame) -> None:
    """Tell each power-up of a set what of it was refused.

    A number that can be read belongs to its power-up; what has none counts in the time of its receipt.
    """
    if refused.is_empty():
        return
    of_sets = refused.filter(pl.col("role") == "set")
    if of_sets.is_empty():
        return
    lots = {str(key[0]): lot for key, lot in of_sets.group_by("speaker")}
    for record in records:
        lot = lots.get(record.name) if record.role == "set" else None
        if lot is None:
            continue
        numbered = pl.col("seq").is_not_null() & pl.col("boot").is_not_null()
        seqs = lot.filter(numbered & (pl.col("boot") == record.boot))["seq"].to_numpy()
        # One that was kept beside it (the same number again) left no hole.
        record.refused_seqs = np.setdiff1d(seqs.astype(np.int64), record.seqs)
        high = lot.filter(numbered & (pl.col("boot") == record.boot) & pl.col("above_bar").is_not_null())
        record.refused_high = high["seq"].to_numpy().astype(np.int64), high["above_bar"].to_numpy()
        record.refused_us = np.sort(micros(lot.filter(~numbered)["received"]))


def pressures_refused(refused: pl.DataFrame, set_ids: Collection[str]) -> str:
    """Return a sentence on how many pressure messages of these sets were refused; empty for none."""
    of_sets = (pl.col("role") == "set") & (pl.col("kind") == "pressure") & pl.col("speaker").is_in(set_ids)
    count = refused.filter(of_sets).height
    return (
        f" {counted(count, 'pressure message')} of the set {'was' if count == 1 else 'were'} refused."
        if count
        else ""
    )


def refused_between(power_up: PowerUp, seqs: tuple[int, int], times_us: tuple[int, int]) -> int:
    """Return how many messages between two numbers, or two times, were received and refused."""
    low, high = np.searchsorted(power_up.refused_seqs, [seqs[0] + 1, seqs[1]], side="left")
    since, until = np.searchsorted(power_up.refused_us, times_us, side="left")
    return int(high - low + until - since)


def refused_table(refused: pl.DataFrame) -> pl.DataFrame:
    """Return the table `refused`: how often what was refused of whom, why, from when to when."""
    if refused.is_empty():
        return empty_table("refused")
    # The value differs from message to message; what is wrong with it does not.
    wrong = pl.col("reason").str.split(", got ").list.first()
    said = pl.col("role") == "set"
    return conform(
        "refused",
        refused.group_by("role", "speaker", "kind", "path", wrong.alias("wrong"))
        .agg(
            pl.col("reason").sort_by("received").first(),
            pl.col("received").min().alias("first"),
            pl.col("received").max().alias("last"),
            pl.len().cast(pl.Int64).alias("messages"),
        )
        .sort("first", "role", "speaker", "kind", "path", "wrong")
        .select(
            pl.when(said).then("speaker").alias("set_id"),
            pl.when(~said).then("speaker").alias("desk_id"),
            "kind",
            "reason",
            "path",
            "first",
            "last",
            "messages",
        ),
    )


def said_in(payload: bytes) -> dict[str, Any]:
    """Return the fields of a refused payload as it says them; none where it is no JSON object."""
    try:
        row = msgspec.json.decode(payload)
    except (msgspec.MsgspecError, ValueError, RecursionError):
        return {}
    return row if isinstance(row, dict) else {}


def said_of(payload: bytes) -> _Said:
    """Return what a refused payload says, as far as it can be read."""
    try:
        return msgspec.json.decode(payload, type=_Said)
    except (msgspec.MsgspecError, ValueError, RecursionError):
        return _Said()
