"""What a fault of an archive says: which file, what is left out of answers, and what to do."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest

from ingest.archive.trouble import Fault, Trouble

AT = datetime(2031, 5, 4, 22, 0, 0, tzinfo=UTC)
LATER = timedelta(hours=1)


def fault(**more: object) -> Fault:
    said = {"kind": "pressure", "rows": 1200, "first": AT, "last": AT + LATER} | more
    return Fault("altered", "pressure/date=2031-05-04/a.parquet", "it changed", **said)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("more", "left_out"),
    [
        ({}, " Left out: 1,200 pressure messages, received 2031-05-04 22:00:00 to 23:00:00 UTC."),
        ({"rows": 0}, ""),
        ({"rows": 1, "first": None}, " Left out: 1 pressure message."),
        ({"rows": 1, "last": None}, " Left out: 1 pressure message."),
        (
            {"rows": 2, "last": AT + 2 * LATER},
            " Left out: 2 pressure messages, received 2031-05-04 22:00:00 to 2031-05-05 00:00:00 UTC.",
        ),
        (
            {"rows": 2, "first": AT.astimezone(timezone(5 * LATER)), "speakers": ("S-1",)},
            " Left out: 2 pressure messages of S-1, received 2031-05-04 22:00:00 to 23:00:00 UTC.",
        ),
        (
            {"rows": 2, "first": None, "speakers": ("S-1", "S-2"), "more_speakers": 3},
            " Left out: 2 pressure messages of S-1, S-2 and 3 more.",
        ),
        ({"rows": 2, "first": None, "more_speakers": 3}, " Left out: 2 pressure messages of 3 more."),
    ],
)
def test_a_part_says_what_is_left_out(more: dict[str, object], left_out: str) -> None:
    where = "pressure/date=2031-05-04/a.parquet"
    assert fault(**more).sentence() == f"Cannot read `{where}`: it changed.{left_out}"


def test_a_manifest_and_a_foreign_file_say_what_they_are() -> None:
    assert Fault("manifest", "m", "it is torn").sentence() == "The manifest `m` is damaged: it is torn."
    assert Fault("foreign", "f", "nobody sealed it").sentence() == "`f` is not read: nobody sealed it."


def test_a_fault_concerns_the_time_that_it_may_touch() -> None:
    second = timedelta(seconds=1)
    one = fault()
    assert one.concerns(AT + LATER, AT + 2 * LATER)
    assert one.concerns(AT - LATER, AT)
    assert not one.concerns(AT + LATER + second, AT + 2 * LATER)
    assert not one.concerns(AT - LATER, AT - second)
    assert fault(first=None).concerns(AT + 2 * LATER, AT + 2 * LATER)
    assert fault(last=None).concerns(AT - LATER, AT - LATER)
    both = Trouble("a", (one, fault(first=None)))
    assert len(list(both.within(AT + 2 * LATER, AT + 3 * LATER))) == 1


@pytest.mark.parametrize(("count", "more"), [(5, None), (6, "1 more file"), (7, "2 more files")])
def test_five_faults_are_said_and_the_others_counted(count: int, more: str | None) -> None:
    said = Trouble("a", (fault(),) * count).sentences()
    assert said[-1] == "Run `underair verify a` for details, or restore the files from a backup."
    assert said[:5] == [fault().sentence()] * 5
    assert said[5:-1] == ([f"{more} of the archive cannot be trusted."] if more else [])
    assert Trouble("a").sentences() == []
