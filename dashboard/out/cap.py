"""An event of the live board as an alert of the Common Alerting Protocol (OASIS, CAP 1.2, 2010).

Section numbers are those of the standard. Scope is Private: an alert names an incident and a set, which is
nobody's business but the addressee's.
"""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime
from xml.etree import ElementTree

from dashboard.out.state import Event

NAMESPACE = "urn:oasis:names:tc:emergency:cap:1.2"
# What a receiver shows. The standard defines the words (3.2.2); which event has which is our own rule.
_INFO = {
    "distress": ("Wearer in distress", "Immediate", "Extreme"),
    "no_motion": ("Wearer not moving", "Immediate", "Extreme"),
    "not_accounted": ("Wearer not accounted for", "Immediate", "Severe"),
    "evacuate": ("Evacuate alarm at a set", "Immediate", "Severe"),
}
_CAUTION = "underair does not replace the set's own alarms, entry control or radio. Check with entry control."


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
    root = ElementTree.Element("alert", xmlns=NAMESPACE)

    def say(parent: ElementTree.Element, name: str, text: str) -> None:
        ElementTree.SubElement(parent, name).text = text

    ended = event.state == "ended"
    say(root, "identifier", _identifier(event, event.state))
    say(root, "sender", sender)
    say(root, "sent", _moment(sent))
    say(root, "status", "Exercise" if exercise else "Actual")
    say(root, "msgType", "Cancel" if ended else "Alert")
    say(root, "scope", "Private")
    say(root, "addresses", addresses)
    if ended:
        began = _identifier(event, "raised")
        say(root, "references", f"{sender},{began},{_moment(first_sent or sent)}")
    if event.incident_id is not None:
        say(root, "incidents", event.incident_id)
    info = ElementTree.SubElement(root, "info")
    say(info, "language", "en-GB")
    say(info, "category", "Rescue")
    say(info, "event", headline)
    say(info, "urgency", "Past" if ended else urgency)
    say(info, "severity", severity)
    say(info, "certainty", "Likely" if event.derived else "Observed")
    say(info, "onset", _moment(datetime.fromtimestamp(event.at, UTC)))
    say(info, "headline", f"{headline}: {event.wearer_id or event.set_id}")
    say(info, "description", _CAUTION)
    for name, value in (("set_id", event.set_id), ("wearer_id", event.wearer_id)):
        if value is not None:
            parameter = ElementTree.SubElement(info, "parameter")
            say(parameter, "valueName", name)
            say(parameter, "value", value)
    written: bytes = ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)
    return written


def _identifier(event: Event, state: str) -> str:
    return f"underair.{hashlib.sha256(f'{event.key} {state}'.encode()).hexdigest()[:24]}"


def _moment(moment: datetime) -> str:
    """Return a CAP time (3.3.2): whole seconds and a numeric offset, never Z."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S-00:00")
