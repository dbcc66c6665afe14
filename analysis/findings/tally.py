"""Findings about the tally: late, missing, never closed, one wearer with two sets, a set never heard."""

from collections.abc import Iterator, Sequence

import numpy as np
import polars as pl

from analysis.alarms.derived import stillness
from analysis.findings.ends import THEN, ran_empty_inside, shut_us
from analysis.findings.examined import Examined
from analysis.findings.finding import Context, Finding, clock, finding, lasting, unique
from analysis.records import PowerUp, by_set, micros
from analysis.refused import pressures_refused
from analysis.wears.entries import OUTSIDE_US, Entry
from analysis.wears.tally import FORGOTTEN_AFTER_US, Stay, TallyEntry, TallyWord
from analysis.wears.valve import CLOSED_BELOW_BAR
from analysis.wears.wears import Wear

GONE_US = 30 * 60 * 1_000_000
"""Without a close, an incident is over if the record continues for so long after the wear."""
BY_A_PERSON = ("tallied_out", "resolved")
NEVER_HEARD_US = 60 * 1_000_000
"""A tally must have lasted so long before a set's silence is a finding. Our own rule."""


def tally_findings(context: Context) -> Iterator[Finding]:
    """Apply every rule about the tally."""
    yield from _wears(context)
    yield from _not_out(context)
    yield from _after_out(context)
    yield from _without_air(context)
    yield from _two_sets(context.doubled)
    yield from _two_wearers(context)
    yield from _one_after_the_other(context)
    yield from _corrected(context)
    yield from _out_of_nobody(context)
    yield from _without_wear(context)
    yield from _never_heard(context)


def _wears(context: Context) -> Iterator[Finding]:
    first_of: dict[str, int] = {}
    for one in context.examined:
        if one.wear.tally is not None:
            known = first_of.get(one.wear.tally.in_identity, one.wear.started_us)
            first_of[one.wear.tally.in_identity] = min(known, one.wear.started_us)
    # If `in` is repeated for the same wearer and set, the first one counts.
    first_in = {
        tally.in_identity: min(one.in_us for one in stay.tallies if one.set_id == tally.set_id)
        for stay in context.book.stays
        for tally in stay.tallies
    }
    for one in context.examined:
        wear, tally = one.wear, one.wear.tally
        if tally is None:
            if context.tallied:
                statement = (
                    f"Set {wear.set_id} was under air for {lasting(one.minutes * 60.0)} from "
                    f"{clock(wear.started_us)} and nobody tallied it in: wearer and team are unknown."
                )
                yield finding(
                    "no_tally", "note", wear, wear.span_us, statement, [wear.identity(0), wear.identity(-1)]
                )
            continue
        in_us = first_in.get(tally.in_identity, tally.in_us)
        late_s = (in_us - wear.started_us) * 1e-6
        late = late_s > context.profile.link.tally_late_s and first_of[tally.in_identity] == wear.started_us
        if late and not _was_in_use(one, context):
            yield finding(
                "tally_late",
                "note",
                wear,
                (wear.started_us, in_us),
                f"Tallied in at {clock(in_us)}, {lasting(late_s)} after the valve was opened"
                + (
                    f", and only after the wear had ended at {clock(wear.ended_us)}: wearer and team are "
                    "those of that entry, because no other wear of the set belongs to it."
                    if in_us > wear.ended_us
                    else "."
                ),
                [wear.identity(0), tally.in_identity],
            )


def _was_in_use(one: Examined, context: Context) -> bool:
    """Return whether anybody was in with its set by another tally when the wear began."""
    wear, tally = one.wear, one.wear.tally
    return tally is not None and any(
        other is not tally
        and other.set_id == tally.set_id
        and any(first <= wear.started_us <= last for first, last in other.spans)
        for other in context.book.tallies
    )


def _not_out(context: Context) -> Iterator[Finding]:
    for entry in context.entries:
        stay = entry.stay
        if stay is None or stay.ended_how in BY_A_PERSON:
            continue
        last = entry.wears[-1] if entry.wears else None
        over = last is not None and context.heard_until_us - last.ended_us > GONE_US
        if not (stay.ended_how == "incident_closed" or over):
            continue
        tally = stay.tallies[-1]
        words = [word for word in context.book.unmatched if _may_mean(word, stay)]
        yield Finding(
            "not_tallied_out",
            "caution",
            tally.set_id,
            last.wear_id if last else None,
            stay.in_us,
            stay.ended_us if stay.ended_us is not None else tally.ended_us,
            f"{tally.wearer_id} was tallied in with set {tally.set_id} at {clock(stay.in_us)} and never out"
            + (f"; the set was last under air at {clock(last.ended_us)}." if last else ".")
            + "".join(
                f" Desk {word.desk_id} tallied out {word.row['wearer_id']} with that set at "
                f"{clock(word.from_us)}, who was not in."
                for word in words
            ),
            unique([stay.tallies[0].in_identity, *(word.identity for word in words)]),
        )


def _may_mean(word: TallyWord, stay: Stay) -> bool:
    """Return whether an `out` of somebody not in names the set of somebody who is in, and never out."""
    if word.repeats or stay.ended_how in BY_A_PERSON:
        return False
    tally = stay.tallies[-1]
    return tally.set_id == word.row["set_id"] and 0 <= word.from_us - tally.in_us < FORGOTTEN_AFTER_US


def _after_out(context: Context) -> Iterator[Finding]:
    for entry in context.entries:
        out_us, until_us = entry.tallied_out_us, entry.under_air_until_us
        if out_us is None or until_us is None or entry.stay is None:
            continue
        last = entry.wears[-1]
        used, stood = "was used", ""
        if last.used_until_us != until_us:
            used, stood = "may have been used", f" (its gauge stood at {last.last_bar:.0f} bar: it may hang)"
        yield finding(
            "under_air_after_out",
            "caution",
            last,
            (out_us, until_us),
            f"{entry.wearer_id} was tallied out at {clock(out_us)}, and air of set {last.set_id} {used} "
            f"until {clock(until_us)}{stood}, {lasting((until_us - out_us) * 1e-6)} longer: either the "
            "wearer breathed on outside, or somebody else came out. What counts from the tally out, such as "
            "how late the turn was, may be too short.",
            [entry.stay.ended_by or last.identity(0), last.identity(-1)],
        )


def _without_air(context: Context) -> Iterator[Finding]:
    """Find wearers who by the tally were in with an empty cylinder, or long after the valve was shut."""
    by_wear = {one.wear.wear_id: one for one in context.examined}
    for entry in context.entries:
        wear = entry.without_air
        said_us = entry.ended_us if entry.ended_us is not None else entry.left_us
        if wear is None or entry.stay is None or said_us is None:
            continue
        from_us = shut_us(wear)
        seconds = (said_us - from_us) * 1e-6
        until = f"{THEN[entry.ended_how]} at {clock(said_us)}, {lasting(seconds)} later"
        if entry.ended_us is None:
            until = (
                f"nobody said out in the {lasting(seconds)} until {clock(said_us)}, the last that is known"
            )
        elif entry.ended_how == "incident_closed":
            until = f"nobody said out, and the {until}"
        after = wear.following
        proof = [wear.identity(-1), *([after.identity] if after is not None else [])]
        proof += [entry.stay.ended_by] if entry.stay.ended_by is not None else []
        last = f"last under air at {clock(wear.ended_us)} with {wear.last_bar:.0f} bar"
        if ran_empty_inside(entry) is wear:
            if after is not None and after.pressure_bar is not None:
                last += f", {after.pressure_bar:.0f} bar at {clock(after.at_us)}"
            silence = next(
                (gap for gap in by_wear[wear.wear_id].gaps if gap.started_us > wear.ended_us), None
            )
            heard = ""
            if silence is not None:
                heard = (
                    f" The last message of set {wear.set_id} is of {clock(silence.started_us)}; nothing was "
                    f"heard of it in the {lasting(silence.seconds)} after that."
                )
            left = "was shut with next to nothing left"
            if wear.last_bar > 2.0 * CLOSED_BELOW_BAR:
                left = "its valve was shut (how much was left was not heard)"
            yield finding(
                "cylinder_empty_inside",
                "serious" if seconds >= context.profile.link.silence_serious_s else "caution",
                wear,
                (from_us, said_us),
                f"By the tally {entry.wearer_id} was in, and the cylinder of set {wear.set_id} was empty, or "
                f"{left}: {last}; {until}.{_still(wear, said_us, context)}{heard} "
                "What the wearer breathed is not in this record.",
                [*proof, *([silence.before_identity] if silence is not None else [])],
            )
        elif not wear.ran_empty and seconds > OUTSIDE_US * 1e-6 and entry.ended_how in BY_A_PERSON:
            statement = (
                f"The valve of set {wear.set_id} was shut while by the tally {entry.wearer_id} was in: "
                f"{last}; {until}. No reading shows what was breathed then: the desk wrote late, or the "
                "wearer breathed from another set, without a set, or not at all."
            )
            yield finding("valve_shut_before_out", "note", wear, (from_us, said_us), statement, proof)


def _still(wear: Wear, until_us: int, context: Context) -> str:
    """Say from when to when the set's motion readings show no motion, up to the last of them."""
    still = stillness(wear, context.profile, until_us)
    if still is None:
        return ""
    at_us, still_s = int(still[0][-1]), float(still[1][-1])
    if not still_s >= wear.thresholds.no_motion_alarm_s:
        return ""
    return (
        f" Its motion readings show no motion from {clock(at_us - round(still_s * 1e6))} to {clock(at_us)}, "
        "the last of them."
    )


def _two_sets(doubled: Sequence[tuple[TallyEntry, TallyEntry]]) -> Iterator[Finding]:
    for tally, other in doubled:
        twice = f"for two incidents at once, {tally.incident_id} and {other.incident_id}"
        if tally.set_id != other.set_id:
            apart = tally.incident_id != other.incident_id
            of = [f"{one.set_id} in {one.incident_id}" if apart else one.set_id for one in (tally, other)]
            twice = f"with two sets at once, {' and '.join(of)}"
        yield finding(
            "one_wearer_two_sets" if tally.set_id != other.set_id else "one_wearer_two_incidents",
            "caution",
            other.set_id,
            (other.in_us, min(tally.ended_us, other.ended_us)),
            f"{tally.wearer_id} was tallied in {twice}, from {clock(other.in_us)}: one of the two tallies is "
            "wrong, or nobody tallied the wearer out in between.",
            (tally.in_identity, other.in_identity),
        )


def _two_wearers(context: Context) -> Iterator[Finding]:
    for shared in context.book.shared:
        first, second = shared.first, shared.second
        yield finding(
            "two_wearers_one_set",
            "caution",
            second.set_id,
            (
                shared.from_us,
                min(first.ended_us, second.ended_us) if first.ended_us > shared.from_us else second.ended_us,
            ),
            f"{second.wearer_id} was tallied in with set {second.set_id} at {clock(shared.from_us)}, while "
            f"{first.wearer_id} had been in with it since {clock(first.in_us)}; nobody had tallied "
            f"{first.wearer_id} out. The readings do not show who wore it.",
            (first.in_identity, second.in_identity),
        )


def _one_after_the_other(context: Context) -> Iterator[Finding]:
    """Find the wears during which a set was tallied to several people in turn."""
    both = {frozenset((one.first.in_identity, one.second.in_identity)) for one in context.book.shared}
    for one in context.examined:
        wear, holder = one.wear, one.wear.tally
        if holder is None:
            continue
        others = [
            tally
            for tally in context.book.tallies
            if tally.set_id == wear.set_id
            and tally.wearer_id != holder.wearer_id
            and tally.spans
            and frozenset((tally.in_identity, holder.in_identity)) not in both
            and max(min(last, wear.ended_us) - max(first, wear.started_us) for first, last in tally.spans)
            >= NEVER_HEARD_US
        ]
        if others:
            of_all = sorted([holder, *others], key=lambda tally: (tally.in_us, tally.in_identity))
            names = " and then ".join(dict.fromkeys(str(tally.wearer_id) for tally in of_all))
            people = "two people" if len(others) == 1 else "several people"
            yield finding(
                "two_wearers_one_set",
                "caution",
                wear,
                wear.span_us,
                f"Set {wear.set_id} was under air from {clock(wear.started_us)} to {clock(wear.ended_us)} "
                f"without a shut valve, while first {names} was in with it: one wear of {people}. All of it "
                f"counts for {holder.wearer_id}. The readings do not show who used how much of its air.",
                [holder.in_identity, *(tally.in_identity for tally in others)],
            )


def _corrected(context: Context) -> Iterator[Finding]:
    outs = {one.in_identity: one.out_identity for one in context.book.tallies if one.out_identity is not None}
    words = {one.identity: one for one in context.book.words}
    for old, new in context.book.corrected:
        out = words.get(outs.get(new.identity, ""))
        slip = out if out is not None and out.row["wearer_id"] != new.row["wearer_id"] else None
        yield finding(
            "tally_corrected",
            "note",
            str(new.row["set_id"]),
            (old.from_us, new.said_us),
            f"Desk {new.desk_id} corrected a tally at {clock(new.said_us)}: {old.said} at "
            f"{clock(old.said_us)} became {new.said}, from {clock(new.from_us)} on. Until then the desk's "
            "screen showed the earlier one."
            + (
                f" {slip.row['wearer_id']} was tallied out with that set at {clock(slip.from_us)}: that "
                f"counts for {new.row['wearer_id']}."
                if slip
                else ""
            ),
            (new.identity, old.identity, *([slip.identity] if slip else [])),
        )


def _out_of_nobody(context: Context) -> Iterator[Finding]:
    for word in context.book.unmatched:
        if word.repeats:
            continue
        who = word.row["wearer_id"]
        meant = [one.stay for one in context.entries if one.stay is not None and _may_mean(word, one.stay)]
        yield finding(
            "out_of_nobody",
            "caution",
            str(word.row["set_id"]),
            (word.from_us, word.said_us),
            f"Desk {word.desk_id} tallied out {who} with set {word.row['set_id']} at "
            f"{clock(word.from_us)}, but by the record {who} was not in. This ended no entry."
            + "".join(
                f" {one.wearer_id} was tallied in with that set at {clock(one.in_us)} and never out."
                for one in meant
            ),
            [word.identity, *(one.tallies[0].in_identity for one in meant)],
        )


def _without_wear(context: Context) -> Iterator[Finding]:
    for entry in context.entries:
        if entry.stay is None or entry.wears:
            continue
        tally = entry.stay.tallies[-1]
        until_us = min(entry.stay.ended_us or tally.ended_us, max(context.heard_until_us, entry.stay.in_us))
        if until_us - entry.stay.in_us < NEVER_HEARD_US:
            continue
        yield finding(
            "tallied_without_wear",
            "caution",
            tally.set_id,
            (entry.stay.in_us, until_us),
            f"{entry.wearer_id} was tallied in with {' and '.join(f'set {each}' for each in entry.set_ids)} "
            f"at {clock(entry.stay.in_us)}, and no time under air belongs to that entry."
            + _worn_by_another(context, entry, until_us)
            + pressures_refused(context.refused, entry.set_ids),
            (entry.stay.tallies[0].in_identity,),
        )


def _worn_by_another(context: Context, entry: Entry, until_us: int) -> str:
    """Say for whom the wear of the set in that time counts."""
    for one in context.examined:
        wear, tally = one.wear, one.wear.tally
        meanwhile = (
            wear.set_id in entry.set_ids and wear.started_us < until_us and wear.ended_us > entry.began_us
        )
        if meanwhile and tally is not None and tally.wearer_id == entry.wearer_id:
            return (
                f" Set {wear.set_id} was under air from {clock(wear.started_us)} to {clock(wear.ended_us)}: "
                f"that wear counts for the entry in {tally.incident_id}."
            )
        if meanwhile and tally is not None:
            return (
                f" Set {wear.set_id} was under air from {clock(wear.started_us)} to {clock(wear.ended_us)}: "
                f"that wear counts for {tally.wearer_id}, who was in with it too."
            )
    return ""


def _never_heard(context: Context) -> Iterator[Finding]:
    """Find sets that were tallied in and never heard: another set was worn, or the radio did not reach."""
    with_wear = {one.wear.tally.in_identity for one in context.examined if one.wear.tally is not None}
    of_set = by_set(context.sets)
    for tally in context.book.tallies:
        until_us = min(tally.ended_us, context.heard_until_us)
        if tally.in_identity in with_wear or until_us - tally.in_us < NEVER_HEARD_US:
            continue
        if any(_spoke(power_up, tally.in_us, until_us) for power_up in of_set.get(tally.set_id, ())):
            continue
        refused = _refused_of(context.refused, tally.set_id, tally.in_us, until_us)
        nothing = "no message of that set was heard"
        if refused.height:
            nothing = (
                f"every message of that set was refused ({refused.height:,} received; the first: "
                f"{refused['reason'][0]})"
            )
        yield finding(
            "set_only_refused" if refused.height else "set_never_heard",
            "caution" if refused.height else "note",
            tally.set_id,
            (tally.in_us, until_us),
            f"{tally.wearer_id} was tallied in with set {tally.set_id} at {clock(tally.in_us)}, and in the "
            f"{lasting((until_us - tally.in_us) * 1e-6)} that followed {nothing}: "
            "air, alarms and heat are unknown.",
            (tally.in_identity,),
        )


def _refused_of(refused: pl.DataFrame, set_id: str, from_us: int, until_us: int) -> pl.DataFrame:
    if refused.is_empty():
        return refused
    own = refused.filter((pl.col("role") == "set") & (pl.col("speaker") == set_id))
    received_us = micros(own["received"])
    return own.filter(pl.Series((received_us >= from_us) & (received_us <= until_us), dtype=pl.Boolean))


def _spoke(power_up: PowerUp, from_us: int, until_us: int) -> bool:
    return any(
        bool(np.any((channel.at_us >= from_us) & (channel.at_us <= until_us) & ~channel.retained))
        for channel in power_up.channels.values()
    )
