"""How many small changes of the code some test notices: receiving, live, findings, disclosure, access.

Run by hand, in a clone of its own, because it changes files and puts them back:
``python -m tests.benchmarks.mutations [COUNT] [SEED] [ROOM ...]``. Each mutant changes one comparison, sum,
number, truth value or condition. It is killed when one of the test files nearest to the module fails. What
survives is printed: either a test is missing, or the nearest files are not those that would notice, or the
change alters nothing that can be seen.
"""

from __future__ import annotations

import ast
import math
import os
import random
import re
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

HERE = Path(__file__).parents[2]
ROOMS = {
    "receiving": ["ingest/listener.py", "ingest/archive/*.py", "ingest/broker/*.py"],
    "live": ["analysis/live/*.py", "dashboard/live/*.py"],
    "findings": ["analysis/findings/*.py"],
    "disclosure": [
        *(f"analysis/trends/{name}.py" for name in ("cells", "cell_guard", "cell_periods", "publishing")),
        *(f"dashboard/trends/{name}.py" for name in ("releases", "export", "outside", "duties")),
    ],
    "access": ["dashboard/access/*.py", "dashboard/privacy/*.py"],
}
NOT_BEHAVIOUR = ("words.py", "commands.py", "__init__.py")
LONGEST_S = 400.0  # of all tests of one mutant; on a quiet machine those of the original take half of it
MOST_FILES = 7
WORD = re.compile(r"[A-Za-z_]{6,}")
SWAPS = {
    ast.Lt: "<=", ast.LtE: "<", ast.Gt: ">=", ast.GtE: ">", ast.Eq: "!=", ast.NotEq: "==",
    ast.Is: "is not", ast.IsNot: "is", ast.In: "not in", ast.NotIn: "in",
    ast.Add: "-", ast.Sub: "+", ast.Mult: "/", ast.Div: "*", ast.And: "or", ast.Or: "and",
}  # fmt: skip


class Mutant(NamedTuple):
    """One change: what stands between two places of a file becomes something else."""

    path: Path
    line: int
    start: int
    end: int
    becomes: str


def mutants(path: Path) -> Iterator[Mutant]:
    """Give every mutant of a module; annotations and docstrings are left alone."""
    source = path.read_text(encoding="utf-8").encode()
    starts = [0]
    for line in source.splitlines(keepends=True):
        starts.append(starts[-1] + len(line))
    tree = ast.parse(source)
    typed = [
        each
        for node in ast.walk(tree)
        for each in (getattr(node, "annotation", None), getattr(node, "returns", None))
        if each is not None
    ]
    skipped = {id(inner) for outer in typed for inner in ast.walk(outer)}

    def place(line: int, column: int) -> int:
        return starts[line - 1] + column

    def between(left: ast.expr, right: ast.expr, becomes: str) -> Iterator[Mutant]:
        start = place(left.end_lineno or 0, left.end_col_offset or 0)
        end = place(right.lineno, right.col_offset)
        word = source[start:end]
        if word.strip(b" \n()").replace(b" ", b"").isascii() and b"#" not in word:
            kept = word.count(b")"), word.count(b"(")
            yield Mutant(path, left.lineno, start, end, f"{')' * kept[0]} {becomes} {'(' * kept[1]}")

    def whole(node: ast.expr, becomes: str) -> Mutant:
        start = place(node.lineno, node.col_offset)
        return Mutant(
            path, node.lineno, start, place(node.end_lineno or 0, node.end_col_offset or 0), becomes
        )

    for node in ast.walk(tree):
        if id(node) in skipped:
            continue
        match node:
            case ast.Compare(left=left, ops=[op], comparators=[right]):
                yield from between(left, right, SWAPS[type(op)])
            case ast.BoolOp(op=op, values=[left, right, *_]):
                yield from between(left, right, SWAPS[type(op)])
            case ast.BinOp(left=left, op=op, right=right) if type(op) in SWAPS:
                yield from between(left, right, SWAPS[type(op)])
            case ast.Constant(value=bool() as value):
                yield whole(node, str(not value))
            case ast.Constant(value=int() | float() as value):
                yield whole(node, repr(value + 1))
            case ast.UnaryOp(op=ast.Not(), operand=operand):
                start, end = place(node.lineno, node.col_offset), place(operand.lineno, operand.col_offset)
                yield Mutant(path, node.lineno, start, end, "(" * source[start:end].count(b"("))


def words_of_tests() -> dict[Path, set[str]]:
    """Give the names and codes in each test file; the browser's are too slow for this."""
    files = [path for path in (HERE / "tests").rglob("test_*.py") if "browser" not in path.parts]
    return {path: set(WORD.findall(path.read_text(encoding="utf-8"))) for path in sorted(files)}


def near_tests(module: Path, tests: dict[Path, set[str]]) -> list[Path]:
    """Give the test files that share most of their names with a module; a name in few of them counts more."""
    files_with = Counter(word for words in tests.values() for word in words)
    own = set(WORD.findall(module.read_text(encoding="utf-8"))) | {module.stem}

    def likeness(path: Path) -> float:
        shared = sum(math.log(len(tests) / files_with[word]) for word in own & tests[path])
        return shared / math.sqrt(len(tests[path]) + 1)

    return sorted(tests, key=likeness, reverse=True)[:MOST_FILES]


def killed(mutant: Mutant, files: list[Path]) -> str | None:
    """Try a mutant; name the test that noticed it, or None."""
    original, times = mutant.path.read_bytes(), mutant.path.stat()
    source = original[: mutant.start] + mutant.becomes.encode() + original[mutant.end :]
    mutant.path.write_bytes(source)
    try:
        run = subprocess.run(
            [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", *map(str, files)],
            cwd=HERE,
            capture_output=True,
            text=True,
            timeout=LONGEST_S,
            env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"},
            check=False,
        )
    except subprocess.TimeoutExpired:
        return f"a test that did not end within {LONGEST_S:.0f} s"
    finally:
        mutant.path.write_bytes(original)
        os.utime(mutant.path, ns=(times.st_atime_ns, times.st_mtime_ns))
    if run.returncode == 0:
        return None
    failed = [line for line in run.stdout.splitlines() if line.startswith(("FAILED", "ERROR"))]
    return failed[0][:160] if failed else run.stdout[-160:]


def main() -> None:
    """Try mutants and print the share that tests notice, room by room."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    tests = words_of_tests()
    for room in sys.argv[3:] or ROOMS:
        paths = [
            path
            for pattern in ROOMS[room]
            for path in sorted(HERE.glob(pattern))
            if not path.name.endswith(NOT_BEHAVIOUR)
        ]
        every = [mutant for path in paths for mutant in mutants(path)]
        chosen = random.Random(f"{seed} {room}").sample(every, min(count, len(every)))
        noticed = 0
        for mutant in chosen:
            by = killed(mutant, near_tests(mutant.path, tests))
            noticed += by is not None
            was = mutant.path.read_bytes()[mutant.start : mutant.end].decode()
            where = f"{mutant.path.relative_to(HERE)}:{mutant.line}"
            print(
                f"{'killed  ' if by else 'SURVIVED'} {where} {was!r} -> {mutant.becomes!r} {by or ''}",
                flush=True,
            )
        print(f"{room}: {noticed} of {len(chosen)} noticed, of {len(every)} possible", flush=True)


if __name__ == "__main__":
    main()
