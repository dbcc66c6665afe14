"""A set's own memory as CSV: columns to contract fields, units converted, joined with what came by radio."""

from __future__ import annotations

import contextlib
import json
import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.incident import analyse
from analysis.profile import Profile
from ingest.archive.folder import Counts
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from ingest.contract.captures import Heard
from ingest.contract.errors import BadCapture, BadSettings
from ingest.contract.frames import frames_from_heard
from ingest.contract.units import known_units, to_contract_unit
from ingest.importing import import_capture
from ingest.memory import EXAMPLE, import_memory, load_mapping
from tests.verbs import underair

Pressure = Callable[..., Heard]
NOW = datetime(2031, 5, 6, 9, 0, tzinfo=UTC)
CSV = """when;unit;power-ups;record;tank psi;gas F;event
05/04/2031 10:00:01;S-014;17;1;2908;;
05/04/2031 10:00:02;S-014;17;2;2922;68;
05/04/2031 10:00:03;S-014;17;3;2910.5;;
05/04/2031 10:00:04;S-014;17;4;;;DISTRESS
05/04/2031 10:00:05;S-014;17;5;;;SOMETHING
05/04/2031 10:00:05;S-014;17;x;2900;;
05/04/2031 10:00:07;S-014;17;7;29000;;
05/04/2031 10:00:02;S-014;17;2;2922;68;
"""


@pytest.fixture
def memory(tmp_path: Path) -> Path:
    path = tmp_path / "S-014.csv"
    path.write_text(CSV)
    return path


def test_memory_fills_what_the_radio_lost(tmp_path: Path, memory: Path, pressure: Pressure) -> None:
    archive = tmp_path / "archive"
    seal_messages(archive, frames_from_heard([pressure(1), pressure(3)]), "import-radio")
    done = import_memory(memory, load_mapping(EXAMPLE), archive, NOW)
    counts, reasons = done.counts, list(done.reasons)
    assert counts == Counts(received=7, kept=2, duplicates=3, refused=2)
    messages = Archive(archive).messages()
    rows = {row["seq"]: row for row in messages["pressure"].to_dicts()}
    assert sorted(rows) == [1, 2, 3]
    assert rows[2]["pressure_bar"] == pytest.approx(201.465, abs=0.001)
    assert rows[2]["gas_temperature_c"] == 20.0
    assert rows[2]["time"] == datetime(2031, 5, 4, 10, 0, 2, tzinfo=UTC)
    assert rows[2]["received"] == NOW
    assert json.loads(rows[2]["payload"])["origin"] == "memory"
    assert "origin" not in json.loads(rows[1]["payload"]), "what came by radio stays"
    assert messages["alarm"].select("alarm", "state", "seq").rows() == [("distress", "raised", 4)]
    assert "seq must be an integer, got 'x'" in reasons[0]
    assert "pressure_bar must be a number 0..500 bar, got 1999.47" in reasons[1]
    assert sorted(str(path) for path in messages["refused"]["path"]) == ["$.pressure_bar", "line 7"]
    again = import_memory(memory, load_mapping(EXAMPLE), archive, NOW).counts
    assert again == Counts(received=7, kept=0, duplicates=5, refused=2)
    assert Archive(archive).messages()["refused"].height == 2


def test_what_another_services_set_of_this_id_sent_is_not_in_this_sets_memory(
    tmp_path: Path, memory: Path, pressure: Pressure
) -> None:
    archive = tmp_path / "archive"
    there = [one._replace(topic=one.topic.replace("demo", "other")) for one in (pressure(1), pressure(3))]
    seal_messages(archive, frames_from_heard(there), "import-radio")
    assert import_memory(memory, load_mapping(EXAMPLE), archive, NOW).counts.kept == 4
    assert Archive(archive).messages()["pressure"]["service"].to_list().count("demo") == 3


def test_example_documents_every_option() -> None:
    text = EXAMPLE.read_text()
    for option in (
        "service",
        "set_id",
        "boot",
        "seq",
        "delimiter",
        "decimal",
        "encoding",
        "skip_lines",
        "columns",
    ):
        assert re.search(rf"^{option} = ", text, re.MULTILINE), option
    for option in (
        "column",
        "value",
        "unit",
        "words",
        "optional",
        "when",
        "one_of",
        "format",
        "utc_offset",
        "zone",
    ):
        assert re.search(rf"\b{option} = ", text), option
    for units in (known_units(unit) for unit in ("bar", "°C", "s", "m/s²", "1")):
        assert " ".join(units) in text


@pytest.mark.parametrize(
    ("value", "unit", "contract_unit", "expected"),
    [
        # NIST SP 811 (2008), appendix B.8 (from memory): 1 psi = 6.894757 kPa; °C = (°F - 32)/1.8; K - 273.15
        (1, "psi", "bar", 0.06894757293),
        (4350, "psi", "bar", 299.9219),
        (30_000, "kPa", "bar", 300),
        (30, "MPa", "bar", 300),
        (212, "°F", "°C", 100),
        (-40, "°F", "°C", -40),
        (273.15, "K", "°C", 0),
        (90, "s", "min", 1.5),
        (1, "g", "m/s²", 9.80665),
        (93, "%", "1", 0.93),
    ],
)
def test_units_become_those_of_the_contract(
    value: float, unit: str, contract_unit: str, expected: float
) -> None:
    assert to_contract_unit(value, unit, contract_unit) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (('unit = "psi"', 'unit = "atm"'), "unit must be one of bar, kPa, MPa, Pa, psi, got 'atm'"),
        (("pressure_bar =", "presure_bar ="), "pressure has no field 'presure_bar'; it has set_id, boot"),
        (('kind = "pressure"', 'kind = "note"'), "kind must be one of pressure"),
        (("skip_lines", "skip_rows"), r"unknown key 'skip_rows' \(at \$.csv.skip_rows\)"),
        (('decimal = "."', 'decimal = "x"'), r"""expected one of ".", ",", got 'x' \(at \$.csv.decimal\)"""),
        (('service = "demo"', "service ="), "is not TOML"),
    ],
)
def test_wrong_mapping_is_named(tmp_path: Path, change: tuple[str, str], said: str) -> None:
    path = tmp_path / "mapping.toml"
    text = EXAMPLE.read_text()
    assert change[0] in text
    path.write_text(text.replace(*change))
    with pytest.raises(BadSettings, match=said):
        load_mapping(path)


def test_missing_column_and_wrong_encoding_are_named(tmp_path: Path, memory: Path) -> None:
    memory.write_text(CSV.replace("tank psi", "tank bar"))
    with pytest.raises(BadCapture, match="has no column 'tank psi'; it has when, unit"):
        import_memory(memory, load_mapping(EXAMPLE), tmp_path / "a", NOW)
    memory.write_bytes(b"")
    with pytest.raises(BadCapture, match="it has none: it is empty, or skip_lines skips all; correct"):
        import_memory(memory, load_mapping(EXAMPLE), tmp_path / "a", NOW)
    memory.write_bytes(CSV.encode() + b"\xff")
    with pytest.raises(BadCapture, match="cannot be read as utf-8 CSV"):
        import_memory(memory, load_mapping(EXAMPLE), tmp_path / "a", NOW)


def test_decimal_comma_and_lines_before_the_names(tmp_path: Path, memory: Path) -> None:
    mapping = tmp_path / "mapping.toml"
    text = (
        EXAMPLE.read_text()
        .replace('decimal = "."', 'decimal = ","')
        .replace("skip_lines = 0", "skip_lines = 2")
    )
    mapping.write_text(text)
    memory.write_text("Set record\n\n" + CSV.splitlines()[0] + "\n05/04/2031 10:00:03;S-014;17;3;2910,5;;\n")
    counts = import_memory(memory, load_mapping(mapping), tmp_path / "a", NOW).counts
    assert counts.kept == 1
    value = Archive(tmp_path / "a").messages()["pressure"]["pressure_bar"][0]
    assert value == pytest.approx(2910.5 * 0.0689475729, rel=1e-6)


@pytest.mark.parametrize(
    ("form", "written", "taken"),
    [
        ("", "2031-05-04T12:00:03+02:00", "2031-05-04T10:00:03Z"),
        ("%d.%m.%Y %H:%M:%S %z", "04.05.2031 12:00:03 +0200", "2031-05-04T10:00:03Z"),
        ("%m/%d/%Y %H:%M:%S", "05/04/2031 10:00:03", "2031-05-04T10:00:03Z"),
        ("%m/%d/%Y %H:%M:%S", "04.05.2031", None),
    ],
)
def test_a_time_is_read_as_the_mapping_says_or_refused(
    tmp_path: Path, memory: Path, form: str, written: str, taken: str | None
) -> None:
    mapping = tmp_path / "mapping.toml"
    mapping.write_text(EXAMPLE.read_text().replace('format = "%m/%d/%Y %H:%M:%S"', f'format = "{form}"'))
    memory.write_text(f"{CSV.splitlines()[0]}\n{written};S-014;17;3;2910;;\n")
    done = import_memory(memory, load_mapping(mapping), tmp_path / "a", NOW)
    counts, reasons = done.counts, list(done.reasons)
    if taken is None:
        assert (counts.kept, counts.refused) == (0, 1)
        assert f"time '{written}': " in reasons[0]
    else:
        times = Archive(tmp_path / "a").messages()["pressure"]["time"].to_list()
        assert times == [datetime.fromisoformat(taken)]


def test_files_that_cannot_be_opened_are_named(tmp_path: Path) -> None:
    with pytest.raises(BadSettings, match=r"mapping .*none\.toml cannot be read: No such file"):
        load_mapping(tmp_path / "none.toml")
    with pytest.raises(BadCapture, match=r"none\.csv cannot be read: No such file"):
        import_memory(tmp_path / "none.csv", load_mapping(EXAMPLE), tmp_path / "a", NOW)
    with pytest.raises(BadCapture, match=r"none\.ndjson cannot be read: No such file"):
        import_capture(tmp_path / "none.ndjson", tmp_path / "a")


@given(body=st.binary(max_size=300), header=st.booleans())
def test_any_bytes_are_rows_or_a_sentence(
    body: bytes, header: bool, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("memory")
    path = folder / "x.csv"
    path.write_bytes((CSV.splitlines()[0].encode() + b"\n" if header else b"") + body)
    with contextlib.suppress(BadCapture):
        counts = import_memory(path, load_mapping(EXAMPLE), folder / "archive", NOW).counts
        assert counts.received == counts.kept + counts.duplicates + counts.refused


def test_import_verb_takes_a_mapping(tmp_path: Path, memory: Path) -> None:
    command = ["import", memory, "--archive", tmp_path / "archive", "--json"]
    without = underair(*command)
    assert without.returncode == 1
    assert "a CSV file needs --mapping" in without.stderr
    done = underair(*command, "--mapping", EXAMPLE)
    assert done.returncode == 3, done.stderr
    assert json.loads(done.stdout) == {"received": 7, "kept": 4, "duplicates": 1, "refused": 2}


def mapped(tmp_path: Path, *changes: tuple[str, str]) -> Path:
    text = EXAMPLE.read_text()
    for before, after in changes:
        assert before in text, before
        text = text.replace(before, after, 1)
    (tmp_path / "mapping.toml").write_text(text)
    return tmp_path / "mapping.toml"


def test_a_row_with_a_pressure_and_an_event_gives_two_identities(tmp_path: Path) -> None:
    """Both carried the row's number: two messages of one identity, and a false finding of a conflict."""
    (tmp_path / "log.csv").write_text(
        "when;unit;power-ups;record;tank psi;gas F;event\n"
        "05/04/2031 10:00:01;S-014;17;1;2908;;\n"
        "05/04/2031 10:00:02;S-014;17;2;2900;;DISTRESS\n"
        "05/04/2031 10:00:03;S-014;17;3;2890;;\n"
        "05/04/2031 10:00:03;S-014;18;1;2890;;\n"
    )
    done = import_memory(tmp_path / "log.csv", load_mapping(EXAMPLE), tmp_path / "archive", NOW)
    counts, reasons = done.counts, list(done.reasons)
    assert (counts, reasons) == (Counts(received=5, kept=5, duplicates=0, refused=0), [])
    messages = Archive(tmp_path / "archive").messages()
    assert messages["pressure"].select("boot", "seq").sort("boot", "seq").rows() == [
        (17, 1),
        (17, 2),
        (17, 4),
        (18, 1),
    ]
    assert messages["alarm"].select("boot", "seq").rows() == [(17, 3)]
    findings = analyse(messages, Profile.default())["findings"]
    assert "conflicting_records" not in findings["code"].to_list()
    again = import_memory(tmp_path / "log.csv", load_mapping(EXAMPLE), tmp_path / "archive", NOW).counts
    assert again == Counts(received=5, kept=0, duplicates=5, refused=0)


def test_an_event_with_a_number_of_its_own_keeps_it(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text(
        "when;unit;power-ups;record;tank psi;gas F;event;event record\n"
        "05/04/2031 10:00:02;S-014;17;2;2900;;DISTRESS;7\n"
        "05/04/2031 10:00:03;S-014;17;3;2890;;;\n"
    )
    change = ('kind = "alarm"\n', 'kind = "alarm"\nseq = { column = "event record" }\n')
    mapping = load_mapping(mapped(tmp_path, change))
    import_memory(tmp_path / "log.csv", mapping, tmp_path / "archive", NOW)
    messages = Archive(tmp_path / "archive").messages()
    assert messages["alarm"]["seq"].to_list() == [7]
    assert sorted(messages["pressure"]["seq"]) == [2, 3]


def test_a_clock_with_summer_time_is_read_in_the_order_of_the_rows(tmp_path: Path) -> None:
    # Europe/Berlin: back from 03:00 to 02:00 at 01:00 UTC on 2031-10-26, ahead from 02:00 to 03:00 at
    # 01:00 UTC on 2031-03-30 (directive 2000/84/EC, from memory).
    lines = ["10/26/2031 01:59:59", "10/26/2031 02:30:00", "10/26/2031 02:59:59", "10/26/2031 02:00:00",
             "10/26/2031 02:30:00", "10/26/2031 03:00:00", "03/30/2031 02:30:00"]  # fmt: skip
    rows = "".join(f"{text};S-014;17;{number};2900;;\n" for number, text in enumerate(lines, 1))
    (tmp_path / "log.csv").write_text("when;unit;power-ups;record;tank psi;gas F;event\n" + rows)
    mapping = load_mapping(mapped(tmp_path, ('zone = ""', 'zone = "Europe/Berlin"')))
    done = import_memory(tmp_path / "log.csv", mapping, tmp_path / "archive", NOW)
    counts, reasons = done.counts, list(done.reasons)
    assert counts == Counts(received=7, kept=6, duplicates=0, refused=1)
    assert "it does not exist in Europe/Berlin (clocks went forward)" in reasons[0]
    times = Archive(tmp_path / "archive").messages()["pressure"].sort("seq")["time"]
    assert [f"{time:%d %H:%M:%S}" for time in times] == [
        "25 23:59:59",
        "26 00:30:00",
        "26 00:59:59",
        "26 01:00:00",
        "26 01:30:00",
        "26 02:00:00",
    ]
    with pytest.raises(BadSettings, match="IANA name"):
        load_mapping(mapped(tmp_path, ('zone = ""', 'zone = "Mars/Olympus"')))


def test_a_file_without_a_line_of_names_is_read_by_the_mappings(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text("05/04/2031 10:00:01;S-014;17;1;2908;;\n")
    names = 'columns = ["when", "unit", "power-ups", "record", "tank psi", "gas F", "event"]'
    mapping = load_mapping(mapped(tmp_path, ("columns = []", names)))
    counts = import_memory(tmp_path / "log.csv", mapping, tmp_path / "archive", NOW).counts
    assert counts.kept == 1


def radio_and_memory(tmp_path: Path, pressure: Pressure) -> tuple[Path, str]:
    """Give an archive with every second message of a set, and the CSV of all of them."""
    archive = tmp_path / "archive"
    heard = [pressure(seq) for seq in range(0, 40, 2)]
    seal_messages(archive, frames_from_heard(heard), "import-radio")
    first = json.loads(heard[0].payload)
    begun = datetime.fromisoformat(first["time"])
    lines = [
        f"{begun + timedelta(seconds=seq):%m/%d/%Y %H:%M:%S};{first['set_id']};{first['boot']};{seq};2900;;"
        for seq in range(40)
    ]
    return archive, "\n".join([CSV.splitlines()[0], *lines])


@pytest.mark.parametrize(
    ("seq_s", "offset_h", "said"),
    [
        (0, 0.0, None),
        (2, 0.0, None),  # within the scatter of one message's times
        (3, 0.0, "number 4 of set"),  # another message
        (5000, 0.0, "number 5000 of set"),  # the log has numbers of its own
        (0, 2.0, "UTC here, and number 0 by radio is of"),
        (0, -2.0, "UTC here, and number 0 by radio is of"),
    ],
)
def test_a_memory_with_other_numbers_or_times_than_the_radio_is_refused(
    tmp_path: Path, pressure: Pressure, seq_s: int, offset_h: float, said: str | None
) -> None:
    """Two wears of one person at the same time, twice the air, a cylinder changed backwards in time."""
    archive, text = radio_and_memory(tmp_path, pressure)
    lines = text.splitlines()
    moved = [lines[0]]
    for line in lines[1:]:
        when, unit, boot, seq, *rest = line.split(";")
        at = datetime.strptime(when, "%m/%d/%Y %H:%M:%S") + timedelta(hours=offset_h)
        moved.append(";".join([f"{at:%m/%d/%Y %H:%M:%S}", unit, boot, str(int(seq) + seq_s), *rest]))
    path = tmp_path / "memory.csv"
    path.write_text("\n".join(moved))
    before = Archive(archive).messages()["pressure"].height
    if said is None:
        assert import_memory(path, load_mapping(EXAMPLE), archive, NOW).counts.kept > 0
        return
    with pytest.raises(BadCapture, match=said) as told:
        import_memory(path, load_mapping(EXAMPLE), archive, NOW)
    assert "Nothing was imported" in str(told.value)
    assert Archive(archive).messages()["pressure"].height == before


@pytest.mark.parametrize(("boot", "minutes", "refused"), [(1, 0, True), (1, 10, False)])
def test_a_memory_of_another_boot_than_the_radio_s_of_that_time_is_refused(
    tmp_path: Path, pressure: Pressure, boot: int, minutes: int, refused: bool
) -> None:
    """It would be a second wear of the set, by nobody, over the same minutes."""
    archive, text = radio_and_memory(tmp_path, pressure)
    head, *lines = text.splitlines()
    moved = [head]
    for line in lines:
        when, unit, _, *rest = line.split(";")
        at = datetime.strptime(when, "%m/%d/%Y %H:%M:%S") + timedelta(minutes=minutes)
        moved.append(";".join([f"{at:%m/%d/%Y %H:%M:%S}", unit, str(boot), *rest]))
    path = tmp_path / "memory.csv"
    path.write_text("\n".join(moved))
    if refused:
        with pytest.raises(
            BadCapture, match=r"are of boot 1, and by radio boot .* was heard at about these times"
        ):
            import_memory(path, load_mapping(EXAMPLE), archive, NOW)
    else:
        assert import_memory(path, load_mapping(EXAMPLE), archive, NOW).counts.kept == 40
