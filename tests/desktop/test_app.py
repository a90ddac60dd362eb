"""Starting and ending the real program, in processes of its own."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from replay.desktop.app import refuse_bad_qt
from replay.errors import SettingsError

ROOT = Path(__file__).parents[2]
PICTURE = ROOT / "out" / "window_on_xcb.png"

# Runs the program as `plumbline open` does; when the flight is drawn and settled, saves a picture and closes the window.
_PROGRAM = """
import sys, time
from PySide6.QtCore import QTimer
from PySide6.QtWidgets import QApplication
from replay.desktop.window import MainWindow
import replay.desktop.app as app
begun = time.perf_counter()
qt = QApplication(sys.argv[:1])
def look():
    window = next((w for w in qt.topLevelWidgets() if isinstance(w, MainWindow)), None)
    session = window and window.session
    if window and window.traces and session.snapshot and not session.is_stale:
        window.player.seek(12.0)
        qt.processEvents()
        picture = window.grab()
        print("platform", qt.platformName(), "size", picture.width(), picture.height(), flush=True)
        if sys.argv[1] != "-":
            picture.save(sys.argv[1])
        window.close()
        timer.stop()
    elif time.perf_counter() - begun > 150:
        qt.exit(3)
timer = QTimer()
timer.timeout.connect(look)
timer.start(100)
sys.exit(app.run(sys.argv[2:]))
"""


def _environment(tmp_path, **more):
    """The user's folders are the test's."""
    homes = {"HOME": str(tmp_path), "XDG_CONFIG_HOME": str(tmp_path / "c"), "XDG_DATA_HOME": str(tmp_path / "d")}
    kept = {k: v for k, v in os.environ.items() if k not in ("DISPLAY", "QT_QPA_PLATFORM", "QT_SCALE_FACTOR")}
    import replay.jit  # noqa: F401  (names the folder of the compiled loops)

    return kept | homes | {"NUMBA_CACHE_DIR": os.environ["NUMBA_CACHE_DIR"]} | more


def test_the_known_bad_qt_is_refused_in_one_line():
    """PySide6 6.12 on Python 3.11 loses references to None while drawing; measured with 6.12.0 on 3.11, and fine on 3.12 and 3.13."""
    for good in (("6.11.3", (3, 11)), ("6.12.0", (3, 12)), ("6.13.1", (3, 13)), ("6.8.0", (3, 11))):
        refuse_bad_qt(*good)
    for bad in (("6.12.0", (3, 11)), ("6.12.1", (3, 11)), ("7.0.0", (3, 11))):
        with pytest.raises(SettingsError) as caught:
            refuse_bad_qt(*bad)
        assert "\n" not in str(caught.value)


def test_open_of_a_file_that_is_not_there_says_so_in_one_line(tmp_path):
    """Exit code 1, before any window."""
    command = [sys.executable, "-m", "replay", "open", str(tmp_path / "absent.csv")]
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, env=_environment(tmp_path))
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert "absent.csv" in done.stderr


def test_the_program_starts_shows_the_sample_and_ends_with_zero(tmp_path):
    """Widgets alive at the interpreter's end would make it 139."""
    done = subprocess.run(
        [sys.executable, "-c", _PROGRAM, "-"],
        capture_output=True,
        text=True,
        cwd=ROOT,
        timeout=240,
        env=_environment(tmp_path, QT_QPA_PLATFORM="offscreen"),
    )
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    assert "platform offscreen" in done.stdout


@pytest.mark.xcb
@pytest.mark.skipif(shutil.which("Xvfb") is None, reason="Xvfb is not installed")
def test_the_window_on_an_x_server(tmp_path):
    """The same under Xvfb on the xcb platform, at 1280 by 800; the picture is kept in out/."""
    reading, writing = os.pipe()
    command = ["Xvfb", "-displayfd", str(writing), "-screen", "0", "1280x800x24", "-nolisten", "tcp"]
    server = subprocess.Popen(command, pass_fds=[writing], stderr=subprocess.DEVNULL)
    os.close(writing)
    try:
        with os.fdopen(reading) as stream:
            display = f":{stream.readline().strip()}"
        assert display != ":", "Xvfb did not start"
        PICTURE.parent.mkdir(exist_ok=True)
        PICTURE.unlink(missing_ok=True)
        done = subprocess.run(
            [sys.executable, "-c", _PROGRAM, str(PICTURE)],
            capture_output=True,
            text=True,
            cwd=ROOT,
            timeout=240,
            env=_environment(tmp_path, QT_QPA_PLATFORM="xcb", DISPLAY=display),
        )
    finally:
        server.terminate()
        server.wait(20)
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    assert "platform xcb size 1280" in done.stdout
    from PySide6.QtGui import QImage

    image = QImage(str(PICTURE))
    colours = {image.pixel(x, y) for x in range(0, image.width(), 7) for y in range(0, image.height(), 7)}
    assert len(colours) > 100  # something is drawn, not one grey


def test_nothing_heavy_is_loaded_before_the_shell():
    """pandas, numba, scipy, matplotlib and the plotting library wait until the window is up."""
    code = (
        "import sys; import replay.desktop.window; "
        "print([m for m in ('pandas', 'numba', 'scipy', 'matplotlib', 'pyqtgraph', 'pyarrow') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT)
    assert done.stdout.strip() == "[]", done.stdout + done.stderr


def test_the_help_of_open_loads_no_qt():
    """`plumbline open --help` answers from argparse alone."""
    code = (
        "import sys, replay.cli\ntry:\n replay.cli.main(['open', '--help'])\nexcept SystemExit: pass\n"
        "print([m for m in sys.modules if m.startswith('PySide6')])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT)
    assert done.stdout.strip().endswith("[]")
