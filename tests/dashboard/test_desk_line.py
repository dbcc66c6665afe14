"""The desk's line without a broker: how long it tries, what it sends and under which number."""

from __future__ import annotations

import json
import re
import threading
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

import dashboard
from dashboard.live import desk as desk_module
from dashboard.live.desk import BESIDE_A_NOTE, HANG_UP_S, SENT_WITHIN_S, TRY_EVERY_S, Desk, filled_in
from dashboard.live.display import Display
from dashboard.pages.live import _read_in_bar
from ingest.broker.mqtt import Unconfirmed
from ingest.contract.errors import BrokerProblem, RefusedMessage
from ingest.contract.fields import fields_of
from ingest.contract.kinds import DESK_KINDS, MOST_STANDING_ORDERS

NOTE = {"incident_id": "I-1", "text": "gate open", "set_id": "", "at": None}
TOPIC = "underair/v1/trial/desk/D-1/order"
ORDER = {"incident_id": "I-1", "order": "evacuate", "state": "given"}


class Line:
    """Keeps what was sent: (topic, message, retained, seconds that it may take)."""

    connected = True

    def __init__(self, fails: type[BrokerProblem] | None = None) -> None:
        self.sent: list[tuple[str, dict[str, Any], bool, float]] = []
        self.fails = fails

    def publish(self, topic: str, payload: bytes, retain: bool = False, timeout_s: float = 0.0) -> None:
        self.sent.append((topic, json.loads(payload), retain, timeout_s))
        if self.fails is not None:
            raise self.fails("no answer")

    def close(self, timeout_s: float = 0.0) -> None:
        pass


def desk_on(line: Line) -> Desk:
    return Desk(lambda: line, "D-1")  # type: ignore[arg-type,return-value]


class Clock:
    """Seconds that the test sets."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.now_s = 1000.0
        monkeypatch.setattr(desk_module, "time", SimpleNamespace(monotonic=lambda: self.now_s))


def test_the_browser_waits_longer_than_the_desk() -> None:
    """What the browser calls not sent must not go out later: it gives up after all that the desk may wait."""
    script = Path(dashboard.__file__).parent / "assets" / "live_desk.js"
    (given_up_ms,) = re.findall(r"GIVE_UP_MS = (\d+);", script.read_text(encoding="utf-8"))
    assert int(given_up_ms) / 1000.0 > SENT_WITHIN_S + HANG_UP_S


def test_a_message_has_the_desks_number_and_only_what_was_filled_in(monkeypatch: pytest.MonkeyPatch) -> None:
    Clock(monkeypatch)
    line = Line()
    desk = desk_on(line)
    first, second = desk.send("note", "trial", NOTE), desk.send("order", "trial", ORDER)
    (topic, note, note_kept, left_s), (_, order, order_kept, _) = line.sent
    assert (topic, note_kept, order_kept, left_s) == ("underair/v1/trial/desk/D-1/note", False, True, 5.0)
    assert {"set_id", "at"}.isdisjoint(note)
    assert [first, second] == [f"D-1/{one['boot']}/{one['seq']}" for one in (note, order)]
    assert (note["seq"], order["seq"]) == (0, 1)


@pytest.mark.parametrize("kind", DESK_KINDS)
def test_the_page_may_fill_in_every_field_but_the_desks_own(kind: str) -> None:
    """Mended: the wearer whose entry was closed was left out, so of two with one set nobody's was."""
    of_the_desk = {"desk_id", "boot", "seq", "time", "uptime_s", "standing"}
    own = {field.name for field in fields_of(kind)} - of_the_desk
    assert set(filled_in(kind)) == own | (set(BESIDE_A_NOTE) if kind == "note" else set())


@pytest.mark.parametrize(("fails", "next_seq"), [(BrokerProblem, 0), (Unconfirmed, 1)])
def test_a_number_that_may_have_arrived_is_never_used_again(fails: Any, next_seq: int) -> None:
    line = Line(fails)
    desk = desk_on(line)
    with pytest.raises(fails):
        desk.send("note", "trial", NOTE)
    line.fails = None
    assert desk.send("note", "trial", NOTE).endswith(f"/{next_seq}")


def test_a_line_that_takes_too_long_to_open_sends_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    clock, line = Clock(monkeypatch), Line()
    for took_s, sent in ((4.9, 1), (5.0, 1), (6.0, 1)):

        def opens(took_s: float = took_s) -> Line:
            clock.now_s += took_s
            return line

        desk = Desk(opens, "D-1")  # type: ignore[arg-type,return-value]
        if took_s < SENT_WITHIN_S:
            desk.send("note", "trial", NOTE)
            assert line.sent[-1][3] == pytest.approx(0.1)
        else:
            with pytest.raises(BrokerProblem, match="took too long; nothing was sent"):
                desk.send("note", "trial", NOTE)
        assert len(line.sent) == sent


def test_a_desk_that_still_waits_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(desk_module, "SENT_WITHIN_S", 0.05)
    line = Line()
    desk = desk_on(line)
    with desk._lock, pytest.raises(BrokerProblem, match="still waiting for its broker; nothing was sent"):
        desk.send("note", "trial", NOTE)
    assert line.sent == []


def test_so_many_orders_can_be_in_force_and_no_more() -> None:
    line = Line()
    desk = desk_on(line)
    orders = [ORDER | {"team": f"T{number}"} for number in range(MOST_STANDING_ORDERS)]
    for order in orders:
        desk.send("order", "trial", order)
    with pytest.raises(RefusedMessage, match=f"at most {MOST_STANDING_ORDERS} orders"):
        desk.send("order", "trial", ORDER)
    desk.send("order", "trial", orders[0])  # given again, it is the same order
    desk.send("order", "trial", orders[1] | {"state": "lifted"})
    desk.send("order", "trial", ORDER)
    standing = line.sent[-1][1]["standing"]
    assert len(standing) == MOST_STANDING_ORDERS
    assert [one.get("team") for one in standing if one.get("team") in (None, "T1")] == [None]


def an_order(boot: int, seq: int = 0, state: str = "given") -> bytes:
    said = {"boot": boot, "seq": seq, "time": "2031-05-04T10:00:00Z", "kind": "order", "desk_id": "D-1"}
    return json.dumps(said | ORDER | {"state": state, "standing": []}).encode()


GIVEN, LIFTED, UNHEARD = an_order(7), an_order(8, state="lifted"), an_order(9)


@pytest.mark.parametrize(
    ("record", "kept", "again"),
    [
        ([GIVEN], None, GIVEN),  # forgotten
        ([GIVEN], GIVEN, None),
        ([GIVEN, LIFTED], GIVEN, LIFTED),  # the broker's last changes were lost with it
        ([GIVEN, LIFTED], None, LIFTED),
        ([GIVEN], UNHEARD, None),  # newer than all that the listener heard
        ([LIFTED], b"no JSON", None),
        ([], GIVEN, None),
    ],
)
def test_a_restarted_desk_gives_the_broker_what_the_record_has(
    record: list[bytes], kept: bytes | None, again: bytes | None
) -> None:
    line = Line()
    desk = Desk(lambda: line, "D-1", lambda: {TOPIC: record} if record else {})  # type: ignore[arg-type,return-value]
    desk.open()
    desk.give_back({} if kept is None else {TOPIC: kept})
    assert line.sent == ([] if again is None else [(TOPIC, json.loads(again), True, HANG_UP_S)])


def test_what_this_desk_said_last_counts_before_what_others_of_its_name_did() -> None:
    """Whether desk, listener or broker alone has it; what was sent and not confirmed is no word."""
    line, record = Line(), dict[str, list[bytes]]()
    desk = Desk(lambda: line, "D-1", lambda: record)  # type: ignore[arg-type,return-value]
    desk.send("order", "trial", ORDER)
    given = line.sent.pop()[1]
    before = an_order(7)
    for kept in ({}, {TOPIC: before}):  # the listener heard nothing, or a broker's old memory
        desk.give_back(kept)
        assert line.sent.pop()[1] == given
    line.fails = Unconfirmed
    with pytest.raises(Unconfirmed):
        desk.send("order", "trial", ORDER | {"state": "lifted"})
    lifted, line.fails = line.sent.pop()[1], None
    desk.give_back({})
    desk.open()
    desk.give_back({})
    assert line.sent.pop()[1] == given
    record[TOPIC] = [before, json.dumps(lifted).encode(), json.dumps(given).encode()]
    desk.give_back({TOPIC: json.dumps(given).encode()})
    assert line.sent.pop()[1] == lifted
    record.clear()
    desk.give_back({TOPIC: json.dumps(lifted).encode()})
    desk.send("order", "trial", ORDER | {"team": "Elm"})
    assert [one["team"] for one in line.sent.pop()[1]["standing"]] == [
        "Elm"
    ]  # the lifted one is not in force


def test_the_order_of_another_desk_of_this_name_is_left_on_the_broker() -> None:
    line = Line()
    desk = desk_on(line)
    desk.hear([])
    desk.send("order", "trial", ORDER)
    desk.hear(["D-1/9/0"])
    desk.give_back({TOPIC: UNHEARD})
    assert len(line.sent) == 1


def test_a_line_that_breaks_while_an_order_is_given_back_is_opened_anew() -> None:
    opened: list[Line] = []

    def opens() -> Line:
        opened.append(Line())
        return opened[-1]

    desk = Desk(opens, "D-1")  # type: ignore[arg-type,return-value]
    desk.send("order", "trial", ORDER)
    opened[0].fails = Unconfirmed
    desk.give_back({})
    desk.give_back({})  # without a line nothing is tried
    desk.open()
    desk.give_back({})
    assert [len(line.sent) for line in opened] == [2, 1]


def test_the_orders_of_one_service_are_not_in_force_in_another() -> None:
    line = Line()
    desk = desk_on(line)
    for service in ("north", "south"):
        desk.send("order", service, ORDER | {"incident_id": service})
    desk.send("order", "north", ORDER | {"incident_id": "north", "team": "Elm"})
    standing = [[one["incident_id"] for one in order["standing"]] for _, order, *_ in line.sent]
    assert standing == [["north"], ["south"], ["north", "north"]]
    desk.give_back({})
    assert [topic.split("/")[2] for topic, *_ in line.sent[3:]] == ["north", "south"]


def test_a_desk_without_its_line_tries_again_every_ten_seconds(monkeypatch: pytest.MonkeyPatch) -> None:
    clock, tried = Clock(monkeypatch), threading.Semaphore(0)

    def away() -> Line:
        tried.release()
        raise BrokerProblem("away")

    desk = Desk(away, "D-1")  # type: ignore[arg-type,return-value]
    desk._tried_s = clock.now_s
    for after_s, tries in ((0.1, False), (TRY_EVERY_S - 0.2, False), (0.2, True), (1.0, False)):
        clock.now_s += after_s
        assert not desk.connected()
        assert tried.acquire(timeout=60.0 if tries else 0.05) is tries
    assert TRY_EVERY_S == 10.0


def test_a_desk_warns_of_another_of_its_name_once(caplog: pytest.LogCaptureFixture) -> None:
    """Its own power-ups of before, its own messages and other desks' are no reason to."""
    line = Line()
    desk = desk_on(line)
    before = ["D-1/7/0", "D-2/8/0"]
    desk.hear(before)
    own = desk.send("note", "trial", NOTE)
    desk.hear([*before, own, "D-2/8/1", "D-11/9/0"])
    assert caplog.messages == []
    desk.hear([*before, own, "D-1/7/1"])
    desk.hear([own, "D-1/7/1", "D-1/7/2"])
    (said,) = caplog.messages
    assert "another desk uses the name D-1" in said
    assert "--desk" in said


@pytest.mark.parametrize("psi", [150, 151, 4351])
def test_a_gauge_typed_in_psi_is_shown_as_it_was_typed(psi: int) -> None:
    """150 psi came back as 149: one decimal of a bar is 1.5 psi."""
    fields: dict[str, Any] = {"pressure_shown": psi, "units": "imperial"}
    assert _read_in_bar(fields)
    assert Display("imperial").pressure(fields["pressure_bar"]) == f"{psi:,} psi"
