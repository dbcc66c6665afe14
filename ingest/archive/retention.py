"""Remove wearers' names from the sealed messages of old incidents, and nothing else.

In desks' messages about such an incident each `wearer_id` becomes an HMAC of incident and wearer under a
random key. The key is deleted in the end. So a wearer has one name within an incident and another in the
next. If the old name is a separate word in other texts (notes, tasks, teams), it is replaced, too. All other
bytes of the payload stay, and messages of sets are not opened.

The parts of a day become one as in tidying, with the same lock and a line in the manifest. Meanwhile
`.retaining` (only its owner can read it) has the key and the old names; for an archive on a store it is in
the `work_folder`. If a run is killed, the next one continues with the same names.
"""

import hashlib
import hmac
import json
import re
import secrets
import shutil
import time
from collections.abc import Callable, Collection
from dataclasses import dataclass, field, replace
from datetime import date, datetime

import msgspec
import polars as pl

from ingest.archive.durable import sync_folder, write_durably
from ingest.archive.expected import unsettled
from ingest.archive.folder import require_known_format
from ingest.archive.index import FOLDER as INDEX
from ingest.archive.manifest import DIGESTS, Held, rows_digest
from ingest.archive.parts import day_folders, part_files, parts_by_day, scan_parts, write_part
from ingest.archive.reading import Archive
from ingest.archive.sound import SUFFIX, lines_of, trouble_of
from ingest.archive.store import ArchivePath, asides, place_of, work_folder
from ingest.archive.tidying import ASIDE, finish_merge, in_this_form, only_one
from ingest.contract.columns import FRAME_SCHEMAS, INCIDENT_KINDS
from ingest.contract.errors import ArchiveProblem, RefusedMessage
from ingest.contract.frames import FrameBuilder
from ingest.contract.messages import decode_known
from ingest.contract.times import micros
from ingest.contract.topics import parse_topic

KINDS = (*(kind for kind in INCIDENT_KINDS if kind != "tally"), "tally")
"""What desks say of an incident. Tallies last: they say for which names all other texts are searched."""
WRITER = "retention"
UNDER_WAY = ".retaining"
GONE = re.compile(r"gone-[0-9a-f]{10}")
_ROW = "row number"  # no field of the contract is called so
_TOO_LONG = "?"  # fits where the new name is too long: no name is shorter
# Evidence and identities: never altered, even if a wearer has that name.
_EVIDENCE = {
    *("kind", "desk_id", "set_id", "incident_id", "time", "at"),
    *("action", "certainty", "state", "order", "alarm"),
}
_STRING = re.compile(r'("(?:[^"\\]|\\.)*")(\s*:)?')


@dataclass(frozen=True)
class Retained:
    """What was dropped, or would be."""

    incidents: list[str]
    wearers: int  # names dropped, counted in each incident
    messages: int  # rewritten
    held: list[str]  # old enough, and under hold
    waiting: list[str]  # old enough, with messages that are not sealed yet
    applied: bool


class _UnderWay(msgspec.Struct, frozen=True):
    """What the next run needs if this one is killed."""

    key: bytes
    ids: list[str] = []


@dataclass
class _Names:
    """New names for old, in the incidents that are due."""

    under_way: _UnderWay
    due: frozenset[str]
    known: re.Pattern[str] | None
    held: list[str]  # as in `Retained`
    waiting: list[str]
    incidents: set[str] = field(default_factory=set)
    wearers: set[tuple[str, str]] = field(default_factory=set)
    messages: int = 0

    def of(self, incident_id: str, wearer_id: str) -> str:
        said = f"{incident_id}\0{wearer_id}".encode()
        return f"gone-{hmac.digest(self.under_way.key, said, hashlib.sha256).hex()[:10]}"

    def told(self, *, applied: bool) -> Retained:
        found = sorted(self.incidents), len(self.wearers), self.messages
        return Retained(*found, self.held, self.waiting, applied=applied)


def retain(
    folder: ArchivePath,
    cut_off: datetime,
    held: Callable[[], Collection[str]],
    rule: str,
    today: date,
    *,
    apply: bool,
    grace_s: float | None = None,
    keep: Callable[[dict[tuple[str, str], str]], object] | None = None,
) -> Retained:
    """Drop wearers' names from incidents whose last message was received before `cut_off`.

    - `cut_off`: aware.
    - `held`: gives the incidents under hold; called when no hold can be added any more.
    - `rule`: the reason in the manifest's line.
    - `today`: UTC; its parts are left alone.
    - `apply`: otherwise only say what would be done: no byte is changed.
    - `grace_s`: as of `tidy`.
    - `keep`: gets the new name of each (incident, wearer) before any is dropped; the run after an interrupted
      one gives the same names again.

    Raises `ArchiveProblem` when there is no such archive, tidying is at work, or a part cannot be read.
    """
    if not folder.is_dir():
        raise ArchiveProblem(f"there is no archive {folder}")
    require_known_format(folder)
    if not apply:
        names = _look(folder, cut_off, held(), _UnderWay(secrets.token_bytes(32)))
        _find(folder, today, names)
        return names.told(applied=False)
    with only_one(folder):
        broken_off = (work_folder(folder) / UNDER_WAY).exists()
        before = _read_under_way(folder) if broken_off else _UnderWay(secrets.token_bytes(32))
        names = _look(folder, cut_off, held(), before)
        if keep is not None:
            tried = replace(names, incidents=set(), wearers=set())
            _find(folder, today, tried)
            if tried.wearers:
                _keep(folder, names.under_way)
                keep({each: names.of(*each) for each in tried.wearers})
        finishing: list[ArchivePath] = []
        for kind in KINDS:
            for day_folder in day_folders(folder, kind):
                finish_merge(day_folder, unsettled(folder))
            for day, parts in _sealed_days(folder, kind, today):
                made = _rewritten(kind, parts, names)
                if made is None:
                    continue
                if not finishing:
                    _keep(folder, names.under_way)
                replaced, rows, dropped = made
                write_part(
                    folder,
                    kind,
                    day,
                    f"unnamed-{secrets.token_hex(8)}",
                    rows,
                    WRITER,
                    replaces=[in_this_form(*one) for one in zip(replaced, lines_of(replaced), strict=True)],
                    dropped=dropped,
                    unnamed_by=rule,
                )
                finishing.append(parts[0].parent)
        if finishing:
            time.sleep(place_of(folder).grace_s if grace_s is None else grace_s)
        for day_folder in finishing:
            finish_merge(day_folder, unsettled(folder))
        if finishing or broken_off:
            _clear(folder)
    return names.told(applied=True)


def _find(folder: ArchivePath, today: date, names: _Names) -> None:
    for kind in KINDS:
        for _, parts in _sealed_days(folder, kind, today):
            _rewritten(kind, parts, names)


def _look(folder: ArchivePath, cut_off: datetime, held: Collection[str], before: _UnderWay) -> _Names:
    # Journals first: what is sealed meanwhile is found in its parts.
    unsealed = Archive(folder).unsealed()
    spoken = pl.concat(
        [frame.lazy().select("incident_id", "received") for kind in KINDS for frame in [unsealed[kind]]]
        + [scan_parts(kind, part_files(folder, kind)).select("incident_id", "received") for kind in KINDS]
    )
    wearers = scan_parts("tally", part_files(folder, "tally")).select("incident_id", "wearer_id").unique()
    try:
        last = spoken.group_by("incident_id").agg(pl.col("received").max()).collect()
        tallied = wearers.collect()
    except pl.exceptions.PolarsError as error:
        raise ArchiveProblem(
            f"a part cannot be read, nothing was changed: {error}; `underair verify {folder}` names it"
        ) from error
    old = set(last.filter(pl.col("received") < cut_off)["incident_id"])
    unsettled_yet = {each for kind in KINDS for each in unsealed[kind]["incident_id"]}
    due = frozenset(old - set(held) - unsettled_yet)
    named = set(tallied.filter(~pl.col("wearer_id").str.contains(f"^{GONE.pattern}$"))["incident_id"])
    # An ID that is only a number looks like any other number in a text.
    ids = {each for each in tallied["wearer_id"] if not GONE.fullmatch(each) and not each.isdecimal()}
    ids.update(before.ids)
    words = "|".join(re.escape(each) for each in sorted(ids, key=lambda each: (-len(each), each)))
    known = re.compile(rf"(?<!\w)(?<!\w-)(?:{words})(?!\w|-\w)") if ids else None
    under_hold, waiting = old & named & set(held), old & named & unsettled_yet - set(held)
    under_way = _UnderWay(before.key, sorted(ids))
    return _Names(under_way, due, known, sorted(under_hold), sorted(waiting))


def _sealed_days(folder: ArchivePath, kind: str, today: date) -> list[tuple[date, list[ArchivePath]]]:
    moving = unsettled(folder)
    damaged = [fault for fault in trouble_of(folder) if fault.kind in KINDS]
    if damaged:
        raise ArchiveProblem(
            f"{damaged[0].sentence()} It may name wearers, so nothing was changed. Run `underair verify "
            f"{folder}` for details, or restore the file from a backup"
        )
    days = [
        (day, [part for part in parts if part.stem not in moving])
        for day, parts in parts_by_day(folder, kind)
        if day < today
    ]
    return [(day, parts) for day, parts in days if parts]


def _rewritten(
    kind: str, parts: list[ArchivePath], names: _Names
) -> tuple[list[ArchivePath], pl.DataFrame, Held] | None:
    """Return the parts of a day that name somebody, their rows without the names, and what was dropped."""
    replaced: list[ArchivePath] = []
    frames: list[pl.DataFrame] = []
    dropped = Held()
    for part in parts:
        try:
            rows = scan_parts(kind, [part]).collect()
        except pl.exceptions.PolarsError as error:
            raise ArchiveProblem(f"{part} cannot be read: {error}") from error
        whole = _without_names(kind, rows, names, dropped)
        if whole is not None:
            replaced.append(part)
            frames.append(whole)
    return (replaced, pl.concat(frames), dropped) if replaced else None


def _without_names(kind: str, rows: pl.DataFrame, names: _Names, dropped: Held) -> pl.DataFrame | None:
    """Return the rows of a part without names, adding to `dropped`; None when they name nobody."""
    builder = FrameBuilder()
    places: list[int] = []
    about = rows.select("incident_id", "received", "topic", "payload", "retained")
    for place, (incident_id, received, topic, payload, retained) in enumerate(about.iter_rows()):
        if incident_id not in names.due:
            continue
        without = _payload_without_names(topic, payload, incident_id, names)
        if without != payload:
            places.append(place)
            names.incidents.add(incident_id)
            builder.add(micros(received), topic, without.encode(), retained)
    if not places:
        return None
    names.messages += len(places)
    after = builder.frames()[kind].select(FRAME_SCHEMAS[kind].names())
    numbered = rows.select(FRAME_SCHEMAS[kind].names()).with_row_index(_ROW)
    at = pl.Series(_ROW, places, pl.UInt32)
    altered = pl.col(_ROW).is_in(at.implode())
    before = numbered.filter(altered).drop(_ROW)
    dropped.rows += before.height
    dropped.digest = (dropped.digest + rows_digest(before) - rows_digest(after)) % DIGESTS
    return pl.concat([numbered.filter(~altered), after.insert_column(0, at)]).sort(_ROW).drop(_ROW)


def _payload_without_names(topic: str, payload: str, incident_id: str, names: _Names) -> str:
    for shorter in (False, True):
        without, wearers = _replaced_in(payload, incident_id, names, shorter)
        if without == payload:
            return payload
        try:
            decode_known(parse_topic(topic), without.encode())
        except RefusedMessage as refusal:
            problem = refusal
            continue
        names.wearers |= wearers
        return without
    raise ArchiveProblem(f"a message of {incident_id} cannot be kept without its wearer's name: {problem}")


def _replaced_in(
    payload: str, incident_id: str, names: _Names, shorter: bool
) -> tuple[str, set[tuple[str, str]]]:
    """Return the payload without names, and whose were dropped; everything else in it stays."""
    key = ""
    wearers: set[tuple[str, str]] = set()

    def new_name(match: re.Match[str]) -> str:
        wearers.add((incident_id, match[0]))
        return _TOO_LONG if shorter else names.of(incident_id, match[0])

    def string(match: re.Match[str]) -> str:
        nonlocal key
        text = json.loads(match[1])
        if match[2] is not None:
            key = text
            return match[0]
        said = text
        if key == "wearer_id":
            if not GONE.fullmatch(text):
                wearers.add((incident_id, text))
                said = names.of(incident_id, text)
        elif key not in _EVIDENCE and names.known is not None:
            said = names.known.sub(new_name, text)
        return match[0] if said == text else json.dumps(said, ensure_ascii=match[1].isascii())

    return _STRING.sub(string, payload), wearers


def _keep(folder: ArchivePath, under_way: _UnderWay) -> None:
    write_durably(work_folder(folder) / UNDER_WAY, msgspec.json.encode(under_way), 0o600)


def _read_under_way(folder: ArchivePath) -> _UnderWay:
    try:
        return msgspec.json.decode((work_folder(folder) / UNDER_WAY).read_bytes(), type=_UnderWay)
    except msgspec.MsgspecError as error:
        raise ArchiveProblem(
            f"{work_folder(folder) / UNDER_WAY}, left by a run that was killed, is damaged ({error}). Delete "
            "it; then one wearer may have two names in the incidents of that run"
        ) from error


def _clear(folder: ArchivePath) -> None:
    here, beside = work_folder(folder), asides(folder)
    for kind in KINDS:
        for pattern in (f".day-*{SUFFIX}.tmp", f".unnamed-*{SUFFIX}.tmp"):
            for path in (beside / kind).glob(f"*/{pattern}"):
                path.unlink()
    for indexed in place_of(folder).below(folder / INDEX):
        indexed.unlink(missing_ok=True)
    for name in (ASIDE, INDEX):
        if (here / name).exists():
            shutil.rmtree(here / name)
    # `brought` has no messages from which it could be rebuilt, and is about other incidents.
    for path in (here / "derived").glob("*"):
        if path.name != "brought":
            shutil.rmtree(path) if path.is_dir() else path.unlink()
    sync_folder(here)
    for left in (*here.glob(f".{UNDER_WAY}.*.tmp"), here / UNDER_WAY):
        left.unlink(missing_ok=True)
    sync_folder(here)
