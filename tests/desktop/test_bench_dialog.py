"""Bench window: a recording made with known errors is worked on as it is chosen, shown, saved and flown with, and undone."""

import dataclasses
import threading

import numpy as np
import pytest
from PySide6.QtCore import Qt
from PySide6.QtTest import QTest
from shared_data import shared_data

from replay.errors import Cancelled, CannotEstimate
from replay.sensors.allan import Coefficient, term_deviation
from replay.sensors.bench_run import put_onto
from replay.sensors.calibration import load_calibration_file
from replay.units import STANDARD_GRAVITY_MPS2

BIAS = np.array([0.15, -0.25, 0.4])
FACES = np.vstack((np.eye(3), -np.eye(3)))
HEADER = "time_s,accel_x_mps2,accel_y_mps2,accel_z_mps2,gyro_x_degps,gyro_y_degps,gyro_z_degps"


def six_faces(path, n_faces=6):
    """Three seconds on each face, half a second of turning between, 100 Hz, white noise, a known bias."""
    rng = np.random.default_rng(20261125)
    rows = []
    for face in FACES[:n_faces]:
        still = STANDARD_GRAVITY_MPS2 * face + BIAS + rng.normal(0, 0.02, (300, 3))
        rows.append(np.hstack((still, rng.normal(0, 0.05, (300, 3)))))
        rows.append(np.hstack((rng.normal(0, 6.0, (50, 3)), rng.normal(0, 120.0, (50, 3)))))
    rows = np.vstack(rows)
    time = np.arange(len(rows)) / 100.0
    np.savetxt(path, np.column_stack((time, rows)), delimiter=",", header=HEADER, comments="", fmt="%.6g")
    return str(path)


@pytest.fixture
def dialog(window):
    window.actions["bench"].trigger()
    made = window.files._bench
    assert made.isVisible()
    yield made
    if window.files._bench is not None:
        made.close()


def worked(qtbot, dialog):
    qtbot.waitUntil(lambda: not dialog.background.is_busy, timeout=60_000)


def choose(dialog, kind):
    i = dialog.kind.findData(kind)
    dialog.kind.setCurrentIndex(i)
    dialog.kind.activated.emit(i)


def test_a_recording_is_worked_on_saved_and_flown_with(qtbot, window, dialog, tmp_path):
    """Six faces: the bias comes back within four of its standard deviations, in the file and in the review, and one undo takes it back."""
    assert not dialog.use.isEnabled()
    assert not dialog.save.isEnabled()
    dialog._asking.given["open_paths"] = [six_faces(tmp_path / "faces.csv")]
    dialog.open.click()
    worked(qtbot, dialog)
    result = dialog._work.result
    assert len(dialog._work.recording.rests) == 6
    error = np.array(result.calibration.accel_bias_imu_mps2) - BIAS
    assert np.all(np.abs(error) < 4.0 * np.array(result.sd["accel_bias_imu_mps2"]))
    text = dialog.outcome.toPlainText()
    assert "Determined, ± one standard deviation" in text
    assert "This recording could not determine" in text
    assert len(dialog.plots.ci.items) >= 2

    saved = tmp_path / "bench.toml"
    dialog._asking.given["save_path"] = str(saved)
    dialog.save.click()
    assert np.allclose(load_calibration_file(saved).calibration.accel_bias_imu_mps2, result.calibration.accel_bias_imu_mps2)

    before = window.session.review.as_flown
    dialog.use.click()
    assert np.allclose(window.session.review.as_flown.accel_bias_imu_mps2, result.calibration.accel_bias_imu_mps2)
    assert window.session.review.as_flown.gyro_bias_imu_radps == before.gyro_bias_imu_radps  # not measured: as it was
    window.session.undo()
    assert window.session.review.as_flown == before


def test_what_cannot_be_solved_is_said_beside_what_was_found(qtbot, dialog, tmp_path):
    """Four faces are no six: the trace with its four rests stays to be looked at, nothing can be used, another recording mends it."""
    dialog.take([six_faces(tmp_path / "four.csv", n_faces=4)])
    worked(qtbot, dialog)
    assert "4 spans at rest were found" in dialog.outcome.toPlainText()
    assert len(dialog._work.recording.rests) == 4
    assert not dialog.use.isEnabled()
    assert not dialog.save.isEnabled()
    (tmp_path / "words.csv").write_text("neither,columns\nnor,numbers\n")
    dialog.take([str(tmp_path / "words.csv")])
    worked(qtbot, dialog)
    assert "words.csv" in dialog.outcome.toPlainText()
    dialog.take([six_faces(tmp_path / "faces.csv")])
    worked(qtbot, dialog)
    assert dialog.use.isEnabled()


def test_another_kind_works_on_the_same_recording(qtbot, dialog, tmp_path, monkeypatch):
    """The recording is read once; each kind asks for its own facts; an Allan recording is noise only and can't be flown with."""
    from replay import flightlog

    read = []
    real = flightlog.read_log
    monkeypatch.setattr(flightlog, "read_log", lambda *a, **k: (read.append(a[0]), real(*a, **k))[1])
    rng = np.random.default_rng(4)
    n = 4000
    rows = np.column_stack((np.arange(n) / 100.0, rng.normal(0, 0.02, (n, 3)) + [0, 0, 9.80665], rng.normal(0, 0.05, (n, 3))))
    np.savetxt(tmp_path / "still.csv", rows, delimiter=",", header=HEADER, comments="", fmt="%.6g")
    dialog.take([str(tmp_path / "still.csv")])
    worked(qtbot, dialog)
    choose(dialog, "allan")
    worked(qtbot, dialog)
    assert len(read) == 1
    assert sorted(dialog._work.allan) == [f"{sensor} {axis}" for sensor in ("accelerometer", "gyro") for axis in "xyz"]
    noise = next(c for c in dialog._work.allan["gyro z"].coefficients if c.symbol == "N")
    assert noise.low < np.radians(0.05) / 10.0 < noise.high  # white noise of sd s at rate f has density s/√f (IEEE 952)
    assert "IEEE 952" in dialog.outcome.toPlainText()
    assert not dialog.use.isEnabled()
    assert "noise only" in dialog.use.toolTip()
    assert not dialog.facts["gravity"].isVisible()
    choose(dialog, "turns")
    assert dialog.facts["turn"].isVisible()
    worked(qtbot, dialog)


def test_it_can_be_stopped_and_left_while_it_works(qtbot, dialog, window, tmp_path, monkeypatch):
    """Stop answers at once and leaves nothing of the work; closing ends the thread; the menu opens it again."""
    begun = threading.Event()

    class Waiting:
        def __call__(self, request, progress, cancel):
            progress(0.25, "finding the poses")
            begun.set()
            assert cancel.wait(20)
            raise Cancelled

    dialog.background._work = Waiting()
    dialog.take([six_faces(tmp_path / "faces.csv")])
    qtbot.waitUntil(lambda: dialog.progress.value() == 250, timeout=5000)
    assert begun.is_set()
    assert dialog.progress.isVisible()
    dialog.stop.click()
    assert not dialog.progress.isVisible()
    assert "Stopped" in dialog.outcome.toPlainText()
    QTest.keyClick(dialog, Qt.Key.Key_Escape)
    assert window.files._bench is None
    window.actions["bench"].trigger()
    assert window.files._bench.isVisible()
    window.files._bench.close()
    assert window.files._bench is None


def test_a_published_recording_of_many_poses(qtbot, window, dialog, tmp_path):
    """Accelerometer and gyro apart (shared data, every fourth row, counts by the certificate's 415, 413, 415): scales near 1."""
    paths = []
    for name, zero, count in (("acc", 32768.0, np.array([415.0, 413.0, 415.0])), ("gyro", 32768.0, 4778.0)):
        rows = np.loadtxt(shared_data(f"multiposition/xsens_{name}.txt"))[::4]
        quantity, unit = ("accel", "mps2") if name == "acc" else ("gyro", "radps")
        header = ",".join(("time_s", *(f"{quantity}_{axis}_{unit}" for axis in "xyz")))
        paths.append(str(tmp_path / f"{name}.csv"))
        rows[:, 1:] = (rows[:, 1:] - zero) / count
        np.savetxt(paths[-1], rows, delimiter=",", header=header, comments="", fmt="%.7g")
    choose(dialog, "multi-position")
    dialog.merged.setChecked(True)
    QTest.keyClicks(dialog.facts["gravity"], "9.81744")
    QTest.keyClick(dialog.facts["gravity"], Qt.Key.Key_Return)
    dialog.take(paths)
    worked(qtbot, dialog)
    result = dialog._work.result
    assert result is not None, dialog.outcome.toPlainText()
    assert dialog._work.request.options.gravity_mps2 == 9.81744
    assert len(result.poses) >= 20
    assert np.allclose(result.calibration.accel_scale, 1.0, atol=0.02)
    flown = put_onto(window.session.review.as_flown, result)
    assert flown.accel_scale == result.calibration.accel_scale
    in_counts = dataclasses.replace(result, calibration=dataclasses.replace(result.calibration, accel_scale=(0.0024,) * 3))
    with pytest.raises(CannotEstimate, match="counts"):
        put_onto(flown, in_counts)


def test_a_read_off_slope_goes_through_its_coefficient():
    """IEEE 952: angle random walk N gives a deviation of N/√τ, rate random walk K gives K·√(τ/3), bias instability 0.664·B."""
    taus = np.array([1.0, 4.0])
    for symbol, wanted in (("N", [2.0, 1.0]), ("K", [2.0 / 3**0.5, 4.0 / 3**0.5]), ("B", [2.0 * 0.6643, 2.0 * 0.6643])):
        coefficient = Coefficient("", symbol, 2.0, 1.0, 3.0, 1.0)
        assert np.allclose(term_deviation(coefficient, taus), wanted, rtol=1e-3), symbol
