"""Verbs of `underair` in the process of the tests: its start is most of what a verb takes.

What a process of its own adds (signals, a terminal, an environment, two at a time) needs a real one.
"""

from __future__ import annotations

import contextlib
import io
from subprocess import CompletedProcess

from dashboard.underair import main


def underair(*arguments: object) -> CompletedProcess[str]:
    """Run `underair` with these arguments; return what the process would have: code, stdout, stderr."""
    told = [str(one) for one in arguments]
    out, errors = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8", write_through=True) for _ in range(2))
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(errors):
        try:
            main(told)
            code = 0
        except SystemExit as ended:
            code = ended.code if isinstance(ended.code, int) else int(ended.code is not None)
    texts = [stream.buffer.getvalue().decode() for stream in (out, errors)]
    return CompletedProcess(["underair", *told], code, *texts)
