"""Judging crossings beside the pages: it takes up to a second each, and no key may wait for it."""

from __future__ import annotations

import os
import sys
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from typing import Any

__all__ = ["JUDGING", "Judging"]

KEPT = 3000


class Judging:
    """Work in one thread of its own, each piece done once and kept by its key."""

    def __init__(self, kept: int = KEPT) -> None:
        self._kept = kept
        self._lock = threading.Lock()
        self._found: OrderedDict[Hashable, Future[Any]] = OrderedDict()
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="judge", initializer=_step_back)

    def result_of(self, key: Hashable, work: Callable[[], Any]) -> Future[Any]:
        """What `work` gives, begun now unless it was begun before under that key."""
        with self._lock:
            if key not in self._found:
                self._found[key] = self._pool.submit(work)
                while len(self._found) > self._kept:
                    self._found.popitem(last=False)
            return self._found[key]


def _step_back() -> None:
    """Let pages go first: on Linux a thread has a priority of its own."""
    if sys.platform == "linux":
        with suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), 10)


JUDGING = Judging()
