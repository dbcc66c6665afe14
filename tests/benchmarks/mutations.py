"""How many small changes of the code some test notices: receiving, live, findings, wears, disclosure, access.

``python -m tests.benchmarks.mutations measure [TEST_FILE ...]`` sees which test runs which line (once; after
that only for files that changed). ``python -m tests.benchmarks.mutations try COUNT SEED [ROOM ...]`` then
changes one comparison, sum, number (one more; from 1000 on, twice), truth value or condition at a time in a
copy of the code, and runs the tests that reach its line, quickest first, up to 30 s of
processor (``SECONDS_OF_TESTS``). ``renew`` takes the present code for the copy, and moves the lines of what
was measured, so that only new tests need be.
``MINUTES=5`` in the environment ends either in time; called again, it goes on.

A survivor that alters nothing a test could see is listed with its reason in ``mutants_explained.txt``; it
counts as equivalent. The share is killed / (all - equivalent).
"""

from __future__ import annotations

import ast
import json
import os
import random
import re
import subprocess
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from tests.benchmarks.mutation_map import is_current, measure, read_map
from tests.benchmarks.mutation_runs import (
    CODE,
    FOLDER,
    HERE,
    NOT_RUN,
    Lane,
    Outcome,
    Reached,
    Test,
    load_project,
    renew_code,
    run_tests,
    tracked,
)  # fmt: skip

ROOMS = {
    "receiving": [
        *(f"ingest/{name}.py" for name in ("listener", "receipt_clock", "receipt_jumps")),
        *("ingest/archive/*.py", "ingest/broker/*.py"),
    ],
    "live": ["analysis/live/*.py", "dashboard/live/*.py"],
    "findings": ["analysis/findings/*.py"],
    "wears": ["analysis/wears/*.py", "analysis/alarms/*.py", "analysis/same_id.py", "analysis/services.py"],
    "disclosure": [
        *(f"analysis/trends/{name}.py" for name in ("cells", "wear_arrays", "publishing")),
        *(f"dashboard/trends/{name}.py" for name in ("releases", "export", "outside")),
    ],
    "access": ["dashboard/access/*.py", "dashboard/privacy/*.py"],
}
GUARDS = ("frozen", "slots", "kw_only", "gc", "strict", "omit_defaults", "exc_info")
"""Arguments that guard against a mistake of the programmer, save memory or make a log line longer."""
NOT_BEHAVIOUR = ("words.py", "commands.py", "__init__.py")
EXPLAINED = HERE / "tests" / "benchmarks" / "mutants_explained.txt"
FIRST_S = 2.0  # of tests: most mutants are killed by these
ALL_S = float(os.environ.get("SECONDS_OF_TESTS", "30"))
TIMED_TOO_LONG = 5.0
SWAPS = {
    ast.Lt: "<=", ast.LtE: "<", ast.Gt: ">=", ast.GtE: ">", ast.Eq: "!=", ast.NotEq: "==",
    ast.Is: "is not", ast.IsNot: "is", ast.In: "not in", ast.NotIn: "in",
    ast.Add: "-", ast.Sub: "+", ast.Mult: "/", ast.Div: "*", ast.And: "or", ast.Or: "and",
}  # fmt: skip
FUNCTIONS = (ast.FunctionDef, ast.AsyncFunctionDef, ast.Lambda)


class Mutant(NamedTuple):
    """One change: what is between two places of a file becomes something else."""

    module: str
    line: int
    start: int
    end: int
    becomes: str

    @property
    def source(self) -> bytes:
        return (CODE / self.module).read_bytes()

    @property
    def words(self) -> str:
        """Module, text of the line and change: what names a mutant when lines move."""
        text = self.source.splitlines()[self.line - 1].decode().strip()
        was = self.source[self.start : self.end].decode().strip()
        return f"{self.module} | {text} | {' '.join(was.split())} -> {self.becomes.strip()}"


def modules_of(room: str) -> list[str]:
    """Give a room's modules; those that only hold words or a verb's options are left out."""
    return [
        str(path.relative_to(CODE))
        for pattern in ROOMS[room]
        for path in sorted(CODE.glob(pattern))
        if not path.name.endswith(NOT_BEHAVIOUR)
    ]


def mutants(module: str) -> Iterator[Mutant]:
    """Give every mutant of a module; annotations, docstrings and `GUARDS` are left alone."""
    source = (CODE / module).read_bytes()
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
    typed += [each.value for each in ast.walk(tree) if isinstance(each, ast.keyword) and each.arg in GUARDS]
    skipped = {id(inner) for outer in typed for inner in ast.walk(outer)}

    def place(line: int, column: int) -> int:
        return starts[line - 1] + column

    def between(left: ast.expr, right: ast.expr, becomes: str) -> Iterator[Mutant]:
        start = place(left.end_lineno or 0, left.end_col_offset or 0)
        end = place(right.lineno, right.col_offset)
        word = source[start:end]
        if word.strip(b" \n()").replace(b" ", b"").isascii() and b"#" not in word:
            kept = word.count(b")"), word.count(b"(")
            yield Mutant(module, left.lineno, start, end, f"{')' * kept[0]} {becomes} {'(' * kept[1]}")

    def whole(node: ast.expr, becomes: str) -> Mutant:
        start = place(node.lineno, node.col_offset)
        return Mutant(
            module, node.lineno, start, place(node.end_lineno or 0, node.end_col_offset or 0), becomes
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
                yield whole(node, repr(value + 1 if abs(value) < 1000 else value * 2))
            case ast.UnaryOp(op=ast.Not(), operand=operand):
                start, end = place(node.lineno, node.col_offset), place(operand.lineno, operand.col_offset)
                yield Mutant(module, node.lineno, start, end, "(" * source[start:end].count(b"("))


def is_compiled(node: ast.AST) -> bool:
    """Return whether numba compiles a function: then coverage does not see its lines."""
    return isinstance(node, ast.FunctionDef) and "compiled" in map(ast.unparse, node.decorator_list)


def runs_on_import(mutant: Mutant) -> bool:
    """Return whether a mutant is in no function's body, or in one that is compiled when it is imported."""
    return not any(
        isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        and node.body[0].lineno <= mutant.line <= (node.end_lineno or 0)
        and not is_compiled(node)
        for node in ast.walk(ast.parse(mutant.source))
    )


def lines_that_depend(mutant: Mutant) -> tuple[list[int], str]:
    """Give the lines whose tests can notice a mutant, and the name it gives a value on import (else empty).

    Inside a function these are the lines of its statement; of code run on import, those that use its name;
    inside a compiled function, those of the other functions beside it.
    """
    tree = ast.parse(mutant.source)
    inside = [
        node
        for node in ast.walk(tree)
        if isinstance(node, FUNCTIONS)
        and (node.body.lineno if isinstance(node, ast.Lambda) else node.body[0].lineno) <= mutant.line
        and mutant.line <= (node.end_lineno or 0)
    ]
    holding = [
        node
        for node in ast.walk(tree)
        if isinstance(node, ast.stmt) and node.lineno <= mutant.line <= (node.end_lineno or 0)
    ]
    if not holding:
        return [], "?"  # a decorator
    statement = max(holding, key=lambda node: node.lineno)
    if any(is_compiled(node) for node in inside):
        seen = [node for node in tree.body if isinstance(node, ast.FunctionDef) and not is_compiled(node)]
        return [line for node in seen for line in range(node.body[0].lineno, (node.end_lineno or 0) + 1)], ""
    if inside:
        body = getattr(statement, "body", None)
        last = body[0].lineno - 1 if body else statement.end_lineno or mutant.line
        return [mutant.line, *range(statement.lineno, max(last, mutant.line) + 1)], ""
    match statement:
        case ast.AnnAssign(target=ast.Name(id=name)) | ast.Assign(targets=[ast.Name(id=name), *_]):
            pass
        case ast.FunctionDef(name=name):
            body_lines = range(statement.body[0].lineno, (statement.end_lineno or 0) + 1)
            return list(body_lines), name
        case _:
            name = ""
    if not name:
        return [], "?"
    used = [
        node.lineno
        for node in ast.walk(tree)
        if (isinstance(node, ast.Name) and node.id == name and node.lineno > (statement.end_lineno or 0))
        or (isinstance(node, ast.Attribute) and node.attr == name)
    ]
    return used, name


def numbered_with(name: str, text: str) -> list[int]:
    """Give the numbers of the lines with a word."""
    word = re.compile(rf"\b{re.escape(name)}\b")
    return [number for number, line in enumerate(text.splitlines(), 1) if word.search(line)]


def tests_of(mutant: Mutant, reached: Reached) -> list[Test]:
    """Give the tests that reach a mutant: those that run its line, then others of their files."""
    lines, name = lines_that_depend(mutant)
    first = set().union(*(reached.lines.get((mutant.module, line), set()) for line in lines))
    for module in {module for module, _ in reached.lines} - {mutant.module} if len(name) > 1 else ():
        text = (CODE / module).read_text(encoding="utf-8")
        for line in numbered_with(name, text):  # an imported value
            first |= reached.lines.get((module, line), set())
    second = set().union(*(reached.by_setup.get((mutant.module, line), set()) for line in lines))
    files = {test.partition("::")[0] for test in second}
    second |= {test for test in reached.tests if test.partition("::")[0] in files}
    if name:
        for (module, _), by in reached.lines.items():
            second |= by if module == mutant.module else set()

    def quickest(names: set[str]) -> list[Test]:
        tests = [reached.tests[each] for each in names]
        of_file = Counter(test.file for test in tests)
        return sorted(tests, key=lambda test: (test.took_s + test.wide_s / of_file[test.file], test.name))

    return quickest(first) + quickest(second - first)


def within(tests: list[Test], seconds: float) -> tuple[list[Test], float]:
    """Give the first tests that take so many seconds in all, with the set-up of each file once."""
    chosen: list[Test] = []
    files: set[str] = set()
    spent_s = 0.0
    for test in tests:
        cost_s = test.took_s + 0.01 + (0.0 if test.file in files else test.wide_s + 0.1)
        if spent_s + cost_s <= seconds:
            chosen.append(test)
            files.add(test.file)
            spent_s += cost_s
    return chosen, spent_s


def verdict(mutant: Mutant, tests: list[Test], lane: Lane, loaded: bool) -> tuple[str, str]:
    """Try a mutant: ``killed`` with the test that noticed it, ``survived``, ``doubtful`` or ``no test``.

    A run that was stopped is a kill only where the same tests without the mutant end in a third of its time.
    """
    if not tests:
        return "no test", ""
    path = lane.path / mutant.module
    source = mutant.source
    changed_source = source[: mutant.start] + mutant.becomes.encode() + source[mutant.end :]
    path.write_bytes(changed_source.replace(b"@compiled\n", b"\n"))  # numba's cache would hide the change
    ran, outcome = 0, Outcome("", "", 0, 0.0)
    try:
        done: set[str] = set()
        for seconds in (FIRST_S, ALL_S):
            # They were timed on a busy machine, perhaps.
            waiting = [test for test in tests if test.name not in done]
            chosen, expected_s = within(waiting, TIMED_TOO_LONG * seconds)
            names = [test.name for test in chosen]
            if not names:
                continue
            changed = (path, mutant.line) if loaded else None
            outcome = run_tests(names, lane, expected_s, changed, seconds)
            ran += outcome.ran
            done.update(names[: outcome.ran])
            if outcome.failed:
                return "killed", outcome.failed
            if outcome.stopped:
                break
    finally:
        path.unlink()
        path.write_bytes(source)
        times = (CODE / mutant.module).stat()
        os.utime(path, ns=(times.st_atime_ns, times.st_mtime_ns))
    if outcome.stopped:  # by the change, or by a busy machine
        before = run_tests(names, lane, expected_s, cpu_s=seconds)
        far_shorter = not (before.failed or before.stopped) and 3.0 * before.took_s < outcome.took_s
        return ("killed", outcome.stopped) if far_shorter else ("doubtful", outcome.stopped)
    return "survived", f"{ran} tests of {len(tests)} passed"


def explained() -> dict[str, str]:
    """Give the reason of each survivor that alters nothing a test could see."""
    if not EXPLAINED.exists():
        return {}
    rows = [line for line in EXPLAINED.read_text(encoding="utf-8").splitlines() if line and line[0] != "#"]
    return {" | ".join(row.split(" | ")[:-1]): row.split(" | ")[-1] for row in rows}


def try_room(room: str, count: int, seed: int, lane: Lane, reached: Reached, until: float) -> bool:
    """Try a room's mutants and print the share; give False when the time was too short for all."""
    every = [mutant for module in modules_of(room) for mutant in mutants(module)]
    chosen = random.Random(f"{seed} {room}").sample(every, min(count, len(every)))
    kept_in = FOLDER / f"tried-{room}-{seed}.json"
    kept = json.loads(kept_in.read_text()) if kept_in.exists() else {}
    reasons = explained()
    counts: Counter[str] = Counter()
    killers: dict[str, list[str]] = defaultdict(list)
    plans = {mutant: tests_of(mutant, reached) for mutant in chosen}
    keys = {mutant: f"{mutant.words} @{mutant.line}:{mutant.start}" for mutant in chosen}
    waiting = [
        mutant
        for mutant, tests in plans.items()
        if (was := kept.get(keys[mutant])) is None
        or (
            was["verdict"] != "killed"
            and (was["seconds"] < ALL_S or {test.name for test in tests} - set(was["known"]))
        )
    ]
    # What runs on import must be changed before the project is loaded; the others need not load it anew.
    waiting.sort(key=lambda mutant: not runs_on_import(mutant))
    loaded = False
    for mutant in waiting:
        if time.monotonic() > until:
            return False
        if not loaded and not runs_on_import(mutant):
            files = {
                test.file for tests in plans.values() for test in within(tests, TIMED_TOO_LONG * FIRST_S)[0]
            }
            load_project(sorted(files), lane)
            loaded = True
        found, by = verdict(mutant, plans[mutant], lane, loaded)
        print(f"{found:10} {keys[mutant]} [{by}]", flush=True)
        if found != "doubtful":
            names = [test.name for test in plans[mutant]]
            kept[keys[mutant]] = {"verdict": found, "by": by, "known": names, "seconds": ALL_S}
            kept_in.write_text(json.dumps(kept))
    if missing := [keys[mutant] for mutant in chosen if keys[mutant] not in kept]:
        print(f"no verdict, the machine was too busy: {missing}")
        return False
    for mutant in chosen:
        was = kept[keys[mutant]]
        found = was["verdict"]
        if found == "killed":
            killers[was["by"]].append(keys[mutant])
        elif mutant.words in reasons:
            found = "equivalent"
        counts[found] += 1
    if doubtful := not_sound(killers, lane):
        print(f"these fail without a mutant too, and their mutants are tried again: {doubtful}")
        for name in doubtful:
            for key in killers[name]:
                del kept[key]
        kept_in.write_text(json.dumps(kept))
        return False
    counted = len(chosen) - counts["equivalent"]
    share = counts["killed"] / max(counted, 1)
    print(
        f"{room}, seed {seed}: {counts['killed']} of {counted} killed ({share:.0%}); "
        f"{counts['survived']} survived, "
        f"{counts['no test']} reached by no test; beside them {counts['equivalent']} equivalent; "
        f"{len(chosen)} tried of {len(every)} possible",
        flush=True,
    )
    return True


def not_sound(killers: dict[str, list[str]], lane: Lane) -> list[str]:
    """Give the tests that killed something and fail without a mutant too; each is proved once."""
    proved_in = FOLDER / "proved.json"
    proved = set(json.loads(proved_in.read_text())) if proved_in.exists() else set()
    doubtful = [name for name in killers if "::" in name and name not in proved]
    if not doubtful:
        return []
    outcome = run_tests(doubtful, lane, 60.0)
    if not outcome.failed and not outcome.stopped:
        proved_in.write_text(json.dumps(sorted(proved.union(doubtful))))
        return []
    bad = [name for name in doubtful if run_tests([name], lane, 20.0)[:2] != ("", "")]
    proved_in.write_text(json.dumps(sorted(proved.union(doubtful) - set(bad))))
    return bad


def files_to_measure(asked: list[str]) -> list[str]:
    """Give the test files: those asked for, else those that name a room's module before the others."""
    names = [module[:-3].replace("/", ".") for room in ROOMS for module in modules_of(room)]

    def is_far(file: str) -> bool:
        text = (HERE / file).read_text(encoding="utf-8")
        return not any(name in text for name in names)

    files = [name for name in tracked("tests") if Path(name).match("test_*.py")]
    return asked or sorted((file for file in files if not file.startswith(NOT_RUN)), key=is_far)


def main() -> None:
    """Measure, or try mutants."""
    what, *asked = sys.argv[1:] or ["try", "20", "1"]
    until = time.monotonic() + 60 * float(os.environ.get("MINUTES", "600"))
    if what == "renew":
        renew_code()
        return
    if what == "try" and len(asked) != 3:  # a process a room: what is loaded for one is in another's way
        rooms = asked[2:] or list(ROOMS)
        sys.exit(
            sum(subprocess.call([sys.executable, "-m", __spec__.name, what, *asked[:2], r]) for r in rooms)
        )
    lane = Lane()
    every = [module for room in ROOMS for module in modules_of(room)]
    if what == "measure":
        for file in files_to_measure(asked):
            if not is_current(file, lane):
                if time.monotonic() > until:
                    sys.exit("not all measured; call again")
                print(measure(file, every, lane), flush=True)
        return
    if not try_room(asked[2], int(asked[0]), int(asked[1]), lane, read_map(), until):
        sys.exit("not all tried; call again")


if __name__ == "__main__":
    main()
