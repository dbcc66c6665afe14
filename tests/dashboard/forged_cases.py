"""Cases made and forged for tests: what was changed is hashed anew in every list, as a forger would."""

from __future__ import annotations

import json
from pathlib import Path

import bagit
import msgspec

from dashboard.evidence.case import ABOUT, About, bag_info, head_of, make_bag

SAMPLE = Path(__file__).parents[2] / "sample_logs" / "late_turn_back.ndjson.gz"
INCIDENT = "TH-20310504-1912"


def about_of(case: Path) -> About:
    return msgspec.json.decode((case / "data" / ABOUT).read_bytes(), type=About)


def rehash(case: Path, about: About | None = None) -> None:
    """Make every list of a bag anew from what is in it now."""
    if about is not None:
        (case / "data" / ABOUT).write_bytes(msgspec.json.format(msgspec.json.encode(about), indent=2) + b"\n")
    told = about or about_of(case)
    for path in case.iterdir():
        if path.is_file() and path.name not in ("custody.ndjson", "tagmanifest-sha256.txt.sig"):
            path.unlink()
    aside = case / "aside"
    (case / "data").rename(aside)
    kept = {path.name: path.read_bytes() for path in case.iterdir() if path.is_file()}
    for name in kept:
        (case / name).unlink()
    for path in list(aside.iterdir()):
        path.rename(case / path.name)
    aside.rmdir()
    make_bag(case, told)
    for name, content in kept.items():
        (case / name).write_bytes(content)
    assert bagit.Bag(str(case)).is_valid()
    log = case / "custody.ndjson"
    first = json.loads(log.read_text().splitlines()[0])
    log.write_text(json.dumps({**first, "head": head_of(case)}) + "\n")
    assert bag_info(told)
