"""An archive with every kind of file in it, ways to damage one, and what each verb and page answers then."""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
from click.testing import CliRunner, Result

from analysis.profile import Profile
from analysis.trends.roster import no_roster, with_station_and_role
from dashboard.access.log import AccessLog
from dashboard.results_store import ResultsStore
from dashboard.trends.releases import publish
from dashboard.trends.wear_ledger import WearLedger
from dashboard.underair import root
from ingest.archive import expected, sound
from ingest.archive.index import ArchiveIndex
from ingest.archive.journal import Record, SegmentWriter
from ingest.archive.mapped_journal import keep_state, mapper_of
from ingest.archive.mappings import keep_mapping
from ingest.archive.reading import Archive
from ingest.archive.sealing import seal_messages
from ingest.archive.store import WORK_FOLDER
from ingest.archive.tidying import tidy
from ingest.contract.captures import Heard, read_capture
from ingest.contract.errors import UnderairError
from ingest.contract.frames import frames_from_heard
from ingest.contract.times import micros
from ingest.mapping.mapper import Mapper
from ingest.mapping.rules import EXAMPLES

LOG = Path(__file__).parents[2] / "sample_logs" / "late_turn_back.ndjson.gz"
KINDS = {
    "merged part": "motion/*/day-*.parquet",
    "sealed part": "pressure/*/late-*.parquet",
    "part of refused messages": "refused/*/*.parquet",
    "manifest of sealing": "manifest/listener.ndjson",
    "manifest of merging": "manifest/tidy.ndjson",
    "journal segment": "journal/listener/*.journal",
    "index": "index/desks.parquet",
    "ledger": "derived/wears-*/ledger.sealed",
    "holds": "holds/*.ndjson",
    "access log": "access/*.ndjson",
    "releases": "releases.ndjson",
    "mapping": "mappings/*.toml",
    "digests of the mappings": "mappings/sha256.json",
    "state of the mappings": "journal/listener/mapping-state.json",
}
"""Each kind of file, and which of the archive's files stands for it."""


def make_archive(folder: Path, before: Path) -> str:
    """Fill a folder with every kind of file, and another with the archive as it was earlier.

    Parameters
    ----------
    folder, before : Path
        Neither may be there.

    Returns
    -------
    str
        The incident.
    """
    heard = list(read_capture(LOG))
    third = len(heard) // 3
    bad = Heard(heard[0].received, "underair/v1/th/set/S-1/pressure", b"{no JSON")
    seal_messages(folder, frames_from_heard([bad, *heard[:third:2]]), "one", writer="listener")
    seal_messages(folder, frames_from_heard(heard[1:third:2]), "two", writer="listener")
    incident: str = Archive(folder).messages()["incident"]["incident_id"][0]
    _run("hold", "--archive", folder, "--incident", incident, "--reason", "a test")
    tidy(folder, heard[-1].received + timedelta(days=2), grace_s=0)
    ArchiveIndex(folder).bring_up_to_date()
    _run("audit", "--inside", "--copies", "0", "--archive", folder, "--out", folder.parent / "aside")
    keep_mapping(folder, EXAMPLES / "flat_object.toml")
    AccessLog(folder).write("page", "/live", account="desk-1")
    shutil.copytree(folder, before)
    AccessLog(folder).write("page", "/live", account="watch-1")
    seal_messages(folder, frames_from_heard(heard[third : 2 * third : 2]), "late", writer="listener")
    seal_messages(folder, frames_from_heard(heard[third + 1 : 2 * third : 2]), "later", writer="listener")
    _segment(folder, [*heard[2 * third :], *_foreign(heard[-1].received)])
    # As sealing left it, before the segment that is there.
    keep_state(folder / "journal" / "listener" / "earlier", {}, _mapper(folder, heard[-1].received))
    _segment(before, heard[2 * third : 2 * third + 9])
    next(before.glob("journal/listener/*.journal")).rename(
        before / next(folder.glob("journal/listener/*.journal")).relative_to(folder)
    )
    ArchiveIndex(folder).bring_up_to_date()
    _run("audit", "--inside", "--copies", "0", "--archive", folder, "--out", folder.parent / "aside")
    ledger = WearLedger(Archive(folder), Profile.default()).tables()
    wears = with_station_and_role(ledger["wears"], no_roster())
    publish(folder, wears, datetime(2032, 2, 3, tzinfo=UTC))
    return incident


def _foreign(after: datetime) -> list[Heard]:
    """Return other people's JSON, as the kept mapping reads it."""
    told = {"mode": "HELP", "up": 50}
    return [
        Heard(
            after + timedelta(seconds=at_s),
            "bench7/telemetry/K12",
            json.dumps({**told, "n": at_s, "ts": _ms(after) + 1000 * at_s, "psi": 4000 - at_s}).encode(),
        )
        for at_s in range(20)
    ]


def _ms(moment: datetime) -> int:
    return micros(moment) // 1000


def _mapper(archive: Path, began: datetime) -> Mapper:
    """Return what reads other people's JSON, after it read some."""
    mapper = mapper_of(archive)
    assert mapper is not None
    for heard in _foreign(began - timedelta(minutes=1)):
        mapper.take(heard)
    return mapper


def _segment(folder: Path, heard: list[Heard]) -> None:
    journal = folder / "journal" / "listener"
    journal.mkdir(parents=True, exist_ok=True)
    writer = SegmentWriter(journal, datetime(2031, 5, 4, 23, tzinfo=UTC))
    for first in range(0, len(heard), 50):
        writer.append(
            [Record(micros(one.received), one.topic, one.payload, False) for one in heard[first : first + 50]]
        )
    writer.close()


def _run(verb: str, *arguments: object) -> None:
    done = CliRunner().invoke(root, [verb, *map(str, arguments)])
    assert done.exit_code == 0, (verb, done.output, done.exception)


def flip(path: Path, bit: int | None = None) -> None:
    """Flip one bit; without a number one in the middle."""
    whole = bytearray(path.read_bytes())
    at = 4 * len(whole) if bit is None else bit
    whole[at // 8] ^= 1 << at % 8
    path.write_bytes(whole)


def truncate(path: Path) -> None:
    """Cut a file in half."""
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def zero(path: Path) -> None:
    """Write noughts over a stretch in the middle."""
    whole = bytearray(path.read_bytes())
    middle, some = len(whole) // 2, min(len(whole) // 4, 64)
    whole[middle : middle + some] = bytes(some)
    path.write_bytes(whole)


def swap(path: Path) -> None:
    """Put another file of that suffix in its place."""
    archive = next(parent for parent in path.parents if (parent / "manifest").is_dir())
    others = [other for other in sorted(archive.rglob(f"*{path.suffix}")) if other != path]
    path.write_bytes(others[0].read_bytes() if others else (archive / "manifest/tidy.ndjson").read_bytes())


def duplicate(path: Path) -> None:
    """Copy a file beside itself."""
    shutil.copy(path, path.with_name(f"copy-{path.name}"))


DAMAGES: dict[str, Callable[[Path], None]] = {
    "flip": flip,
    "truncate": truncate,
    "zero": zero,
    "swap": swap,
    "duplicate": duplicate,
    "delete": Path.unlink,
}
STALE = "stale copy"
SAME, SAID, NOTHING = "same answers", "said", "-"
PAGE = Path(__file__).parents[2] / "ingest" / "docs" / "corrupt_store.md"


@dataclass(frozen=True)
class Answer:
    """What a verb or page gave: exit code, a digest of what it made, what it said was wrong, what broke."""

    code: int
    made: str
    said: str
    traceback: str = ""


@dataclass
class Answers:
    """Asks one archive all that can be asked, as processes that have just begun.

    Attributes
    ----------
    archive : Path
    incident : str
    out : Path
        A folder for what is made; emptied each time.
    """

    archive: Path
    incident: str
    out: Path

    def all(self, verbs: tuple[str, ...] = ()) -> dict[str, Answer]:
        """Return the answer of each verb, or of some."""
        every: dict[str, Callable[[], Answer]] = {
            "analyse": lambda: self._verb("analyse", "--out", self.out / "tables"),
            "report": lambda: self._verb(
                "report", "--incident", self.incident, "--out", self.out / "report.html"
            ),
            "case": lambda: self._verb(
                "case", "--incident", self.incident, "--out", self.out / "case", "--why", "a test"
            ),
            "audit": self._audit,
            "serve": self._pages,
            "verify": self._verify,
        }
        return {name: ask() for name, ask in every.items() if not verbs or name in verbs}

    def _verb(self, verb: str, *arguments: object) -> Answer:
        self._begin()
        done = CliRunner().invoke(root, [verb, *map(str, arguments), "--archive", str(self.archive)])
        said = done.stderr if done.exception is None else f"{done.stderr}{done.exception}"
        return Answer(done.exit_code, digest_of(self.out), said, _traceback(done))

    def _audit(self) -> Answer:
        """Ask for what is for inside, and for what was published."""
        inside = self._verb("audit", "--inside", "--copies", "0", "--out", self.out / "audit")
        outside = self._verb("audit", "--out", self.out / "audit")
        return Answer(
            max(inside.code, outside.code),
            inside.made + outside.made,
            inside.said + outside.said,
            inside.traceback or outside.traceback,
        )

    def _verify(self) -> Answer:
        self._begin()
        done = CliRunner().invoke(root, ["verify", str(self.archive)])
        # Heads, and how much waits to be sealed, are no answer about what was sealed.
        lines = [
            line for line in done.output.splitlines() if not line.startswith(("head of", "this machine"))
        ]
        found = re.sub(r", [0-9,]+ messages? not yet sealed", "", "\n".join(lines))
        return Answer(done.exit_code, found, done.output, _traceback(done))

    def _pages(self) -> Answer:
        """Ask for what Review and the lists show, after the search that `serve` begins with."""
        self._begin()
        sound.check_all(self.archive)
        store = ResultsStore(Archive(self.archive), Profile.default())
        made = hashlib.sha256()
        for frame in (store.incidents(), store.wears()):
            made.update(frame.write_json().encode())
        for key in store.incidents().filter(pl.col("problem").is_null())["key"]:
            for name, table in sorted(store.incident(key).results.items()):
                made.update(f"{name}{table.write_json()}".encode())
        said = "\n".join(sound.trouble_of(self.archive).sentences())
        return Answer(3 if said else 0, made.hexdigest(), said)

    def _begin(self) -> None:
        os.environ[WORK_FOLDER] = str(self.out / "state")  # no memory of earlier looks
        shutil.rmtree(self.out, ignore_errors=True)
        self.out.mkdir()
        for known in (expected._known, sound._checked, sound._lately):
            known.clear()
        sound._altered.clear()


def _traceback(done: Result) -> str:
    """Return what `underair` would not have put into a sentence."""
    expected_ones = (SystemExit, UnderairError, OSError)
    return "" if done.exception is None or isinstance(done.exception, expected_ones) else repr(done.exception)


def digest_of(folder: Path) -> str:
    """Return a digest of what a verb wrote, without what says when and where it was made."""
    made = hashlib.sha256()
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if (
            not path.is_file()
            or name.startswith("state/")
            or ("case/" in name and not re.search(r"messages\.ndjson|results/", name))
        ):
            continue
        if path.suffix == ".parquet":
            data = pl.read_parquet(path).write_json()
        elif path.suffix == ".gz":
            data = hashlib.sha256(path.read_bytes()).hexdigest()
        else:
            data = path.read_text(encoding="utf-8")
            now = datetime.now(UTC)
            for day in (now, now - timedelta(days=1)):
                data = re.sub(rf"{day:%Y-%m-%d}[T ]\d\d:\d\d(:\d\d(\.\d+)?)?", "", data)
            data = re.sub(r"head of [^<]*<|heads?\b[^<]{0,9}<code>[^<]*|[0-9a-f]{64}", "", data)
        made.update(f"{name}\0{data}\0".encode())
    return made.hexdigest()


def cell(before: dict[str, Answer], after: dict[str, Answer]) -> str:
    """Return what a cell of the matrix says."""
    silent = faults_in(before, after)
    if silent:
        return f"not seen: {', '.join(silent)}"
    changed = [verb for verb, answer in after.items() if answer.code != before[verb].code]
    if not changed:
        return SAME
    return SAID if len(changed) == len(after) else f"{SAID} by {', '.join(changed)}; others the same"


def damaged(whole: Path, earlier: Path, archive: Path, kind: str, damage: str) -> bool:
    """Put a fresh copy in place and damage one file of a kind; False when there is nothing to do.

    Parameters
    ----------
    whole, earlier : Path
        As `make_archive` made them.
    archive : Path
        Is replaced.
    kind, damage : str
        Of `KINDS` and `DAMAGES`, or `STALE`.
    """
    shutil.rmtree(archive, ignore_errors=True)
    shutil.copytree(whole, archive)
    file = next(iter(sorted(archive.glob(KINDS[kind]))))
    if damage != STALE:
        DAMAGES[damage](file)
        return True
    old = earlier / file.relative_to(archive)
    if not old.exists() or old.read_bytes() == file.read_bytes():
        return False
    shutil.copy(old, file)
    return True


def table_of(cells: dict[tuple[str, str], str]) -> str:
    """Return the matrix as a table in Markdown."""
    damages = [*DAMAGES, STALE]
    lines = [f"| file | {' | '.join(damages)} |", f"| --- |{' --- |' * len(damages)}"]
    lines += [
        f"| {kind} | {' | '.join(cells.get((kind, damage), NOTHING) for damage in damages)} |"
        for kind in KINDS
    ]
    return "\n".join(lines)


def cells_of_page() -> dict[tuple[str, str], str]:
    """Return the table of the page by file and damage."""
    lines = [line for line in PAGE.read_text(encoding="utf-8").splitlines() if line.startswith("|")]
    head, _, *rows = [line.strip("| ").split(" | ") for line in lines]
    return {(row[0], damage): text for row in rows for damage, text in zip(head[1:], row[1:], strict=True)}


def faults_in(before: dict[str, Answer], after: dict[str, Answer]) -> list[str]:
    """Return the verbs that gave another answer and did not say what is wrong."""
    return [
        verb
        for verb, answer in after.items()
        if (answer.code, answer.made) != (before[verb].code, before[verb].made)
        and not (answer.code and answer.said.strip())
    ]


def crashes_in(after: dict[str, Answer]) -> list[str]:
    """Return the verbs that ended with a traceback instead of a sentence."""
    return [verb for verb, answer in after.items() if answer.traceback or answer.code not in (0, 1, 3)]
