"""The verb `learn`: the interval of the forecast, learnt from an archive's own wears."""

from pathlib import Path

import click

from analysis.profile_option import profile_option
from ingest.archive.store import ArchivePath
from ingest.plurals import counted, percent
from ingest.shared_options import OutPath, archive_option, is_stdout, print_bytes
from ingest.shown_text import echo
from ingest.talk import progress_bar

WEARS_AT_ONCE = 200  # read together, so that memory does not follow the archive


@click.command()
@archive_option()
@click.option(
    "--out",
    default="forecast.json",
    show_default=True,
    type=OutPath(dir_okay=False, allow_dash=True, path_type=Path),
    help="File for the constants, to be named in the profile; - prints it on standard output.",
)
@profile_option()
@click.option("--json", "as_json", is_flag=True, help="Print what was learnt as one JSON object.")
def learn(archive: ArchivePath, out: Path, profile: str | None, as_json: bool) -> None:
    """Learn how wide the forecast's interval must be from the archive's own wears.

    It uses simulated wears and every wear that has a tally and reached its low-air warning. It tests each
    person with constants learnt from the others. It refuses with fewer than 10 people, or when nobody
    breathed more than 60 L/min over a wear. A profile accepts the file only if, on people left out and
    against the constants in force, fewer warnings came before the early end and the score (Winkler's; lower
    is better) did not rise.

    \b
    Example:
        underair learn --archive archive --out forecast.json
        # then, in the profile beside that file:
        #   [forecast]
        #   learnt = "forecast.json"
    """
    from datetime import UTC, datetime
    from tempfile import TemporaryDirectory

    import msgspec
    import polars as pl

    from analysis.air.learning import Forecasts, learnt_bytes, write_learnt
    from analysis.learnt_interval import forecasts_of_results, learn_interval
    from analysis.pieces.piecewise import analyse_archive
    from analysis.profile import load_profile

    printed = is_stdout(out, as_json)
    rules = load_profile(profile)
    own: list[Forecasts] = []
    people: dict[str, int] = {}
    with TemporaryDirectory() as name:
        folder = Path(name) / "results"
        with progress_bar("messages") as progress:
            analyse_archive(archive, rules, folder, "parquet", {}, None, progress)
        wears = pl.read_parquet(folder / "wears.parquet").filter(pl.col("low_air_at").is_not_null())
        air = pl.scan_parquet(folder / "air.parquet")
        for part in wears.iter_slices(WEARS_AT_ONCE):
            of_these = air.filter(pl.col("wear_id").is_in(part["wear_id"].to_list())).collect()
            own += forecasts_of_results({"wears": part, "air": of_these}, people, len(own))
    made = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    learnt = learn_interval(own, rules.forecast.ends(), made)
    if printed:
        print_bytes(learnt_bytes(learnt))
        return
    write_learnt(out, learnt)
    if as_json:
        echo(msgspec.json.encode(learnt).decode())
        return
    echo(
        f"{counted(learnt.wears, 'wear')} of {counted(learnt.people, 'person', 'people')}, "
        "each person left out once:"
    )
    echo(f"{'interval':24}{'wears':32}{'held':>7}{'early':>7}{'late':>7}{'width':>9}{'score':>7}")
    for line in learnt.proof:
        group = f"{line.group}: {line.wears}"
        held, early, late = (percent(share) for share in (line.held, line.early, line.late))
        width, winkler = f"{line.width_min:.1f} min", f"{line.winkler_min:.1f}"
        echo(f"{line.interval:24}{group:32}{held:>7}{early:>7}{late:>7}{width:>9}{winkler:>7}")
    if learnt.adopted:
        echo(f'{out} can be used: write learnt = "{out.name}" under [forecast] in the profile beside it.')
    else:
        echo(f"{out} is no better on people left out: no profile accepts it. Keep the constants in force.")
