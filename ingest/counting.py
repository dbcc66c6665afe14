"""The counts that `underair listen` shows while it works: a line a minute, and a live one on a terminal."""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING

import click

from ingest.logs import News, log_sentence
from ingest.shown_text import echo
from ingest.talk import is_quiet

if TYPE_CHECKING:
    from ingest.archive.folder import Counts
    from ingest.archive.writing import Health

EVERY_S = 60.0
LIVE_EVERY_S = 1.0
_BACK_AND_CLEAR = "\r\x1b[K"


def counts_sentence(counts: Counts) -> str:
    """Return counts as a sentence."""
    return (
        f"received {counts.received:,}: kept {counts.kept:,}, duplicates {counts.duplicates:,}, "
        f"refused {counts.refused:,}"
    )


def health_sentence(health: Health, per_s: float) -> str:
    """Return how receiving goes; what is safe in the journal but not yet sealed has not been judged."""
    unsealed = max(0, health.journalled - health.sealed.received)
    sealed = health.sealed
    return (
        f"received {health.journalled:,} ({per_s:,.0f}/s): kept {sealed.kept:,}, duplicates "
        f"{sealed.duplicates:,}, refused {sealed.refused:,}, {unsealed:,} in the journal until sealed"
    )


class Telling:
    """Tells the counts on standard error.

    - `live`: whether to rewrite one line each second; by default on a terminal.
    - `now_s`: a clock that never goes back; by default that of the machine.
    - `log`: hand sentences to `logging` instead of writing them out.
    """

    def __init__(self, live: bool | None = None, now_s: float | None = None, *, log: bool = False) -> None:
        self._log = log
        self._live = sys.stderr.isatty() if live is None else live
        began = time.monotonic() if now_s is None else now_s
        self._told = (began, 0)
        self._shown = (began, 0)
        self._live_line = False

    def look(self, health: Health, now_s: float | None = None) -> None:
        """Tell when it is time."""
        if is_quiet():
            return
        now = time.monotonic() if now_s is None else now_s
        if now - self._told[0] >= EVERY_S:
            self.say(News(health_sentence(health, self._rate(self._told, now, health))))
            self._told = now, health.journalled
        if self._live and now - self._shown[0] >= LIVE_EVERY_S:
            sentence = health_sentence(health, self._rate(self._shown, now, health))
            click.echo(f"{_BACK_AND_CLEAR}{sentence}", nl=False, err=True)
            self._shown = now, health.journalled
            self._live_line = True

    def say(self, sentence: str) -> None:
        """Say a sentence on a line of its own."""
        if self._log:
            log_sentence(sentence)
            return
        self.clear()
        echo(f"underair: {sentence}", err=True)

    def clear(self) -> None:
        """Take the live line away."""
        if self._live_line:
            click.echo(_BACK_AND_CLEAR, nl=False, err=True)
            self._live_line = False

    @staticmethod
    def _rate(before: tuple[float, int], now_s: float, health: Health) -> float:
        return (health.journalled - before[1]) / max(now_s - before[0], 1e-3)
