"""The words that the live page's script shows; it has none of its own. Those that no rule reads are TOML."""

from pathlib import Path
from typing import Any

import msgspec

from analysis.wears.calls import ACKNOWLEDGED_BY_VOICE
from dashboard.live.words import NO_DESK

_written: dict[str, dict[str, Any]] = msgspec.toml.decode(Path(__file__).with_suffix(".toml").read_bytes())
FOR_SCRIPT = _written["page"] | {"order_by_voice": ACKNOWLEDGED_BY_VOICE, "read_only": NO_DESK}
PAST = _written["past"]
