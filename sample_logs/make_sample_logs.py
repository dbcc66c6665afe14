"""Make the captures here and in the demo again: `python -m sample_logs.make_sample_logs [FOLDER]`."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path

from dashboard.demo.crew import RECORDED, RECORDED_AT, RUNNING
from ingest.contract.captures import Heard, write_capture
from sample_logs.bad_messages import build_bad_messages
from sample_logs.drills import build_clock_troubles, build_radio_troubles
from sample_logs.simulation.scenario import build_incident, build_late_turn_back

SEED, OPENED = RUNNING, RECORDED_AT


def sample_logs() -> dict[str, Iterable[Heard]]:
    """Return the messages of each capture by file name."""
    return {
        "cooperage_fire.ndjson.gz": build_incident(SEED, OPENED).heard,
        "late_turn_back.ndjson.gz": build_late_turn_back(SEED, OPENED).heard,
        "clock_drill.ndjson.gz": build_clock_troubles(SEED, OPENED).heard,
        "radio_drill.ndjson.zst": build_radio_troubles(SEED, OPENED).heard,
        "bad_messages.ndjson": build_bad_messages(OPENED),
    }


def make(folder: Path) -> None:
    """Write every capture into `folder`."""
    for name, heard in sample_logs().items():
        count = write_capture(folder / name, heard)
        print(f"{name}: {count} messages, {(folder / name).stat().st_size / 1e6:.2f} MB")


def make_recordings(folder: Path) -> None:
    """Write the demo's recordings into `folder`: whole incidents, whose number is their seed."""
    for number, path in RECORDED.items():
        write_capture(folder / path.name, build_incident(number, OPENED).heard)


if __name__ == "__main__":
    make_recordings(Path(sys.argv[1]) if len(sys.argv) > 1 else RECORDED[SEED].parent)
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
