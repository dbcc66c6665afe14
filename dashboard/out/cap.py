"""An event of the live board as an alert of the Common Alerting Protocol (OASIS, CAP 1.2, 2010).

Section numbers are those of the standard. Scope is Private: an alert names an incident and a set, which is
nobody's business but the addressee's.
"""

import hashlib
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import jinja2

from dashboard.out.state import Event

# What a receiver shows. The standard defines the words (3.2.2); which event has which is our own rule.
_INFO = {
    "distress": ("Wearer in distress", "Immediate", "Extreme"),
    "no_motion": ("Wearer not moving", "Immediate", "Extreme"),
    "not_accounted": ("Wearer not accounted for", "Immediate", "Severe"),
    "evacuate": ("Evacuate alarm at a set", "Immediate", "Severe"),
    "evacuate_ordered": ("Evacuation ordered", "Immediate", "Severe"),
}


def alert(
    event: Event,
    sender: str,
    addresses: str,
    sent: datetime,
    *,
    first_sent: datetime | None = None,
    exercise: bool = False,
) -> bytes:
    """Return the alert as XML in UTF-8.

    - `event`: its end becomes a ``Cancel`` of the alert of its beginning.
    - `sender`: who sends it; no spaces or commas (3.2.1).
    - `addresses`: whom it is for: names divided by spaces.
    - `sent`: aware.
    - `first_sent`: when the alert of the beginning was sent: an end refers to it.
    - `exercise`: ``Exercise`` instead of ``Actual``.

    Raises `ValueError` when `sender` is no CAP identifier.
    """
    if not sender or set(sender) & set(" ,<&"):
        raise ValueError(f"a CAP sender has no spaces, commas, < or &, got {sender!r}")
    headline, urgency, severity = _INFO[event.what]
    made = _template().render(
        event=event,
        ended=event.state == "ended",
        identifier=_identifier(event, event.state),
        began=_identifier(event, "raised"),
        sender=sender,
        addresses=addresses,
        sent=sent,
        first_sent=first_sent or sent,
        onset=datetime.fromtimestamp(event.at, UTC),
        exercise=exercise,
        headline=headline,
        urgency=urgency,
        severity=severity,
    )
    return made.encode()


@cache
def _template() -> jinja2.Template:
    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True)
    environment.filters["moment"] = _moment
    return environment.from_string(Path(__file__).with_name("cap.xml.j2").read_text(encoding="utf-8"))


def _identifier(event: Event, state: str) -> str:
    return f"underair.{hashlib.sha256(f'{event.key} {event.began_at:.3f} {state}'.encode()).hexdigest()[:24]}"


def _moment(moment: datetime) -> str:
    """Return a CAP time (3.3.2): whole seconds and a numeric offset, never Z."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S-00:00")
