"""Where compiled loops are kept: another folder for other loops, and one that can be written."""

import os
import shutil
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

import replay
from replay import jit

PACKAGE = Path(replay.__file__).parent


@pytest.mark.parametrize("changed", ["motion/_kernels_measure.py", "_quaternion.py", "motion/flight_state.py"])
def test_one_changed_loop_changes_the_folder(tmp_path, changed):
    """One letter more in one file, also in one that only others inline; nothing else does."""
    package = tmp_path / "replay"
    shutil.copytree(PACKAGE, package, ignore=shutil.ignore_patterns("__pycache__"))
    assert jit.cache_name(package) == jit.cache_name()
    (package / "motion" / "settings.py").write_text("# not compiled\n")
    assert jit.cache_name(package) == jit.cache_name()
    with (package / changed).open("a") as file:
        file.write("#")
    assert jit.cache_name(package) != jit.cache_name()


def test_every_compiled_file_counts():
    """No loop is compiled outside the files whose text names the folder."""
    users = {path for path in PACKAGE.rglob("*.py") if "\n@compiled\n" in path.read_text(encoding="utf-8")}
    assert users <= {path for pattern in jit._COMPILED for path in PACKAGE.glob(pattern)}


def test_the_first_place_that_can_be_written(tmp_path):
    """A place that is no folder is passed over; where none can be written nothing fails."""
    file = tmp_path / "file"
    file.write_text("")
    assert jit.make_cache_folder(iter([file / "a", tmp_path / "b"]), "compiled-1") == tmp_path / "b" / "compiled-1"
    assert (tmp_path / "b" / "compiled-1").is_dir()
    assert jit.make_cache_folder(iter([file / "a"]), "compiled-1") == file / "a" / "compiled-1"


def test_only_old_folders_of_other_loops_go(tmp_path):
    """Older than a month and ours by name: gone; a newer one, and what is not ours, stays."""
    for name, days in (("compiled-old", 40), ("compiled-new", 20), ("other", 400), ("compiled-now", 90)):
        (tmp_path / name).mkdir()
        os.utime(tmp_path / name, (time.time() - days * 86400.0,) * 2)
    jit.make_cache_folder(iter([tmp_path]), "compiled-now")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["compiled-new", "compiled-now", "other"]


def test_a_folder_the_user_set_wins(tmp_path):
    """NUMBA_CACHE_DIR in the environment is left as it is."""
    code = "import os, replay.jit; print(os.environ['NUMBA_CACHE_DIR'])"
    environment = os.environ | {"NUMBA_CACHE_DIR": str(tmp_path / "mine")}
    assert subprocess.check_output([sys.executable, "-c", code], text=True, env=environment).strip() == str(tmp_path / "mine")


def test_compiling_is_counted_on_the_thread_that_does_it_and_once():
    """A loop that calls another: both are compiled within the outer one's time; another thread has spent nothing."""

    @jit.numba.njit
    def inner(x):
        return x + 1.0

    @jit.numba.njit
    def outer(x):
        return inner(x) * 2.0

    before, begun = jit.compiling_s(), time.perf_counter()
    assert outer(1.0) == 4.0
    took, spent = time.perf_counter() - begun, jit.compiling_s() - before
    assert 0.0 < spent <= took
    assert outer(2.0) == 6.0
    assert jit.compiling_s() - before == spent
    elsewhere = []
    thread = threading.Thread(target=lambda: elsewhere.append(jit.compiling_s()))
    thread.start()
    thread.join()
    assert elsewhere == [0.0]
