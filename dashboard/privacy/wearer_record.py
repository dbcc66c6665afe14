"""What is kept about one wearer, as one folder: for the wearer, who may ask for it.

Layout::

    messages.ndjson.gz   what their sets and the desk said of them, verbatim, in the order received
    tables/*.csv         every computed table, only the rows of their wears, units in `columns.csv`
    access.csv           who looked at their record or at an incident they were in, and when
    roster.csv           their lines of the roster in the archive's folder, if there is one
    exposure_register.csv  their lines of the exposure register, by year
    concluded.csv        what was concluded: rests that were too short, comparisons that they stand out in
    ABOUT.txt            what this is, why it is kept, who gets it and for how long

Other people's pseudonyms are replaced by "another person" everywhere.

It holds the pseudonym that the desk used. Whose it is, only the service's own key says, which this tool
never reads.
"""

import re
from collections.abc import Collection, Iterator, Mapping
from datetime import UTC, datetime, timedelta
from importlib.metadata import version
from pathlib import Path

import polars as pl

from analysis.pieces.archive_pieces import desks_of, incident_piece
from analysis.profile import Profile
from analysis.tables import COLUMNS, Results, columns_csv, empty_table, formula_safe, to_csv
from analysis.trends.comparisons import signals
from analysis.trends.planning import short_rests
from analysis.trends.roster import roster_beside, with_station_and_role
from dashboard.access.log import access_table
from dashboard.privacy.register import by_person, update
from dashboard.results_store import IncidentRecord, record_of
from dashboard.trends import sentences
from dashboard.trends.wear_ledger import WearLedger
from ingest.archive.reading import Archive
from ingest.archive.store import ArchivePath, work_folder
from ingest.contract.captures import Heard, write_capture
from ingest.contract.errors import ArchiveProblem
from ingest.contract.kinds import KINDS

ANOTHER = "another person"
EVERYBODY = "everybody"  # as the access log says of the whole register
_NAMES = ("tally", "roll_call")  # desks name wearers in these
_IDENTITY = pl.format("{}/{}/{}", "desk_id", "boot", "seq").alias("identity")
_NEVER_OUT = datetime.max.replace(tzinfo=UTC)
AROUND = timedelta(minutes=2)
"""The start-up of the set and its last words belong to the wear. Our own rule."""

_ABOUT = Path(__file__).with_name("wearer_about.txt")


def write_wearer_record(
    folder: ArchivePath, profile: Profile, wearer_id: str, out: Path, made: datetime
) -> dict[str, int]:
    """Write everything about one wearer into a new folder; return how many incidents, wears, messages, looks.

    - `wearer_id`: as the desk wrote it in the tally.
    - `out`: must not be there yet.

    After `retain` no tally may name the wearer any more, but the register, the roster or the access log do.

    Raises `ArchiveProblem` when nothing names the wearer, or the folder is there already.
    """
    named = desks_of(folder).filter((pl.col("wearer_id") == wearer_id) & (pl.col("kind") == "tally"))
    incidents = sorted(named["key"].drop_nulls().unique())
    was_in = {*incidents, *named["incident_id"].drop_nulls()}
    apart = _apart(folder, profile, wearer_id, made, was_in) if wearer_id else {}
    if not incidents and all(table.is_empty() for table in apart.values()):
        where = f"no tally in the archive {folder} names a wearer {wearer_id!r}"
        raise ArchiveProblem(f"{where}, nor do the exposure register, the roster and the access log")
    tables: dict[str, list[pl.DataFrame]] = {name: [] for name in COLUMNS}
    heard: set[Heard] = set()
    others: set[str] = set()
    for incident_id in incidents:
        messages, scope = incident_piece(folder, incident_id)
        record = record_of(messages, profile, incident_id, scope.heard_until_us)
        own = _tables_of(record, wearer_id)
        for name, frame in own.items():
            tables[name].append(frame)
        heard.update(_messages_of(record.messages, own, wearer_id))
        for kind in _NAMES:
            others |= set(record.messages[kind]["wearer_id"].drop_nulls()) - {wearer_id}
    try:
        (out / "tables").mkdir(parents=True)
    except FileExistsError:
        raise ArchiveProblem(f"{out} exists already; choose a new folder") from None
    for name, frames in tables.items():
        text = without_others(to_csv(name, pl.concat(frames or [empty_table(name)])), others)
        (out / "tables" / f"{name}.csv").write_text(text, encoding="utf-8")
    (out / "tables" / "columns.csv").write_text(columns_csv(), encoding="utf-8")
    heard = {one._replace(payload=without_others(one.payload.decode(), others).encode()) for one in heard}
    write_capture(out / "messages.ndjson.gz", sorted(heard))
    target = pl.col("target").map_elements(lambda one: without_others(one, others), pl.String)
    apart["access"] = apart["access"].with_columns(target)
    for name, frame in apart.items():
        formula_safe(frame).write_csv(out / f"{name}.csv")
    wears, looks = sum(map(len, tables["wears"])), len(apart["access"])
    written = {"incidents": len(incidents), "wears": wears, "messages": len(heard), "looks": looks}
    months = profile.retention.identity_months
    about = _ABOUT.read_text(encoding="utf-8").format(
        archive=folder,
        wearer=wearer_id,
        made=made,
        version=version("underair"),
        people=profile.disclosure.fewest_people,
        identity=f"{months} months" if months else "without an end",
        register=profile.retention.register_years,
        **written,
    )
    (out / "ABOUT.txt").write_text(about, encoding="utf-8")
    return written


def without_others(text: str, others: Collection[str]) -> str:
    """Return a text in which every other person's pseudonym, as a word of its own, is replaced.

    Examples
    --------
    >>> without_others("W-08 follows W-081", {"W-08"})
    'another person follows W-081'
    """
    names = "|".join(re.escape(each) for each in sorted(others, key=len, reverse=True))
    return re.sub(rf"(?<!\w)(?<!\w-)(?:{names})(?!\w|-\w)", ANOTHER, text) if names else text


def _apart(
    folder: ArchivePath, profile: Profile, wearer_id: str, made: datetime, was_in: Collection[str] = ()
) -> dict[str, pl.DataFrame]:
    """Return by file what names a wearer outside the incidents.

    `was_in`: incidents; whoever opens one sees all who were in.
    """
    ledger = WearLedger(Archive(folder), profile)
    ledger.update(made)
    tables, roster = ledger.tables(), roster_beside(work_folder(folder))
    wears = with_station_and_role(tables["wears"], roster)
    lines = update(folder, ledger.everybody(), made, profile.retention.register_years)
    registered = by_person(lines, wearer_id)
    # Whoever read the whole register read their lines.
    about_them = {wearer_id, *was_in, *([EVERYBODY] if len(registered) else [])}
    rows = [
        ("rest", f"{one.started:%Y-%m-%d}", sentences.short_rest(one))
        for one in short_rests(wears, profile.rest)
        if one.wearer_id == wearer_id
    ]
    rows += [
        ("comparison", "", f"{sentences.headline(one)}: {sentences.reason(one)}")
        for one in signals(wears, tables["set_events"]).found
        if (one.part, one.name) == ("wearer", wearer_id)
    ]
    concluded = dict.fromkeys(("kind", "day", "what"), pl.String)
    apart = {
        "exposure_register": registered,
        "concluded": pl.DataFrame(rows, schema=concluded, orient="row"),
        "access": access_table(folder).filter(
            pl.any_horizontal(pl.col("target").str.contains(_named(one)) for one in sorted(about_them))
        ),
    }
    if len(roster):
        apart["roster"] = roster.filter(pl.col("wearer_id") == wearer_id)
    return apart


def _tables_of(record: IncidentRecord, wearer_id: str) -> Results:
    results = record.results
    wears = results["wears"].filter(pl.col("wearer_id") == wearer_id)
    ids = wears["wear_id"].implode()
    own: Results = {}
    for name, frame in results.items():
        if "wearer_id" in frame.columns:
            mine = pl.col("wearer_id") == wearer_id
            if "wear_id" in frame.columns:  # of an alarm that no entry has
                mine |= pl.col("wearer_id").is_null() & pl.col("wear_id").is_in(ids)
            own[name] = frame.filter(mine)
        elif name == "findings":
            # Without a wear, too: who was tallied and never heard has none.
            alarms = record.messages["alarm"].filter(_while_in(results["entries"], wearer_id, "at"))
            said = pl.concat(
                [
                    *(record.messages[kind].filter(wearer_id=wearer_id).select(_IDENTITY) for kind in _NAMES),
                    alarms.select(identity=pl.format("{}/{}/{}", "set_id", "boot", "seq")),
                ]
            )
            proves = pl.col("evidence").list.eval(pl.element().is_in(said["identity"].implode())).list.any()
            names = pl.col("statement").str.contains(_named(wearer_id))
            own[name] = frame.filter(
                pl.col("wear_id").is_in(ids) | names | (pl.col("wear_id").is_null() & proves)
            )
        elif "wear_id" in frame.columns:
            own[name] = frame.filter(pl.col("wear_id").is_in(ids))
        else:  # of a set or of the whole incident, not of a person
            own[name] = frame.clear()
    return own


def _while_in(entries: pl.DataFrame, wearer_id: str, at: str) -> pl.Expr:
    """Tell what a set said while the wearer was tallied in with it."""
    own = entries.filter(pl.col("wearer_id") == wearer_id).drop_nulls("tallied_in")
    spells = [
        pl.col("set_id").is_in(entry["set_ids"])
        & pl.col(at).is_between(entry["tallied_in"], entry["tallied_out"] or _NEVER_OUT)
        for entry in own.iter_rows(named=True)
    ]
    return pl.any_horizontal(pl.lit(value=False), *spells)


def _messages_of(messages: Mapping[str, pl.DataFrame], own: Results, wearer_id: str) -> Iterator[Heard]:
    """Yield tallies of the wearer, notes that name them, and what was said by and of their set meanwhile.

    Also orders and roll calls that were for them, their team or everybody while they were in.
    """
    worn = [
        (pl.col("set_id") == wear["set_id"])
        & pl.col("at").is_between(wear["started"] - AROUND, wear["ended"] + AROUND)
        for wear in own["wears"].iter_rows(named=True)
    ]
    inside = [
        (pl.col("incident_id") == entry["incident_id"])
        & (pl.col("team").is_null() | pl.col("team").eq_missing(pl.lit(entry["team"])))
        & pl.col("at").is_between(entry["tallied_in"], entry["tallied_out"] or _NEVER_OUT)
        for entry in own["entries"].drop_nulls("tallied_in").iter_rows(named=True)
    ]
    nobody = pl.lit(value=False)
    while_worn, for_them = (pl.any_horizontal(nobody, *spells) for spells in (worn, inside))
    for kind in KINDS:
        frame = messages[kind]
        if kind == "roll_call":
            frame = frame.filter(pl.col("wearer_id").fill_null(wearer_id) == wearer_id, for_them)
        elif "wearer_id" in frame.columns:
            frame = frame.filter(pl.col("wearer_id") == wearer_id)
        elif kind == "order":
            frame = frame.filter(while_worn | (pl.col("set_id").is_null() & for_them))
        elif kind == "note":  # whoever names them, whichever set it is about, or none
            frame = frame.filter(while_worn | pl.col("text").str.contains(_named(wearer_id)))
        elif kind == "alarm":
            frame = frame.filter(while_worn | _while_in(own["entries"], wearer_id, "at"))
        elif "set_id" in frame.columns:
            frame = frame.filter(while_worn)
        else:
            continue
        for received, topic, payload, retained in frame.select(
            "received", "topic", "payload", "retained"
        ).iter_rows():
            yield Heard(received, topic, payload.encode(), bool(retained))


def _named(wearer_id: str) -> str:
    return rf"(?:^|[^\w.-]){re.escape(wearer_id)}(?:$|[^\w.-]|[.-](?:$|\W))"
