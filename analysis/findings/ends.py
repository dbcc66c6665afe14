"""Silence that no reading ended: it lasts until the set is heard again or a person says what happened.

If a set was not heard, nobody knows that its wearer left. So the air is over only if the valve was heard to
close. Otherwise the wearer left at the latest when a desk said so; if none did, at the earliest when a desk
last spoke of the incident.
"""

import itertools
import sys
from collections.abc import Mapping, Sequence

import numpy as np

from analysis.clocks.links import Gap, silent_after_s, usual_interval_s
from analysis.findings.examined import Examined
from analysis.records import PowerUp
from analysis.refused import refused_between
from analysis.wears.entries import Entry
from analysis.wears.gauges import VoiceGauge
from analysis.wears.wears import Message, Wear

NEVER_HEARD_US = 60 * 1_000_000
"""So long must somebody be in, and a silence outside a wear last, to count. Our own rule."""
EMPTY_US = 60 * 1_000_000
"""Somebody tallied out so soon after the last breath may have shut the valve outside. Our own rule."""
THEN = {
    "tallied_out": "tallied out",
    "resolved": "settled by a person",
    "incident_closed": "incident closed",
    "open": "nobody said that the wearer was out",
}


def close_ends(
    entries: Sequence[Entry],
    examined: Sequence[Examined],
    sets: Mapping[str, Sequence[PowerUp]],
    gauges: Sequence[VoiceGauge],
) -> None:
    """Give every entry the moment when its wearer left, and its silences at the ends of wears.

    - `entries` and `examined`: of the same wears; both are completed.
    - `sets`: what each set said, with reconciled times.
    - `gauges`: read by voice.
    """
    by_wear = {one.wear.wear_id: one for one in examined}
    spoken = _last_spoken(entries, gauges)
    for entry in entries:
        _say_when_left(entry, by_wear, spoken[entry.incident_id or ""])
        for place, wear in enumerate(entry.wears):
            following = next(
                (one for one in entry.wears[place + 1 :] if one.started_us > wear.ended_us), None
            )
            _close(entry, by_wear[wear.wear_id], following)
        _after_empty(entry, by_wear, sets)
        own = [one for set_id in entry.set_ids for one in sets.get(set_id, ())]
        entry.unheard_apart_s = _unheard_apart_s(entry, by_wear, own)


def give_not_due(entries: Sequence[Entry], examined: Sequence[Examined]) -> None:
    """Give every entry the last moment at which turn-back was not due, if a silence or a hang followed."""
    hung = {one.wear.wear_id: one.hung_us for one in examined}
    for entry in entries:
        entry.not_due_us, by = _not_due(entry, entries, hung)
        entry.not_due_by = "" if by is entry or by is None else by.wearer_id or by.set_ids[-1]


def _not_due(
    entry: Entry, entries: Sequence[Entry], hung: Mapping[str, list[tuple[int, int]]]
) -> tuple[int | None, Entry | None]:
    """Return the last moment at which the team's turn-back was not due, and of whom nothing was known then.

    Both are None if no silence and no hang followed. What a member may have reached in a silence counts
    like a reading: the team turns with its lowest member.
    """
    due_us = entry.team_turn_back_us
    if due_us is None:
        return None, None
    reached: list[tuple[int, Entry | None]] = []
    since_us, until_us = entry.span_of(0)[0], entry.until_us
    for one in entries:
        together_us = entry.together_since(one, due_us)
        if together_us is None:
            continue
        began_us = one.entered_us
        for charge, moment in zip(one.charges, one.moments.get(one.policy, ()), strict=False):
            # A policy that names no pressure knows the moment without a reading.
            if (
                moment.at_us is not None
                and moment.leave_bar is not None
                and since_us <= moment.at_us <= until_us
            ):
                hung_us = [span for wear in charge.wears for span in hung[wear.wear_id]]
                first_us = charge.unseen_since(moment.at_us, one.gauges, began_us, hung_us) or moment.at_us
                reached.append((max(first_us, together_us), one))
            began_us = charge.wears[-1].ended_us if charge.wears else began_us
        if one.as_last_heard is not None and since_us <= one.as_last_heard[1] <= until_us:
            reached.append((one.as_last_heard[0], one))
    first_us, by = min(reached, key=lambda one: one[0], default=(due_us, None))
    first_us = max(first_us, entry.entered_us)
    return (first_us, by) if first_us < due_us else (None, None)


def _last_spoken(entries: Sequence[Entry], gauges: Sequence[VoiceGauge]) -> dict[str, int]:
    """Return by incident the last moment of which anything is known, whatever else was read."""
    known: dict[str, list[int]] = {}
    for entry in entries:
        moments = [entry.began_us, entry.last_heard_us, entry.ended_us]
        moments += [tally.in_us for tally in entry.stay.tallies] if entry.stay is not None else []
        known.setdefault(entry.incident_id or "", []).extend(each for each in moments if each is not None)
    for gauge in gauges:
        if gauge.incident_id in known:
            known[gauge.incident_id].append(gauge.at_us)
    return {name: max(moments) for name, moments in known.items()}


def _say_when_left(entry: Entry, by_wear: Mapping[str, Examined], spoken_us: int) -> None:
    last = entry.wears[-1] if entry.wears else None
    said_us = entry.ended_us if entry.ended_how in ("tallied_out", "resolved") else None
    if said_us is not None and last is not None and entry.wears[0].started_us < said_us <= last.ended_us:
        entry.left_us, entry.left_bound = said_us, ""
    elif last is not None and last.closed_in_order:
        late = [gap.ended_us for gap in by_wear[last.wear_id].gaps if gap.at_end]
        entry.left_us, entry.left_bound = (late[-1], "at most") if late else (last.ended_us, "")
    elif said_us is not None:
        entry.left_us, entry.left_bound = said_us, "at most"
    elif entry.stay is not None:
        word_us = entry.ended_us if entry.ended_us is not None else spoken_us
        entry.left_us, entry.left_bound = max(word_us, entry.last_heard_us or word_us), "at least"
    else:
        entry.left_us, entry.left_bound = entry.last_heard_us, "at least"


def _close(entry: Entry, one: Examined, following: Wear | None) -> None:
    """Let the silence after a wear go on until the set's next wear, or until the wearer left."""
    wear, usual_s = one.wear, usual_interval_s(one.wear.at_us)
    if wear.ended_how in ("closed", "changed"):
        return
    until_us = following.started_us if following is not None else entry.left_us or wear.ended_us
    known = next((gap for gap in one.gaps if gap.at_end), None)
    if (until_us - wear.ended_us) * 1e-6 <= silent_after_s(usual_s or 1.0):
        return
    if known is not None and known.ended_us >= until_us:
        return
    refused = refused_between(wear.power_up, (int(wear.seq[-1]), sys.maxsize), (wear.ended_us, until_us))
    longer = _silence(entry, wear, wear.message(-1), until_us, refused, following)
    one.gaps[:] = [*(gap for gap in one.gaps if not gap.at_end), longer]


def _silence(
    entry: Entry, wear: Wear, last: Message, until_us: int, refused: int, following: Wear | None = None
) -> Gap:
    """Return the silence after the last message of a wear's set."""
    identity: str | None = None
    then = THEN["open"]
    if following is not None:
        then, identity = f"{following.first_bar:.0f} bar", following.identity(0)
    elif entry.left_us == entry.ended_us or entry.ended_us is None:
        then, identity = THEN[entry.ended_how], entry.stay.ended_by if entry.stay is not None else None
    ends = last.identity, identity or last.identity
    return Gap(wear, last.at_us, until_us, None, refused, *ends, at_end=True, then=then)


def ran_empty_inside(entry: Entry) -> Wear | None:
    """Return the last wear of an entry if its cylinder was empty and nobody said out soon after."""
    wear = entry.without_air
    if wear is None or not wear.ran_empty or entry.left_us is None:
        return None
    return wear if entry.left_us - shut_us(wear) >= EMPTY_US else None


def shut_us(wear: Wear) -> int:
    """Return when a wear's cylinder was first heard to be empty, or its valve shut."""
    return wear.following.at_us if wear.following is not None else wear.ended_us


def _after_empty(
    entry: Entry, by_wear: Mapping[str, Examined], sets: Mapping[str, Sequence[PowerUp]]
) -> None:
    """Let the silence after the last message of an empty set go on until its wearer left."""
    wear = ran_empty_inside(entry)
    if wear is None or entry.left_us is None:
        return
    heard = [
        (int(channel.at_us[position]), int(channel.seq[position]), power_up)
        for power_up in sets[wear.set_id]
        for channel in power_up.channels.values()
        for position in np.flatnonzero(~channel.retained & (channel.at_us <= entry.left_us))[-1:]
    ]
    last_us, seq, power_up = max(heard, key=lambda one: one[0])
    if (entry.left_us - last_us) * 1e-6 <= silent_after_s(usual_interval_s(wear.at_us) or 1.0):
        return
    refused = refused_between(power_up, (0, sys.maxsize), (last_us, entry.left_us))
    silence = _silence(
        entry, wear, Message(seq, last_us, power_up.identity(seq), None), entry.left_us, refused
    )
    gaps = by_wear[wear.wear_id].gaps
    gaps[:] = [*(gap for gap in gaps if gap.started_us <= wear.ended_us), silence]


def _unheard_apart_s(entry: Entry, by_wear: Mapping[str, Examined], power_ups: Sequence[PowerUp]) -> float:
    """Return how long its sets were not heard at all before, between and after its wears, while it was open.

    What counts as a silence of a wear, or as between two wears of one cylinder, is left out.
    """
    until_us = entry.ended_us or entry.left_us
    if entry.tallied_in_us is None or until_us is None:
        return 0.0
    known = [(wear.started_us, wear.ended_us) for wear in entry.wears]
    for wear in entry.wears:
        known += [(gap.started_us, gap.ended_us) for gap in by_wear[wear.wear_id].gaps if gap.at_end]
    for charge in entry.charges:
        known += [(one.ended_us, then.started_us) for one, then in itertools.pairwise(charge.wears)]
    channels = [channel for power_up in power_ups for channel in power_up.channels.values()]
    total_us, from_us = 0, entry.tallied_in_us
    for first_us, last_us in [*sorted(known), (until_us, until_us)]:
        end_us = min(first_us, until_us)
        heard: set[int] = set()
        for channel in channels:
            first, last = channel.at_us.searchsorted((from_us + 1, end_us)).tolist()
            heard.update(channel.at_us[first:last][~channel.retained[first:last]].tolist())
        silent_us = np.diff([from_us, *sorted(heard), max(end_us, from_us)])
        total_us += int(silent_us[silent_us >= NEVER_HEARD_US].sum())
        from_us = max(from_us, last_us)
    return total_us * 1e-6
