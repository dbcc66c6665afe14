"""The live board for other systems: state, events and CAP alerts."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import jsonschema
import msgspec
import paho.mqtt.client as paho
import pytest

from analysis.live.board import LiveBoard
from analysis.live.rows import Hearing, Snapshot
from analysis.profile import Profile
from dashboard.live.feed import Feed
from dashboard.out import cap
from dashboard.out.outward import EXAMPLE, CapSettings, Outward, OutwardSettings, load_outward
from dashboard.out.state import CAUTION, SCHEMA, Event, between, board_states, standing
from dashboard.serving import Served
from ingest.archive.folder import create_archive
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from ingest.broker.mqtt import Publisher
from ingest.contract.captures import Heard, read_capture
from ingest.contract.errors import BadSettings
from ingest.contract.frames import frames_from_heard
from ingest.contract.topics import is_own_state
from ingest.listener import Listener
from ingest.settings import Settings
from ingest.status import FILE_NAME, Status, encode_status, read_statuses
from tests.analysis.conftest import WrittenLog
from tests.dashboard.held_archive import HeldArchive
from tests.dashboard.held_line import HeldLine
from tests.dashboard.test_alerts_in_cap import distress
from tests.published_interfaces import board_schema

LOG = Path(__file__).parents[2] / "sample_logs" / "cooperage_fire.ndjson.gz"


@pytest.fixture(scope="module")
def moments() -> list[Snapshot]:
    """Return the board of the sample fire, once a minute."""
    heard = list(read_capture(LOG))
    board, shown = LiveBoard(Profile.default()), []
    lot: list[Heard] = []
    for message in heard:
        if lot and message.received.timestamp() // 60 > lot[0].received.timestamp() // 60:
            board.take(frames_from_heard(lot))
            shown.append(board.snapshot(lot[-1].received))
            lot = []
        lot.append(message)
    return shown


def test_the_state_keeps_its_published_schema_and_says_what_the_page_says(moments: list[Snapshot]) -> None:
    validate = jsonschema.Draft202012Validator(json.loads(SCHEMA.read_text())).validate
    seen = 0
    for snapshot in moments:
        states = board_states(snapshot)
        assert sum(len(state.wearers) for state in states.values()) == len(snapshot.rows)
        for (_, incident_id), state in states.items():
            told = json.loads(msgspec.json.encode(state))
            validate(told)
            assert told["incident_id"] == incident_id
            assert told["caution"] == CAUTION
            assert told["stale_after"] > told["made_at"]
            rows = {row.set_id: row for row in snapshot.rows}
            for wearer in told["wearers"]:
                assert wearer["attention"] == rows[wearer["set_id"]].attention
                assert wearer["pressure_bar"] == rows[wearer["set_id"]].pressure_bar
                seen += 1
    assert seen > 50


def spoken() -> tuple[WrittenLog, Any, Any]:
    """W-1 on S-1 in an incident, heard from 20 s to 320 s."""
    log = WrittenLog()
    desk, one = log.desk(), log.talker("S-1")
    desk.say(0, "incident", incident_id="I-1", action="open")
    desk.say(1, "tally", incident_id="I-1", action="in", wearer_id="W-1", set_id="S-1", team="Larch")
    one.set_up(0)
    one.breathe(20, 300, closes=False)
    return log, desk, one


def test_the_state_tells_a_pressure_by_voice_and_moments_as_last_known() -> None:
    log, desk, _ = spoken()
    desk.say(200, "gauge", incident_id="I-1", set_id="S-1", pressure_bar=100.0)
    see = log.seen_on(LiveBoard(Profile.default()))
    ((before,), (after,)) = (next(iter(board_states(see(at_s)).values())).wearers for at_s in (190, 210))
    assert (before.by_voice, before.other_bar, before.turn_back_by, before.low_air_by) == (
        *(False, None, None, None),
    )
    assert (after.by_voice, after.pressure_bar, after.other_bar) == (True, 99.0, 283.0)  # 1 bar fallen since
    assert after.low_air_by is not None
    assert "2031-05-04T10:03:20" < after.low_air_by < "2031-05-04T10:20"


def test_the_state_says_what_a_set_sends_that_nobody_can_believe() -> None:
    log, desk, _ = spoken()
    one = log.talker("S-2")
    one.set_up(0)
    desk.say(2, "tally", incident_id="I-1", action="in", wearer_id="W-2", set_id="S-2", team="Larch")
    for second in range(20, 60):
        one.say(second, "pressure", pressure_bar=430.0)
    see = log.seen_on(LiveBoard(Profile.default()))
    (found,) = board_states(see(200)).values()
    told = {state.set_id: (state.pressure_bar, state.sent_bar) for state in found.wearers}
    assert told == {"S-1": (284.0, None), "S-2": (None, 430.0)}


def test_who_is_not_accounted_for_still_is_when_a_distress_comes_on_top() -> None:
    log, _, one = spoken()
    for second in range(320, 400):
        one.say(second, "pressure", pressure_bar=0.0)
    one.say(380.5, "alarm", alarm="distress", state="raised")
    see = log.seen_on(LiveBoard(Profile.default()))
    before, now = standing(see(375)), standing(see(390))
    assert {event.what for event in before.values()} == {"not_accounted"}
    assert [(one.what, one.state) for one in between(before, now, 390.0)] == [("distress", "raised")]


def test_an_order_to_evacuate_is_told_until_it_is_lifted_and_stands_in_the_state() -> None:
    log, desk, _ = spoken()
    about = {"incident_id": "I-1", "order": "evacuate", "team": "Larch"}
    in_force = {"incident_id": "I-1", "order": "evacuate", "team": "Larch", "since": "2031-05-04T10:03:20Z"}
    desk.say(200, "order", state="given", standing=[in_force], **about)
    desk.say(260, "order", state="lifted", standing=[], **about)
    see = log.seen_on(LiveBoard(Profile.default()))
    calm, ordered, lifted = (see(at_s) for at_s in (195, 210, 270))
    ((_, state),) = board_states(ordered).items()
    (order,) = state.orders
    assert (order.order, order.team, order.meant, order.waiting) == ("evacuate", "Larch", 1, ("W-1",))
    told = [*between(standing(calm), standing(ordered), 210.0)]
    told += between(standing(ordered), standing(lifted), 270.0)
    said = [(one.what, one.state, one.service, one.incident_id, one.team, one.derived) for one in told]
    assert said == [("evacuate_ordered", how, "trial", "I-1", "Larch", False) for how in ("raised", "ended")]
    alert = cap.alert(told[0], "c1", "control", datetime(2031, 5, 4, tzinfo=UTC)).decode()
    assert "<headline>Evacuation ordered: Larch</headline>" in alert
    everybody = cap.alert(msgspec.structs.replace(told[0], team=None), "c1", "control", datetime.now(UTC))
    assert b"Evacuation ordered: everybody" in everybody


def test_an_order_waits_for_who_was_tallied_out_and_breathes_on_until_a_voice_answers() -> None:
    """Tallied out by mistake, he was meant by nothing, and nobody could acknowledge the order for him."""
    log, desk, _ = spoken()
    desk.say(190, "tally", incident_id="I-1", action="out", wearer_id="W-1", set_id="S-1", team="Larch")
    desk.say(200, "order", state="given", incident_id="I-1", order="evacuate")
    desk.say(250, "note", incident_id="I-1", set_id="S-1", text="Order to evacuate acknowledged by voice")
    see = log.seen_on(LiveBoard(Profile.default()))
    waiting = [
        order.waiting
        for at_s in (240, 255)
        for state in board_states(see(at_s)).values()
        for order in state.orders
    ]
    assert waiting == [("W-1",), ()]


def test_an_alarm_that_the_set_cleared_lasts_until_a_desk_has_seen_it() -> None:
    log, desk, one = spoken()
    one.say(200, "alarm", alarm="distress", state="raised")
    one.say(205, "alarm", alarm="distress", state="cleared")
    desk.say(260, "seen", set_id="S-1", alarm="distress")
    see = log.seen_on(LiveBoard(Profile.default()))
    raised, cleared, seen = (standing(see(at_s)) for at_s in (202, 250, 270))
    assert list(raised) == list(cleared)
    assert not [*between(raised, cleared, 250.0)]
    assert [(told.what, told.state) for told in between(cleared, seen, 270.0)] == [("distress", "ended")]


def test_the_end_comes_before_the_beginning_that_follows_it() -> None:
    """Whoever reads only the last word about a wearer reads the one that holds."""
    before = {"k": distress()}
    told = list(between(before, {"n": distress(key="n", at=0.5)}, 9.0))
    assert [(one.key, one.state) for one in told] == [("k", "ended"), ("n", "raised")]


def say_status(archive: Path, state: Any = "up", ago_s: float = 0.0) -> None:
    """Leave the word of a listener that is there no more."""
    folder = archive / "journal" / "here"
    folder.mkdir(parents=True)
    at = datetime.now(UTC) - timedelta(seconds=ago_s)
    status = Status(listener="here", state=state, at=at, connected=True)
    (folder / FILE_NAME).write_bytes(encode_status(status))


@pytest.mark.parametrize(
    ("state", "ago_s", "sent"), [("up", 0, True), ("up", 60, False), ("stopped", 0, False)]
)
def test_nothing_goes_out_while_no_listener_receives(
    tmp_path: Path, state: Any, ago_s: float, sent: bool, wait_until: Callable[..., Any]
) -> None:
    told: list[Snapshot] = []
    say_status(tmp_path, state, ago_s)
    feed = Feed(HeldArchive(tmp_path), Profile.default(), tell=told.append)
    feed.start()
    try:
        wait_until(lambda: feed._ticks >= 2, what="two looks")
    finally:
        feed.stop()
    assert bool(told) == sent
    assert (feed._why_not_heard(read_statuses(tmp_path)) == "") == sent


def test_the_published_schema_is_the_one_of_the_code() -> None:
    assert SCHEMA.read_text(encoding="utf-8") == board_schema(), (
        "python -m tests.published_interfaces writes it anew"
    )


def test_each_beginning_has_its_end_and_nothing_is_told_twice(moments: list[Snapshot]) -> None:
    before: dict[str, Event] = {}
    told: list[Event] = []
    for snapshot in moments:
        now = standing(snapshot)
        told += between(before, now, snapshot.at)
        before = now
    assert {event.what for event in told} & {"distress", "no_motion"}
    raised = [event.key for event in told if event.state == "raised"]
    ended = [event.key for event in told if event.state == "ended"]
    assert len(raised) == len(set(raised))
    assert set(ended) | set(before) == set(raised)


def test_settings_are_off_by_default_and_wrong_ones_are_refused(tmp_path: Path) -> None:
    assert OutwardSettings() == OutwardSettings(state=False, events=False, cap=None)
    assert load_outward(EXAMPLE).state
    for text, said in [
        ("stat = true", "unknown key 'stat'"),
        (
            '[cap]\nsender = "a b"\naddresses = "c"\ntopic = "t"',
            "a name without spaces and commas, got 'a b'",
        ),
        ('[cap]\nsender = "a"\naddresses = "c"', "a topic, a folder, or both"),
        ("[", "is not TOML"),
    ]:
        (tmp_path / "o.toml").write_text(text)
        with pytest.raises(BadSettings) as refused:
            load_outward(tmp_path / "o.toml")
        assert said in str(refused.value)


def test_an_incident_that_left_the_board_is_cleared_and_so_is_all_at_the_end(
    moments: list[Snapshot], wait_until: Callable[..., Any], tmp_path: Path, standard: Any
) -> None:
    line = HeldLine()
    settings = OutwardSettings(
        state=True, events=True, cap=CapSettings("c1", "control", folder=str(tmp_path))
    )
    outward = Outward(lambda: line, settings, tmp_path / "told.json")  # type: ignore[arg-type,return-value]
    busiest = max(moments, key=lambda snapshot: len(snapshot.rows))
    topics = {f"underair/v1/{service}/board/{incident}" for service, incident in board_states(busiest)}
    nothing = msgspec.structs.replace(busiest, at=busiest.at + 60, rows=(), alarms=(), incidents=())
    outward.start()
    outward.take(busiest)
    wait_until(lambda: topics <= {topic for topic, payload, retain in line.sent if payload and retain})
    outward.take(nothing)
    wait_until(lambda: topics <= {topic for topic, payload, retain in line.sent if not payload and retain})
    outward.take(msgspec.structs.replace(busiest, at=busiest.at + 120))
    wait_until(lambda: line.sent[-1][1] != b"")
    outward.stop()
    assert line.sent[-1][1] == b""
    for alert in tmp_path.glob("*.xml"):
        standard.validate(str(alert))


def test_what_could_not_be_sent_is_not_sent_later(
    moments: list[Snapshot], wait_until: Callable[..., Any], tmp_path: Path
) -> None:
    line = HeldLine()
    line.connected = False
    outward = Outward(lambda: line, OutwardSettings(state=True), tmp_path / "told.json")  # type: ignore[arg-type,return-value]
    outward.start()
    first, second = [snapshot for snapshot in moments if snapshot.rows][:2]
    outward.take(first)
    wait_until(lambda: "away" in outward.trouble)
    line.connected = True
    outward.take(second)
    wait_until(lambda: line.sent)
    outward.stop()
    made = {json.loads(payload)["made_at"] for _, payload, _ in line.sent if payload}
    assert made == {
        json.loads(msgspec.json.encode(state))["made_at"] for state in board_states(second).values()
    }


@pytest.mark.broker
def test_a_wall_display_gets_the_state_when_it_connects_and_the_archive_does_not_keep_it(
    mosquitto: Any, moments: list[Snapshot], tmp_path: Path, wait_until: Callable[..., Any]
) -> None:
    listener = Listener(mosquitto.url, tmp_path, Settings(), say=lambda _: None)
    listener.start()
    assert listener.subscribed.wait(60)
    outward = Outward(
        lambda: Publisher(mosquitto.url), OutwardSettings(state=True, events=True), tmp_path / "told.json"
    )
    outward.start()
    outward.take(max(moments, key=lambda snapshot: len(snapshot.rows)))
    got: list[Any] = []
    came = threading.Event()
    display = paho.Client(paho.CallbackAPIVersion.VERSION2)
    display.on_message = lambda *told: (got.append(told[2]), came.set())
    address = mosquitto.url.removeprefix("mqtt://").split(":")
    wait_until(lambda: outward._shown)
    display.connect(address[0], int(address[1]))
    display.subscribe("underair/v1/+/board/+", 1)
    display.loop_start()
    assert came.wait(60)
    assert got[0].retain
    assert json.loads(got[0].payload)["wearers"]
    display.disconnect()
    display.loop_stop()
    outward.stop()
    assert listener.stop().received == 0
    assert all(frame.is_empty() for frame in Archive(tmp_path).messages().values())


@pytest.mark.broker
@pytest.mark.parametrize("on", [False, True])
def test_pages_with_a_broker_send_nothing_out_unless_it_is_switched_on(
    on: bool, mosquitto: Any, tmp_path: Path, wait_until: Callable[..., Any]
) -> None:
    heard: list[str] = []
    display = paho.Client(paho.CallbackAPIVersion.VERSION2)
    display.on_message = lambda *told: heard.append(told[2].topic)
    address = mosquitto.url.removeprefix("mqtt://").split(":")
    display.connect(address[0], int(address[1]))
    display.subscribe("underair/#", 1)
    display.loop_start()
    now = datetime.now(UTC)
    told = {"kind": "pressure", "set_id": "S-1", "boot": 1, "pressure_bar": 200.0}
    heard_now = [
        Heard(
            moment,
            "underair/v1/demo/set/S-1/pressure",
            json.dumps(told | {"seq": seq, "time": moment.isoformat()}).encode(),
        )
        for seq in range(20)
        for moment in [now - timedelta(seconds=20 - seq)]
    ]
    seal_messages(create_archive(tmp_path), frames_from_heard(heard_now), "one")
    say_status(tmp_path, ago_s=-3600.0)  # fresh for as long as this takes
    settings = OutwardSettings(state=True, events=True) if on else None
    served = Served(tmp_path, mosquitto.url, outward=settings)
    served.start()
    try:
        wait_until(lambda: served.feed.snapshot is not None and served.feed.snapshot.rows, what="it")
        if on:
            wait_until(lambda: heard, what="the state")
        else:
            wait_until(lambda: served.feed._ticks >= 6, what="three seconds of live page")
    finally:
        served.close()
        display.disconnect()
        display.loop_stop()
    events = {"underair/v1/demo/board/events"}  # of a set silent for an hour by the listener's word
    assert set(heard) - events == ({"underair/v1/demo/board/-"} if on else set())
    assert on or not heard


def test_only_our_own_state_is_left_out() -> None:
    assert is_own_state("underair/v1/demo/board/I-1")
    assert not is_own_state("underair/v1/board/set/S-1/pressure")
    assert not is_own_state("underair/v1/demo/set/board/pressure")
    assert not is_own_state("underair/v2/demo/board/I-1")


def test_nothing_is_known_of_an_empty_board() -> None:
    hearing = Hearing(None, 0, 0, None, None)
    assert hearing
    assert board_states(LiveBoard(Profile.default()).snapshot(datetime(2031, 1, 1, tzinfo=UTC))) == {}
