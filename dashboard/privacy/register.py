"""The exposure register: what each person was exposed to, by year, for occupational health.

It is a table in the archive's folder, or for an archive on a store in its `work_folder`
(`register/exposure.parquet`), one line a wear. Names that `retain` drops elsewhere stay here for the
profile's `retention.register_years`, because the law of many places asks for decades; their lines then lead
to no wear and no incident of the archive. Only the role `health` and people who work on the machine can read
it; every access is logged.
"""

import csv
import io
import secrets
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path

import polars as pl

from analysis.profile import Profile
from analysis.trends.ledger import NOTED, THERMAL_CLASSES, TIME, was_heard
from analysis.trends.naming import gone
from analysis.trends.roster import KEPT_NAME, roster_beside, with_station_and_role
from dashboard.trends.wear_ledger import WearLedger, read_table, write_table
from ingest.archive.durable import append_durably, sync_folder
from ingest.archive.reading import Archive
from ingest.archive.store import ArchivePath, work_folder
from ingest.contract.errors import ArchiveProblem

_NOTED = ("contamination", "decontaminated")
PLACE = Path("register") / "exposure.parquet"
AMOUNTS = ("under_air_min", "hard_min", "heat_dose", "silent_min", *(f"class_{c}_s" for c in THERMAL_CLASSES))
_MEASURED_BY = {f"class_{number}_s": "heat_dose" for number in THERMAL_CLASSES}
"""Seconds in a class are known where the heat is."""
LINES = pl.Schema(
    dict.fromkeys(("wear_id", "wearer_id", "incident_id", "kind"), pl.String())
    | {"started": TIME, **dict.fromkeys(AMOUNTS, pl.Float64())}
    | {name: NOTED[name] for name in ("contamination", "contaminated_min", "decontaminated")}
)


def update(archive: ArchivePath, wears: pl.DataFrame, now: datetime, keep_years: int) -> pl.DataFrame:
    """Add the wears of named people, drop lines that are older than the register keeps, return the register.

    `wears`: the ledger's, with those who were never heard.

    Raises `ArchiveProblem` when there is a register that cannot be read: nothing is written over it.
    """
    path = work_folder(archive) / PLACE
    kept = read_table(path, LINES)
    if kept is None and path.exists():
        raise ArchiveProblem(
            f"cannot read the exposure register {path}: its contents changed after it was written, or "
            "a newer underair wrote it. Nothing was written over it. Restore it from a backup"
        )
    if kept is None:
        kept = pl.DataFrame(schema=LINES)
    named = wears.filter(
        pl.col("wearer_id").is_not_null() & ~gone(wears["wearer_id"]) & pl.col("started").is_not_null()
    ).select(pl.col(name).cast(kind) for name, kind in LINES.items())
    # A wear that is counted again takes the place of its line; one whose name is gone has a loose one.
    which = ["wear_id", "started"]
    nameless = wears.filter(gone(wears["wearer_id"])).select(which)
    kept_apart = kept.join(named, on=which, how="anti")
    # Who was never heard was heard after all: messages came late.
    heard = wears.filter(was_heard()).select(pl.col("incident_id", "wearer_id").cast(pl.String))
    late = kept_apart.filter(~was_heard()).join(heard, on=heard.columns, how="semi")
    kept_apart = kept_apart.join(late, on=which, how="anti")
    loosened = _loosened(kept_apart.join(nameless, on=which, how="semi"))
    whole = pl.concat([kept_apart.join(nameless, on=which, how="anti"), loosened, named])
    oldest = pl.lit(now).dt.offset_by(f"-{keep_years}y")
    whole = whole.filter(pl.col("started") >= oldest).sort("wearer_id", "started", "wear_id")
    if not whole.equals(kept):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.parent.chmod(0o700)
        write_table(whole, path, mode=0o600)
    return whole


def _loosened(lines: pl.DataFrame) -> pl.DataFrame:
    """Return lines that lead to no message: else one join would give `retain`'s new names their old ones.

    Ids are random, the moment is the end of its year, amounts are whole minutes; a dose has two decimals.
    """
    incidents = lines["incident_id"].drop_nulls().unique()
    new_ids = pl.Series([f"gone-{secrets.token_hex(8)}" for _ in range(len(incidents))], dtype=pl.String)
    year_end = pl.col("started").dt.truncate("1y").dt.offset_by("1y").dt.offset_by("-1d")
    return lines.with_columns(
        pl.Series("wear_id", [f"gone-{secrets.token_hex(8)}" for _ in range(len(lines))], dtype=pl.String),
        pl.col("incident_id").replace_strict(incidents, new_ids, return_dtype=pl.String),
        year_end.alias("started"),
        pl.col("^.*_min$").round(0),
        pl.col("heat_dose").round(2),
        (pl.col("^class_.*_s$") / 60).round(0) * 60,
        *(pl.when(pl.col(name).is_not_null()).then(pl.lit("noted")).alias(name) for name in _NOTED),
    )


def by_person(lines: pl.DataFrame, wearer_id: str = "") -> pl.DataFrame:
    """Return the register's sums by person and year, and over all years.

    Returns `wearer_id`, `year` (``all``: together), `wears` (heard), `never_heard` (entries of which nothing
    else is known), `incidents`, `drills`, `trainings` (each counted once), `dose_wears` (with a heat sensor),
    `contaminations` (lines with such a note), `not_decontaminated` (of these, without a word that it was
    done), `contaminated_min` (as noted; null where no note has minutes), `heard_min` (of the minutes under
    air), `heard_part` (of these and those not heard), then the sums of amounts; minutes, seconds, heat dose.
    What nothing measured is null, never 0.
    """
    # A silence longer than the wear is one after its last reading: it is no part of the minutes under air.
    silent, under_air = pl.col("silent_min").fill_null(0.0), pl.col("under_air_min").fill_null(0.0)
    heard = pl.when(silent <= under_air).then(under_air - silent).otherwise(under_air)
    lines = lines.with_columns(heard.alias("heard_min"))
    if wearer_id:
        lines = lines.filter(pl.col("wearer_id") == wearer_id)
    lots = []
    for year in (pl.col("started").dt.strftime("%Y"), pl.lit("all")):
        sums = lines.group_by("wearer_id", year.alias("year")).agg(
            was_heard().sum().alias("wears"),
            (~was_heard()).sum().alias("never_heard"),
            *(
                pl.col("incident_id").filter(pl.col("kind") == kind).n_unique().alias(f"{kind}s")
                for kind in ("incident", "drill", "training")
            ),
            pl.col("heat_dose").count().alias("dose_wears"),
            pl.col("contamination").count().alias("contaminations"),
            (pl.col("contamination").is_not_null() & pl.col("decontaminated").is_null())
            .sum()
            .alias("not_decontaminated"),
            _sum("contaminated_min", "contaminated_min"),
            pl.col("heard_min").sum(),
            (pl.col("heard_min").sum() / (pl.col("heard_min") + pl.col("silent_min").fill_null(0.0)).sum())
            .fill_nan(None)
            .alias("heard_part"),
            *(_sum(name, _MEASURED_BY.get(name, name)) for name in AMOUNTS),
        )
        lots.append(sums.with_columns(pl.col(pl.UInt32).cast(pl.Int64)))
    return pl.concat(lots).sort("wearer_id", "year")


def _sum(name: str, measured: str) -> pl.Expr:
    return pl.when(pl.col(measured).count() > 0).then(pl.col(name).sum()).alias(name)


def registered(archive: ArchivePath, doctrine: Profile, now: datetime) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Bring the register up to date; return the ledger's wears (`everybody`), and the register's lines."""
    ledger = WearLedger(Archive(archive), doctrine)
    ledger.update(now)
    everybody = ledger.everybody()
    return everybody, update(archive, everybody, now, doctrine.retention.register_years)


def keep_before_dropping(
    archive: ArchivePath, doctrine: Profile, now: datetime, names: Mapping[tuple[str, str], str]
) -> int:
    """Note register, stations and roles before names are dropped; otherwise as `keep_stations`."""
    everybody, _ = registered(archive, doctrine, now)
    roster = roster_beside(work_folder(archive))
    return keep_stations(archive, with_station_and_role(everybody, roster), names)


def keep_stations(archive: ArchivePath, wears: pl.DataFrame, names: Mapping[tuple[str, str], str]) -> int:
    """Note under each new name the station and role of the old one, for the days of that incident only.

    Comparisons over years need them when `retain` has dropped the names.

    - `wears`: the ledger's, with `station` and `role`, while it still has the old names.
    - `names`: mapping of (incident, wearer) to new name.

    Returns how many lines were added; those that are there already are not repeated.
    """
    keys = ["incident_id", "wearer_id"]
    rows = [(incident, wearer, new) for (incident, wearer), new in names.items()]
    new_names = pl.DataFrame(
        rows, schema=[*keys, "new"], orient="row", schema_overrides=dict.fromkeys(keys, pl.String)
    )
    lines = (
        wears.filter(pl.col("station").is_not_null())
        .join(new_names, on=keys)
        .group_by(pl.col("new").alias("wearer"), "station", "role")
        .agg(
            pl.col("started").min().dt.date().alias("from"), pl.col("started").max().dt.date().alias("until")
        )
        .sort("wearer")
    )
    folder = work_folder(archive)
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / KEPT_NAME
    known = path.read_text(encoding="utf-8") if path.is_file() else ""
    added = lines.filter(pl.Series([f"\n{name}," not in known for name in lines["wearer"]], dtype=pl.Boolean))
    if len(added):
        head = [] if known else [added.columns]
        written = io.StringIO()  # read back as a roster: nothing may be put before a name, as in an export
        csv.writer(written, lineterminator="\n").writerows([*head, *added.iter_rows()])
        append_durably(path, written.getvalue().encode())
        sync_folder(folder)
    return len(added)
