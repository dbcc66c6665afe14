"""Half requests, odd hosts, and a desk that asks for what it may not see."""

from __future__ import annotations

import socket
import urllib.request
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import msgspec
import pytest
from waitress import create_server
from waitress.channel import HTTPChannel

from analysis.live.board import LiveBoard
from analysis.live.rows import Snapshot
from analysis.profile import Profile
from dashboard import serving
from dashboard.live.desk import filled_in
from dashboard.serving import Served
from ingest.archive.folder import create_archive
from ingest.archive.sealing import seal_messages
from ingest.contract.captures import Heard
from ingest.contract.frames import frames_from_heard
from ingest.contract.kinds import DESK_KINDS
from tests.dashboard.guarded_pages import GuardedPages
from tests.faults.io_fault_driver import desk

WaitUntil = Callable[..., Any]
HALVES = 300
HALF = b"GET /health HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: "


@pytest.fixture
def pages(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> GuardedPages:
    return GuardedPages(tmp_path, monkeypatch)


def test_300_half_requests_do_not_keep_anybody_from_the_pages(tmp_path: Path) -> None:
    """Here 200 connections were all, and a half request held one for a minute."""
    served = Served(create_archive(tmp_path / "archive"))
    served.start()
    port = int(served.url.rpartition(":")[2])
    halves = [socket.create_connection(("127.0.0.1", port)) for _ in range(HALVES)]
    try:
        for half in halves:
            half.sendall(HALF)
        with urllib.request.urlopen(f"{served.url}/health", timeout=60) as answer:
            assert answer.status == 200
    finally:
        for half in halves:
            half.close()
        served.close()


def test_half_request_that_goes_on_byte_by_byte_is_shed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, wait_until: WaitUntil
) -> None:
    monkeypatch.setattr(serving, "HALF_REQUEST_S", 1.0)
    served = Served(create_archive(tmp_path / "archive"))
    served.start()
    port = int(served.url.rpartition(":")[2])
    with socket.create_connection(("127.0.0.1", port)) as half:
        half.sendall(HALF)
        half.settimeout(0.05)

        def is_shed() -> bool:
            try:
                half.sendall(b"x")
                return half.recv(1) == b""
            except TimeoutError:
                return False
            except OSError:
                return True

        wait_until(is_shed, what="the connection to be closed")
    served.close()


@pytest.mark.parametrize("missing", ["maintenance", "channel_class"])
def test_a_waitress_that_is_made_otherwise_is_said(caplog: pytest.LogCaptureFixture, missing: str) -> None:
    """What slow clients are shed by is not documented: the installed version has it, and another is named."""

    def app(environ: dict[str, Any], start: Any) -> list[bytes]:
        raise AssertionError

    for addresses in ("127.0.0.1:0", "127.0.0.1:0 127.0.0.1:0"):
        server = create_server(app, listen=addresses)
        assert serving.shed_slow_clients(server)
        server.close()
    assert caplog.text == ""
    inside = {"accepting": True, "active_channels": {}, "maintenance": print, "channel_class": HTTPChannel}
    other = SimpleNamespace(**inside | {"channel_class": object})
    if missing == "maintenance":
        del inside[missing]
        other = SimpleNamespace(**inside)
    assert not serving.shed_slow_clients(other)
    assert "clients that send half a request are not shed: waitress 3" in caplog.text


@pytest.mark.parametrize(
    "host",
    [
        "somebody@localhost",
        "localhost/x",
        "localhost?x",
        "localhost#x",
        "localhost:99999",
        "localhost:8a",
        "localhost:",
        "localhost\t",
        "localhost, evil.example",
        "evil.example",
        "[::1",
        "[::1]]",
        "",
        "l\u00f6calhost",
        "localhost\udc80",
    ],
)
def test_a_host_that_is_not_ours_word_for_word_is_refused(pages: GuardedPages, host: str) -> None:
    answer = pages.client("watch").get("/live", environ_overrides={"HTTP_HOST": host})
    assert answer.status_code == 400


@pytest.mark.parametrize("host", ["localhost", "LOCALHOST", "127.0.0.1:8050", "[::1]:8050"])
def test_our_own_hosts_are_let_through(pages: GuardedPages, host: str) -> None:
    assert pages.client("watch").get("/health", environ_overrides={"HTTP_HOST": host}).status_code == 200


def _archived(pages: GuardedPages, incident_id: str) -> None:
    about = {"incident_id": incident_id}
    heard: list[Heard] = [
        desk(0, "incident", **about, action="open", name="Mill"),
        desk(1, "tally", **about, action="in", set_id="S-1", wearer_id="W-07", team="A"),
        desk(9, "tally", **about, action="out", set_id="S-1", wearer_id="W-07"),
    ]
    seal_messages(pages.archive, frames_from_heard(heard), f"import-{incident_id}")


def test_desk_writes_no_note_into_an_incident_it_does_not_see_and_learns_no_id(pages: GuardedPages) -> None:
    _archived(pages, "SECRET-7")
    note = {"time": "2031-05-04T10:02:00", "zone": "UTC", "text": "forged", "source": "x"}
    caller = pages.client("desk")

    def written(incident: str) -> Any:
        return caller.ask("POST", "/review/note", json={"incident": incident, **note})

    known, unknown = written("SECRET-7"), written("I-1")
    assert (known.status_code, known.data) == (unknown.status_code, unknown.data)
    assert known.status_code == 404
    assert b"SECRET" not in unknown.data
    assert pages.line.sent == []
    pages.feed.snapshot = _seeing("I-1")
    assert b"SECRET" not in written("I-1").data
    pages.feed.snapshot = _seeing("SECRET-7")
    assert written("SECRET-7").status_code == 200


def _seeing(*incident_ids: str, desk_heard: tuple[str, ...] = ()) -> Snapshot:
    board = LiveBoard(Profile.default())
    return msgspec.structs.replace(
        board.snapshot(datetime.now(UTC)),
        incident_services=dict.fromkeys(incident_ids, ()),
        desk_heard=desk_heard,
    )


SAID: list[tuple[str, dict[str, Any]]] = [
    ("incident", {"action": "open"}),
    ("incident", {"action": "close"}),
    ("tally", {"action": "in", "set_id": "S-1", "wearer_id": "W-1"}),
    ("note", {"text": "forged"}),
    ("order", {"order": "evacuate", "state": "given"}),
    ("roll_call", {"roll_id": "R-1", "state": "called"}),
    ("gauge", {"set_id": "S-1", "pressure_shown": 200, "units": "metric", "at": "2031-05-04T10:00:00Z"}),
    ("standby", {"team": "A", "state": "ready"}),
    ("resolved", {"set_id": "S-1", "alarm": "distress", "text": "forged"}),
]


def test_every_kind_of_desk_message_that_names_an_incident_is_tried() -> None:
    assert {kind for kind, _ in SAID} == {kind for kind in DESK_KINDS if "incident_id" in filled_in(kind)}


@pytest.mark.parametrize(
    ("kind", "fields"), SAID, ids=[f"{kind}-{said.get('action')}" for kind, said in SAID]
)
def test_desk_sends_nothing_into_an_incident_it_does_not_see(
    pages: GuardedPages, kind: str, fields: dict[str, Any]
) -> None:
    _archived(pages, "SECRET-7")
    caller = pages.client("desk")

    def sent(incident_id: str) -> Any:
        body = {"service": "th", "incident_id": incident_id, **fields}
        return caller.ask("POST", f"/live/desk/{kind}", json=body)

    for snapshot in (None, _seeing("I-1")):
        pages.feed.snapshot = snapshot
        refused = sent("SECRET-7")
        assert refused.status_code == 409
        assert "Not sent" in refused.json["problem"]
        if fields.get("action") != "open":
            assert refused.data == sent("NOT-THERE").data, "nobody learns which incidents there are"
    assert pages.line.sent == []
    for incident_id in ("I-1", *(["NEW-1"] if fields.get("action") == "open" else [])):
        assert sent(incident_id).status_code == 200
    assert len(pages.line.sent) >= 1


def test_desk_corrects_no_tally_that_it_does_not_see(pages: GuardedPages) -> None:
    pages.feed.snapshot = _seeing("I-1", desk_heard=("D-1/4/2",))
    tally = {"service": "th", "incident_id": "I-1", "action": "in", "set_id": "S-1", "wearer_id": "W-1"}
    for corrects, status in (
        ({"desk_id": "D-9", "boot": 1, "seq": 1}, 409),
        ("D-1/4/2", 409),
        ({"desk_id": "D-1", "boot": 4, "seq": 2}, 200),
    ):
        answer = pages.client("desk").ask("POST", "/live/desk/tally", json={**tally, "corrects": corrects})
        assert answer.status_code == status
    assert len(pages.line.sent) == 1


def test_a_closed_incident_can_be_spoken_of_from_the_live_page_for_six_hours() -> None:
    board = LiveBoard(Profile.default())
    heard = [
        desk(0, "incident", incident_id="I-1", action="open"),
        desk(1, "incident", incident_id="I-1", action="close"),
    ]
    board.take(frames_from_heard(heard))
    closed = heard[1].received
    assert board.snapshot(closed + timedelta(hours=5.9)).incident_services == {"I-1": ("demo",)}
    assert board.snapshot(closed + timedelta(hours=6.1)).incident_services == {}
