"""Tables as files: written aside and then renamed, so that a folder has all of them or none."""

from __future__ import annotations

import contextlib
import shutil
import uuid
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, TextIO

import polars as pl

from analysis.tables import TABLES, Results, empty_table, to_arrow, to_csv
from ingest.contract.errors import UnderairError, system_sentence


def write_results(results: Results, folder: Path, form: str, about: dict[str, str]) -> dict[str, Path]:
    """Write one file a table; return the files by table. Parameters as for `TableFiles`."""
    with TableFiles(folder, form, about) as files:
        files.add(results)
    return files.paths


class TableFiles:
    """Writes result tables bit by bit; the files appear under their names when all is written.

    - `folder`: made when it is not there.
    - `form`: "parquet" (units and meanings in the fields' metadata) or "csv".
    - `about`: goes into every Parquet file's metadata.
    - `tables`: only these.

    Attributes
    ----------
    paths : dict of str to Path
        The file of each table.
    rows : dict of str to int
        Rows written so far, by table.
    findings : dict of str to int
        Findings written so far, by severity.
    """

    def __init__(
        self, folder: Path, form: str, about: dict[str, str], tables: Sequence[str] = tuple(TABLES)
    ) -> None:
        self.paths = {name: folder / f"{name}.{form}" for name in tables}
        self.rows = dict.fromkeys(tables, 0)
        self.findings: dict[str, int] = {}
        self._folder, self._form, self._about = folder, form, about
        self._open: dict[str, Any] = {}

    def __enter__(self) -> TableFiles:
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            refuse_a_mixture(self._folder, self._form)
            for name in self.paths:
                self._open[name] = self._opened(name)
        except OSError as error:
            self._drop()
            raise self._problem(error) from None
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is not None:
            self._drop()
            return
        try:
            for name, path in self.paths.items():
                self._open[name].close()
                self._aside(name).replace(path)
        except OSError as problem:
            self._drop()
            raise self._problem(problem) from None

    def add(self, results: Results) -> None:
        """Append the rows of every table."""
        try:
            for name, writer in self._open.items():
                table = results[name]
                self.rows[name] += table.height
                if not table.height:
                    continue
                if self._form == "parquet":
                    writer.write_table(to_arrow(name, table, self._about))
                else:
                    writer.write(to_csv(name, table).split("\n", 1)[1])
        except OSError as error:
            raise self._problem(error) from None
        if "findings" not in self.paths:
            return
        for severity, count in results["findings"].group_by("severity").len().iter_rows():
            self.findings[severity] = self.findings.get(severity, 0) + count

    def _aside(self, name: str) -> Path:
        return self.paths[name].with_suffix(f".{self._form}.part")

    def _opened(self, name: str) -> Any:
        if self._form == "parquet":
            schema = to_arrow(name, empty_table(name), self._about).schema
            # Measured numbers hardly repeat: looking for repetitions takes three times as long and more room.
            texts = [column for column, dtype in TABLES[name].items() if dtype == pl.String]
            import pyarrow.parquet as pq  # with the file systems of stores: only where tables are written

            return pq.ParquetWriter(self._aside(name), schema, compression="zstd", use_dictionary=texts)
        file: TextIO = self._aside(name).open("w", encoding="utf-8", newline="")
        file.write(to_csv(name, empty_table(name)))
        return file

    def _drop(self) -> None:
        for writer in self._open.values():
            with contextlib.suppress(OSError):  # it writes what it still holds, and the disk may be full
                writer.close()
        for name in self.paths:
            with contextlib.suppress(OSError):  # of a folder that could not be made
                self._aside(name).unlink(missing_ok=True)

    def _problem(self, error: OSError) -> UnderairError:
        return UnderairError(
            f"cannot write the tables into {self._folder}: {system_sentence(error)}; or choose another --out"
        )


def refuse_a_mixture(folder: Path, form: str) -> None:
    """Raise `UnderairError` when a folder holds result tables of the other form: two runs would be one."""
    other = "csv" if form == "parquet" else "parquet"
    if any((folder / f"{name}.{other}").exists() for name in TABLES):
        raise UnderairError(
            f"{folder} already has tables as {other}, and nobody could tell the tables of two runs apart: "
            f"choose another --out, or use --format {other} to replace them"
        )


ASIDE = ".making-"


@contextlib.contextmanager
def handed_over(out: Path) -> Iterator[Path]:
    """Yield a new folder inside `out`; the files in it get their places in `out` when all went well.

    Nothing else is left: no folder of a run that was killed, nor an `out` that was made and holds nothing.

    Raises `UnderairError` when the folder cannot be made, or a file cannot be put in its place.
    """
    missing = [folder for folder in (out, *out.parents) if not folder.exists()]
    aside = out.resolve() / f"{ASIDE}{uuid.uuid4().hex}"
    try:
        with writing_into(out):
            out.mkdir(parents=True, exist_ok=True)
            for left in out.glob(f"{ASIDE}*"):
                shutil.rmtree(left, ignore_errors=True)
            aside.mkdir()
        yield aside
        with writing_into(out):
            for file in aside.iterdir():
                if file.is_file():
                    file.replace(out / file.name)
    finally:
        # Under another name first: a worker that is still at it must not find the place again.
        gone = aside.with_suffix(".gone")
        with contextlib.suppress(OSError):
            aside.replace(gone)
            shutil.rmtree(gone, ignore_errors=True)
        with contextlib.suppress(OSError):  # what holds anything stays
            for folder in missing:
                folder.rmdir()


@contextlib.contextmanager
def writing_into(out: Path) -> Iterator[None]:
    """Say into which folder something cannot be written, and why, as an `UnderairError`."""
    try:
        yield
    except OSError as error:
        raise UnderairError(f"cannot write into {out}: {system_sentence(error)}") from None
