"""How much of a family of faults is tried: a sample in CI, all of it with ``UNDERAIR_FAULTS=all``."""

from __future__ import annotations

import os

ALL_FAULTS = os.environ.get("UNDERAIR_FAULTS") == "all"
