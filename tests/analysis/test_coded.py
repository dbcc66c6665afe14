"""Names as numbers: the same answers as from texts, and the same files."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, date, datetime

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from analysis.simulation.shipped_years import read_three_years
from analysis.trends.before_after import changes
from analysis.trends.comparisons import above_the_usual, signals
from analysis.trends.forecast_audit import audited, by_hardness, by_month, lines_of
from analysis.trends.ledger import OWN, SCHEMAS, Ledger, coded, plain, with_falls
from analysis.trends.measures import MEANS, judged_months, sums_by
from analysis.trends.measures import by_month as wears_by_month
from analysis.trends.naming import codes_of, numbered, numbers_of, strata_of
from analysis.trends.publishing import due
from analysis.trends.roster import with_station_and_role
from analysis.trends.sets import events_of, set_counts

NOW = datetime(2032, 3, 10, tzinfo=UTC)
Both = tuple[Ledger, Ledger]


def rounded(found: Sequence[object]) -> list[str]:
    """Sums in another order differ in their last digits only."""
    return [re.sub(r"\d+\.\d+(e-\d+)?", lambda one: f"{float(one[0]):.9g}", repr(one)) for one in found]


@pytest.fixture(scope="module")
def both() -> Both:
    ledger, roster = read_three_years(NOW)
    numbers = {name: coded(frame) for name, frame in ledger.items()}
    for one in (ledger, numbers):
        one["wears"] = with_station_and_role(one["wears"], roster)
    return ledger, numbers


def test_numbers_become_the_same_texts_again(both: Both) -> None:
    texts, numbers = both
    for name in SCHEMAS:
        kept = {name for name, dtype in numbers[name].schema.items() if dtype == pl.String}
        assert kept <= set(OWN)
        assert_frame_equal(plain(numbers[name]), texts[name])


def test_what_stands_out_is_the_same(both: Both) -> None:
    texts, numbers = (signals(one["wears"], one["set_events"], running=date(2032, 3, 1)) for one in both)
    assert texts.found
    assert numbers.comparisons == texts.comparisons
    for one, other in zip(numbers.found, texts.found, strict=True):
        assert (one.part, one.name, one.measure, one.how) == (
            other.part,
            other.name,
            other.measure,
            other.how,
        )
        assert one.chance == pytest.approx(other.chance, rel=1e-9)
        assert one.value == pytest.approx(other.value, rel=1e-9)


def test_sums_sets_and_judged_months_are_the_same(both: Both) -> None:
    texts, numbers = both
    events = [with_falls(one["set_events"], one["wears"]) for one in both]
    assert len(events[0]) == len(events[1])
    for by in ("station", "role", "kind"):
        assert_frame_equal(
            plain(sums_by(numbers["wears"], by)), sums_by(texts["wears"], by), check_column_order=True
        )
    assert_frame_equal(wears_by_month(numbers["wears"]), wears_by_month(texts["wears"]))
    assert_frame_equal(
        plain(set_counts(numbers["wears"], events[1])),
        set_counts(texts["wears"], events[0]),
    )
    drills = [one["wears"].filter(pl.col("kind") == "drill") for one in both]
    assert_frame_equal(
        plain(events_of(numbers["set_events"], numbers["wears"], drills[1])),
        events_of(texts["set_events"], texts["wears"], drills[0]),
    )
    marks = [judged_months(one["wears"], date(2031, 1, 1)) for one in both]
    assert {name: one.marks for name, one in marks[0].items()} == {
        name: one.marks for name, one in marks[1].items()
    }
    assert rounded(changes(numbers["wears"], date(2029, 6, 1))) == rounded(
        changes(texts["wears"], date(2029, 6, 1))
    )


def test_forecasts_and_what_is_published_are_the_same(both: Both) -> None:
    texts = both[0]
    here = pl.col("station") == "Station 2"
    chosen = texts["wears"].filter(here)
    alone = lines_of(texts["forecasts"].join(chosen, on="wear_id", how="semi"), chosen)
    for one in both:
        whole = one["wears"].with_row_index("row").cast({"row": pl.Int32})
        some = whole.filter(here)
        lines = lines_of(one["forecasts"], whole).of(some)
        assert rounded(audited(lines)) == rounded(audited(alone))
        assert rounded(by_month(lines)) == rounded(by_month(alone))
        assert rounded(by_hardness(lines, some)) == rounded(by_hardness(alone, chosen))
    published = [due(one["wears"], date(2030, 1, 1), {}) for one in both]
    assert published[0]
    assert published[0] == published[1]


def test_amounts_above_the_usual_are_those_of_a_plain_group(both: Both) -> None:
    wears = both[0]["wears"]
    lot = [pl.col("kind"), pl.col("task").fill_null(""), pl.col("started").dt.truncate("1q")]
    found = above_the_usual(wears, strata_of(wears))
    for name in MEANS:
        plainly = wears.select(pl.col(name) - pl.col(name).mean().over(lot)).to_series()
        assert found[name][1] == pytest.approx(plainly.to_numpy(), abs=1e-9, nan_ok=True)


def test_codes_are_in_the_order_of_the_words() -> None:
    column = pl.Series("a", ["b", None, "a", "c", "a"])
    for one in (column, column.cast(pl.Categorical())):
        codes, names = codes_of(one)
        assert (codes.tolist(), names) == ([1, -1, 0, 2, 0], ["a", "b", "c"])
    assert numbers_of(column)[1] == -1
    for keys in ([5, 3, 5, 9], [5, 3, 5, 1 << 40]):
        assert numbered(pl.Series(keys).to_numpy()).tolist() == [1, 0, 1, 2]
