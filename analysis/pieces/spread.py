"""Run the same functions on the workers of a Dask cluster. Only this module uses Dask.

What is computed and how is `analysis.pieces.piecewise`'s matter. Here is only: call a function for each of
many tasks, somewhere, and hand back what comes, in whatever order it comes. A task whose worker dies is
given to another by Dask; tasks write aside and rename, so that doing one twice does no harm.
"""

import functools
import hashlib
import logging
import os
import platform
import re
import socket
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager
from importlib.metadata import version
from pathlib import Path
from typing import Any, TypeVar

from polars.exceptions import PanicException

import ingest
from analysis.pieces.piecewise import Run
from ingest.archive.sound import Altered, altered_here, remember_altered
from ingest.contract.errors import UnderairError

T = TypeVar("T")
R = TypeVar("R")

ENGINE_WORDS = "local, local:WORKERS or dask://HOST:PORT"
ANSWER_WITHIN_S = 10.0
MEMORY_A_WORKER = 4 * 2**30
"""Bytes at most. Measured: 0.53 GB with tasks of `analysis.pieces.pieces.BATCH_ROWS` messages."""
_COUNT_FOR_THE_NUMBERS = ("numba", "numpy", "polars", "pyarrow", "scipy")
_LEAVE_INTERRUPTS_TO_THE_COMMAND = "import signal; signal.signal(signal.SIGINT, signal.SIG_IGN)"


class BadEngine(UnderairError):
    """An engine that cannot be used."""


@contextmanager
def spread_over(engine: str) -> Iterator[Run]:
    """Yield the runner of an engine; what was started for it is stopped at the end.

    `engine`: ``local`` starts a worker for each core of this machine, ``local:N`` starts N;
    ``dask://HOST:PORT`` is the scheduler of a cluster that is there.

    Raises `BadEngine` when the name is none of these, Dask is not installed, or the scheduler does not
    answer.
    """
    local = re.fullmatch(r"local(?::([1-9][0-9]*))?", engine)
    if local is None and not re.fullmatch(r"dask://[^/:]+:[0-9]+", engine):
        raise BadEngine(
            f"the engine must be {ENGINE_WORDS}, such as local:2 or dask://127.0.0.1:8786; got {engine}"
        )
    try:
        from distributed import Client
    except ImportError:
        raise BadEngine(
            f"the engine {engine} needs Dask, which is not installed: pip install 'underair[cluster]'"
        ) from None
    if local is None:
        try:
            client = Client(engine.replace("dask://", "tcp://"), timeout=ANSWER_WITHIN_S)
        except (OSError, TimeoutError) as error:
            raise BadEngine(
                f"no Dask scheduler answers at {engine} within {ANSWER_WITHIN_S:g} s ({error}); start one "
                "with `dask scheduler` and workers with `dask worker HOST:PORT`, or use --engine local"
            ) from None
        with client, _quiet():
            try:
                client.wait_for_workers(1, timeout=ANSWER_WITHIN_S)
            except TimeoutError:
                raise BadEngine(
                    f"the Dask scheduler at {engine} has no workers; start some with `dask worker "
                    f"{engine.removeprefix('dask://')}`"
                ) from None
            yield _runner(client, engine)
        return
    workers = int(local.group(1)) if local.group(1) else os.cpu_count() or 1
    with workers_here(workers) as cluster, Client(cluster) as client:
        yield _runner(client, engine)


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep Dask's own log from the terminal: what goes wrong comes back as an exception."""
    log = logging.getLogger("distributed")
    before = log.level
    log.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        log.setLevel(before)


@contextmanager
def workers_here(count: int) -> Iterator[Any]:
    """Yield a cluster of so many workers on this machine, each with one thread that computes."""
    import dask
    from distributed import LocalCluster
    from distributed.system import MEMORY_LIMIT

    with (
        dask.config.set(
            {
                # Polars counts its threads when it is imported: before the worker is spawned.
                "distributed.nanny.pre-spawn-environ.POLARS_MAX_THREADS": 1,
                # Nobody looks at Dask's own samples of where the time goes.
                "distributed.worker.profile.enabled": False,
                # Ctrl-C reaches all processes of a terminal: only the command ends the workers.
                "distributed.worker.preload": [_LEAVE_INTERRUPTS_TO_THE_COMMAND],
            }
        ),
        # Only on this machine, on ports that are free: several clusters may run at once.
        LocalCluster(
            n_workers=count,
            threads_per_worker=1,
            # Beyond it Dask restarts the worker and gives its task to another: never the whole machine.
            memory_limit=min(MEMORY_A_WORKER, MEMORY_LIMIT // count),
            host="127.0.0.1",
            dashboard_address="127.0.0.1:0",
            # What goes wrong comes back as an exception; how Dask ends its workers concerns nobody.
            silence_logs=logging.CRITICAL + 1,  # an interrupted scheduler says so as critical
        ) as cluster,
    ):
        yield cluster


def _runner(client: Any, engine: str) -> Run:
    from distributed import KilledWorker, as_completed

    def run(function: Callable[[T], R], tasks: Sequence[T]) -> Iterator[R]:
        # Their own key each: Dask must not take two runs over the same archive for one.
        futures = [client.submit(_at_worker, function, task, made_with(), pure=False) for task in tasks]
        try:
            for future, result in as_completed(futures, with_results=True):
                if future.status != "finished":
                    raise UnderairError(
                        f"the Dask scheduler of the engine {engine} went away, or dropped the work "
                        f"({result}); check the scheduler, then run this again"
                    )
                found, altered = result
                remember_altered(altered)
                yield found
        except KilledWorker as error:
            raise UnderairError(
                f"workers died again and again on one task: {error}; do they have enough memory?"
            ) from error
        except (AttributeError, ImportError, RuntimeError) as error:
            if any(note.startswith(_AT) for note in getattr(error, "__notes__", ())):
                raise
            raise UnderairError(
                f"the scheduler or a worker of the engine {engine} cannot take the work "
                f"({str(error.__cause__ or error).strip().splitlines()[0]}); "
                f"all need the same: {_words(made_with())}"
            ) from error
        finally:
            client.cancel(futures)

    return run


_AT = "at the worker on "


def _at_worker(function: Callable[[T], R], task: T, asked_with: dict[str, str]) -> tuple[R, Altered]:
    """Do a task here, if the tables will be the same as the caller's; an error names the machine.

    Return the result, and which parts read here were altered: the caller reports them.
    """
    where = f"{_AT}{socket.gethostname()} (process {os.getpid()})"
    try:
        differ = {name for name, value in made_with().items() if value != asked_with.get(name)}
        if differ:
            raise UnderairError(
                f"this worker's versions differ from the command's, so figures could differ: worker "
                f"{_words(made_with(), differ)}; command {_words(asked_with, differ)}. Install the same ones"
            )
        return function(task), altered_here()
    except UnderairError as error:
        error.args = (f"{where}: {error}",)
        raise
    except PanicException as error:  # cannot be sent as it is
        raise RuntimeError(f"a library failed: {error}, {where}") from None
    except Exception as error:
        error.add_note(where)
        raise


@functools.cache
def made_with() -> dict[str, str]:
    """Return what the figures may depend on: versions, and a digest of our own code."""
    digest = hashlib.sha256()
    packages = [Path(__file__).parents[1], Path(next(iter(ingest.__path__)))]
    for path in sorted(path for package in packages for path in package.rglob("*.py")):
        digest.update(path.read_bytes())
    return {
        "underair": f"{version('underair')} (code {digest.hexdigest()[:8]})",
        "Python": platform.python_version(),
        **{name: version(name) for name in _COUNT_FOR_THE_NUMBERS},
    }


def _words(versions: dict[str, str], names: Collection[str] | None = None) -> str:
    return ", ".join(f"{name} {value}" for name, value in versions.items() if names is None or name in names)
