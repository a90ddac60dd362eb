"""The one door to numba: a cache folder that can be written, and one set of options for every compiled loop.

`cache=True` does not put `fastmath` in its key, and raises at import where neither the install nor HOME can be written, so the
folder is chosen here before numba is loaded. Modules that import this one are imported inside functions (they cost 0.7 s).
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any


def _choose_cache_folder() -> None:
    if "NUMBA_CACHE_DIR" in os.environ:
        return
    from platformdirs import user_cache_dir

    folder = Path(user_cache_dir("plumbline", appauthor=False)) / "numba"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError:
        folder = Path(tempfile.gettempdir()) / f"plumbline-numba-{os.getuid() if hasattr(os, 'getuid') else 'user'}"
    os.environ["NUMBA_CACHE_DIR"] = str(folder)


_choose_cache_folder()

import numba  # noqa: E402  (the cache folder must be set first)
import numba.core.event as _event  # noqa: E402

_decorate = numba.njit(cache=True, nogil=True, fastmath=False, error_model="numpy")


def compiled(function: Callable[..., Any]) -> Callable[..., Any]:
    """Compile a loop: float64, no fastmath, GIL released, cached on disk."""
    return _decorate(function)  # type: ignore[no-any-return]


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
