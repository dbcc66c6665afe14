"""The live page's routes: what they answer, and whom they refuse."""

from __future__ import annotations

import gzip
import json
from collections.abc import Callable
from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

import pytest
from polars.exceptions import PanicException

from analysis.profile import Profile
from dashboard.app import create_app
from dashboard.context import PageContext
from dashboard.live import row_view, words
from dashboard.live.desk import Desk
from dashboard.live.feed import Feed
from dashboard.pages import live as live_page
from ingest.contract.captures import Heard
from ingest.contract.errors import BrokerProblem
from ingest.contract.messages import decode
from tests.dashboard.held_archive import HeldArchive


class Line:
    """Stands for the broker: keeps what is published, or refuses."""

    def __init__(self) -> None:
        self.sent: list[tuple[str, bytes]] = []
        self.fault: Exception | None = None
        self.connected = True

    def publish(self, topic: str, payload: bytes, retain: bool = False, timeout_s: float = 60.0) -> None:
        if self.fault is not None:
            raise self.fault
        self.sent.append((topic, payload))

    def close(self, timeout_s: float = 30.0) -> None:
        pass


def heard(kind: str, seq: int = 0, **fields: Any) -> Heard:
    now = datetime.now(UTC)
    payload = {"kind": kind, "set_id": "S-1", "boot": 1, "seq": seq, "time": now.isoformat(), **fields}
    return Heard(now, f"underair/v1/trial/set/S-1/{kind}", json.dumps(payload).encode(), False)


@pytest.fixture
def line() -> Line:
    return Line()


@pytest.fixture
def client(archive: HeldArchive, feed: Feed, line: Line) -> Any:
    desk = Desk(lambda: line, "D-7")  # type: ignore[arg-type,return-value]
    context = PageContext(archive, Profile.default(), feed, desk)
    return create_app(context, {"/live": live_page}).server.test_client()  # type: ignore[dict-item]


def picture(client: Any) -> dict[str, Any]:
    answer: dict[str, Any] = json.loads(gzip.decompress(client.get("/live.json").data))
    return answer


def post(client: Any, feed: Feed, kind: str, fields: Any, **headers: str) -> Any:
    given = {"Origin": "http://localhost", "X-Underair-Token": feed.token} | headers
    return client.post(f"/live/desk/{kind}", json=fields, headers=given)


def test_what_is_heard_is_in_the_answer_and_the_feed_ticks_quickly(
    client: Any, archive: HeldArchive, feed: Feed, wait_until: Callable[..., Any]
) -> None:
    archive.new = [heard("pressure", seq, pressure_bar=280.0) for seq in range(3)]
    wait_until(lambda: picture(client).get("rows"), what="the row of the set")
    answer = picture(client)
    assert answer["rows"][0]["who"] == "Set S-1"
    assert answer["rows"][0]["air"] == "280 bar"
    assert answer["banner"] == words.LISTENER_BAD.format(state=words.NO_LISTENER)  # none runs here
    assert json.loads(gzip.decompress(client.get("/live/lines.json").data)).keys() <= {"trial/S-1"}


def test_an_archive_that_cannot_be_read_is_said_and_recovered_from(
    client: Any, archive: HeldArchive, wait_until: Callable[..., Any]
) -> None:
    archive.fault = OSError("no such disk")
    wait_until(lambda: "no such disk" in (picture(client)["banner"] or ""), what="the banner")
    archive.fault = None
    wait_until(lambda: picture(client)["ready"], what="the feed to recover")


def test_a_feed_outlives_a_library_that_breaks_off(
    client: Any, archive: HeldArchive, feed: Feed, wait_until: Callable[..., Any]
) -> None:
    archive.fault = PanicException("index out of bounds")
    wait_until(lambda: "index out of bounds" in feed.why_not_ready(), what="the fault to be said")
    assert feed.alive
    wait_until(lambda: picture(client)["banner"], what="the page to say it")
    archive.fault = None
    wait_until(lambda: picture(client)["ready"], what="the feed to recover")


def test_a_request_is_answered_when_a_library_breaks_off(
    client: Any, feed: Feed, monkeypatch: pytest.MonkeyPatch
) -> None:
    def break_off(*_: Any) -> None:
        raise PanicException("index out of bounds")

    monkeypatch.setattr(type(feed.answer), "packed", break_off)  # each tick makes another answer
    client.application.testing = False
    answer = client.get("/live.json")
    assert answer.status_code == 500
    assert "Traceback" not in answer.get_data(as_text=True)


def test_a_feed_that_ended_by_a_fault_is_not_shown_as_live(client: Any, feed: Feed) -> None:
    feed.stop()
    assert "Restart" in client.get("/live.json").json["banner"]


def test_what_a_desk_sends_keeps_the_contract(client: Any, feed: Feed, line: Line) -> None:
    fields = {"service": "trial", "incident_id": "I-1", "action": "in", "set_id": "S-1", "wearer_id": "W-1"}
    response = post(client, feed, "tally", {**fields, "team": "", "task": None, "boot": 5, "extra": "x"})
    assert response.status_code == 200
    ((topic, payload),) = line.sent
    assert topic == "underair/v1/trial/desk/D-7/tally"
    message = decode(topic, payload)
    assert (message.wearer_id, message.team, message.seq) == ("W-1", None, 0)  # type: ignore[union-attr]
    assert response.json["sent"] == f"D-7/{message.boot}/0"
    assert b"extra" not in payload
    post(client, feed, "seen", {"service": "trial", "set_id": "S-1", "alarm": "distress"})
    assert json.loads(line.sent[1][1])["seq"] == 1


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Origin": "http://elsewhere.example"}, 403),
        ({"Origin": ""}, 403),
        ({"X-Underair-Token": "guess"}, 403),
        ({"Content-Type": "text/plain"}, 415),
    ],
)
def test_a_foreign_page_cannot_send(
    client: Any, feed: Feed, line: Line, headers: dict[str, str], status: int
) -> None:
    fields = {"service": "trial", "set_id": "S-1", "alarm": "distress"}
    response = post(client, feed, "seen", fields, **headers)
    assert response.status_code == status
    assert response.json["problem"]
    assert line.sent == []


@pytest.mark.parametrize(
    ("kind", "fields", "status", "said"),
    [
        ("seen", {"service": "trial", "set_id": "S-1", "alarm": "hunger"}, 422, "alarm must be"),
        ("note", {"service": "trial", "incident_id": "I", "text": "x" * 2001}, 422, "text must be"),
        ("tally", {"service": "a/b", "incident_id": "I", "action": "in"}, 422, "topic"),
        ("seen", {"set_id": "S-1", "alarm": "distress"}, 409, "service"),
        ("seen", ["not", "fields"], 400, "Reload"),
        ("pressure", {"service": "trial"}, 404, "action"),
        ("note", {"service": "trial", "text": "x" * 9000}, 413, "large"),
    ],
)
def test_what_would_break_the_contract_is_refused_in_words(
    client: Any, feed: Feed, line: Line, kind: str, fields: Any, status: int, said: str
) -> None:
    response = post(client, feed, kind, fields)
    assert response.status_code == status
    assert said in response.json["problem"]
    assert "$." not in response.json["problem"]  # a path in JSON is for makers of sets, not for a desk
    assert line.sent == []


@pytest.mark.parametrize("body", ['{"service": "trial", "text": "\\ud800", "incident_id": "I"}', "[" * 8000])
def test_half_a_character_and_a_heap_of_brackets_are_refused_in_words(
    client: Any, feed: Feed, line: Line, body: str
) -> None:
    headers = {"Origin": "http://localhost", "X-Underair-Token": feed.token}
    answer = client.post("/live/desk/note", data=body, content_type="application/json", headers=headers)
    assert answer.status_code == 400
    assert "Reload" in answer.json["problem"]
    assert line.sent == []


def test_a_token_with_a_foreign_letter_is_refused_like_any_wrong_one(client: Any, feed: Feed) -> None:
    assert post(client, feed, "seen", {}, **{"X-Underair-Token": "ä"}).status_code == 403


def test_a_desk_that_waits_for_its_broker_sends_nothing_after_the_browser_gave_up(
    line: Line, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("dashboard.live.desk.SENT_WITHIN_S", 0.0)
    desk = Desk(lambda: line)  # type: ignore[arg-type,return-value]
    with pytest.raises(BrokerProblem, match="nothing was sent"):
        desk.send("seen", "trial", {"set_id": "S-1", "alarm": "distress"})
    assert line.sent == []


def test_one_row_that_cannot_be_painted_spares_the_others_and_is_named(
    client: Any, archive: HeldArchive, wait_until: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    painted = row_view._air

    def air(row: Any, now: float, display: Any) -> Any:
        if row.set_id == "S-1":
            raise KeyError("nobody thought of this")
        return painted(row, now, display)

    monkeypatch.setattr(row_view, "_air", air)
    other = [heard("pressure", seq, set_id="S-2", pressure_bar=280.0) for seq in range(3)]
    other = [Heard(one.received, one.topic.replace("S-1", "S-2"), one.payload, False) for one in other]
    archive.new = [*(heard("pressure", seq, pressure_bar=280.0) for seq in range(3)), *other]
    wait_until(lambda: picture(client).get("rows"), what="the other row")
    wait_until(lambda: "trial/S-1" in json.dumps(picture(client)["system"]), what="the name of the row")
    rows = {row["who"]: row for row in picture(client)["rows"]}
    assert rows["Set S-2"]["air"] == "280 bar"
    assert "Ask by voice" in rows["Set S-1"]["why"]  # nobody disappears by a fault of ours
    assert rows["Set S-1"]["air"] == "–"


def test_a_broker_that_is_away_is_said_and_no_number_is_lost(client: Any, feed: Feed, line: Line) -> None:
    fields = {"service": "trial", "set_id": "S-1", "alarm": "distress"}
    line.fault = BrokerProblem("nobody listens there")
    response = post(client, feed, "seen", fields)
    assert response.status_code == 502
    assert "nobody listens there" in response.json["problem"]
    line.fault = None
    assert post(client, feed, "seen", fields).json["sent"].endswith("/0")


def test_the_desk_knows_its_line_and_takes_it_up_again(
    line: Line, wait_until: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("dashboard.live.desk.TRY_EVERY_S", 0.05)
    away = [True]

    def connect() -> Any:
        if away[0]:
            raise BrokerProblem("nobody listens there")
        return line

    desk = Desk(connect)
    with pytest.raises(BrokerProblem):
        desk.open()
    assert not desk.connected()
    away[0] = False
    wait_until(desk.connected, what="the desk to try again")
    line.connected = False
    assert not desk.connected()


def test_without_a_broker_nothing_can_be_sent(archive: HeldArchive, feed: Feed) -> None:
    pages: Any = {"/live": live_page}
    client = create_app(PageContext(archive, Profile.default(), feed, None), pages).server.test_client()
    response = post(client, feed, "seen", {"service": "trial", "set_id": "S-1", "alarm": "distress"})
    assert response.status_code == 409
    assert "--broker" in response.json["problem"]


def test_every_answer_carries_the_security_headers_and_data_is_not_stored(client: Any) -> None:
    for path in ("/", "/live.json", "/theme.css", "/_dash-layout", "/assets/live.js"):
        with client.get(path) as response:
            assert response.status_code == 200
        policy = response.headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        script = next(part for part in policy.split("; ") if part.startswith("script-src"))
        assert "unsafe" not in script
        assert "http" not in policy
        assert response.headers["X-Frame-Options"] == "DENY"
        assert (response.headers["Cache-Control"] == "no-store") == (not path.startswith("/assets"))


def test_a_foreign_host_name_is_refused(client: Any) -> None:
    assert client.get("/live.json", headers={"Host": "attacker.example"}).status_code == 400


def test_the_shell_names_its_language_and_loads_nothing_from_outside(client: Any) -> None:
    page = client.get("/").get_data(as_text=True)
    assert '<html lang="en-GB">' in page
    for word in ('src="http', 'href="http', "//cdn"):
        assert word not in page
    assert client.get("/health").status_code == 200


def test_the_caution_and_the_profile_stand_on_every_page(archive: HeldArchive) -> None:
    pages: Any = {
        path: SimpleNamespace(layout=lambda context, query: "content", register=lambda app, context: None)
        for path in ("/live", "/review", "/trends")
    }
    app = create_app(PageContext(archive, Profile.default()), pages)
    for path in (*pages, "/nowhere"):
        body = {
            "output": "shell.children",
            "outputs": {"id": "shell", "property": "children"},
            "inputs": [{"id": "address", "property": "pathname", "value": path}],
            "state": [{"id": "address", "property": "search", "value": "?a=1"}],
            "changedPropIds": ["address.pathname"],
        }
        text = app.server.test_client().post("/_dash-update-component", json=body).get_data(as_text=True)
        assert "do not replace the set's own gauge" in text
        assert "Profile: default" in text
        assert ("no such page" in text) == (path == "/nowhere")
