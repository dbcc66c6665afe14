"""Who came out, when, with how much air, and until when the profile's rules ask for rest."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from msgspec.structs import replace

from analysis.live.rows import Out
from analysis.profile import Rest
from analysis.trends.rest import rules_in_force
from analysis.wears.wears import Wear


def at_exit(wears: Sequence[Wear], out_us: int) -> tuple[float | None, float | None]:
    """Return the last pressure (bar) and the seconds under air up to a person's exit; None without a wear.

    - `wears`: of the entry, in order of time; its set may have been heard under air afterwards.
    - `out_us`: the exit, microseconds since 1970.
    """
    before = [wear for wear in wears if wear.started_us <= out_us]
    if not before:
        return None, None
    last = before[-1]
    good = np.flatnonzero(~last.spike & (last.at_us <= out_us))
    under_air_us = sum(min(wear.ended_us, out_us) - wear.started_us for wear in before)
    return float(last.pressure_bar[good[-1]]) if len(good) else last.first_bar, under_air_us * 1e-6


def with_rests(out: Iterable[Out], rules: Rest) -> tuple[Out, ...]:
    """Return who came out, the latest first, each with the longest rest that a rule asks for.

    Cylinders and minutes under air add up over a wearer's exits until a pause as long as the rule's rest.
    Heat and hard breathing are judged in the review only.
    """
    shown = sorted({one.key: one for one in out}.values(), key=lambda one: one.at)
    return tuple(_with_rest(one, shown, rules) for one in reversed(shown))


def _with_rest(out: Out, everybody: list[Out], rules: Rest) -> Out:
    if out.wearer_id is None:  # nobody knows who it was, nor what came before
        return out
    own = [one for one in everybody if one.wearer_id == out.wearer_id and one.at <= out.at]
    longest, source = 0.0, ""
    for rule in rules_in_force(rules).values():
        wears, minutes, before = 0, 0.0, out.at
        for one in reversed(own):
            if before - one.at > 60.0 * rule.rest_min + (one.under_air_s or 0.0) and one is not out:
                break
            wears, minutes, before = wears + 1, minutes + (one.under_air_s or 0.0) / 60.0, one.at
        due = (rule.after_cylinders and wears >= rule.after_cylinders) or (
            rule.after_work_min and minutes >= rule.after_work_min
        )
        if due and rule.rest_min > longest:
            longest, source = rule.rest_min, rule.source
    if not longest:
        return out
    return replace(out, rest_until_at=out.at + 60.0 * longest, rest_source=source)
