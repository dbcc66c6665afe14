"""Computes a value once for each key, outside of any lock, so that nobody waits for another's key."""

import threading
from collections.abc import Callable, Hashable
from concurrent.futures import Future
from typing import Generic, TypeVar

MOST_KEPT = 32
Key = TypeVar("Key", bound=Hashable)
Value = TypeVar("Value")


class Once(Generic[Key, Value]):
    """Values by key, each computed for the first caller; later callers of that key wait for it."""

    def __init__(self, most: int = MOST_KEPT) -> None:
        self._most = most
        self._lock = threading.Lock()
        self._kept: dict[Key, Future[Value]] = {}

    def get(self, key: Key, work_out: Callable[[], Value]) -> Value:
        """Return the value of a key; a failure reaches all who waited, and the next caller tries again."""
        with self._lock:
            kept = self._kept.pop(key, None)  # and back to the end: who was asked for last stays longest
            mine = kept is None
            future = self._kept[key] = Future() if kept is None else kept
            if mine and len(self._kept) > self._most:  # the longest unused that is ready makes room
                ready = next((one for one, value in self._kept.items() if value.done()), None)
                if ready is not None:
                    del self._kept[ready]
        if mine:
            try:
                future.set_result(work_out())
            except BaseException as error:
                with self._lock:
                    self._kept.pop(key, None)
                future.set_exception(error)
                raise
        return future.result()
