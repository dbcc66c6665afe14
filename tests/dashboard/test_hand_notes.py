"""Notes written on the review page: who may, what is refused, and that they show only from the archive."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from analysis.pieces.archive_pieces import incidents_in
from analysis.profile import Profile
from dashboard.app import create_app
from dashboard.context import PageContext
from dashboard.evidence.notes import keep
from dashboard.live.desk import Desk
from dashboard.pages import review
from dashboard.results_store import store_of
from ingest.archive.reading import Archive
from ingest.importing import import_capture
from tests.conftest import free_port

SAMPLE = Path(__file__).parents[2] / "sample_logs" / "late_turn_back.ndjson.gz"
OURS = {"Origin": "http://localhost", "X-Underair-Token": review.TOKEN}
NOTE = {
    "time": "2031-05-04T21:20:30",
    "zone": "Europe/Berlin",
    "text": "Gate <b>shut</b>",
    "source": "Radio log",
}


@pytest.fixture(scope="module")
def imported(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("imported") / "archive"
    import_capture(SAMPLE, folder)
    return folder


@pytest.fixture
def context(imported: Path, tmp_path: Path) -> PageContext:
    shutil.copytree(imported, tmp_path / "archive")
    return PageContext(archive=Archive(tmp_path / "archive"), profile=Profile.default())


@pytest.fixture
def client(context: PageContext) -> Any:
    return create_app(context, pages={"/review": review}).server.test_client()


@pytest.fixture(scope="module")
def untouched(imported: Path) -> PageContext:
    """Of an archive that no test writes into: for what is refused."""
    return PageContext(archive=Archive(imported), profile=Profile.default())


@pytest.fixture(scope="module")
def refusing(untouched: PageContext) -> Any:
    return create_app(untouched, pages={"/review": review}).server.test_client()


@pytest.fixture(scope="module")
def incident(imported: Path) -> str:
    return str(incidents_in(imported)["incident_id"].drop_nulls()[0])


def post(client: Any, incident: str, headers: dict[str, str] | None = None, **fields: str) -> Any:
    body = {"incident": incident, **fields}
    return client.post("/review/note", json=body, headers=OURS if headers is None else headers)


def kept(client: Any, incident: str, identity: str) -> bool:
    return bool(
        client.get("/review/note", query_string={"incident": incident, "identity": identity}).json["kept"]
    )


def test_a_note_stands_at_its_moment_once_it_is_in_the_archive(
    client: Any, context: PageContext, incident: str
) -> None:
    before = context.archive.messages()
    answer = post(client, incident, certainty="estimated", **NOTE)
    assert answer.status_code == 200, answer.json
    assert kept(client, incident, answer.json["sent"])
    after = context.archive.messages()
    assert all(after[kind].equals(before[kind]) for kind in before if kind != "note")
    (payload,) = set(after["note"]["payload"]) - set(before["note"]["payload"])
    assert json.loads(payload)["at"] == "2031-05-04T19:20:30.000000Z"
    assert json.loads(payload)["source"] == "Radio log"


def test_a_withdrawal_is_a_new_record_and_the_note_stays(
    client: Any, context: PageContext, incident: str
) -> None:
    identity = post(client, incident, **NOTE).json["sent"]
    assert kept(client, incident, identity)
    taken_back = post(client, incident, withdraws=identity, text="wrong channel")
    assert taken_back.status_code == 200, taken_back.json
    assert kept(client, incident, taken_back.json["sent"])
    look = review.Bench(store_of(context)).look(review.request_of({"incident": incident}))
    by_name = {note.identity: note for note in look.notes}
    assert by_name[identity].text == NOTE["text"]
    assert by_name[identity].withdrawn is not None
    assert by_name[taken_back.json["sent"]].withdraws == identity
    assert any(mark.text == "Radio log: “Gate <b>shut</b>” (withdrawn)" for mark in look.desk)
    assert post(client, incident, withdraws=identity, text="again").status_code == 400


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"time": "soon"}, "Moment that it is about must be a time such as 2031-05-04T19:12:00 (ISO 8601"),
        ({"zone": "Mars/Olympus"}, "IANA name"),
        ({"text": "  "}, "1 to 2000 characters"),
        ({"certainty": "perhaps"}, "recorded or estimated"),
        ({"source": "***"}, "letter or digit"),
        ({"source": "R" * 200}, "source must have at most"),
        ({"set_id": "no set"}, "set_id"),
    ],
)
def test_a_field_that_cannot_be_taken_is_named(
    refusing: Any, untouched: PageContext, incident: str, change: dict[str, str], words: str
) -> None:
    before = len(untouched.archive.messages()["note"])
    answer = post(refusing, incident, **{**NOTE, **change})
    assert answer.status_code in (400, 409, 422)
    assert words in answer.json["problem"]
    assert len(untouched.archive.messages()["note"]) == before


@pytest.mark.parametrize("name", ["withdraws", "looks_at", "bookmark"])
def test_what_names_no_note_finding_or_view_does_not_become_a_note(
    refusing: Any, untouched: PageContext, incident: str, name: str
) -> None:
    before = len(untouched.archive.messages()["note"])
    assert post(refusing, incident, **{**NOTE, name: 5}).status_code == 400
    assert len(untouched.archive.messages()["note"]) == before


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"X-Underair-Token": review.TOKEN},
        {"Origin": "http://localhost"},
        {**OURS, "X-Underair-Token": "guess"},
        {**OURS, "Origin": "http://elsewhere.example"},
    ],
)
def test_a_request_from_elsewhere_writes_nothing(
    refusing: Any, untouched: PageContext, incident: str, headers: dict[str, str]
) -> None:
    before = len(untouched.archive.messages()["note"])
    assert post(refusing, incident, headers, **NOTE).status_code == 403
    assert len(untouched.archive.messages()["note"]) == before


def test_an_incident_that_is_not_there_takes_no_note(refusing: Any) -> None:
    assert post(refusing, "I-none", **NOTE).status_code == 404


def test_with_the_broker_down_a_note_is_neither_sent_nor_kept(context: PageContext, incident: str) -> None:
    desk = Desk.at_broker(f"mqtt://127.0.0.1:{free_port()}")
    try:
        app = create_app(replace(context, desk=desk), pages={"/review": review})
        before = len(Archive(context.archive.folder).messages()["note"])
        answer = post(app.server.test_client(), incident, **NOTE)
        assert answer.status_code == 502
        assert "Not sent, and not kept" in answer.json["problem"]
        assert len(Archive(context.archive.folder).messages()["note"]) == before
    finally:
        desk.close()


class Line:
    """A line to a broker that takes everything."""

    connected = True

    def __init__(self) -> None:
        self.sent: list[dict[str, Any]] = []

    def publish(self, topic: str, payload: bytes, retain: bool, *, timeout_s: float) -> None:
        self.sent.append(json.loads(payload))

    def close(self, within_s: float) -> None: ...


def test_over_a_broker_a_note_says_which_finding_was_looked_at_which_view_it_names_and_who_wrote_it(
    context: PageContext, incident: str
) -> None:
    line = Line()
    desk = Desk(lambda: line, "desk-7")  # type: ignore[arg-type,return-value]
    client = create_app(replace(context, desk=desk), pages={"/review": review}).server.test_client()
    record = store_of(context).incident(incident)
    finding = record.results["findings"]["finding_id"][0]
    assert post(client, incident, looks_at=finding).status_code == 200
    view = f"incident={incident}&at=1936000000000"
    assert post(client, incident, bookmark=view, text="Gate").status_code == 200
    fields = {"text": "Gate shut", "at": "2031-05-04T19:20:30Z", "account": "officer-3"}
    keep(fields, record, desk, context.archive.folder)
    looked, named, written = line.sent
    assert (looked["looks_at"], looked["incident_id"]) == (finding, incident)
    assert (named["bookmark"], named["text"]) == (view, "Bookmark: Gate")
    assert written["account"] == "officer-3"
    assert {one["desk_id"] for one in line.sent} == {"desk-7"}


def test_a_withdrawal_needs_its_note_and_a_reason(client: Any, context: PageContext, incident: str) -> None:
    unknown = post(client, incident, withdraws="D-1/1/1", text="wrong channel")
    assert unknown.status_code == 400
    assert "has no note 'D-1/1/1' to withdraw; reload the page" in unknown.json["problem"]
    identity = post(client, incident, **NOTE).json["sent"]
    assert kept(client, incident, identity)
    before = len(context.archive.messages()["note"])
    for reason in (" ", "x" * 2000):
        refused = post(client, incident, withdraws=identity, text=reason)
        assert refused.status_code == 400
        assert "say why it is withdrawn" in refused.json["problem"]
    assert len(context.archive.messages()["note"]) == before


@pytest.mark.parametrize(
    ("body", "mimetype", "status"),
    [
        (b"incident=I-1", "application/x-www-form-urlencoded", 415),
        (b"[]", "application/json", 400),
        (b"{", "application/json", 400),
        (b'{"text": "' + b"x" * 100_000 + b'"}', "application/json", 413),
    ],
)
def test_a_request_that_is_no_note_writes_nothing(
    refusing: Any, untouched: PageContext, body: bytes, mimetype: str, status: int
) -> None:
    before = len(untouched.archive.messages()["note"])
    answer = refusing.post("/review/note", data=body, content_type=mimetype, headers=OURS)
    assert answer.status_code == status
    assert answer.json["problem"]
    assert len(untouched.archive.messages()["note"]) == before
