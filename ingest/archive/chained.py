"""Logs whose lines are chained: each has the SHA-256 of the line before, some also their own."""

import hashlib
from collections.abc import Callable
from typing import Any, TypeVar

import msgspec

NOTHING_BEFORE = "0" * 64
LineT = TypeVar("LineT", bound=Any)


def hash_of(line: bytes) -> str:
    """Return the hash of a line for the next one; without a line, what a first line has."""
    return hashlib.sha256(line).hexdigest() if line else NOTHING_BEFORE


def with_own(line: LineT) -> LineT:
    """Return a line with the hash of its other fields, because no later line vouches for the last one."""
    bare = msgspec.json.encode(msgspec.structs.replace(line, own=""))
    return msgspec.structs.replace(line, own=hash_of(bare))


def read_chained(
    text: bytes,
    form: type[LineT],
    where: str,
    before: str = NOTHING_BEFORE,
    starts_anew: Callable[[LineT], bool] | None = None,
) -> tuple[list[LineT], list[str], str]:
    """Read the lines of a chain.

    - `form`: a struct with `before` and maybe `own`.
    - `where`: names the file in a fault.
    - `before`: hash of the last line of the file before.
    - `starts_anew`: tells whether a line need not name the one before.

    Returns:

    - `lines`: all that can be read.
    - `faults`: what is wrong, in words.
    - `head`: hash of the last line: noted elsewhere, it shows later that nothing was cut off the end.
    """
    lines, faults = [], []
    for number, each in enumerate(text.split(b"\n"), 1):
        if not each:
            continue
        try:
            line = msgspec.json.decode(each, type=form)
        except (ValueError, RecursionError) as error:  # also what is no UTF-8
            faults.append(f"{where}, line {number} cannot be read: {error}")
        else:
            if getattr(line, "own", "") and line != with_own(line):
                faults.append(f"{where}, line {number} was altered: its hash differs")
            elif line.before != before and not (starts_anew and starts_anew(line)):
                faults.append(
                    f"{where}, line {number} does not follow from the line before: a line was altered, "
                    "taken out or put in between"
                )
            lines.append(line)
        before = hash_of(each)
    return lines, faults, before
