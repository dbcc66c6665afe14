"""Every word on the screens, so that they can be read, checked and changed in one place.

Trade words where the trade has one, plain words where it has none. The live page's script is
handed its words; nothing is worded in JavaScript.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path

import msgspec

PRODUCT = "underair"
PAGES = {"/live": "Live", "/review": "Review", "/trends": "Trends"}
METHOD = "How it is computed"
DOCUMENTS = {
    "method": "How the numbers are made",
    "findings": "What each finding says",
    "tables": "Every column",
    "profile": "The doctrine profile",
    "for_makers": "What a set sends",
    "desk": "At the desk",
}
DOCUMENTS_LABEL = "Documents"
CONTENTS = "On this page"

ALARMS = {
    "distress": "distress",
    "no_motion": "no motion",
    "no_motion_prealarm": "no motion (first\u00a0stage)",
    "low_air": "low air",
    "heat": "heat",
    "evacuate": "evacuate",
    "fault": "set fault",
    "battery": "battery",
}
"""By their kind, in the order of `analysis.alarms.kinds`."""

CAUTION = (
    "Figures are estimates from the messages that arrived. They do not replace the set's own gauge and "
    "alarms, entry control, radio or training. Local procedures and licensed practice decide."
)
SKIP = "Skip to the page"
NAVIGATION = "Pages"
THEME_BUTTON = "Light / dark"
NOT_FOUND = "There is no such page. Choose one of the pages above."
LOADING = "Loading …"
FAILED = (
    "This could not be shown: underair has a fault. Reload the page. If it happens again, tell your "
    "administrator: the service's log has the details. Use voice contact and the gauges meanwhile."
)
FAILED_BY = "This could not be shown: {problem}"


def shortened(name: str, most: int) -> str:
    """Return a name in at most so many letters: its beginning and its end, where names of one kind differ."""
    if len(name) <= most:
        return name
    head = most // 2
    return f"{name[:head]}…{name[len(name) - (most - head - 1) :]}"


def words_beside(module: str) -> Callable[[str], str]:
    """Return the `__getattr__` of a module, named by its file: its words are in the TOML file beside it.

    What is no text, but a table or a list of texts, is declared in the module by name and type.
    """
    told: dict[str, str] = msgspec.toml.decode(Path(module).with_suffix(".toml").read_bytes())

    def word(name: str) -> str:
        if name not in told:
            raise AttributeError(f"{module} has no word {name}")
        return told[name]

    return word


def footer(profile_name: str) -> str:
    """Return the footer: version and doctrine profile in force."""
    return f"{PRODUCT} {version('underair')} · Profile: {profile_name} · Recorded times are UTC"


LEFT_OUT = "Part of the record cannot be read. Figures here leave it out."
WHAT_TO_DO = "Run underair verify on the archive, or restore the files from a backup."
