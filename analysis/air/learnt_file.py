"""The file of constants that `underair learn` writes: what was learnt, from how much, and its proof."""

from pathlib import Path
from typing import Annotated

import msgspec
from msgspec import Meta

from analysis.air.forecast import EarlyWeights, IntervalEnds, LateWeights
from analysis.air.learning import FEWEST_PEOPLE

FORMAT = 2
Share = Annotated[float, Meta(ge=0, le=1)]


class LearntLine(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How one interval did on one group of wears, each wear counting once."""

    # `learnt` (each person judged by constants learnt from the others) or the name of those in force.
    interval: str
    group: str  # `all` or `above 60 L/min`
    wears: int
    held: Share
    early: Share
    late: Share
    width_min: float
    winkler_min: float


class Learnt(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What a service's own wears taught."""

    format: int
    version: Annotated[str, Meta(min_length=1, max_length=200)]  # named by profile, page, review and report
    made: str  # when, UTC
    # `people`, `wears`: how many the constants rest on
    people: Annotated[int, Meta(ge=FEWEST_PEOPLE)]
    wears: int
    # `early`, `late`: tuple of 8 and of 7 floats: see `analysis.air.forecast.IntervalEnds`
    early: EarlyWeights
    late: LateWeights
    adopted: bool  # truths before the early end fell and Winkler's score did not rise, on people left out
    proof: tuple[LearntLine, ...]

    def ends(self) -> IntervalEnds:
        """Return the constants for the filter."""
        return IntervalEnds(name=self.version, early=self.early, late=self.late)


def learnt_bytes(learnt: Learnt) -> bytes:
    """Return what the file holds, one field a line."""
    return msgspec.json.format(msgspec.json.encode(learnt), indent=1) + b"\n"


def write_learnt(path: Path, learnt: Learnt) -> None:
    """Write the file."""
    path.write_bytes(learnt_bytes(learnt))


def read_learnt(path: Path) -> Learnt:
    """Read a file that `write_learnt` wrote.

    Raises `ValueError` when it cannot be read, is of another format, or was not adopted; the sentence says
    which.
    """
    try:
        learnt = msgspec.json.decode(path.read_bytes(), type=Learnt, strict=True)
    except OSError as error:
        raise ValueError(f"cannot read {path}: {error.strerror}") from None
    except msgspec.MsgspecError as error:
        raise ValueError(f"{path} is not a file written by `underair learn`: {error}") from None
    if learnt.format != FORMAT:
        raise ValueError(f"{path} has format {learnt.format}, this underair reads format {FORMAT}")
    if not learnt.adopted:
        raise ValueError(
            f"{path} was not adopted: on people left out it was no better than the constants that ship"
        )
    return learnt
