"""Who came out, when, with how much air, and until when the profile's rules ask for rest."""

from collections.abc import Iterable
from typing import Any

import numpy as np
from msgspec.structs import replace

from analysis.live.rows import Out
from analysis.profile import Rest
from analysis.trends.planning import rules_in_force
from analysis.wears.entries import Entry

HEARD_S = 30.0
"""A set that was heard so shortly before the exit counts as heard until then. Our own rule."""


def at_exit(entry: Entry, out_us: int) -> dict[str, Any]:
    """Return what was known at a person's exit, as fields of `Out`.

    `pressure_bar`, `pressure_at` and `by_voice` of what was said last, by the set or by voice; `under_air_s`
    as far as it was heard; None where nothing was. `heard_at_exit`: nothing was missed at the end.

    - `out_us`: the exit, microseconds since 1970; the set may have been heard under air afterwards.
    """
    before = [wear for wear in entry.wears if wear.started_us <= out_us]
    known: list[tuple[int, float, bool]] = []
    heard = False
    if before:
        last = before[-1]
        good = np.flatnonzero(~last.spike & (last.at_us <= out_us))
        at = int(good[-1]) if len(good) else 0
        last_us = int(last.at_us[at])
        heard = last.ended_how in ("closed", "changed") or out_us - last_us <= HEARD_S * 1e6
        read_bar = float(last.pressure_bar[at])
        for charge in entry.charges:
            if last in charge.wears and charge.spoken:
                read_us, _, above = charge.readings()
                read_bar = max(read_bar - float(above[read_us.searchsorted(last_us)]), 0.0)
        known.append((last_us, read_bar, False))
    known += [(one.at_us, one.pressure_bar, True) for one in entry.spoken if one.at_us <= out_us]
    at_us, bar, by_voice = max(known, default=(None, None, False))
    under_air_us = sum(min(wear.ended_us, out_us) - wear.started_us for wear in before)
    return {
        "pressure_bar": bar,
        "pressure_at": None if at_us is None else at_us * 1e-6,
        "by_voice": by_voice,
        "heard_at_exit": heard and not by_voice,
        "under_air_s": under_air_us * 1e-6 if before else None,
    }


def with_rests(out: Iterable[Out], rules: Rest) -> tuple[Out, ...]:
    """Return who came out, the latest first, each with the longest rest that a rule asks for.

    Cylinders and minutes under air add up over a wearer's exits until a pause as long as the rule's rest.
    Heat and hard breathing are judged in the review only.
    """
    shown = sorted({one.key: one for one in out}.values(), key=lambda one: one.at)
    return tuple(_with_rest(one, shown, rules) for one in reversed(shown))


def _with_rest(out: Out, everybody: list[Out], rules: Rest) -> Out:
    if out.wearer_id is None or out.perhaps_inside:  # who it was, or whether this is an exit, is not known
        return out
    own = [one for one in everybody if one.wearer_id == out.wearer_id and one.at <= out.at]
    longest, source = 0.0, ""
    for rule in rules_in_force(rules).values():
        wears, minutes, began_at = 0, 0.0, out.at
        for one in reversed(own):
            if began_at - one.at >= 60.0 * rule.rest_min and one is not out:
                break
            work_s = _work_s(one)
            wears, minutes, began_at = wears + 1, minutes + work_s / 60.0, one.at - work_s
        due = (rule.after_cylinders and wears >= rule.after_cylinders) or (
            rule.after_work_min and minutes >= rule.after_work_min
        )
        if due and rule.rest_min > longest:
            longest, source = rule.rest_min, rule.source
    if not longest:
        return out
    return replace(out, rest_until_at=out.at + 60.0 * longest, rest_source=source)


def _work_s(out: Out) -> float:
    """Return the seconds of work: under air; if the end was not heard, all that were inside."""
    return (out.under_air_s or 0.0) if out.heard_at_exit else max(out.inside_s, out.under_air_s or 0.0)
