"""Reads and writes an archive's sealed parts where they are: in a folder, or on an S3-compatible store.

`s3://BUCKET/PREFIX` is a path, too. Only `place_of` decides which of the two it is.

The store has sealed parts, manifest and index, each an object that appears whole or not at all. Journals,
access log, derived files and roster are in a folder of this machine (`work_folder`): a file that is appended
to, or synced before an acknowledgement, cannot be an object.
"""

from __future__ import annotations

import configparser
import contextlib
import filecmp
import functools
import hashlib
import os
import re
import stat
from collections.abc import Callable, Generator, Iterable, Iterator
from pathlib import Path, PurePosixPath
from typing import Any, NamedTuple, TypeVar

from ingest.archive.durable import make_folder, sync_folder
from ingest.contract.errors import ArchiveProblem

SCHEME = "s3:"
WORK_FOLDER = "UNDERAIR_WORK_FOLDER"
Found = TypeVar("Found")
_TRIES = 20
_ATTEMPTS = 3
_CONNECT_S, _ANSWER_S = 5.0, 20.0
_NAME = re.compile(r"s3://[a-z0-9][a-z0-9.-]{1,61}[a-z0-9](/[A-Za-z0-9!_.*'() =+-]+)*/?")


class StoreProblem(ArchiveProblem):
    """The store cannot be reached, or refuses us."""


class StorePath(PurePosixPath):
    """The name of a place on a store, and what is read there without a `Place`.

    It is no path of this machine: the type checker finds code that opens it as one, and `__fspath__`, which
    every way into the operating system asks first, refuses it.
    """

    _known: Any = None  # what a listing said of it

    def __str__(self) -> str:
        return f"s3://{_key(self)}" if self.parts[:1] == (SCHEME,) else "/".join(self.parts) or "."

    def __fspath__(self) -> str:
        raise ArchiveProblem(
            f"{self} is on a store, and this needs a folder of this machine: copy the archive here first, "
            "or name a local one"
        )

    def absolute(self) -> StorePath:
        """Return itself: it names no folder that could be elsewhere."""
        return self

    resolve = absolute

    def is_dir(self) -> bool:
        """Say whether anything is below it."""
        kind = self._info().type.name
        # A bucket without anything below our prefix is an archive that is still empty.
        return kind == "Directory" or (kind == "NotFound" and len(self.parts) == 2)

    def is_file(self) -> bool:
        """Say whether it is an object."""
        return bool(self._info().is_file)

    def exists(self) -> bool:
        """Say whether it is there."""
        return bool(self._info().type.name != "NotFound")

    def stat(self) -> os.stat_result:
        """Return size and time of change (to the second: a listing and a single look differ below).

        Raises `FileNotFoundError`.
        """
        info = self._known or self._info()
        if info.type.name == "NotFound":
            raise FileNotFoundError(2, "not on the store", str(self))
        mode = stat.S_IFREG if info.is_file else stat.S_IFDIR
        seconds = (info.mtime_ns or 0) // 1_000_000_000
        times = {"st_mtime_ns": seconds * 1_000_000_000}
        return os.stat_result((mode, *(0,) * 5, info.size or 0, seconds, seconds, seconds), times)

    def iterdir(self) -> Generator[StorePath, None, None]:
        """Yield what is in it."""
        yield from _listed(self, recursive=False)

    def read_bytes(self) -> bytes:
        """Return the object.

        Raises `FileNotFoundError`.
        """

        with _client_for(self) as client, client.open_input_stream(_key(self)) as stream:
            return bytes(stream.read())

    def unlink(self, missing_ok: bool = False) -> None:
        """Delete the object."""
        try:
            with _client_for(self) as client:
                client.delete_file(_key(self))
        except FileNotFoundError:
            if not missing_ok:
                raise

    def _info(self) -> Any:
        with _client_for(self) as client:
            return client.get_file_info(_key(self))


ArchivePath = Path | StorePath


class Place:
    """Reads and writes what is at a path: in a folder of this machine. `Store` does the same on a store."""

    is_shared = False  # whether other machines write there, too, and each look costs requests
    grace_s = 2.0  # how long what was merged stays for readers that have just listed it

    def opened(self, path: ArchivePath) -> Any:
        """Return a file to read bytes from."""
        return local(path).open("rb")

    def inside(self, folder: ArchivePath) -> Iterable[ArchivePath]:
        """Return what is in a folder; nothing when it is not there."""
        return folder.iterdir() if folder.is_dir() else ()

    def below(self, folder: ArchivePath) -> Iterator[ArchivePath]:
        """Yield all files below a folder; none when it is not there."""
        return (path for path in local(folder).rglob("*") if path.is_file())

    def put(self, path: ArchivePath, data: bytes) -> None:
        """Write a file, and its folder if missing: whole or not at all; a power cut may lose it."""
        path = local(path)
        path.parent.mkdir(exist_ok=True)
        aside = path.with_name(f".{path.name}.{os.getpid()}.tmp")
        try:
            aside.write_bytes(data)
            aside.replace(path)
        finally:
            aside.unlink(missing_ok=True)

    def take_in(
        self, aside: Path, path: ArchivePath, read_back: Callable[[Any], None], *, again: bool
    ) -> None:
        """Give a part that was written and read back aside its name, durably.

        `again`: it may be written over. `read_back` raises when what has arrived is not what was sent.
        """
        if not again:
            try:
                os.link(aside, path)  # fails when the name is taken, as a rename does not
            except FileExistsError:
                if not filecmp.cmp(path, aside, shallow=False):
                    raise ArchiveProblem(f"{path} is there already: nothing is written") from None
            except OSError:  # no links on this file system; `write_part` has looked whether the name is free
                again = True
        if again:
            aside.replace(local(path))
        else:
            aside.unlink()
        sync_folder(local(path).parent)

    def move(self, path: ArchivePath, to: ArchivePath) -> None:
        """Move a file, durably."""
        old, new = local(path), local(to)
        make_folder(new.parent)
        old.rename(new)
        for folder in (new.parent, old.parent):
            sync_folder(folder)

    def settle(self, folder: ArchivePath) -> None:
        """Make the names in a folder durable."""
        sync_folder(local(folder))

    def complain(self, path: ArchivePath, error: OSError) -> None:
        """Raise a clearer error in place of this one, if the store has one."""


class Store(Place):
    """An S3-compatible store."""

    is_shared = True
    grace_s = 30.0  # listing a store takes many requests

    def opened(self, path: ArchivePath) -> Any:
        """Return the object as a file of pyarrow's, read in the pieces that are asked for."""
        with _client_for(path) as client:
            return client.open_input_file(_key(path))

    def inside(self, folder: ArchivePath) -> Iterator[ArchivePath]:
        """See `Place`."""
        return _listed(folder, recursive=False)

    def below(self, folder: ArchivePath) -> Iterator[ArchivePath]:
        """See `Place`."""
        return _listed(folder, recursive=True)

    def put(self, path: ArchivePath, data: Any) -> None:
        """Write the object, anything with a buffer, in one go: it is there as a whole or not at all."""

        with _client_for(path) as client:
            with client.open_output_stream(_key(path)) as stream:
                stream.write(data)
            there = client.get_file_info(_key(path)).size or 0
        if there != (size := len(memoryview(data))):
            raise StoreProblem(f"{path}: the store holds {there} bytes, {size} were written")

    def put_new(self, path: ArchivePath, data: bytes) -> bool:
        """Write the object unless it is there; return whether it was written.

        A conditional request (``If-None-Match: *``, RFC 9110, 13.1.2): of two machines only one succeeds.
        """
        import obstore
        from obstore.exceptions import AlreadyExistsError, BaseError

        try:
            client = _conditional_client(_access(), path.parts[1])
            obstore.put(client, "/".join(path.parts[2:]), data, mode="create")
        except AlreadyExistsError:
            return False
        except (BaseError, OSError) as error:
            raise store_problem(path, error) from error
        return True

    def take_in(
        self, aside: Path, path: ArchivePath, read_back: Callable[[Any], None], *, again: bool
    ) -> None:
        """See `Place`."""
        from pyarrow import memory_map

        with memory_map(str(aside)) as file:
            self.put(path, file.read_buffer())
        with self.opened(path) as there:
            read_back(there)
        aside.unlink()

    def move(self, path: ArchivePath, to: ArchivePath) -> None:
        """See `Place`."""
        self.put(to, path.read_bytes())
        path.unlink()

    def settle(self, folder: ArchivePath) -> None:
        """See `Place`."""

    def complain(self, path: ArchivePath, error: OSError) -> None:
        """See `Place`."""
        if not isinstance(error, FileNotFoundError):
            raise store_problem(path, error) from error


FOLDER, STORE = Place(), Store()


def place_of(path: ArchivePath) -> Place:
    """Return what reads and writes at a path."""
    return STORE if isinstance(path, StorePath) else FOLDER


def until_whole(where: ArchivePath, read: Callable[[], Found]) -> Found:
    """Return the result of `read`, which starts again if something that it listed is gone.

    Raises `ArchiveProblem` when that happens again and again; `where` is named.
    """
    for _ in range(_TRIES):
        try:
            return read()
        except FileNotFoundError:
            continue
    raise ArchiveProblem(f"the archive {where} changes faster than it can be read")


def _key(path: ArchivePath) -> str:
    return "/".join(path.parts[1:])


def _listed(folder: ArchivePath, *, recursive: bool) -> Iterator[StorePath]:
    from pyarrow.fs import FileSelector

    chosen = FileSelector(_key(folder), allow_not_found=True, recursive=recursive)
    with _client_for(folder) as client:
        found = client.get_file_info(chosen)
    for info in found:
        if recursive and not info.is_file:
            continue
        path = StorePath(f"s3://{info.path}")
        path._known = info
        yield path


def file_sha256(path: ArchivePath) -> str:
    """Return the SHA-256 of a file, read in pieces."""
    with place_of(path).opened(path) as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def place(where: str | ArchivePath) -> ArchivePath:
    """Return where an archive is: a folder of this machine, or `s3://BUCKET/PREFIX`.

    Raises `ArchiveProblem` when an address of a store is not written as it must be.
    """
    if isinstance(where, StorePath) or not str(where).startswith(SCHEME):
        return Path(where) if isinstance(where, str) else where
    text = str(where)
    if not _NAME.fullmatch(text):
        raise ArchiveProblem(
            f"an archive on a store is named s3://BUCKET/PREFIX, got {text!r}; its address and keys come "
            "from the environment (AWS_ENDPOINT_URL, AWS_ACCESS_KEY_ID, AWS_SECRET_ACCESS_KEY)"
        )
    return StorePath(text)


def local(path: ArchivePath) -> Path:
    """Return a path of this machine.

    Raises `ArchiveProblem` when it is on a store.
    """
    return Path(os.fspath(path))


def work_folder(archive: ArchivePath) -> Path:
    """Return the folder of this machine for what cannot be on a store; for a local archive itself.

    Named after the store, in ``UNDERAIR_WORK_FOLDER`` or else in ``~/.local/state/underair``.
    Listener and pages on one machine must see the same.
    """
    if not isinstance(archive, StorePath):
        return archive
    name = f"{_key(archive).replace('/', '_')}-{hashlib.sha256(str(archive).encode()).hexdigest()[:8]}"
    return machine_folder() / name


def machine_folder() -> Path:
    """Return where this machine keeps what belongs to no folder of an archive."""
    if told := os.environ.get(WORK_FOLDER):
        return Path(told)
    return Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state") / "underair"


def asides(archive: ArchivePath) -> Path:
    """Return the folder under which parts are written before they get their name."""
    return work_folder(archive) / "aside" if isinstance(archive, StorePath) else archive


def reader_options(path: ArchivePath) -> dict[str, Any] | None:
    """Return what polars needs to read from where a path is; None for a local one."""
    if not isinstance(path, StorePath):
        return None
    return {**_access().options, "max_retries": _ATTEMPTS}


class _Access(NamedTuple):
    key_id: str
    secret: str
    token: str
    region: str
    endpoint: str

    @property
    def options(self) -> dict[str, Any]:
        """The same by the names that polars and obstore have for it."""
        options = {
            "aws_access_key_id": self.key_id,
            "aws_secret_access_key": self.secret,
            "aws_session_token": self.token,
            "aws_region": self.region,
            "aws_endpoint_url": self.endpoint,
            "aws_allow_http": "true" if self.endpoint.startswith("http://") else "",
        }
        return {name: value for name, value in options.items() if value}


def _access() -> _Access:
    """Return where the store is and our keys: the environment's, else those of the usual file."""
    told = os.environ.get
    key_id, secret, token = (
        told(f"AWS_{name}", "") for name in ("ACCESS_KEY_ID", "SECRET_ACCESS_KEY", "SESSION_TOKEN")
    )
    if not (key_id and secret):
        file = Path(told("AWS_SHARED_CREDENTIALS_FILE", "") or Path.home() / ".aws" / "credentials")
        profile = told("AWS_PROFILE", "") or "default"
        kept = configparser.ConfigParser(interpolation=None)
        try:
            kept.read(file, encoding="utf-8")
            section = kept[profile] if kept.has_section(profile) else {}
        except (OSError, configparser.Error, UnicodeDecodeError) as error:
            raise StoreProblem(f"the file of keys {file} cannot be read: {type(error).__name__}") from None
        key_id, secret, token = (
            section.get(f"aws_{name}", "") for name in ("access_key_id", "secret_access_key", "session_token")
        )
        if not (key_id and secret):
            raise StoreProblem(
                "there are no keys for the store: set AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY, or put "
                f"aws_access_key_id and aws_secret_access_key under [{profile}] in {file}"
            )
    region = told("AWS_REGION") or told("AWS_DEFAULT_REGION") or "us-east-1"
    endpoint = told("AWS_ENDPOINT_URL_S3") or told("AWS_ENDPOINT_URL") or ""
    if endpoint and not re.fullmatch(r"https?://[^/\s]+/?", endpoint):
        raise StoreProblem(f"AWS_ENDPOINT_URL must be https://HOST[:PORT] (or http://), got {endpoint!r}")
    return _Access(key_id, secret, token, region, endpoint.rstrip("/"))


@functools.lru_cache(maxsize=4)
def _client(access: _Access) -> Any:
    from pyarrow import fs

    scheme, _, host = access.endpoint.rpartition("://")
    return fs.S3FileSystem(
        access_key=access.key_id,
        secret_key=access.secret,
        session_token=access.token or None,
        region=access.region,
        endpoint_override=host or None,
        scheme=scheme or "https",
        connect_timeout=_CONNECT_S,
        request_timeout=_ANSWER_S,
        retry_strategy=fs.AwsStandardS3RetryStrategy(max_attempts=_ATTEMPTS),
    )


@functools.lru_cache(maxsize=4)
def _conditional_client(access: _Access, bucket: str) -> Any:
    """Return a client for conditional requests, which pyarrow's does not make."""
    from obstore.store import S3Store

    return S3Store(
        bucket,
        **access.options,
        virtual_hosted_style_request=False,
        client_options={"timeout": f"{_ANSWER_S:g}s"},
        retry_config={"max_retries": _ATTEMPTS},
    )


@contextlib.contextmanager
def _client_for(path: ArchivePath) -> Iterator[Any]:
    access = _access()
    try:
        yield _client(access)
    except FileNotFoundError:
        raise
    except OSError as error:
        raise store_problem(path, error) from error


def store_problem(path: ArchivePath, error: BaseException) -> StoreProblem:
    """Return what to say when a store did not answer, or not as asked."""
    text = str(error)
    where = _access().endpoint or "the store"
    bucket = path.parts[1] if len(path.parts) > 1 else ""
    if isinstance(error, ConnectionError) or "NETWORK_CONNECTION" in text or "client error (Connect)" in text:
        return StoreProblem(f"{where} does not answer ({path}); is it up, and AWS_ENDPOINT_URL right?")
    if "NO_SUCH_BUCKET" in text or "NoSuchBucket" in text:
        return StoreProblem(f"{where} has no bucket {bucket!r}; make it there first")
    if any(
        word in text for word in ("ACCESS_DENIED", "INVALID_ACCESS_KEY", "SIGNATURE_DOES_NOT_MATCH", "403")
    ):
        return StoreProblem(f"{where} refuses our keys for {path}: {_short(text)}")
    return StoreProblem(f"{where} failed ({path}): {_short(text)}")


def _short(text: str) -> str:
    line = text.partition("\n")[0]
    return line if len(line) <= 300 else f"{line[:300]}…"
