"""Findings about the tally: late, missing, never closed, one wearer with two sets."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from analysis.finding import Context, Finding, about_wear, clock, lasting
from analysis.tally import Tally
from analysis.wears import Wear

GONE_US = 30 * 60 * 1_000_000
"""Without a close, the incident counts as over when the record goes on for so long after the wear."""


def tally_findings(context: Context) -> Iterator[Finding]:
    """Apply every rule about the tally."""
    yield from _wears(context)
    yield from _not_out(context)
    yield from _two_sets(context.tallies)


def _wears(context: Context) -> Iterator[Finding]:
    first_of: dict[str, int] = {}
    for one in context.examined:
        if one.wear.tally is not None:
            known = first_of.get(one.wear.tally.in_identity, one.wear.started_us)
            first_of[one.wear.tally.in_identity] = min(known, one.wear.started_us)
    for one in context.examined:
        wear, tally = one.wear, one.wear.tally
        if tally is None:
            if context.tallied:
                yield about_wear(
                    "no_tally",
                    "note",
                    wear,
                    wear.started_us,
                    wear.ended_us,
                    f"Set {wear.set_id} was under air for {lasting(one.minutes * 60.0)} from "
                    f"{clock(wear.started_us)} and nobody tallied it in: wearer and team are unknown.",
                    [wear.identity(0), wear.identity(-1)],
                )
            continue
        late_s = (tally.in_us - wear.started_us) * 1e-6
        if late_s > context.profile.link.tally_late_s and first_of[tally.in_identity] == wear.started_us:
            yield about_wear(
                "tally_late",
                "note",
                wear,
                wear.started_us,
                tally.in_us,
                f"Tallied in at {clock(tally.in_us)}, {lasting(late_s)} after the valve was opened.",
                [wear.identity(0), tally.in_identity],
            )


def _not_out(context: Context) -> Iterator[Finding]:
    by_tally: dict[str, list[Wear]] = {}
    for one in context.examined:
        if one.wear.tally is not None:
            by_tally.setdefault(one.wear.tally.in_identity, []).append(one.wear)
    for tally in context.tallies:
        if tally.out_us is not None or tally.replaced:
            continue
        wears = by_tally.get(tally.in_identity, [])
        over = wears and context.heard_until_us - max(wear.ended_us for wear in wears) > GONE_US
        if not (tally.closed or over):
            continue
        last = max(wears, key=lambda wear: wear.ended_us, default=None)
        yield Finding(
            "not_tallied_out",
            "caution",
            tally.set_id,
            last.wear_id if last else None,
            tally.in_us,
            tally.ended_us,
            f"{tally.wearer_id} was tallied in with set {tally.set_id} at {clock(tally.in_us)} and never out"
            + (f"; the set was last under air at {clock(last.ended_us)}." if last else "."),
            (tally.in_identity,),
        )


def _two_sets(tallies: Sequence[Tally]) -> Iterator[Finding]:
    ordered = sorted(tallies, key=lambda tally: (tally.in_us, tally.in_identity))
    for number, tally in enumerate(ordered):
        for other in ordered[number + 1 :]:
            if other.in_us >= tally.ended_us:
                break
            if other.wearer_id == tally.wearer_id and other.set_id != tally.set_id:
                yield Finding(
                    "two_sets_one_wearer",
                    "caution",
                    other.set_id,
                    None,
                    other.in_us,
                    min(tally.ended_us, other.ended_us),
                    f"{tally.wearer_id} was tallied in with two sets at once, {tally.set_id} and "
                    f"{other.set_id}, from {clock(other.in_us)}; one of the two entries is wrong.",
                    (tally.in_identity, other.in_identity),
                )
