"""Two sets that use one ID at the same time: the second one gets a name of its own."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import polars as pl

from analysis.records import Ints, PowerUp

AT_ONCE_US, AT_ONCE_READINGS = 30_000_000, 3
"""Two power-ups whose readings overlap for so long, with so many of each, are of two sets: one that restarts
does not go on in the old one. Our own rule."""


def apart(records: Sequence[PowerUp]) -> list[PowerUp]:
    """Return the power-ups, on the reconciled clock and in their order, those of a second set renamed.

    The set that was heard first keeps the ID; another one is `ID.bootN`, after its first power-up.
    """
    found: list[PowerUp] = []
    speaking: dict[str, list[list[PowerUp]]] = {}  # by ID: of each set that uses it
    for one in records:
        name = one.name
        if one.role == "set":
            sets = speaking.setdefault(one.name, [])
            own = next((before for before in sets if not any(_at_once(each, one) for each in before)), None)
            if own is None:
                own = []
                sets.append(own)
            own.append(one)
            name = one.name if own is sets[0] else f"{one.name}.boot{own[0].boot}"
        found.append(one if name == one.name else replace(one, name=name, said_as=one.name))
    return found


def own_set(frame: pl.DataFrame) -> pl.Expr:
    """Return the name of the set that said each message: not its ID, where another set uses that, too."""
    return pl.col("own_set" if "own_set" in frame.columns else "set_id")


def with_own_sets(
    messages: Mapping[str, pl.DataFrame], records: Sequence[PowerUp]
) -> dict[str, pl.DataFrame]:
    """Return the messages with `own_set`, see there, where two sets use one ID.

    `records`: from `apart`, of the same messages.
    """
    others = [one for one in records if one.said_as]
    identity = ["set_id", "boot", "seq", "received"]
    named = dict(messages)
    for kind in {kind for one in others for kind in one.channels}:
        frame = named[kind]
        said = pl.concat(
            pl.select(
                pl.lit(one.said_as).alias("set_id"),
                pl.lit(one.boot, frame.schema["boot"]).alias("boot"),
                pl.Series("seq", one.channels[kind].seq, frame.schema["seq"]),
                pl.Series("received", one.channels[kind].received_us).cast(frame.schema["received"]),
                pl.lit(one.name).alias("own_set"),
            )
            for one in others
            if kind in one.channels
        ).unique(identity)
        found = frame.join(said, on=identity, how="left", maintain_order="left")
        named[kind] = found.with_columns(pl.coalesce("own_set", "set_id").alias("own_set"))
    return named


def _at_once(before: PowerUp, after: PowerUp) -> bool:
    """Return whether readings of both are of the same time, and were heard at the same time."""
    both = [one.channels["pressure"] for one in (before, after) if "pressure" in one.channels]
    live = [~one.retained for one in both]
    if len(both) < 2 or not all(one.any() for one in live):
        return False
    return all(
        _overlap([times[kept] for times, kept in zip(of_both, live, strict=True)])
        for of_both in ([one.at_us for one in both], [one.received_us for one in both])
    )


def _overlap(of_both: Sequence[Ints]) -> bool:
    first_us, last_us = max(int(one.min()) for one in of_both), min(int(one.max()) for one in of_both)
    return last_us - first_us >= AT_ONCE_US and all(
        int(((one >= first_us) & (one <= last_us)).sum()) >= AT_ONCE_READINGS for one in of_both
    )
