"""Logs of verbs that go on running: sentences for a person at a terminal, or one JSON object a line."""

import logging
import sys
from datetime import UTC, datetime
from typing import Literal

import msgspec

Form = Literal["plain", "json"]
FORMS: tuple[Form, ...] = ("plain", "json")
LEVELS = ("debug", "info", "warning", "error")
_PLAIN = "%(asctime)s %(name)s %(levelname)s %(message)s"
_LOG = logging.getLogger("underair")
_encode = msgspec.json.Encoder().encode


class News(str):
    """A sentence of a verb that goes on running which says that all is well; any other says what is not."""

    __slots__ = ()


def log_sentence(sentence: str) -> None:
    """Log a sentence: what is not well as a warning, so that no level but `error` hides it."""
    _LOG.log(logging.INFO if isinstance(sentence, News) else logging.WARNING, sentence)


class JsonLines(logging.Formatter):
    """Writes a record as one JSON object: time (RFC 3339, UTC), level, logger, message and error."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the line, without its end."""
        line = {
            "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
        }
        if record.exc_info:
            line["error"] = self.formatException(record.exc_info)
        return _encode(line).decode()


def log_to_stderr(form: Form, level: str) -> None:
    """Send what modules log to standard error, from `level` on."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(JsonLines() if form == "json" else logging.Formatter(_PLAIN))
    logging.basicConfig(level=level.upper(), handlers=[handler], force=True)
    # A page's many small files wait for each other for a moment: that is no news.
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
