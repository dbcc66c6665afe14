"""The case of a set that was read by a mapping: what the set sent, and by what it was read."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from ingest.contract.captures import Heard, read_capture, write_capture
from ingest.mapping.rules import EXAMPLES
from tests.ingest.strangers_json import flat, heard
from tests.verbs import underair

pytestmark = pytest.mark.usefixtures("seals_here")
MAPPING = EXAMPLES / "flat_object.toml"


def word(at_s: float, seq: int, kind: str, **fields: str) -> Heard:
    told = {"desk_id": "D-1", "boot": 1, "seq": seq, "time": f"2031-05-04T19:{int(at_s) // 60:02d}:00Z"}
    return heard(
        at_s, f"underair/v1/demo/desk/D-1/{kind}", {**told, "kind": kind, "incident_id": "I-1", **fields}
    )


@pytest.fixture
def case(tmp_path: Path) -> Path:
    objects = [flat(n, 60 + 2 * n, psi=4000 - 5 * n) for n in range(300)]
    objects += [flat(300, 660, psi="?")]
    who = {"wearer_id": "W-1", "set_id": "K12"}
    words = [
        word(0, 0, "incident", action="open"),
        word(0, 1, "tally", action="in", **who),
        word(720, 2, "tally", action="out", **who),
    ]
    # Received in the same moments, of a set that nobody wore.
    other = [flat(n, 60 + 2 * n, psi=0)._replace(topic="bench7/telemetry/K13") for n in range(9)]
    write_capture(tmp_path / "a.ndjson", sorted([*objects, *words, *other], key=lambda one: one.received))
    archive = tmp_path / "archive"
    underair("import", tmp_path / "a.ndjson", "--archive", archive, "--mapping", MAPPING)
    made = underair(
        "case", "--archive", archive, "--incident", "I-1", "--out", tmp_path / "case", "--why", "x"
    )
    assert made.returncode == 0, made.stderr
    write_capture(tmp_path / "sent.ndjson", objects)
    return tmp_path / "case"


def test_it_has_what_the_set_sent_and_the_mapping_and_says_so(case: Path) -> None:
    sent = list(read_capture(case / "data" / "originals.ndjson.gz"))
    assert sent == list(read_capture(case.parent / "sent.ndjson"))
    kept = (case / "data" / "mappings" / "flat-object-1.toml").read_bytes()
    assert kept == MAPPING.read_bytes()
    named = f"flat-object/1 sha256:{hashlib.sha256(kept).hexdigest()}: K12"
    assert f"Read-By-Mapping: {named}" in (case / "bag-info.txt").read_text()
    readme = (case / "data" / "README.txt").read_text()
    assert named in readme
    assert "originals.ndjson.gz  what these sets sent, verbatim" in readme
    assert named in (case / "data" / "report.html").read_text()
    refused = (case / "data" / "refused.csv").read_text().splitlines()
    assert len(refused) == 2
    assert "pressure" in refused[1]
    checked = underair("verify", case, "--again")
    assert checked.returncode == 0, checked.stdout
    shown = underair("check", case / "data" / "originals.ndjson.gz", "--mapping", MAPPING)
    assert "300 pressure" in shown.stdout


@pytest.mark.parametrize("file", ["mappings/flat-object-1.toml", "originals.ndjson.gz", "messages.ndjson.gz"])
def test_another_mapping_or_none_is_found_even_with_new_lists(case: Path, file: str) -> None:
    import bagit  # slow

    place = case / "data" / file
    if file.endswith(".toml"):
        place.write_text(place.read_text() + "# times = 1.1\n")
    elif file.startswith("messages"):
        place = case / "data" / "originals.ndjson.gz"
        sent = list(read_capture(place))
        sent[7] = sent[7]._replace(payload=sent[7].payload.replace(b'"psi": 3965', b'"psi": 3964'))
        write_capture(place, sent)
    else:
        place.unlink()
    assert underair("verify", case).returncode == 1
    bag = bagit.Bag(str(case))
    bag.save(manifests=True)
    found = underair("verify", case, "--again", "--json")
    assert found.returncode == 1
    faults = json.loads(found.stdout)["faults"]
    assert any(fault.startswith(f"data/{file}: ") for fault in faults), faults
