"""Whatever a computation may raise, for the few places that must go on or say so.

A library in Rust that breaks off raises what is no `Exception`: threads would end without a word, and a
request would never be answered.
"""

from __future__ import annotations

from polars.exceptions import PanicException

ANY_ERROR = (Exception, PanicException)
