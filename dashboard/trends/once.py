"""What is worked out once for each key: outside of any lock, so that nobody waits for another's key."""

from __future__ import annotations

import threading
from collections.abc import Callable, Hashable
from concurrent.futures import Future
from typing import Generic, TypeVar

Key = TypeVar("Key", bound=Hashable)
Value = TypeVar("Value")


class Once(Generic[Key, Value]):
    """Values by key, each worked out by whoever asks first; the others of that key wait for it."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._kept: dict[Key, Future[Value]] = {}

    def get(self, key: Key, work_out: Callable[[], Value]) -> Value:
        """Return the value of a key; what fails is told to all who waited, and tried again by the next."""
        with self._lock:
            kept = self._kept.get(key)
            mine = kept is None
            future = self._kept[key] = Future() if kept is None else kept
        if mine:
            try:
                future.set_result(work_out())
            except BaseException as error:
                with self._lock:
                    del self._kept[key]
                future.set_exception(error)
                raise
        return future.result()
