"""Alarms as the sets reported them: messages to intervals, tolerant of loss, repeats and reordering.

Messages are read in `seq` order within one power-up, so that reordering on the way does not matter. A set
may repeat `raised` while the alarm is active; that is one alarm. A `raised` after a person resolved the
alarm, or over a minute after its last word, is another. So is one after an acknowledged alarm with messages
lost before it: the first one's `cleared` was lost. A lost `raised` is inferred from an `acknowledged`, and
from a `cleared` when messages were lost before it; that is said in a finding. An `acknowledged` that follows
a `cleared` with nothing lost between belongs to the alarm that was cleared.
Retained copies open and close nothing. A power-up's end leaves active alarms without `cleared`.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

from analysis.records import Channel, PowerUp, lost_between
from analysis.wears.corrections import Settlement

REPEATED_WITHIN_US = 60 * 1_000_000
"""A set that repeats `raised` does so at least this often. Our own rule."""


@dataclass(slots=True)
class Reported:
    """One alarm of one set, microseconds since 1970 on the reconciled clock."""

    set_id: str
    boot: int
    alarm: str
    raised_us: int  # when it was raised; with `inferred`, the latest moment at which it can have been
    inferred: bool = False  # the `raised` itself was never heard
    acknowledged_us: int | None = None
    cleared_us: int | None = None
    # It was raised again with messages lost before that: its `cleared` must have been among them.
    clear_lost: bool = False
    detail: str | None = None
    heard_us: int = 0  # when the first of its messages was received
    last_us: int = 0  # when it was last spoken of
    evidence: list[str] = field(default_factory=list)  # identities of its messages


def reported_alarms(records: Sequence[PowerUp], resolved: Sequence[Settlement] = ()) -> list[Reported]:
    """Return every alarm that sets reported, by set and time; `resolved`: by desks."""
    found: list[Reported] = []
    for power_up in records:
        channel = power_up.channels.get("alarm") if power_up.role == "set" else None
        if channel is not None:
            own = [word for word in resolved if word.set_id == power_up.name]
            found += _of_power_up(power_up, channel, own)
    return sorted(found, key=lambda one: (one.set_id, one.raised_us, one.alarm, one.boot))


def _of_power_up(power_up: PowerUp, channel: Channel, resolved: Sequence[Settlement]) -> list[Reported]:
    found: list[Reported] = []
    standing: dict[str, Reported] = {}
    before: dict[str, list[Reported]] = {}  # raised again with nothing lost: the same `cleared` ends them
    over: dict[str, Reported] = {}
    last_heard: dict[str, int] = {}
    order = sorted(range(len(channel)), key=lambda position: int(channel.seq[position]))
    for position in order:
        if channel.retained[position]:
            continue
        row, seq = channel.rows[position], int(channel.seq[position])
        at_us, alarm, state = int(channel.at_us[position]), row["alarm"], row["state"]
        one = standing.get(alarm)
        if one is not None and state == "raised":
            one.clear_lost = _lost_before(power_up, last_heard[alarm], seq) and _clear_lost(one, at_us)
            if one.clear_lost or _is_another(one, resolved, at_us):
                if not one.clear_lost:
                    before.setdefault(alarm, []).append(one)
                one = None
        if one is None and state == "acknowledged" and not _lost_before(power_up, last_heard.get(alarm), seq):
            one = over.get(alarm)
        if one is None:
            if state == "cleared" and not _lost_before(power_up, last_heard.get(alarm), seq):
                last_heard[alarm] = seq
                continue  # a set that says at power-up that all is clear
            one = Reported(power_up.name, power_up.boot, alarm, at_us, inferred=state != "raised")
            one.heard_us = int(channel.received_us[position])
            standing[alarm] = one
            found.append(one)
        one.evidence.append(power_up.identity(seq))
        one.detail = one.detail or row["detail"]
        if state == "acknowledged" and one.acknowledged_us is None:
            one.acknowledged_us = at_us
        elif state == "cleared":
            one.cleared_us = at_us
            for earlier in before.pop(alarm, ()):
                earlier.cleared_us = at_us
            over[alarm] = standing.pop(alarm)
        one.last_us = at_us
        last_heard[alarm] = seq
    return found


def _is_another(one: Reported, resolved: Sequence[Settlement], at_us: int) -> bool:
    """Return whether a `raised` while an alarm is active begins another, which nobody has answered yet.

    A set that repeats `raised` does so soon; and what a person resolved is over. Our own rule.
    """
    settled = any(
        word.alarm in (one.alarm, None) and one.raised_us <= word.at_us < at_us for word in resolved
    )
    return settled or at_us - one.last_us > REPEATED_WITHIN_US


def _clear_lost(one: Reported, at_us: int) -> bool:
    """Return whether, with messages lost before a `raised`, the alarm's `cleared` may be among them.

    A set repeats `raised` until somebody acknowledges it. Our own rule.
    """
    return one.acknowledged_us is not None or at_us - one.last_us > REPEATED_WITHIN_US


def _lost_before(power_up: PowerUp, last_heard: int | None, seq: int) -> bool:
    first = int(power_up.seqs[0]) - 1 if last_heard is None else last_heard
    return lost_between(power_up, max(first, 0), seq) > 0 if seq > first + 1 else False
