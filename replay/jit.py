"""The one door to numba: a cache folder that can be written, and one set of options for every compiled loop.

`cache=True` does not put `fastmath` in its key, does not see that a loop changed which a caller in another file has inlined, and raises
at import where neither the install nor HOME can be written: so the folder is chosen here before numba is loaded, another one for other
loops. Modules that import this one are imported inside functions (they cost 0.7 s).
"""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

_PACKAGE = Path(__file__).parent
_COMPILED = ("_kernels*.py", "*/_kernels*.py", "_quaternion.py", "motion/flight_state.py")
"""What is compiled, and the constants compiled into it."""
_PREFIX = "compiled-"
_KEPT_S = 30 * 86400.0
"""Folders of other loops go when nobody has started with them for so long."""


def cache_name(package: Path = _PACKAGE) -> str:
    """Folder name of the compiled loops as their text is now."""
    digest = hashlib.sha256()
    for path in sorted(path for pattern in _COMPILED for path in package.glob(pattern)):
        digest.update(path.relative_to(package).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return _PREFIX + digest.hexdigest()[:16]


def _places() -> Iterator[Path]:
    """Where compiled loops may be kept, the best first."""
    from platformdirs import user_cache_dir

    yield _PACKAGE / "__pycache__"
    yield Path(user_cache_dir("plumbline", appauthor=False)) / "numba"
    yield Path(tempfile.gettempdir()) / f"plumbline-numba-{os.getuid() if hasattr(os, 'getuid') else 'user'}"


def make_cache_folder(places: Iterator[Path], name: str) -> Path:
    """`name` in the first of the places that can be written; where none can, in the last, and nothing is made. Old neighbours go."""
    folder = Path(name)
    for place in places:
        folder = place / name
        try:
            folder.mkdir(parents=True, exist_ok=True)
            with tempfile.TemporaryFile(dir=folder):
                pass
            os.utime(folder)
            for other in place.glob(f"{_PREFIX}*"):
                if other != folder and time.time() - other.stat().st_mtime > _KEPT_S:
                    shutil.rmtree(other, ignore_errors=True)
        except OSError:
            continue
        break
    return folder


def _choose_cache_folder() -> None:
    if "NUMBA_CACHE_DIR" not in os.environ:
        os.environ["NUMBA_CACHE_DIR"] = str(make_cache_folder(_places(), cache_name()))


_choose_cache_folder()

import numba  # noqa: E402  (the cache folder must be set first)
import numba.core.event as _event  # noqa: E402

_decorate = numba.njit(cache=True, nogil=True, fastmath=False, error_model="numpy")


def compiled(function: Callable[..., Any]) -> Callable[..., Any]:
    """Compile a loop: float64, no fastmath, GIL released, cached on disk."""
    return _decorate(function)  # type: ignore[no-any-return]


class _Clock(_event.Listener):
    """Adds up, for each thread, the time its compilations took; one inside another counts once."""

    def __init__(self) -> None:
        self._own = threading.local()

    def on_start(self, event: Any) -> None:
        self._own.depth = getattr(self._own, "depth", 0) + 1
        if self._own.depth == 1:
            self._own.begun_s = time.perf_counter()

    def on_end(self, event: Any) -> None:
        self._own.depth -= 1
        if self._own.depth == 0:
            self._own.spent_s = self.spent_s() + time.perf_counter() - self._own.begun_s

    def spent_s(self) -> float:
        return float(getattr(self._own, "spent_s", 0.0))


_clock = _Clock()
_event.register("numba:compile", _clock)


def compiling_s() -> float:
    """Time that the calling thread has spent on compiling so far: no part of how long a method takes, for it is spent once a machine."""
    return _clock.spent_s()


class _Watch(_event.Listener):
    """Hears of each of our loops when its compilation begins; one that the cache holds is not compiled and not heard of."""

    def __init__(self, begun: Callable[[str], None]) -> None:
        self._begun = begun

    def on_start(self, event: Any) -> None:
        function = event.data["dispatcher"].py_func
        if function.__module__.startswith("replay."):
            self._begun(f"{function.__module__}.{function.__name__}")

    def on_end(self, event: Any) -> None:
        """Nothing to do: the next beginning says it."""


def watch(begun: Callable[[str], None]) -> Callable[[], None]:
    """Call `begun(module.name)` on the compiling thread before each loop that is compiled, until the returned call ends it.

    An exception that `begun` raises stops the compiler there, and reaches whoever asked for the loop.
    """
    listener = _Watch(begun)
    _event.register("numba:compile", listener)
    return lambda: _event.unregister("numba:compile", listener)
