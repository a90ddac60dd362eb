"""Working folders: gone when done, cleared after a process that was killed, left alone while one works in them."""

import subprocess
import sys

import pytest

from replay.working_folder import working_folder

_WORKING = """
import sys, pathlib
from replay.working_folder import working_folder
with working_folder(pathlib.Path(sys.argv[1]), "film[1].mp4.") as folder:
    (folder / "part").mkdir()
    (folder / "part" / "frame.png").write_bytes(b"half")
    print(folder.name, flush=True)
    sys.stdin.read()
"""


def names(folder):
    return [path.name for path in folder.iterdir()]


def test_a_working_folder_is_gone_whatever_happened(tmp_path):
    """After a good end and after an error, with all that is in it."""
    with working_folder(tmp_path, "film.mp4.") as folder:
        assert names(tmp_path) == [folder.name]
        (folder / "frame").write_text("whole")
    assert names(tmp_path) == []
    with pytest.raises(ZeroDivisionError), working_folder(tmp_path, "film.mp4."):
        raise ZeroDivisionError
    assert names(tmp_path) == []


def test_only_what_a_killed_process_left_is_cleared(tmp_path):
    """Another process at work in the same place keeps its folder; killed, the next one clears it, and files of other names stay."""
    (tmp_path / ".film1.mp4.own").mkdir()
    with subprocess.Popen([sys.executable, "-c", _WORKING, tmp_path], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        left = process.stdout.readline().strip()
        with working_folder(tmp_path, "film[1].mp4."):
            assert (tmp_path / left / "part" / "frame.png").exists()
        process.kill()
        process.wait()
    assert sorted(names(tmp_path)) == [".film1.mp4.own", left]
    with working_folder(tmp_path, "film[1].mp4.") as folder:
        assert sorted(names(tmp_path)) == [".film1.mp4.own", folder.name]


def test_a_folder_whose_process_has_not_yet_locked_it_stays(tmp_path):
    """An empty mark is one in the making."""
    (tmp_path / ".film.mp4.new").mkdir()
    (tmp_path / ".film.mp4.new" / ".in-use").touch()
    with working_folder(tmp_path, "film.mp4."):
        assert (tmp_path / ".film.mp4.new").is_dir()
