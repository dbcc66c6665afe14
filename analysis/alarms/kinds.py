"""What each kind of alarm is: its name in a sentence and how much it matters; every rule asks here."""

from dataclasses import dataclass
from typing import Literal, get_args

Gravest = Literal["distress", "no_motion"]
GRAVEST: tuple[Gravest, ...] = get_args(Gravest)
"""About a life: somebody must answer it, and it stays until a person has seen or closed it."""


@dataclass(frozen=True, slots=True)
class AlarmKind:
    """One kind of alarm of a set."""

    named: str  # in the sentence of a finding
    not_raised: Literal["serious", "caution", "note"] = "caution"  # how bad: the readings show it, no message
    in_readings: bool = False  # readings can contradict a set that reports it
    alone: bool = True  # counts where the readings show it and the set never raised it
    about_the_set: bool = False  # not about whoever wears it: alone it is no sign of somebody inside
    own_state: bool = False  # a row of the live page has a state for it
    passing: bool = False  # comes and goes: once over, nobody need see it


KINDS: dict[str, AlarmKind] = {
    "distress": AlarmKind("distress alarm", own_state=True),
    "no_motion": AlarmKind("no-motion alarm", "serious", in_readings=True, own_state=True),
    # Readings alone would raise it, and the battery's, at every pause. Our own rule.
    "no_motion_prealarm": AlarmKind(
        "no-motion alarm (first stage)", "note", in_readings=True, alone=False, passing=True
    ),
    "low_air": AlarmKind("low-air warning", "serious", in_readings=True, own_state=True),
    "heat": AlarmKind("heat alarm", in_readings=True),
    "evacuate": AlarmKind("evacuation call"),
    "fault": AlarmKind("fault", about_the_set=True),
    "battery": AlarmKind("battery alarm", "note", alone=False, about_the_set=True),
}
"""By the contract's name, in the order of lists and of a row's reasons."""
