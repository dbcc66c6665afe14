"""Two services in one record: a name in both is not the same desk, wearer or team.

The service that comes first by name keeps its names; the others' become `SERVICE:NAME` where two services
give the name. Sets are not distinguished: readings are read without their service.
"""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, cast

import polars as pl

from ingest.contract.kinds import DESK_KINDS

NAMED = {"desk_id": ["desk_id"], "wearer_id": ["wearer_id"], "team": ["incident_id", "team"]}
"""What is distinguished, and by what: a team belongs to its incident."""


def told_apart(messages: Mapping[str, pl.DataFrame]) -> Mapping[str, pl.DataFrame]:
    """Return messages in which no two services give a desk, a wearer or a team the same name."""
    said = {kind: messages[kind] for kind in DESK_KINDS if kind in messages and messages[kind].height}
    ends = {name for frame in said.values() for name in (frame["service"].min(), frame["service"].max())}
    if len(ends) < 2:
        return messages
    home = min(str(name) for name in ends)
    for column, whole in NAMED.items():
        shared = _shared(said, whole)
        if shared.height:
            said = {kind: _named(frame, column, whole, shared, home) for kind, frame in said.items()}
    # Messages whose readings are not in memory hold the desks' words beside them.
    kept = getattr(messages, "kept", None)
    if kept is None:
        return {**messages, **said}
    light: Any = messages
    return cast(Mapping[str, pl.DataFrame], replace(light, kept={**kept, **said}))


def wearers_apart(wears: pl.DataFrame) -> pl.DataFrame:
    """Return the ledger's wears in which no two services give a wearer the same name.

    `told_apart` separates only those who met in one incident. Whom a name means must not depend on that.
    """
    service, wearer = pl.col("service").cast(pl.String), pl.col("wearer_id").cast(pl.String)
    home = wears["service"].cast(pl.String).min()
    if home == wears["service"].cast(pl.String).max():
        return wears
    own = wears.select(service, wearer.str.strip_prefix(pl.format("{}:", service)))
    names = own.drop_nulls().unique().group_by("wearer_id").len().filter(pl.col("len") > 1)["wearer_id"]
    is_shared = (service != home) & wearer.is_in(names.implode())
    named = pl.when(is_shared).then(pl.format("{}:{}", service, wearer)).otherwise(wearer)
    return wears.with_columns(
        own.select(named.alias("wearer_id")).to_series().cast(wears.schema["wearer_id"])
    )


def _shared(said: Mapping[str, pl.DataFrame], whole: list[str]) -> pl.DataFrame:
    """Return the names that more than one service gives."""
    lots = [
        frame.select("service", *whole) for frame in said.values() if not {*whole}.difference(frame.columns)
    ]
    names = pl.concat(lots).drop_nulls().unique()
    return names.group_by(whole).len().filter(pl.col("len") > 1).select(whole)


def _named(
    frame: pl.DataFrame, column: str, whole: list[str], shared: pl.DataFrame, home: str
) -> pl.DataFrame:
    if {*whole}.difference(frame.columns):
        return frame
    names = shared.select(pl.struct(whole).alias("it"))["it"].implode()
    of_other = pl.col("service") != home
    named = pl.format("{}:{}", "service", column)
    changed = [pl.when(pl.struct(whole).is_in(names) & of_other).then(named).otherwise(column).alias(column)]
    if column == "desk_id" and "corrects" in frame.columns:  # one of the same service's desks
        desk = pl.col("corrects").struct.field("desk_id")
        other = pl.col("corrects").struct.with_fields(desk_id=pl.format("{}:{}", "service", desk))
        is_shared = desk.is_in(shared["desk_id"].implode()) & of_other
        changed.append(pl.when(is_shared).then(other).otherwise("corrects").alias("corrects"))
    return frame.with_columns(changed)
