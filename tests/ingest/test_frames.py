from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
from hypothesis import given
from hypothesis import strategies as st

from ingest.contract.captures import Heard
from ingest.contract.columns import ARROW_SCHEMAS, FRAME_SCHEMAS, TABLES, arrow_table, empty_frame
from ingest.contract.frames import FEW, concat, drop_duplicates, frames_from_heard, no_messages
from ingest.contract.kinds import KINDS
from ingest.contract.messages import decode

Pressure = Callable[..., Heard]
VALID = Path(__file__).parent / "samples/valid.ndjson"
SAMPLES = [json.loads(line) for line in VALID.read_text().splitlines()]
AT = datetime(2031, 5, 4, 10, 21, 8, tzinfo=UTC)


def _heard(sample: dict[str, object]) -> Heard:
    text = sample["text"] if "text" in sample else json.dumps(sample["payload"])
    return Heard(AT, str(sample["topic"]), str(text).encode())


def test_every_valid_sample_becomes_a_row_with_its_values() -> None:
    messages = frames_from_heard(_heard(sample) for sample in SAMPLES)
    assert messages["refused"].is_empty()
    rows: dict[str, list[dict[str, object]]] = {kind: messages[kind].to_dicts() for kind in KINDS}
    for sample in SAMPLES:
        heard = _heard(sample)
        kind = heard.topic.rpartition("/")[2]
        row = rows[kind].pop(0)
        decoded = decode(heard.topic, heard.payload)
        assert row["payload"] == heard.payload.decode()
        assert row["topic"] == heard.topic
        assert row["received"] == AT
        for name, value in {each: getattr(decoded, each) for each in decoded.__struct_fields__}.items():
            if name in ("time", "at") and value is not None:
                assert row[name] == datetime.fromisoformat(value.upper())
            elif name in ("cylinders", "corrects") and value is not None:
                assert row[name] == {each: getattr(value, each) for each in value.__struct_fields__}
            elif name not in ("choices", "standing"):
                assert row[name] == value
    assert all(not left for left in rows.values())
    choices = messages["setup"]["choices"].drop_nulls().to_list()
    assert {"count": 2, "water_volume_l": 4.0, "rated_bar": 200.0} in choices[0]


def test_all_frames_are_always_there_with_their_types(pressure: Pressure) -> None:
    for messages in (frames_from_heard([]), frames_from_heard([pressure(1)]), concat([]), no_messages()):
        assert tuple(messages) == TABLES
        for kind, frame in messages.items():
            assert frame.schema == FRAME_SCHEMAS[kind], kind


def test_columns_have_their_unit_in_the_metadata_and_survive_arrow(pressure: Pressure) -> None:
    frame = frames_from_heard([pressure(1)])["pressure"]
    table = arrow_table("pressure", frame)
    assert table.schema.equals(ARROW_SCHEMAS["pressure"], check_metadata=True)
    assert table.schema.field("pressure_bar").metadata[b"unit"] == b"bar"
    back = pl.from_arrow(table)
    assert isinstance(back, pl.DataFrame)
    assert back.equals(frame)
    for kind in TABLES:
        assert arrow_table(kind, empty_frame(kind)).num_rows == 0


def test_refused_message_is_a_row_with_reason_path_and_payload(pressure: Pressure) -> None:
    bad = pressure(1, pressure_bar=4200.0)
    messages = frames_from_heard([pressure(0), bad, pressure(2), Heard(AT, "x", b"\xff")])
    assert messages["pressure"]["seq"].to_list() == [0, 2]
    kpa, noise = messages["refused"].to_dicts()
    assert kpa["payload"] == bad.payload
    assert kpa["path"] == "$.pressure_bar"
    assert "is it in kPa" in kpa["reason"]
    assert noise["path"] is None
    assert noise["payload"] == b"\xff"


def test_times_in_any_spelling_are_the_same_instant(pressure: Pressure) -> None:
    day, hour = "2031-05-04", "10:00:00"
    spelt = [f"{day}T{hour}Z", f"{day}T12:00:00+02:00", f"{day}t{hour}.000000z", f"{day} {hour}Z"]
    for lot in (spelt, FEW * spelt):  # read one by one, and in bulk
        frame = frames_from_heard(pressure(seq, time=text) for seq, text in enumerate(lot))["pressure"]
        assert frame["time"].to_list() == [datetime(2031, 5, 4, 10, tzinfo=UTC)] * len(lot)


_any_time = st.datetimes(datetime(1969, 1, 1), datetime(2199, 12, 31)).map(lambda at: at.isoformat() + "Z")


@given(st.lists(_any_time, max_size=5), st.sampled_from([1, FEW + 1]))
def test_any_time_is_read_to_the_microsecond(texts: list[str], times: int) -> None:
    texts = times * texts
    heard = [
        Heard(
            AT,
            "underair/v1/demo/set/S/link",
            json.dumps({"kind": "link", "set_id": "S", "seq": seq, "time": text, "state": "up"}).encode(),
        )
        for seq, text in enumerate(texts)
    ]
    frame = frames_from_heard(heard)["link"]
    assert frame["time"].to_list() == [datetime.fromisoformat(text) for text in texts]


def test_duplicates_are_kept_once_and_conflicts_both(pressure: Pressure) -> None:
    again = pressure(1)._replace(received=AT)
    conflict = pressure(1, pressure_bar=100.0)
    messages = drop_duplicates(frames_from_heard([pressure(1), again, conflict, pressure(2)]))
    assert messages["pressure"]["pressure_bar"].to_list() == [200.5, 100.0, 200.5]
    assert messages["pressure"]["received"].to_list()[0] == pressure(1).received


def test_last_wills_are_told_apart_by_topic_and_time_of_receipt() -> None:
    will = Heard(AT, "underair/v1/demo/set/S/link", b'{"kind":"link","set_id":"S","state":"down"}')
    other_service = will._replace(topic="underair/v1/other/set/S/link")
    later = will._replace(received=AT.replace(minute=50))
    messages = drop_duplicates(frames_from_heard([will, later, will, other_service]))
    assert messages["link"].height == 3
    named = Heard(AT, will.topic, b'{"kind":"link","set_id":"S","boot":1,"seq":2,"state":"down"}')
    both = frames_from_heard([named, named._replace(received=later.received)])
    assert drop_duplicates(both)["link"].height == 1


def test_refused_message_heard_twice_stays_twice() -> None:
    bad = Heard(AT, "x", b"y")
    assert drop_duplicates(frames_from_heard([bad, bad]))["refused"].height == 2
