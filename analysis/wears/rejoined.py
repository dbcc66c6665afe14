"""One entry, not two, for somebody who was tallied out and in again in the middle of one wear."""

from collections.abc import Sequence
from dataclasses import replace

from analysis.wears.tally import Stay
from analysis.wears.wears import Wear


def rejoined(wears: Sequence[Wear], stays: Sequence[Stay]) -> list[Stay]:
    """Return the stays, those of one wear joined: who breathed on from the same set was never out."""
    joined: list[Stay] = []
    latest: dict[tuple[str, str], int] = {}
    for stay in sorted(stays, key=lambda one: one.in_us):
        person = stay.incident_id, stay.wearer_id
        place = latest.get(person)
        before = joined[place] if place is not None else None
        if place is not None and before is not None and _same_wear(wears, before, stay):
            joined[place] = replace(
                before,
                tallies=[*before.tallies, *stay.tallies],
                ended_us=stay.ended_us,
                ended_how=stay.ended_how,
                ended_by=stay.ended_by,
            )
        else:
            latest[person] = len(joined)
            joined.append(stay)
    return joined


def _same_wear(wears: Sequence[Wear], before: Stay, after: Stay) -> bool:
    if before.ended_us is None or before.ended_how != "tallied_out":
        return False
    if before.tallies[-1].set_id != after.tallies[0].set_id:
        return False
    own = {tally.in_identity for tally in (*before.tallies, *after.tallies)}
    return any(
        wear.started_us < before.ended_us and wear.ended_us >= after.in_us
        for wear in wears
        if wear.tally is not None and wear.tally.in_identity in own
    )
