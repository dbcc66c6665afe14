"""Who came out, when, with how much air, and until when the profile's rules ask for rest."""

from __future__ import annotations

from msgspec.structs import replace

from analysis.live.rows import Out
from analysis.profile import Rest
from analysis.trends.rest import rules_in_force


class CameOut:
    """Everybody who was tallied out; the latest word about a wearer and set counts."""

    def __init__(self) -> None:
        self._out: dict[str, Out] = {}

    def take(self, out: Out) -> None:
        """Take one who came out."""
        self._out[out.key] = out

    def take_back(self, incident_id: str, wearer_id: str) -> None:
        """Forget the last exit of a wearer, which a correction took back."""
        own = [
            one for one in self._out.values() if (one.incident_id, one.wearer_id) == (incident_id, wearer_id)
        ]
        if own:
            del self._out[max(own, key=lambda one: one.at).key]

    def close(self, incident_id: str) -> None:
        """Forget an incident that is closed."""
        self._out = {key: one for key, one in self._out.items() if one.incident_id != incident_id}

    def lines(self, rules: Rest) -> tuple[Out, ...]:
        """Return them, the latest first, with the longest rest that a rule asks for.

        Notes
        -----
        Cylinders and minutes under air add up over a wearer's exits until a pause as long as the rule's
        rest. Heat and hard breathing are judged in the review only.
        """
        shown = sorted(self._out.values(), key=lambda one: one.at)
        return tuple(_with_rest(one, shown, rules) for one in reversed(shown))


def _with_rest(out: Out, everybody: list[Out], rules: Rest) -> Out:
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
