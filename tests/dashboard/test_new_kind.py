"""A kind declared at run time walks by itself: message, archive, live page, review, exports and case."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

WALK = '''
import json, sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated

from msgspec import Meta

from ingest.contract import kinds

_shape = dict(frozen=True, kw_only=True, omit_defaults=True, gc=False, tag_field="kind")


class Lamp(kinds.FromSet, tag="lamp", **_shape):
    """The set's lamp."""
    lit_lux: Annotated[float, Meta(ge=0, description="Light of the lamp.", extra={"unit": "lx"})]


class Wish(kinds.FromDesk, tag="wish", **_shape):
    """What the desk wishes for."""
    incident_id: str
    text: str


kinds.declare(Lamp, Wish)

from analysis.live.board import LiveBoard
from analysis.profile import Profile
from dashboard.review.moment import messages_behind
from dashboard.evidence.case import write_case
from dashboard.results_store import record_of
from ingest.archive.folder import create_archive
from ingest.archive.sealing import seal_messages
from ingest.archive.index import ArchiveIndex
from ingest.archive.reading import Archive
from ingest.contract.captures import read_capture
from ingest.contract.frames import frames_from_heard
from tests.published_schemas import asyncapi, schema_of

folder = Path(sys.argv[1])
began = datetime(2031, 5, 4, 10, 0, tzinfo=UTC)
lines = []


def say(second, speaker, kind, **fields):
    at = (began + timedelta(seconds=second)).isoformat()
    name = {"set": {"set_id": "S-1"}, "desk": {"desk_id": "D-1"}}[speaker]
    payload = {"kind": kind, **name, "boot": 1, "seq": len(lines), "time": at, **fields}
    (own,) = name.values()
    topic = f"underair/v1/demo/{speaker}/{own}/{kind}"
    lines.append(json.dumps({"received": at, "topic": topic, "payload": payload}))


say(0, "desk", "incident", incident_id="I-1", action="open")
say(1, "desk", "tally", incident_id="I-1", action="in", set_id="S-1", wearer_id="W-1")
for second in range(2, 60):
    say(second, "set", "pressure", pressure_bar=290 - second / 10)
say(30.2, "set", "lamp", lit_lux=120)
say(30.4, "desk", "wish", incident_id="I-1", text="more light")
say(30.6, "set", "lamp", lit_lux=-1)
capture = folder / "walk.ndjson"
capture.write_text("\\n".join(lines) + "\\n")

messages = frames_from_heard(read_capture(capture))
assert messages["lamp"]["lit_lux"].to_list() == [120.0], "decoded into its own frame"
assert "lit_lux must be a number of at least 0 lx" in messages["refused"]["reason"][0], "by its field"
assert schema_of("wish")["required"][-2:] == ["incident_id", "text"], "published"
assert asyncapi()["channels"]["lamp"]["address"].endswith("/set/{set_id}/lamp")

archive = folder / "archive"
from click.testing import CliRunner
from ingest.commands import import_captures
done = CliRunner().invoke(import_captures, [str(capture), "--archive", str(archive)])
assert done.exit_code in (0, 3), done.output
assert Archive(archive).messages()["wish"]["text"].to_list() == ["more light"], "kept and read"
assert "wish" in ArchiveIndex(archive).desks()["kind"].to_list(), "in the index"

board = LiveBoard(Profile.default())
board.take(messages)
shown = board.snapshot(began + timedelta(seconds=60))
assert not board.faults, board.faults
assert [row.wearer_id for row in shown.rows] == ["W-1"], "the board goes on"
wish = messages["wish"]
assert f"D-1/1/{wish['seq'][0]}" in shown.desk_heard, "what a desk sent is known to have come through"

record = record_of(messages, Profile.default(), "I-1", None)
behind = messages_behind(
    record, record.results["wears"]["wear_id"].to_list(), (began + timedelta(seconds=31)).timestamp() * 1000
)
assert {"lamp", "wish"} <= {line["kind"] for line in behind}, behind

from dashboard.app import create_app
from dashboard.context import PageContext

client = create_app(PageContext(Archive(archive), Profile.default(), None, None)).server.test_client()
at = f"{began + timedelta(seconds=60):%Y-%m-%dT%H:%M:%SZ}"
page = client.get(f"/board.json?at={at}").json
assert [row["who"] for row in page["rows"]] == ["W-1"], "painted"
assert f"D-1/1/{wish['seq'][0]}" in page["heard"], "the page knows that the desk's message came through"
key = client.get("/api/v1/incidents").json["incidents"][0]["key"]
exported = client.get(f"/review/export?incident={key}&people=W-1&format=csv")
assert exported.status_code == 200 and b"pressure_reading [bar]" in exported.data, exported.data
moment = (began + timedelta(seconds=31)).timestamp() * 1000
told = client.get(f"/review/messages?incident={key}&people=W-1&at={moment:.0f}").json
assert {"lamp", "wish"} <= {row["kind"] for row in told["rows"]}, told["rows"]
tables = client.get(f"/api/v1/incidents/{key}/refused").json["rows"]
assert [row["kind"] for row in tables] == ["lamp"], tables

write_case(archive, Profile.default(), "I-1", folder / "case", made=began)
inside = list(read_capture(folder / "case" / "data" / "messages.ndjson.gz"))
assert {"lamp", "wish"} <= {heard.topic.rpartition("/")[2] for heard in inside}, "in the case"
print("walked")
'''


def test_a_kind_declared_at_run_time_walks_from_message_to_live_page_review_export_and_case(
    tmp_path: Path,
) -> None:
    done = subprocess.run(
        [sys.executable, "-c", WALK, str(tmp_path)], capture_output=True, text=True, timeout=240, check=False
    )
    assert done.returncode == 0, done.stderr[-3000:]
    assert done.stdout.strip().endswith("walked")
