"""The captures in sample_logs are made by their script, stay small, and the README speaks of each."""

from __future__ import annotations

import gzip
import zlib
from pathlib import Path

import pyarrow as pa
import pytest

from dashboard.demo.crew import RECORDED
from ingest.contract.captures import read_capture
from sample_logs.make_sample_logs import make, make_recordings

FOLDER = Path(__file__).parents[2] / "sample_logs"


def unpacked(path: Path) -> bytes:
    if path.suffix == ".gz":
        return gzip.decompress(path.read_bytes())
    if path.suffix == ".zst":
        with pa.CompressedInputStream(pa.OSFile(str(path)), "zstd") as stream:
            return bytes(stream.read())
    return path.read_bytes()


@pytest.fixture(scope="module")
def made_anew(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sample_logs")
    make(folder)
    return folder


def captures() -> list[str]:
    return sorted(path.name for path in FOLDER.iterdir() if ".ndjson" in path.name)


def test_the_script_makes_exactly_these_files(made_anew: Path) -> None:
    assert sorted(path.name for path in made_anew.iterdir()) == captures()


@pytest.mark.parametrize("name", captures())
def test_the_script_makes_the_same_bytes(name: str, made_anew: Path) -> None:
    assert unpacked(made_anew / name) == unpacked(FOLDER / name)
    # Packed bytes also depend on the compressor: zlib itself is the same everywhere, a fork of it or another
    # release of zstd need not be. What is inside is compared above in every case.
    if (
        name.endswith(".gz")
        and zlib.ZLIB_RUNTIME_VERSION.startswith("1.")
        and "ng" not in zlib.ZLIB_RUNTIME_VERSION
    ):
        assert (made_anew / name).read_bytes() == (FOLDER / name).read_bytes()


@pytest.mark.parametrize("name", captures())
def test_a_capture_is_small_and_the_readme_speaks_of_it(name: str) -> None:
    assert (FOLDER / name).stat().st_size < 2_000_000
    assert name in (FOLDER / "README.md").read_text()


def test_the_readme_gives_the_number_of_messages_of_each() -> None:
    readme = (FOLDER / "README.md").read_text()
    for name in captures():
        count = sum(1 for _ in read_capture(FOLDER / name))
        (row,) = [line for line in readme.splitlines() if line.startswith(f"| `{name}`")]
        assert f" {count:,} " in row


def test_the_demo_plays_incidents_that_the_script_makes(tmp_path: Path) -> None:
    make_recordings(tmp_path)
    for path in RECORDED.values():
        assert unpacked(tmp_path / path.name) == unpacked(path)
