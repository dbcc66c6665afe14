"""Fills numba's cache, so that the page's process finds every compiled loop and never compiles one itself."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np

from analysis.air.breathing import Cylinder, LiveAir, reconstruct


def compile_live() -> None:
    """Run each compiled loop of the live page once; two to three seconds with an empty cache."""
    air = LiveAir(Cylinder())
    for second in range(3):
        air.add(float(second), 300.0 - second)
    air.at(3.0).minutes_to(55.0)


def compile_analysis() -> None:
    """Run each compiled loop of the review once, on a small wear; some ten seconds with an empty cache."""
    # Imported here: the live page waits for what is above.
    from analysis.incident import analyse
    from analysis.profile import Profile
    from analysis.simulation.scenario import build_late_turn_back
    from ingest.contract.frames import frames_from_heard

    seconds = np.arange(30.0)
    reconstruct(seconds, 300.0 - seconds / 5.0, Cylinder())
    heard = build_late_turn_back(1, datetime.now(UTC) - timedelta(hours=2)).heard
    analyse(frames_from_heard(heard), Profile.default())
