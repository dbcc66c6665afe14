"""Messages from standard input: capture lines, or a topic and its payload a line.

The second is what MQTT clients print, such as ``mosquitto_sub -v``; its messages are received when they are
read. A capture may be packed, as its file is.
"""

from __future__ import annotations

import itertools
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from ingest.contract.captures import LONGEST_LINE_BYTES, Heard, capture_line

# A magic number tells how a capture is packed: standard input has no name that ends in .gz.
_PACKED = {b"\x1f\x8b": ".gz", b"\x28\xb5\x2f\xfd": ".zst"}


@contextmanager
def as_capture(lines: Iterable[bytes], now: Callable[[], datetime]) -> Iterator[Path]:
    """Give a capture file of what comes in, for as long as it is needed.

    - `lines`: capture lines stay as they are, faulty ones too. Any other line is a topic, a space and the
      payload. The bytes of a packed capture stay as they are.
    """
    lines = iter(lines)
    first = next(lines, b"")
    lines = itertools.chain([first] if first else [], lines)
    packed = next((end for magic, end in _PACKED.items() if first.startswith(magic)), "")
    with tempfile.TemporaryDirectory(prefix="underair-") as folder:
        capture = Path(folder) / f"standard-input.ndjson{packed}"
        with capture.open("wb") as file:
            if packed:
                file.writelines(lines)
            for line in lines:
                line = line.rstrip(b"\r\n")
                topic, space, payload = line.partition(b" ")
                if line.startswith(b"{") or not space or len(line) > LONGEST_LINE_BYTES:
                    file.write(line + b"\n")
                else:
                    file.write(capture_line(Heard(now(), topic.decode(errors="replace"), payload)))
        yield capture


@contextmanager
def standard_input_as_file(path: Path) -> Iterator[Path]:
    """Give a file as it is, or for ``-`` a file of what standard input holds, for as long as it is needed."""
    if path != Path("-"):
        yield path
        return
    with tempfile.TemporaryDirectory(prefix="underair-") as folder:
        copy = Path(folder) / "standard-input.csv"
        with copy.open("wb") as file:
            shutil.copyfileobj(sys.stdin.buffer, file)
        yield copy
