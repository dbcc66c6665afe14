"""Loops are compiled also where nothing can be kept: a read-only installation, a user without a home."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

MODULE = """
from analysis.compiled import compiled

@compiled
def doubled(x):
    return 2 * x

print(doubled(21))
"""


def test_a_read_only_installation_and_a_user_without_a_home_compile_anew(tmp_path: Path) -> None:
    """0.3.0 ended with a traceback of numba's cache locator."""
    package = tmp_path / "analysis"
    package.mkdir()
    shutil.copy(Path(__file__).parents[2] / "analysis" / "compiled.py", package)
    (package / "__init__.py").touch()
    (tmp_path / "loops.py").write_text(MODULE)
    environment = {
        name: value
        for name, value in os.environ.items()
        if name not in ("HOME", "XDG_CACHE_HOME", "NUMBA_CACHE_DIR", "PYTHONPATH")
    }
    environment |= {"HOME": "/proc/none", "PYTHONDONTWRITEBYTECODE": "1", "PYTHONPATH": str(tmp_path)}
    # A file in the place of the folder: root may write into a folder that is read only.
    (tmp_path / "__pycache__").write_text("")
    ran = subprocess.run(
        [sys.executable, "-c", "import loops"],
        env=environment,
        cwd="/",
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert ran.stdout.strip() == "42", ran.stderr[-500:]
