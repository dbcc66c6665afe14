"""Events as alerts of the Common Alerting Protocol, by the standard's own schema."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import msgspec
import pytest

from dashboard.out import cap
from dashboard.out.state import Event


def distress(**told: Any) -> Event:
    event = Event("k", "distress", "raised", 1.0, 1.0, "demo", "S-1", "W-07", "I-1", False)
    return msgspec.structs.replace(event, **told)


@pytest.mark.parametrize("what", ["distress", "no_motion", "not_accounted", "evacuate", "evacuate_ordered"])
@pytest.mark.parametrize("state", ["raised", "ended"])
def test_an_alert_keeps_the_standard(what: Any, state: Any, standard: Any) -> None:
    """OASIS Common Alerting Protocol 1.2 (2010), sections 3.2 and 3.3."""
    sent = datetime(2031, 5, 4, 19, 53, 7, tzinfo=UTC)
    written = cap.alert(
        distress(what=what, state=state, wearer_id="W<&>07"), "c1@x.example", "control", sent, exercise=True
    )
    standard.validate(written.decode())
    told: Any = standard.to_dict(written.decode())
    assert told["msgType"] == ("Alert" if state == "raised" else "Cancel")
    assert told["status"] == "Exercise"
    assert "W<&>07" in told["info"][0]["headline"]


def test_the_schema_beside_refuses_what_the_standard_forbids(standard: Any) -> None:
    from xmlschema import XMLSchemaValidationError

    sent = datetime(2031, 5, 4, 19, 53, 7, tzinfo=UTC)
    good = cap.alert(distress(), "c1@x.example", "control", sent).decode()
    for right, wrong in [
        ("<status>Actual", "<status>Real"),
        ("-00:00</sent>", "Z</sent>"),
        ("<urgency>Immediate</urgency>", ""),
        ("<category>Rescue", "<category>Air"),
    ]:
        assert right in good
        with pytest.raises(XMLSchemaValidationError):
            standard.validate(good.replace(right, wrong))


def test_the_end_of_an_alert_refers_to_its_beginning(standard: Any) -> None:
    first, last = datetime(2031, 5, 4, 19, 53, tzinfo=UTC), datetime(2031, 5, 4, 19, 59, tzinfo=UTC)
    began: Any = standard.to_dict(cap.alert(distress(), "c1", "control", first).decode())
    ended: Any = standard.to_dict(
        cap.alert(distress(state="ended"), "c1", "control", last, first_sent=first).decode()
    )
    assert ended["references"] == f"c1,{began['identifier']},{began['sent']}"
    with pytest.raises(ValueError, match="no spaces"):
        cap.alert(distress(), "c 1", "control", first)
