"""What a command says on stderr while loops are compiled for the first time on a machine."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TextIO

_UNSAID_S, _AGAIN_S = 1.0, 10.0


class Teller:
    """Called with each loop that is about to be compiled; says nothing within the first second, then how far it is now and again."""

    def __init__(self, command: str, out: TextIO | None = None) -> None:
        self._command = command
        self._out = out or sys.stderr
        self._seen: set[str] = set()
        self._next_s: float | None = None

    def __call__(self, name: str) -> None:
        from replay.review.preparation import PREPARING

        now = time.monotonic()
        self._seen.add(name)
        if self._next_s is None:
            self._next_s = now + _UNSAID_S
        if now >= self._next_s:
            print(f"plumbline {self._command}: {PREPARING}: {len(self._seen)} so far", file=self._out, flush=True)
            self._next_s = now + _AGAIN_S


@contextmanager
def saying_what_is_prepared(command: str) -> Iterator[None]:
    """Tell a person who waits why, for as long as a command runs."""
    from replay import jit

    unwatch = jit.watch(Teller(command))
    try:
        yield
    finally:
        unwatch()
