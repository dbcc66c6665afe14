"""The roster: both forms say the same, contradictions are refused, a wear has the station of its day."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl
import pytest

from analysis.trends.ledger import WEARS
from analysis.trends.roster import (
    FAR,
    BadRoster,
    load_roster,
    parse_roster,
    roster_beside,
    with_station_and_role,
)

TOML = """
[[wearer]]
wearer = "W-1"
station = "Station 1"
role = "firefighter"
until = 2031-03-31

[[wearer]]
wearer = "W-1"
station = "Station 2"
role = "crew commander"
from = 2031-04-01

[[wearer]]
wearer = "W-2"
station = "Station 2"
"""
CSV = """wearer,station,role,from,until
W-1,Station 1,firefighter,,2031-03-31
W-1,Station 2,crew commander,2031-04-01,
W-2,Station 2,,,
"""


def wears(*days: tuple[str | None, date]) -> pl.DataFrame:
    rows = [
        {"wearer_id": who, "started": datetime(day.year, day.month, day.day, 12, tzinfo=UTC)}
        for who, day in days
    ]
    return pl.DataFrame(rows, schema={"wearer_id": pl.String, "started": WEARS["started"]})


def test_toml_and_csv_say_the_same() -> None:
    assert parse_roster(TOML, "roster.toml", "toml").equals(parse_roster(CSV, "roster.csv", "csv"))


def test_a_wear_has_the_station_of_its_day() -> None:
    roster = parse_roster(CSV, "roster.csv", "csv")
    assert roster["until"].to_list() == [date(2031, 3, 31), FAR, FAR]
    told = with_station_and_role(
        wears(
            ("W-2", date(2031, 5, 1)),
            ("W-1", date(2031, 3, 31)),
            ("W-1", date(2031, 4, 1)),
            ("W-9", date(2031, 4, 1)),
            (None, date(2031, 4, 1)),
        ),
        roster,
    )
    assert told["station"].to_list() == ["Station 2", "Station 1", "Station 2", None, None]
    assert told["role"].to_list() == [None, "firefighter", "crew commander", None, None]


def test_long_names_of_any_script_are_names() -> None:
    for name in (
        "Feuer- und Rettungswache Niederoderwitz-Süd",
        "Пожарно-спасательная часть № 14 Заречная Слобода",
    ):
        assert len(name) > 40
        assert parse_roster(f"wearer,station\nW-1,{name}\n", "roster.csv", "csv")["station"].to_list() == [
            name
        ]


def test_after_the_last_day_nobody_knows() -> None:
    roster = parse_roster("wearer,station,until\nW-1,Station 1,2031-03-31\n", "roster.csv", "csv")
    assert with_station_and_role(wears(("W-1", date(2031, 4, 1))), roster)["station"].to_list() == [None]


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("wearer,station\nW 1,Station 1\n", "entry 1: wearer must be a pseudonym"),
        ("wearer,station\nW-1,\n", "entry 1: wearer W-1 has no station"),
        (f"wearer,station\nW-1,{'A' * 81}\n", "station must be a text of 1 to 80 characters"),
        ("wearer,station,from\nW-1,A,May\n", "from must be a day such as 2031-04-01, got 'May'"),
        ("wearer,station,from,until\nW-1,A,2031-05-02,2031-05-01\n", "until 2031-05-01 is before from"),
        ("wearer,station,name\nW-1,A,x\n", "unknown key name"),
        ("person,station\n", "must name the columns wearer, station, role, from, until"),
        ("wearer,station\nW-1,A\nW-1,B\n", "end the first before the second"),
    ],
)
def test_contradictions_are_refused_with_their_place(text: str, sentence: str) -> None:
    with pytest.raises(BadRoster, match=r"roster roster\.csv") as refused:
        parse_roster(text, "roster.csv", "csv")
    assert sentence in str(refused.value)


def test_toml_with_anything_else_is_refused() -> None:
    with pytest.raises(BadRoster, match=r"and \[\[equipment\]\] tables and nothing else, got key"):
        parse_roster('key = "x"', "roster.toml", "toml")


def test_the_roster_beside_an_archive_is_found(tmp_path: Path) -> None:
    assert roster_beside(tmp_path).is_empty()
    (tmp_path / "roster.csv").write_text(CSV)
    found = roster_beside(tmp_path)
    assert found is not None
    assert found.height == 3
    with pytest.raises(BadRoster, match=r"ends in \.toml or \.csv"):
        load_roster(tmp_path / "roster.xlsx")


def test_a_roster_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    with pytest.raises(BadRoster, match=r"cannot read the roster .*none\.csv"):
        load_roster(tmp_path / "none.csv")
    (tmp_path / "roster.csv").write_bytes("wearer,station\nW-1,Zürich\n".encode("latin-1"))
    with pytest.raises(BadRoster, match=r"cannot read the roster .*roster\.csv"):
        load_roster(tmp_path / "roster.csv")
    with pytest.raises(BadRoster, match=r"roster roster\.toml is not TOML"):
        parse_roster("[[wearer]\n", "roster.toml", "toml")


def test_a_day_with_a_time_is_its_day() -> None:
    text = '[[wearer]]\nwearer = "W-1"\nstation = "A"\nfrom = 2031-04-01T00:00:00\n'
    assert parse_roster(text, "roster.toml", "toml")["from"].to_list() == [date(2031, 4, 1)]
