"""Everything that a computation may raise, for the few places that must continue or report it.

A Rust library that panics raises something that is not an `Exception`: threads would end without a word, and
a request would never be answered.
"""

from polars.exceptions import PanicException

ANY_ERROR = (Exception, PanicException)
