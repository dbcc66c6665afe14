"""The sections of the trends page: what stands out, stations, wearers, rest, planning, sets, what is due."""

import math
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl
from dash import html

from analysis.air.gas import Cylinder
from analysis.profile import Profile
from analysis.trends.before_after import Change
from analysis.trends.comparisons import PEOPLE_FLAGS, RECENT_WEARS, Signal, Standing
from analysis.trends.false_marks import FalseMarks
from analysis.trends.ledger import THERMAL_CLASSES
from analysis.trends.measures import AMOUNTS, EVENTS, FEWEST_WEARS_FOR_A_RATE, FLAGS, PER_WEARS, wears_of
from analysis.trends.naming import gone
from analysis.trends.planning import (
    PlanningRate,
    ShortRest,
    minutes_to_warning,
    planning_rates,
    rules_in_force,
    training_of,
)
from analysis.trends.roster import SOON_DAYS
from analysis.trends.sets import set_counts
from analysis.trends.statistics import binomial_rate
from dashboard.elements import choices, listing, panel, wide
from dashboard.markup import from_html
from dashboard.rows import cell, count, number
from dashboard.trends import sentences, words
from dashboard.trends.sentences import figure
from dashboard.trends.view import CYLINDERS, Choice, TrendsLook
from dashboard.units import Units
from ingest.plurals import counted, percent

MOST_PEOPLE = 1000
MOST_DUE = 40
MOST_SETS = 500


def standing_out(standing: Standing, choice: Choice, measured: FalseMarks) -> Any:
    """Return what stands out, each with its reason; a station or role leads to its own months.

    `measured` is how often chance alone would name somebody here.
    """
    (section,) = from_html(
        Path(__file__).with_name("standing_out.html.j2"),
        **{"words": words, "comparisons": standing.comparisons},
        chosen=" and ".join(word for word in (choice.station, choice.role) if word),
        found=[
            (_target(one, choice), sentences.headline(one), sentences.reason(one)) for one in standing.found
        ],
        seen=sentences.smallest_text(standing.smallest),
        chance=sentences.chance_text(measured),
    )
    return section


def _target(one: Signal, choice: Choice) -> str:
    if one.part in ("station", "role"):
        return choice.address(**{one.part: one.name})
    return {"set": "#trends-sets", "wearer": "#trends-due", "service": f"#figure-{one.measure}"}[one.part]


def parts(sums: pl.DataFrame, part: str, found: Sequence[Signal]) -> Any:
    """Return the table by station or role, each rate with its exact interval; `sums` as `sums_by`."""
    odd = {(one.name, one.measure) for one in found if one.part == part}
    rows = []
    for row in sums.iter_rows(named=True):
        name = row[part]
        cells = [name, count(row["wears"]), number(row["wearers"]), number(row["hours"], "", 1)]
        cells.append(_mean(row, "hard_min", "min", 1, (name, "hard_min") in odd))
        cells.append(_mean(row, "heat_dose", "", 3, (name, "heat_dose") in odd))
        for measure in PEOPLE_FLAGS:
            wears = wears_of(row, measure)
            rate = binomial_rate(row[measure], wears, PER_WEARS)
            if rate is None or wears < FEWEST_WEARS_FOR_A_RATE:
                cells.append(events(row, measure))
                continue
            figure, low, high = (sentences.figure(value, 2) for value in rate)
            text = f"{sentences.events_text(row, measure)}: {figure} ({low}\u00a0to\u00a0{high})"
            cells.append(cell(_marked(text, (name, measure) in odd), value=rate.rate))
        cells.append(classes(row))
        cells.append(_mean(row, "silent_min", "min", 2, (name, "silent_min") in odd))
        rows.append(cells)
    head = words.STATION if part == "station" else words.ROLE
    told = words.LISTINGS["parts"] | {"heads": [head, *words.LISTINGS["parts"]["heads"]]}
    return listing(f"trends-{part}s", words.PARTS_TABLE[part], rows=rows, **told)


def due(wears: pl.DataFrame, found: Sequence[Signal], short: Sequence[ShortRest], profile: Profile) -> Any:
    """Return the wearers to look at and why: who stands out, and whose rests were too short."""
    reasons: dict[str, list[str]] = {}
    for one in found:
        if one.part == "wearer":
            text = f"{sentences.headline(one).removeprefix(f'{one.name}: ')}: {sentences.reason(one)}"
            reasons.setdefault(one.name, []).append(text[:1].upper() + text[1:])
    named = len(reasons)
    for rest in short:
        reasons.setdefault(rest.wearer_id, []).append(
            f"{rest.started:%Y-%m-%d}: {sentences.short_rest(rest)}"
        )
    # Who stands out among all, the surest first; then who rested too little most often, and last.
    everybody = list(reasons.items())
    everybody[named:] = sorted(everybody[named:], key=lambda item: -len(item[1]))
    (section,) = from_html(
        Path(__file__).with_name("due.html.j2"),
        **{"words": words, "people": everybody[:MOST_DUE], "more": len(everybody) - MOST_DUE},
        home=_stations_of([who for who, _ in everybody[:MOST_DUE]], wears),
        rules=[sentences.rule_sentence(rule) for rule in rules_in_force(profile.rest).values()],
    )
    return section


def _stations_of(people: list[str], wears: pl.DataFrame) -> dict[str, str | None]:
    """Return the station of each person's newest wear."""
    theirs = wears.select("wearer_id", "station", "started").filter(pl.col("wearer_id").is_in(people))
    newest = theirs.drop_nulls(["wearer_id", "station"]).group_by("wearer_id")
    return dict(newest.agg(pl.col("station").sort_by("started").last()).iter_rows())


def people(wears: pl.DataFrame, unheard: pl.DataFrame, units: Units) -> Any:
    """Return the sums of each wearer, the mean rate beside the service's spread and the wearer's past.

    `unheard`: entries of people who were never heard. Who has no other is named without figures.
    """
    who = pl.coalesce("wearer_id", "set_id")
    # Of an unknown cylinder, or where the last reading may be the hose's, nobody knows how much was breathed.
    rated = pl.col("mean_l_min").is_not_null()
    rate = pl.col("free_air_l").filter(rated).sum() / pl.col("under_air_min").filter(rated).sum()
    nobodys = gone(wears["wearer_id"]).fill_null(value=False)
    known = wears.lazy().filter(pl.col("started").is_not_null(), ~nobodys).with_columns(who.alias("who"))
    everybody = known.group_by("who").agg(
        (pl.col("under_air_min").sum() / 60).alias("hours"), rate.fill_nan(None).alias("rate")
    )
    everybody = everybody.with_columns((pl.col("rate").rank() / pl.col("rate").count()).alias("place"))
    first = everybody.sort("hours", "who", descending=[True, False]).head(MOST_PEOPLE).collect()
    last = pl.col("started").rank("ordinal", descending=True).over("who") <= RECENT_WEARS
    theirs = known.filter(pl.col("who").is_in(first["who"].implode())).with_columns(last.alias("last"))
    sums = theirs.group_by("who").agg(
        pl.len().alias("wears"),
        pl.col("started").max().alias("newest"),
        (pl.col("mean_l_min").filter(pl.col("last")).mean()).alias("late"),
        (pl.col("mean_l_min").filter(~pl.col("last")).mean()).alias("early"),
        pl.col("heat_dose").count().alias("heat_dose_wears"),
        pl.col("low_air_exits").null_count().alias("low_air_exits_unknown"),
        *(pl.col(name).sum() for name in (*EVENTS, *AMOUNTS)),
    )
    summed = first.join(sums.collect(), on="who", how="left", maintain_order="left")
    named = unheard.filter(~gone(unheard["wearer_id"]))["wearer_id"].cast(pl.String)
    entries = dict(named.value_counts().sort("wearer_id").iter_rows())
    rows = [
        [
            row["who"],
            count(row["wears"]),
            count(entries.pop(row["who"], 0)),
            f"{row['newest']:%Y-%m-%d}",
            number(row["hours"], "", 1),
            number(row["hard_min"], "min", 1),
            cell(units.text("rate", row["rate"]), value=row["rate"]) if row["rate"] else "–",
            "–" if row["place"] is None else cell(percent(row["place"]), value=row["place"]),
            _change(row["late"], row["early"]),
            dose(row),
            classes(row),
            events(row, "low_air_exits"),
            f"{row['no_motion_alarms']}, {row['distress_alarms']}",
            number(row["silent_min"], "min", 1),
        ]
        for row in summed.iter_rows(named=True)
    ]
    for who, never in entries.items():
        rows.append(
            [who, count(0), count(never), *[words.NOT_HEARD] * (len(words.LISTINGS["people"]["heads"]) - 3)]
        )
    return listing("trends-people", rows=rows, **words.LISTINGS["people"])


def planning(wears: pl.DataFrame, profile: Profile, choice: Choice) -> Any:
    """Return planning rates by task beside the doctrine's, and the minutes that a cylinder gives at each."""
    cylinder = Cylinder(*CYLINDERS[choice.cylinder])
    chips = choices(
        words.CYLINDER_LABEL,
        [
            (
                _cylinder_text(*one, choice.display),
                f"{choice.address(cylinder=place)}#trends-planning",
                place == choice.cylinder,
            )
            for place, one in enumerate(CYLINDERS)
        ],
    )
    warning_bar = profile.air.low_air_bar
    rates = planning_rates(wears)
    doctrine = profile.air.planning_l_min
    minutes = f"{minutes_to_warning(cylinder, warning_bar, doctrine):.0f} min"
    planned = words.DOCTRINE.format(name=profile.name)
    rows = [[planned, "–", choice.display.text("rate", doctrine), "", "", minutes, "", ""]]
    for task, three in rates.items():
        lasts = [f"{minutes_to_warning(cylinder, warning_bar, one.rate_l_min):.0f} min" for one in three]
        told = (_rate_text(one, choice.display) for one in three)
        rows.append([task or words.ALL_TASKS, f"{three[0].wears:,}", *told, *lasts])
    heads = [head.format(rate=choice.display.label["rate"]) for head in words.HEADS["planning_page"]]
    shown = wide(heads, rows)
    note = words.PLANNING_NOTE if rates else words.TOO_FEW_FOR_RATES
    told_first = sentences.planning_finding(rates, cylinder, warning_bar, doctrine)
    lead = [html.P(told_first, className="lead")] if told_first else []
    body = [*lead, chips, shown, html.P(note, className="note")]
    return panel(words.PLANNING_TITLE, *body, name="trends-planning", kind="planning")


def _rate_text(one: PlanningRate, units: Units) -> str:
    """A quantile with its interval; if there are too few wears for an end, it is open."""
    places = units.decimals["rate"]
    rate, low, high = (
        None if value is None else f"{units.shown('rate', value):.{places}f}"
        for value in (one.rate_l_min, one.low_l_min, one.high_l_min)
    )
    if low is None and high is None:
        return f"{rate}"
    return f"{rate} ({low} or more)" if high is None else f"{rate} ({low or '–'} to {high})"


def sets(wears: pl.DataFrame, events: pl.DataFrame, found: Sequence[Signal]) -> Any:
    """Return the sets, those that stand out first, then those with the most findings in `events`."""
    why: dict[str, list[str]] = {}
    for one in found:
        if one.part == "set":
            falling = "falling " if one.how == "fall" else ""
            why.setdefault(one.name, []).append(f"{falling}{words.MEASURE[one.measure]}")
    rows = [
        [
            _marked(row["set_id"], row["set_id"] in why),
            "; ".join(why.get(row["set_id"], ["–"])),
            count(row["wears"]),
            "–" if row["last"] is None else f"{row['last']:%Y-%m-%d}",
            *(count(row[name]) for name in ("readings_stuck", "clock", "battery")),
            "–" if row["decline"] is None else cell(sentences.signed(row["decline"]), value=row["decline"]),
            count(row["silent_wears"]),
            number(row["silent_min"], "min", 1),
            count(row["pressure_fell_closed"]),
        ]
        for row in set_counts(wears, events, most=MOST_SETS, first=why).iter_rows(named=True)
    ]
    return listing("trends-sets", rows=rows, **words.LISTINGS["sets"])


def _cylinder_text(cylinders: int, volume_l: float, rated_bar: float, units: Units) -> str:
    # The water volume names the cylinder and stays in litres, as it is stamped.
    return f"{f'{cylinders} × ' if cylinders > 1 else ''}{volume_l:g} L, {units.text('pressure', rated_bar)}"


def _marked(text: str, odd: bool) -> str:
    return f"◇ {text}" if odd else text


def classes(row: dict[str, Any]) -> Any:
    """Return the cell of minutes per wear in each thermal class; it sorts by all classes above I."""
    wears = row["heat_dose_wears"]
    if not wears:
        return "–"
    minutes = [row[f"class_{one}_s"] / 60 / wears for one in THERMAL_CLASSES]
    return cell(" / ".join(f"{one:.1f}" for one in minutes), value=sum(minutes[1:]))


def events(row: dict[str, Any], event: str) -> Any:
    """Return the cell of wears with an event; beside it those of which nobody knows."""
    return cell(sentences.events_text(row, event), value=row[event])


def dose(row: dict[str, Any]) -> Any:
    """Return the cell of the summed heat dose; a dash where nothing measured it."""
    return number(row["heat_dose"] if row["heat_dose_wears"] else None, "", 3)


def _mean(row: dict[str, Any], amount: str, unit: str, places: int, odd: bool) -> Any:
    if not wears_of(row, amount):
        return "–"
    mean = row[amount] / wears_of(row, amount)
    return cell(_marked(f"{mean:.{places}f} {unit}".strip(), odd), value=mean)


def _change(late: float | None, early: float | None) -> Any:
    if not late or not early:
        return "–"
    change = late / early - 1.0
    return cell(f"{100 * change:+.0f}\u00a0%".replace("-", "\u2212"), value=change)


def training(look: TrendsLook, choice: Choice, profile: Profile, today: date) -> Any:
    """Return each person's training in the chosen year (else this one), who lacks most first."""
    rule, told = profile.training, words.LISTINGS["training"]
    if not rule.hours_a_year and not rule.wears_a_year:
        none = html.P(words.NO_MINIMUM, className="note")
        return panel(told["caption"].format(year=""), none, name="trends-training")
    year = int(choice.year) if choice.year else today.year
    table = training_of(look.ledger["wears"], look.roster, year, today, rule)
    if choice.station:
        table = table.filter(pl.col("station") == choice.station)
    rows = [
        [
            row["wearer_id"],
            row["station"] or "–",
            count(row["wears"]),
            number(row["hours"], "", 1),
            "–" if row["last"] is None else f"{row['last']:%Y-%m-%d}",
            cell(_lack(row), value=row["missing_hours"] + row["missing_wears"]),
            words.BEHIND if row["behind"] else words.ON_COURSE,
        ]
        for row in table.iter_rows(named=True)
    ]
    lacking = table.filter((pl.col("missing_hours") > 0) | (pl.col("missing_wears") > 0))
    note = told["note"].format(
        lacking=len(lacking),
        people=counted(len(table), "person", "people"),
        behind=int(table["behind"].sum()),
        asked=_asked(rule.hours_a_year, rule.wears_a_year),
        day=min(today, date(year, 12, 31)),
    )
    caption = told["caption"].format(year=f" {year}")
    return listing("trends-training", rows=rows, **told | {"caption": caption, "note": note})


def _asked(hours: float, wears: int) -> str:
    told = [f"{hours:g} hours"] if hours else []
    return " and ".join([*told, *([counted(wears, "wear")] if wears else [])])


def _lack(row: dict[str, Any]) -> str:
    told = [f"{row['missing_hours']:.1f} h"] if row["missing_hours"] > 0 else []
    told += [counted(row["missing_wears"], "wear")] if row["missing_wears"] > 0 else []
    return " and ".join(told) or words.NOTHING_MISSING


def equipment(look: TrendsLook, found: Sequence[Signal], today: date) -> Any:
    """Return the tests of sets and cylinders, the longest overdue first, beside how a set stands out."""
    if not len(look.equipment):
        return panel(
            words.LISTINGS["tests"]["caption"], html.P(words.NO_TESTS, className="note"), name="trends-tests"
        )
    why: dict[str, list[str]] = {}
    for one in found:
        if one.part == "set":
            why.setdefault(one.name, []).append(words.MEASURE[one.measure])
    wears = look.ledger["wears"].select("set_id", "started").drop_nulls()
    last = dict(wears.group_by("set_id").agg(pl.col("started").max()).iter_rows())
    rows, overdue = [], 0
    for row in look.equipment.iter_rows(named=True):
        late = (today - row["due"]).days
        overdue += late > 0
        worn = last.get(row["id"]) if row["what"] == "set" else None
        rows.append(
            [
                f"{words.EQUIPMENT[row['what']]} {row['id']}",
                row["test"] or "–",
                "–" if row["done"] is None else f"{row['done']}",
                f"{row['due']}",
                cell(_state(late), value=-late),
                "–" if worn is None else f"{worn:%Y-%m-%d}",
                f"◇ {'; '.join(why[row['id']])}" if row["what"] == "set" and row["id"] in why else "–",
            ]
        )
    told = words.LISTINGS["tests"]
    note = told["note"].format(overdue=overdue, tests=counted(len(rows), "test"))
    return listing("trends-tests", rows=rows, **told | {"note": note})


def _state(late: int) -> str:
    if late > 0:
        return words.OVERDUE.format(days=counted(late, "day"))
    if late > -SOON_DAYS:
        return words.DUE_SOON.format(days=counted(-late, "day"))
    return words.NOT_DUE


MONTHS_OFFERED = 24


def _change_reading(one: Change) -> str:
    """Return what a ratio and its interval say."""
    if math.isnan(one.ratio):
        return "Nothing to compare."
    if not one.clear:
        return "No clear change."
    return "Less than before." if one.high < 1.0 else "More than before."


def change_rows(found: Sequence[Change]) -> list[list[str]]:
    """Return one row of texts for each measure, as `HEADS` has them."""
    rows = []
    for one in found:
        title = words.FLAG.get(one.measure) or words.AMOUNT[one.measure]
        if one.measure in FLAGS:
            sides = [f"{one.before:,.0f} of {one.wears_before:,}", f"{one.after:,.0f} of {one.wears_after:,}"]
        else:
            sides = [figure(one.before), figure(one.after)]
        high = "no limit" if math.isinf(one.high) else figure(one.high)
        ends = f"{figure(one.low)} to {high}"
        ratio = "–" if not math.isfinite(one.ratio) else figure(one.ratio)
        adjusted = "kind, task, season" if one.season else "kind, task"
        rows.append([title, *sides, ratio, ends, adjusted, _change_reading(one)])
    return rows


def change_lead(found: Sequence[Change], since: date) -> str:
    """Return the sentence above the table."""
    if not found:
        return words.CHANGE_TOO_FEW.format(since=since)
    # A row may leave out wears of which it knows nothing, such as an exit that nobody heard.
    before, after = (max(getattr(one, name) for one in found) for name in ("wears_before", "wears_after"))
    return words.CHANGE_LEAD.format(since=since, before=before, after=after)


def before_after(wears: pl.DataFrame, choice: Choice, found: Sequence[Change]) -> Any:
    """Return the section of the page; without a chosen day it offers the first days of months."""
    days = wears["started"].drop_nulls().dt.truncate("1mo").dt.date().unique().sort(descending=True)
    (panel,) = from_html(
        Path(__file__).with_name("before_after.html.j2"),
        **{"words": words, "choice": choice, "days": map(str, days.head(MONTHS_OFFERED))},
        lead=change_lead(found, date.fromisoformat(choice.since)) if choice.since else "",
        found=wide(words.HEADS["changes"], change_rows(found)) if found else None,
    )
    return panel
