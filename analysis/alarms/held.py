"""Which alarms still count: once raised, one leaves the page only when a person has closed it.

It goes when the set cleared it and the desk has seen it, or when a person closed it and said how. A restart,
switching off, silence or a lost `cleared` do not end it: its state is unknown then. Alarms that come and go
(the first stage of no motion), and those that only readings showed, go with their cause, but for the gravest.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from analysis.alarms.alarms import Alarm
from analysis.alarms.kinds import GRAVEST, KINDS
from analysis.records import grouped
from analysis.wears.corrections import Settlement


@dataclass(frozen=True, slots=True)
class HeldAlarm:
    """An alarm that nobody has closed."""

    alarm: Alarm
    ended_us: int | None  # when it was cleared; it waits until somebody has seen it
    unknown_since_us: int | None  # since when nobody knows whether it still is
    repeated: tuple[int, float] | None = None
    """How often it was raised, if more than once, and since when, seconds since 1970."""

    @property
    def code(self) -> str:
        """The kind; of one that is over, with `_ended`."""
        return self.alarm.alarm if self.ended_us is None else f"{self.alarm.alarm}_ended"

    @property
    def at_s(self) -> float:
        """Since when it is on, or over, seconds since 1970."""
        return (self.alarm.raised_us if self.ended_us is None else self.ended_us) * 1e-6


def held_alarms(
    alarms: Sequence[Alarm],
    resolved: Sequence[Settlement],
    as_of_us: int,
    interrupted_us: Sequence[int],
    silent_since_us: int | None,
) -> list[HeldAlarm]:
    """Return the alarms of one set that nobody has closed.

    - `alarms`: of the set, as of now.
    - `resolved`: about the set.
    - `as_of_us`: now.
    - `interrupted_us`: when it was switched off or began a new power-up.
    - `silent_since_us`: since when it is silent.
    """
    found = []
    for one in alarms:
        if one.raised_us > as_of_us or any(_settles(word, one) for word in resolved):
            continue
        if one.reported is None and not KINDS[one.alarm].alone:
            continue
        ended_us = one.cleared_us if one.cleared_us is not None and one.cleared_us <= as_of_us else None
        waits = one.alarm in GRAVEST or (one.reported is not None and not KINDS[one.alarm].passing)
        if ended_us is not None and (_seen(one, alarms) or not waits):
            continue
        broken = min((at for at in interrupted_us if one.last_us < at <= as_of_us), default=None)
        unknown_us = None if ended_us is not None else broken if broken is not None else silent_since_us
        found.append(HeldAlarm(one, ended_us, unknown_us))
    return _latest_of_each(found)


def _settles(word: Settlement, alarm: Alarm) -> bool:
    """Return whether a word settles an alarm: whoever said it had heard of that alarm."""
    known = word.at_us >= alarm.raised_us and word.heard_us >= (alarm.heard_us or 0)
    return known and word.alarm == alarm.alarm


def _seen(alarm: Alarm, alarms: Sequence[Alarm]) -> bool:
    """Return whether a desk has seen it: the page shows one line a kind, so a later one's `seen` counts."""
    return any(
        one.seen_us is not None and one.alarm == alarm.alarm and one.raised_us >= alarm.raised_us
        for one in alarms
    )


def _latest_of_each(held: list[HeldAlarm]) -> list[HeldAlarm]:
    """Keep one of each kind: of those that are on the first, else the newest; it says how often it came."""
    ordered = sorted(held, key=lambda one: one.alarm.raised_us)
    kinds = grouped((one.alarm.alarm, one) for one in ordered)
    return [
        replace(
            next((one for one in of_kind if one.ended_us is None), of_kind[-1]),
            repeated=(len(of_kind), of_kind[0].alarm.raised_us * 1e-6) if len(of_kind) > 1 else None,
        )
        for of_kind in kinds.values()
    ]
