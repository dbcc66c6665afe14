"""Prints the lowest version of each library that pyproject.toml allows, as a constraints file for pip.

To run the tests on them: ``python -m tests.lowest_bounds > lowest.txt``, then, in an environment of its own,
``pip install -c lowest.txt -e '.[test]'``.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

from packaging.requirements import Requirement

PROJECT = tomllib.loads((Path(__file__).parents[1] / "pyproject.toml").read_text())["project"]


def lowest() -> dict[str, str]:
    """Return the lower bound of each library, by its name."""
    extras = PROJECT["optional-dependencies"].values()
    lines = [*PROJECT["dependencies"], *(line for extra in extras for line in extra)]
    found = {}
    for line in map(Requirement, lines):
        if line.name != PROJECT["name"]:
            found[line.name] = next(part.version for part in line.specifier if part.operator == ">=")
    return found


if __name__ == "__main__":
    for name, bound in sorted(lowest().items(), key=lambda one: one[0].lower()):
        print(f"{name}=={bound}")
