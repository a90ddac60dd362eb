"""Reading, against recordings made by others: units, axes, clocks and the way round of each attitude come out as published.

Sources are named in ../shared/data/README.md, which also holds the figures compared with here: two flights of a university team's own
logger (MIT licence), three recordings bundled with scikit-kinematics 0.10.4 (BSD-3), one calibration recording of Tedaldi, Pretto and
Menegatti, ICRA 2014 (BSD). A test whose recording is not at hand skips by name.
"""

import json

import numpy as np
import pytest
from numpy.testing import assert_allclose
from shared_data import shared_data

from replay import rotation
from replay.cli import main
from replay.flightlog import read_log
from replay.flightlog.audit import audit_text, problems
from replay.flightlog.columnmap import ColumnEntry, ColumnMap
from replay.flightlog.infer import quiet_windows
from replay.sensors.calibration import Calibration
from replay.sensors.mount import find_mount
from replay.units import DEG, STANDARD_GRAVITY_MPS2

ACCEL, RATE, QUATERNION = "accel_raw_imu_mps2", "rate_raw_imu_radps", "q_enu_from_body_onboard"
FLIGHTS = {1: "student_rocket/jackpot_launch_1.csv", 3: "student_rocket/jackpot_launch_3.csv"}


def three_g_log_s(log):
    """First sample beyond 3 g: the zero of the README's apogee times."""
    accel = log[ACCEL]
    return float(accel.log_time_s[np.argmax(np.linalg.norm(accel.values, axis=1) > 3.0 * STANDARD_GRAVITY_MPS2)])


def angle_deg(a, b):
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(a, b)), a @ b)))


@pytest.mark.parametrize("launch", [1, 3])
def test_a_flight_is_recognised_column_by_column(launch):
    """The raw sensors, not the computer's estimate beside them; stated units; about 90 Hz; a log that can carry an estimate."""
    log = read_log(shared_data(FLIGHTS[launch]))
    assert log[ACCEL].columns == tuple(f"raw_acceleration_{axis}_gs" for axis in "xyz")
    assert log[RATE].columns == tuple(f"raw_angular_rate_{axis}_deg_per_s" for axis in "xyz")
    assert log["mag_raw_imu_t"].columns == tuple(f"magnetic_field_{axis}_microteslas" for axis in "xyz")
    assert log["pressure_pa"].columns == ("pressure_pascals",)
    assert log["onboard_height_m"].columns == ("est_position_z_meters",)
    assert log["state"].values[0] == "S"
    assert log.column_map.of("time")[0].column == "timestamp_seconds"
    assert 85.0 < log[RATE].rate_hz < 95.0
    assert problems(log) == ()
    means, spreads = quiet_windows(log[ACCEL].values)
    assert_allclose(np.linalg.norm(means[np.argmin(spreads)]), STANDARD_GRAVITY_MPS2, rtol=0.02)


def test_the_cut_in_the_first_flight_is_its_one_gap():
    """The team cut the wait on the pad out: 1068 s between the file's rows 502 and 503."""
    log = read_log(shared_data(FLIGHTS[1]))
    assert log[RATE].i_gap.tolist() == [500]
    gap = next(issue for issue in log.issues if "gap" in issue.text)
    assert gap.rows == (503,)
    assert_allclose(np.diff(log[RATE].log_time_s)[500], 1068.23, atol=0.01)
    assert len(read_log(shared_data(FLIGHTS[3]))[RATE].i_gap) == 0


@pytest.mark.parametrize(("launch", "height_m", "after_s"), [(1, 767.1, 14.14), (3, 1129.3, 15.72)])
def test_pressure_and_time_give_the_published_apogee(launch, height_m, after_s):
    """Standard-atmosphere height of the lowest pressure above the pad, and its time after 3 g (README of the data).

    Height from a ratio of pressures: ISO 2533 / U.S. Standard Atmosphere 1976, 44330.77 m and exponent 0.190263.
    """
    log = read_log(shared_data(FLIGHTS[launch]))
    pressure, zero = log["pressure_pa"], three_g_log_s(log)
    is_pad = (pressure.log_time_s > zero - 5.0) & (pressure.log_time_s < zero - 0.5)
    top = int(np.argmin(pressure.values))
    height = 44330.77 * (1.0 - (pressure.values[top] / np.median(pressure.values[is_pad])) ** 0.190263)
    assert_allclose(height, height_m, atol=0.15)
    assert_allclose(pressure.log_time_s[top] - zero, after_s, atol=0.01)


@pytest.mark.parametrize(("launch", "apart_deg", "span_s"), [(1, 19.4, 1.5), (3, 3.0, 1.0)])
def test_pad_gravity_and_boost_are_as_far_apart_as_published(launch, apart_deg, span_s):
    """19.4 deg and 3.0 deg (README; it does not say over which span: the first 1.5 s and 1.0 s of boost agree to 0.3 deg)."""
    log = read_log(shared_data(FLIGHTS[launch]))
    accel, zero = log[ACCEL], three_g_log_s(log)
    pad = accel.values[(accel.log_time_s > zero - 6.0) & (accel.log_time_s < zero - 0.5)].mean(axis=0)
    boost = accel.values[(accel.log_time_s >= zero) & (accel.log_time_s < zero + span_s)].mean(axis=0)
    assert abs(angle_deg(pad, boost) - apart_deg) < 0.3


@pytest.mark.parametrize(("launch", "rail_deg"), [(1, 20.0), (3, 1.0)])
def test_the_board_s_large_angle_is_taken_off(launch, rail_deg):
    """Both boards sit more than ten degrees off any axis; once that is off, pad gravity lies the stated rail tilt from the nose."""
    log = read_log(shared_data(FLIGHTS[launch]))
    mount = find_mount(log, Calibration())
    assert mount.is_found
    assert mount.angle_left_rad > 10.0 * DEG
    assert_allclose(np.linalg.norm(mount.rotation_rad), mount.angle_left_rad)
    accel = log[ACCEL]
    start, stop = mount.boost_log_s
    boost = accel.values[(accel.log_time_s >= start) & (accel.log_time_s < stop)].mean(axis=0) @ mount.dcm_body_from_imu.T
    assert angle_deg(boost, np.array([0.0, 0.0, 1.0])) < 1e-6
    pad = accel.values[(accel.log_time_s > start - 5.0) & (accel.log_time_s < start - 0.5)].mean(axis=0) @ mount.dcm_body_from_imu.T
    assert abs(angle_deg(pad, np.array([0.0, 0.0, 1.0])) - rail_deg) < 1.0


def test_the_second_flight_s_computer_turns_its_board_by_45_degrees():
    """Its attitude is about axes turned by 45 deg about the board's z; read so, its own logged tilt is the tilt of the nose.

    The tilt column does not depend on how the quaternion is read: the axis whose tilt it is must lie where the boost pushes.
    """
    log = read_log(shared_data(FLIGHTS[3]))
    assert_allclose(np.array(log.column_map.attitude.rotation_rad) / DEG, [0.0, 0.0, 45.0], atol=1.0)
    up_imu = rotation.rotate(rotation.conjugate(log[QUATERNION].values), np.array([0.0, 0.0, 1.0]))
    cos_tilt = np.cos(log["est_tilt_angle_degrees"].values * DEG)
    axis, *_ = np.linalg.lstsq(up_imu, cos_tilt, rcond=None)
    assert np.max(np.abs(up_imu @ axis - cos_tilt)) < 1e-5
    assert angle_deg(axis, np.array([-np.sqrt(0.5), np.sqrt(0.5), 0.0])) < 1.0
    nose_imu = find_mount(log, Calibration()).dcm_body_from_imu[2]
    assert angle_deg(axis, nose_imu) < 3.0


def gyro_only_apart_deg(log):
    """Angle between the logged attitude and the gyro integrated from its first value, at each gyro sample."""
    gyro, logged = log[RATE], log[QUATERNION]
    time_s = gyro.log_time_s
    there = rotation.normalise(np.stack([np.interp(time_s, logged.log_time_s, logged.values[:, k]) for k in range(4)], axis=1))
    q = np.empty((len(time_s), 4))
    q[0] = there[0]
    for i in range(1, len(time_s)):
        turn = 0.5 * (gyro.values[i - 1] + gyro.values[i]) * (time_s[i] - time_s[i - 1])
        q[i] = rotation.multiply(q[i - 1], rotation.from_rotvec(turn))
    return np.degrees(np.linalg.norm(rotation.to_rotvec(rotation.multiply(rotation.conjugate(there), q)), axis=1))


@pytest.mark.parametrize(
    ("name", "turns", "median_deg", "worst_deg"),
    [("data_xsens.txt", "body to earth", 2.9, 5.4), ("data_xio3", "body to earth", 2.7, 9.0), ("data_ngimu", "earth to body", 4.6, 8.8)],
)
def test_units_clocks_and_attitudes_of_three_recordings(name, turns, median_deg, worst_deg):
    """Gyro-only against the unit's own attitude is as far apart as the README states, which a wrong unit, axis, clock or way round is not.

    The three differ in all of it: a counter with its rate in the preamble and no units; files apart in µs since power-up; files apart
    in s, with the quaternion the other way round.
    """
    log = read_log(shared_data(f"imu_onboard_attitude/{name}"))
    found = log.column_map.attitude
    assert (found.turns, found.earth_z, found.rotation_rad) == (turns, "up", (0.0, 0.0, 0.0))
    apart = gyro_only_apart_deg(log)
    assert_allclose(np.median(apart), median_deg, atol=0.15)
    assert_allclose(np.max(apart), worst_deg, atol=0.15)
    assert problems(log) == ()


def test_the_recordings_details():
    """Rates, inferred units and what is left out, one by one."""
    xsens = read_log(shared_data("imu_onboard_attitude/data_xsens.txt"))
    assert xsens[RATE].rate_hz == pytest.approx(50.0)
    assert xsens[ACCEL].is_unit_inferred
    assert [e.unit for e in (*xsens.column_map.of(ACCEL), *xsens.column_map.of(RATE))] == ["m/s²"] * 3 + ["rad/s"] * 3
    xio3 = read_log(shared_data("imu_onboard_attitude/data_xio3"))
    assert xio3[ACCEL].columns == tuple(f"Accelerometer {axis} (g)" for axis in "XYZ")  # the fine one, not the high-g one
    assert xio3["mag_raw_imu_t"].unit == "a.u."
    assert xio3["mag_raw_imu_t"].rate_hz == pytest.approx(19.7, abs=0.1)
    assert_allclose(np.median(xio3["imu_temperature_k"].values), 303.15)
    ngimu = read_log(shared_data("imu_onboard_attitude/data_ngimu"))
    assert any(issue.text.startswith("Settings.txt left out") for issue in ngimu.issues)
    assert_allclose(np.median(ngimu["pressure_pa"].values), 98474.0, atol=10.0)
    assert ngimu["pressure_pa"].rate_hz == pytest.approx(24.7, abs=0.1)  # held for two rows of 49.4 Hz


def counts_map(zero_accel, zero_gyro):
    """Counts of the certificate: 415, 413, 415 per m/s² and 4778, 4758, 4766 per rad/s."""
    entries = []
    for file, channel, unit, zeros, counts in (
        ("xsens_acc.txt", ACCEL, "m/s²", zero_accel, (415.0, 413.0, 415.0)),
        ("xsens_gyro.txt", RATE, "rad/s", zero_gyro, (4778.0, 4758.0, 4766.0)),
    ):
        entries.append(ColumnEntry("column 1", "time", unit="s", file=file))
        for k, axis in enumerate("xyz"):
            entries.append(ColumnEntry(f"column {k + 2}", channel, axis, unit, zero=float(zeros[k]), scale=1.0 / counts[k], file=file))
    return ColumnMap(columns=tuple(entries))


def test_counts_without_headers_read_by_a_map():
    """With the certificate's scale in the map, every static pose reads the local 9.81744 m/s² to 1 %, and 512 s at 100 Hz come out."""
    folder = shared_data("multiposition")
    paths = [folder / "xsens_acc.txt", folder / "xsens_gyro.txt"]
    raw = np.loadtxt(paths[0])[:, 1:]
    still = np.loadtxt(paths[1], max_rows=2000)[:, 1:].mean(axis=0)
    # the certificate gives no zero: centre of the sphere on which the poses lie, |(pose - zero) / counts| = g, linear in zero and |zero|²
    means, spreads = quiet_windows(raw)
    poses = means[spreads < np.quantile(spreads, 0.5)] / np.array([415.0, 413.0, 415.0])
    design = np.column_stack((2.0 * poses, np.ones(len(poses))))
    solved, *_ = np.linalg.lstsq(design, (poses**2).sum(axis=1), rcond=None)
    log = read_log(paths, counts_map(solved[:3] * np.array([415.0, 413.0, 415.0]), still))
    assert_allclose(log[RATE].rate_hz, 100.0, rtol=1e-3)
    assert_allclose(log.duration_s, 511.7, atol=0.1)
    means, spreads = quiet_windows(log[ACCEL].values)
    norms = np.linalg.norm(means[spreads < np.quantile(spreads, 0.5)], axis=1)
    assert_allclose(np.median(norms), 9.81744, rtol=0.01)
    assert np.max(np.abs(norms / 9.81744 - 1.0)) < 0.03
    assert np.max(np.abs(log[RATE].values[:2000])) < 0.05


def test_counts_without_a_map_are_recognised_but_not_scaled():
    """Clock and axes are guessed from the files' names; that the scale is missing is the problem told."""
    folder = shared_data("multiposition")
    log = read_log([folder / "xsens_acc.txt", folder / "xsens_gyro.txt"])
    assert [entry.column for entry in log.column_map.of(ACCEL)] == ["column 2", "column 3", "column 4"]
    assert any("state it in the column map" in issue.text for issue in problems(log))


@pytest.mark.parametrize("name", [*FLIGHTS.values(), *(f"imu_onboard_attitude/data_{n}" for n in ("xsens.txt", "xio3", "ngimu"))])
def test_check_prints_each_of_them(name, capsys):
    """Exit code 0, text and JSON."""
    path = shared_data(name)
    assert main(["check", str(path)]) == 0
    assert audit_text(read_log(path)) in capsys.readouterr().out
    assert main(["check", str(path), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["can_carry_estimate"] is True
