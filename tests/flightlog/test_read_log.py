"""read_log: columns become channels in SI, whatever the logger writes; what was guessed or wrong is said."""

import gzip
import hashlib
import tracemalloc

import numpy as np
import pytest
from flightlog.log_texts import G, Record, flown, hand_held, imu_columns, table_text
from numpy.testing import assert_allclose, assert_array_equal

import replay
from replay import rotation
from replay.errors import Cancelled, CannotEstimate, LogReadError
from replay.flightlog import load_column_map, read_log, save_column_map
from replay.flightlog.audit import problems
from replay.flightlog.columnmap import ColumnEntry, ColumnMap, FileEntry, OnboardAttitude
from replay.flightlog.guess import stated_rate
from replay.flightlog.onboard import from_angles, to_enu_from_body
from replay.units import DEG

ACCEL, RATE, QUATERNION = "accel_raw_imu_mps2", "rate_raw_imu_radps", "q_enu_from_body_onboard"
HAND = hand_held()


@pytest.fixture
def write(tmp_path):
    """Write a text under a name and give back its path."""

    def write(text: str, name: str = "log.csv", encoding: str = "utf-8"):
        path = tmp_path / name
        path.write_bytes(text.encode(encoding))
        return path

    return write


def texts(log, severity=None):
    return [issue.text for issue in log.issues if severity in (None, issue.severity)]


def plain(record: Record = HAND, **more):
    return {"time_s": record.time_s, **imu_columns(record), **more}


def test_a_plain_file(write):
    """Time in seconds, named units: everything comes through as written, and nothing is left to say."""
    names = ("ax [m/s²]", "ay [m/s²]", "az [m/s²]", "gx [rad/s]", "gy [rad/s]", "gz [rad/s]")
    path = write(table_text({"time [s]": HAND.time_s, **imu_columns(HAND, names=names)}))
    log = replay.read_log(path)
    assert_allclose(log[ACCEL].values, HAND.accel, atol=1e-6)
    assert_allclose(log[RATE].values, HAND.rate, atol=1e-6)
    assert_allclose(log[RATE].log_time_s, HAND.time_s, atol=1e-9)
    assert log[ACCEL].columns == names[:3]
    assert not log[ACCEL].is_unit_inferred
    assert log.issues == ()
    assert log.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert log[ACCEL].log_time_s is log[RATE].log_time_s
    with pytest.raises(ValueError, match="read-only"):
        log[ACCEL].values[0, 0] = 1.0


@pytest.mark.parametrize(("unit", "size"), [("g", G), ("mg", G / 1000), ("m/s^2", 1.0)])
@pytest.mark.parametrize("is_stated", [True, False])
def test_accelerometer_units(write, unit, size, is_stated):
    """g, milli-g and m/s², stated or read off the one g at rest."""
    names = [f"acc_{axis}" + (f" ({unit})" if is_stated else "") for axis in "xyz"]
    columns = imu_columns(HAND, accel_unit=size)
    log = read_log(write(table_text({"t": HAND.time_s, **dict(zip(names, list(columns.values())[:3], strict=True))})))
    assert_allclose(log[ACCEL].values, HAND.accel, atol=2e-5)
    assert log[ACCEL].is_unit_inferred == (not is_stated)
    assert log.column_map.of(ACCEL)[0].is_inferred
    assert any("unit not stated" in issue.text for issue in log.issues if "acc" in str(issue.column)) == (not is_stated)


@pytest.mark.parametrize(("unit", "size"), [("dps", DEG), ("mdeg/s", DEG / 1000), ("rad/s", 1.0)])
@pytest.mark.parametrize("is_stated", [True, False])
def test_gyro_units(write, unit, size, is_stated):
    """deg/s, milli-deg/s and rad/s, stated or read off how gravity turns in the accelerometer."""
    columns = {"t": HAND.time_s, **imu_columns(HAND, rate_unit=size)}
    if is_stated:
        columns = {(f"{name} [{unit}]" if name in ("gx", "gy", "gz") else name): values for name, values in columns.items()}
    log = read_log(write(table_text(columns)))
    assert_allclose(log[RATE].values, HAND.rate, atol=2e-6)
    assert log[RATE].is_unit_inferred == (not is_stated)
    if not is_stated:
        assert any("gravity turns" in text for text in texts(log))


def test_gyro_unit_of_a_flight_by_size(write):
    """A flight that never turns faster than 35 in the file's unit is in rad/s; one that reaches hundreds is in deg/s."""
    record = flown()
    for size in (1.0, DEG):
        log = read_log(write(table_text({"t": record.time_s, **imu_columns(record, rate_unit=size)})))
        assert_allclose(log[RATE].values, record.rate, atol=2e-6)


def test_raw_counts_of_a_power_of_two(write):
    """2048 counts to one g: found, but only as a warning."""
    columns = imu_columns(HAND, accel_unit=G / 2048)
    counts = {name: np.rint(columns[name]).astype(int) for name in ("ax", "ay", "az")}
    log = read_log(write(table_text({"t": HAND.time_s, **counts})))
    assert_allclose(log[ACCEL].values, HAND.accel, atol=G / 2048)
    assert any("2048 counts to one g" in text for text in texts(log, "warning"))


def test_an_accelerometer_in_no_known_unit_is_a_problem(write):
    """Said with the number it reads at rest, and what to do."""
    log = read_log(write(table_text({"t": HAND.time_s, **imu_columns(HAND, accel_unit=1 / 37.0)})))
    assert ACCEL not in log
    assert any("state it in the column map" in issue.text for issue in problems(log))
    assert_allclose(log["ax"].values, HAND.accel[:, 0] * 37.0, atol=1e-5)  # drawn as it stands
    assert log["ax"].is_extra


@pytest.mark.parametrize(
    ("header", "unit_s", "is_whole"),
    [("time_s", 1.0, False), ("time", 1.0, False), ("time_ms", 1e-3, True), ("time", 1e-3, True), ("millis", 1e-3, True),
     ("micros", 1e-6, True),
     ("Timestamp (us)", 1e-6, True), ("time", 1e-6, True), ("t_ns", 1e-9, True), ("time", 1e-9, True)],
)  # fmt: skip
def test_time_units(write, header, unit_s, is_whole):
    """s, ms, µs and ns, stated, in the name, or by the size of the steps; the first row is zero wherever the counter starts."""
    stamps = np.rint((HAND.time_s + 12.34) / unit_s).astype(np.int64) if is_whole else HAND.time_s + 12.34
    log = read_log(write(table_text({header: stamps, **imu_columns(HAND)})))
    assert_allclose(log[RATE].log_time_s, HAND.time_s, atol=1e-9)


def test_ticks_with_a_rate_in_the_map_or_in_the_preamble(write):
    """A bare counter needs a rate: from the column map, or from a line above the table; without one the error says so."""
    text = table_text({"Counter": 2552 + np.arange(HAND.n), **imu_columns(HAND)})
    log = read_log(write("// Start Time: 0\n// Sample rate: 100.0Hz\n" + text))
    assert_allclose(log[RATE].log_time_s, HAND.time_s, atol=1e-9)
    assert log.column_map.of("time")[0].rate_hz == 100.0
    ticks = table_text({"ticks": (HAND.time_s * 32768).astype(np.int64), **imu_columns(HAND)})
    with pytest.raises(LogReadError, match=r"column 'ticks': expected rate_hz in the column map"):
        read_log(write(ticks))
    stated = ColumnMap(columns=(ColumnEntry("ticks", "time", unit="ticks", rate_hz=32768.0), *log.column_map.columns[1:]))
    assert_allclose(read_log(write(ticks), stated)[RATE].log_time_s, HAND.time_s, atol=1e-4)


def test_times_as_a_clock_shows_them(write):
    """Dates and times of day, also over midnight."""
    dates = [f"2024-05-01T12:00:{t:06.3f}Z" for t in HAND.time_s]
    log = read_log(write(table_text({"timestamp": dates, **imu_columns(HAND)})))
    assert_allclose(log[RATE].log_time_s, HAND.time_s, atol=1e-6)
    clock = HAND.time_s + 86400.0 - 3.0
    day = [f"{int(t % 86400 // 3600):02d}:{int(t % 3600 // 60):02d}:{t % 60:06.3f}" for t in np.round(clock, 3)]
    log = read_log(write(table_text({"time": day, **imu_columns(HAND)})))
    assert_allclose(log[RATE].log_time_s, HAND.time_s, atol=1e-6)
    assert any("wraps at midnight" in text for text in texts(log))


def test_rows_without_a_time_column_at_a_stated_rate(write):
    """`rate_hz` of the file, or of the preamble, places evenly spaced rows; without either there is no clock."""
    text = table_text(imu_columns(HAND))
    with pytest.raises(LogReadError, match="a time column, or rate_hz in the column map"):
        read_log(write(text))
    log = read_log(write(text), ColumnMap(files=(FileEntry(rate_hz=100.0),)))
    assert_allclose(log[RATE].log_time_s, HAND.time_s, atol=1e-9)
    assert any("evenly spaced at the stated 100 Hz" in line for line in texts(log))


def test_the_better_of_two_clocks_is_used_and_the_other_compared(write):
    """A seconds column and a slower-running nanosecond stamp of the writer: the first is used, the second measured against it."""
    host = (1775328038453262073 + (HAND.time_s * (1 - 150e-6) * 1e9).astype(np.int64)).tolist()
    log = read_log(write(table_text({"timestamp_seconds": HAND.time_s + 129.0, **imu_columns(HAND), "update_timestamp_ns": host})))
    assert log.column_map.of("time")[0].column == "timestamp_seconds"
    assert any("two clocks" in text and "-150 ppm" in text for text in texts(log))


@pytest.mark.parametrize(
    ("header", "values", "channel", "si"),
    [
        ("pressure [Pa]", 101325.0, "pressure_pa", 101325.0), ("pressure", 101325.0, "pressure_pa", 101325.0),
        ("P [hPa]", 1013.25, "pressure_pa", 101325.0), ("baro", 1013.25, "pressure_pa", 101325.0),
        ("press_kPa", 101.325, "pressure_pa", 101325.0),
        ("pressure", 101.325, "pressure_pa", 101325.0), ("baro_alt", 250.0, "baro_height_m", 250.0),
        ("altitude_ft", 1000.0, "baro_height_m", 304.8),
        ("temp", 21.5, "imu_temperature_k", 294.65), ("temperature [K]", 294.65, "imu_temperature_k", 294.65),
        ("temp", 294.65, "imu_temperature_k", 294.65),
        ("temp_F", 70.7, "imu_temperature_k", 294.65), ("air temperature (°C)", 8.0, "air_temperature_k", 281.15),
        ("vbat", 7.4, "battery_v", 7.4), ("battery", 7400.0, "battery_v", 7.4), ("batt_mV", 7400.0, "battery_v", 7.4),
        ("current [mA]", 350.0, "current_a", 0.35), ("current_a", 0.35, "current_a", 0.35),
        ("est_alt [m]", 12.0, "onboard_height_m", 12.0), ("est_velocity_z_meters_per_s", -3.0, "onboard_vel_up_mps", -3.0),
    ],
)  # fmt: skip
def test_scalars(write, header, values, channel, si):
    """Pressure, height, temperature, battery, current: stated units, or units by size."""
    log = read_log(write(table_text(plain(**{header: np.full(HAND.n, values) + 1e-5 * np.sin(HAND.time_s)}))))
    assert_allclose(np.median(log[channel].values), si, rtol=1e-4)


def test_gimbal_commands(write):
    """Degrees, radians, and servo pulses around a neutral: assumed 1500 µs and 0.09 deg/µs, with a warning, or stated in the map."""
    swing = 0.06 * np.sin(HAND.time_s)
    log = read_log(write(table_text(plain(**{"gimbal_x (deg)": swing / DEG, "gimbal_y (deg)": -swing / DEG}))))
    assert_allclose(log["gimbal_command_rad"].values, np.column_stack((swing, -swing)), atol=1e-7)
    log = read_log(write(table_text(plain(servo1=swing, servo2=-swing))))
    assert_allclose(log["gimbal_command_rad"].values, np.column_stack((swing, -swing)), atol=1e-6)
    pulses = np.rint(1500 + swing / DEG / 0.09).astype(int)
    log = read_log(write(table_text(plain(servo_x_us=pulses, servo_y_us=pulses))))
    assert_allclose(log["gimbal_command_rad"].values[:, 0], swing, atol=0.05 * DEG)
    assert any("neutral 1500" in text for text in texts(log, "warning"))
    entries = tuple(
        ColumnEntry(f"servo_{a}_us", "gimbal_command_rad", a, "deg", sign=-1, zero=1520.0, scale=0.05) if "servo" in e.column else e
        for e, a in zip(log.column_map.columns, "       xy", strict=True)
    )
    stated = read_log(write(table_text(plain(servo_x_us=pulses, servo_y_us=pulses))), ColumnMap(columns=entries))
    assert_allclose(stated["gimbal_command_rad"].values[:, 0], -0.05 * (pulses - 1520.0) * DEG, atol=1e-9)


def test_state_as_a_number_and_as_a_word(write):
    """Both are kept as logged."""
    words = ["PAD"] * 300 + ["BOOST"] * (HAND.n - 300)
    assert read_log(write(table_text(plain(state=words))))["state"].values.tolist() == words
    numbers = [0] * 300 + [1] * (HAND.n - 300)
    assert read_log(write(table_text(plain(flight_phase=numbers))))["state"].values.tolist() == numbers


@pytest.mark.parametrize(("unit", "size"), [("uT", 1e-6), ("mG", 1e-7), ("a.u.", None), (None, 1e-6)])
def test_magnetometer_units(write, unit, size):
    """µT, mG, arbitrary units; without a unit the earth's field tells, as a guess."""
    field = rotation.rotate(rotation.conjugate(HAND.q_enu_from_imu), np.array([0.0, 20e-6, -43e-6]))
    scaled = field / (size or 30e-6)
    names = [f"mag_{axis}" + (f" ({unit})" if unit else "") for axis in "xyz"]
    log = read_log(write(table_text(plain(**dict(zip(names, scaled.T, strict=True))))))
    channel = log["mag_raw_imu_t"]
    assert channel.unit == ("a.u." if unit == "a.u." else "T")
    assert_allclose(channel.values, field if size else scaled, rtol=1e-3, atol=1e-9)


def test_satellite_position(write):
    """Degrees or degrees times ten million; height beside a position is the receiver's."""
    lat, lon, height = 50.1 + 1e-5 * HAND.time_s, 8.2 - 1e-5 * HAND.time_s, 300 + HAND.time_s
    every = np.arange(HAND.n) % 10 == 0
    for size, digits in ((1.0, 9), (1e7, 0)):
        cells = {k: np.where(every, v, np.nan) for k, v in {"lat": lat * size, "lon": lon * size, "alt_m": height}.items()}
        log = read_log(write(table_text(plain(**cells), digits=max(digits, 4))))
        channel = log["gnss_lat_lon_height"]
        assert channel.n_samples == HAND.n // 10
        assert_allclose(channel.values, np.column_stack((lat * DEG, lon * DEG, height))[every], atol=1e-3, rtol=1e-8)
        assert_allclose(channel.rate_hz, 10.0)


def attitude_columns(q, names=("q_w", "q_x", "q_y", "q_z")):
    return dict(zip(names, np.asarray(q).T, strict=True))


_NED = np.array([0.0, np.sqrt(0.5), np.sqrt(0.5), 0.0])


@pytest.mark.parametrize("turns", ["body to earth", "earth to body"])
@pytest.mark.parametrize("earth_z", ["up", "down"])
@pytest.mark.parametrize("names", [("q_w", "q_x", "q_y", "q_z"), ("q0", "q1", "q2", "q3"), "scalar last"])
def test_onboard_quaternions_either_way_round(write, turns, earth_z, names):
    """Which way it turns, where its z points and which component is the scalar are found from gyro and gravity."""
    q = HAND.q_enu_from_imu if earth_z == "up" else rotation.multiply(_NED, HAND.q_enu_from_imu)
    q = q if turns == "body to earth" else rotation.conjugate(q)
    if names == "scalar last":
        q, names = q[:, [1, 2, 3, 0]], ("q0", "q1", "q2", "q3")
    log = read_log(write(table_text(plain(**attitude_columns(q, names)), digits=8)))
    found = log.column_map.attitude
    assert (found.turns, found.earth_z, found.is_inferred) == (turns, earth_z, True)
    apart = rotation.to_rotvec(rotation.multiply(rotation.conjugate(HAND.q_enu_from_imu), log[QUATERNION].values))
    assert np.max(np.linalg.norm(apart, axis=1)) < 1e-6
    again = read_log(write(table_text(plain(**attitude_columns(q, names)), digits=8)), log.column_map)
    assert_allclose(again[QUATERNION].values, log[QUATERNION].values, atol=1e-12)


def test_a_computer_that_turns_its_board_s_axes_first(write):
    """An attitude about axes turned by 45 deg against the logged ones: found, said, taken off, and shown in the map."""
    turned = rotation.from_rotvec(np.array([0.0, 0.0, 45.0 * DEG]))  # from imu axes to the computer's
    q = rotation.multiply(HAND.q_enu_from_imu, rotation.conjugate(turned))
    log = read_log(write(table_text(plain(**attitude_columns(q)), digits=8)))
    assert_allclose(np.array(log.column_map.attitude.rotation_rad) / DEG, [0.0, 0.0, 45.0], atol=0.5)
    apart = rotation.to_rotvec(rotation.multiply(rotation.conjugate(HAND.q_enu_from_imu), log[QUATERNION].values))
    assert np.max(np.linalg.norm(apart, axis=1)) < 0.5 * DEG
    assert any("turned by 45" in text for text in texts(log))


@pytest.mark.parametrize(
    ("found", "written", "expected"),
    [
        ('turns = "body to earth"', 'turns = "earth to body"', OnboardAttitude("earth to body", is_inferred=False)),
        ('earth_z = "up"', 'earth_z = "down"', OnboardAttitude(earth_z="down", is_inferred=False)),
        ("guessed", "rotation_deg = [0.0, 0.0, 30.0]\nguessed", OnboardAttitude(rotation_rad=(0.0, 0.0, 30.0 * DEG), is_inferred=False)),
    ],
)
def test_what_is_written_into_a_guessed_map_holds(write, tmp_path, found, written, expected):
    """The map as guessed, one line of the attitude's changed by hand and `guessed = true` left standing."""
    path = write(table_text(plain(**attitude_columns(HAND.q_enu_from_imu)), digits=8))
    save_column_map(read_log(path).column_map, tmp_path / "map.toml")
    head, table, tail = (tmp_path / "map.toml").read_text(encoding="utf-8").partition("[onboard_attitude]")
    assert found in tail and "guessed = true" in tail.partition("[[")[0]
    (tmp_path / "map.toml").write_text(head + table + tail.replace(found, written, 1), encoding="utf-8")
    again = read_log(path, load_column_map(tmp_path / "map.toml"))
    assert again.column_map.attitude == expected
    wanted = to_enu_from_body(HAND.q_enu_from_imu, expected)
    assert_allclose(np.abs(np.einsum("ij,ij->i", again[QUATERNION].values, wanted)), 1.0, atol=1e-6)
    assert load_column_map(tmp_path / "map.toml", may_be_edited=False).attitude.is_inferred


@pytest.mark.parametrize("unit", [DEG, 1.0])
def test_onboard_angles(write, unit):
    """Roll, pitch, yaw in degrees or radians become the same quaternion."""
    w, x, y, z = HAND.q_enu_from_imu.T
    roll = np.arctan2(2 * (w * x + y * z), 1 - 2 * (x * x + y * y))
    pitch = np.arcsin(np.clip(2 * (w * y - z * x), -1, 1))
    yaw = np.arctan2(2 * (w * z + x * y), 1 - 2 * (y * y + z * z))
    log = read_log(write(table_text(plain(roll=roll / unit, pitch=pitch / unit, yaw=yaw / unit), digits=8)))
    apart = rotation.to_rotvec(rotation.multiply(rotation.conjugate(HAND.q_enu_from_imu), log[QUATERNION].values))
    assert np.max(np.linalg.norm(apart, axis=1)) < 1e-6


def test_angle_orders_agree_with_scipy():
    """Every order a map can state, against scipy's intrinsic rotations."""
    from scipy.spatial.transform import Rotation

    rng = np.random.default_rng(6)
    angles = rng.uniform(-1.2, 1.2, (50, 3))  # roll, pitch, yaw
    for order in ("zyx", "zxy", "yxz", "yzx", "xyz", "xzy", "zxz", "zyz"):
        columns = [2, 1, 0] if order[0] == order[2] else ["xyz".index(axis) for axis in order]
        expected = Rotation.from_euler(order.upper(), angles[:, columns]).as_quat(scalar_first=True)
        ours = from_angles(angles, order)
        assert_allclose(np.abs(np.einsum("ij,ij->i", expected, ours)), 1.0, atol=1e-12)


def test_a_stated_attitude_that_the_record_denies_is_a_warning(write):
    """The map is obeyed, and the contradiction said."""
    text = table_text(plain(**attitude_columns(HAND.q_enu_from_imu)), digits=8)
    log = read_log(write(text), ColumnMap(attitude=OnboardAttitude("earth to body", "up", is_inferred=False)))
    assert any("but the record says otherwise" in line for line in texts(log, "warning"))
    assert_allclose(np.abs(np.einsum("ij,ij->i", log[QUATERNION].values, rotation.conjugate(HAND.q_enu_from_imu))), 1.0, atol=1e-6)


def test_slower_sensors_in_blank_cells_keep_their_own_clock(write):
    """A barometer in every fifth row becomes a channel of a fifth of the rows, at their times."""
    pressure = np.where(np.arange(HAND.n) % 5 == 3, 1e5 + HAND.time_s, np.nan)
    log = read_log(write(table_text(plain(**{"pressure [Pa]": pressure}))))
    channel = log["pressure_pa"]
    assert_allclose(channel.log_time_s, HAND.time_s[3::5], atol=1e-9)
    assert_allclose(channel.values, 1e5 + HAND.time_s[3::5], atol=1e-6)
    assert_allclose(channel.rate_hz, 20.0)
    assert len(channel.i_gap) == 0


def test_a_restart_is_a_gap_for_every_stream(write):
    """A header in the middle marks a gap in the fast and in the slow channel, though the clock ran on."""
    pressure = np.where(np.arange(HAND.n) % 5 == 0, 1e5 + HAND.time_s, np.nan)
    lines = table_text(plain(**{"pressure [Pa]": pressure})).splitlines()
    log = read_log(write("\n".join([*lines[:404], lines[0], *lines[404:]]) + "\n"))
    assert log[RATE].i_gap.tolist() == [402]
    assert log["pressure_pa"].i_gap.tolist() == [80]  # samples at rows 400 and 405


def test_held_samples_of_a_slower_sensor_are_taken_once(write):
    """A barometer repeated for five rows: only its fresh samples stay, also where two of them are equal."""
    fresh = np.round(1e5 - 3.0 * np.arange(HAND.n // 5) + 4 * np.sin(np.arange(HAND.n // 5)))
    fresh[20] = fresh[19]
    log = read_log(write(table_text(plain(**{"pressure [Pa]": np.repeat(fresh, 5)}))))
    channel = log["pressure_pa"]
    assert_allclose(channel.log_time_s, HAND.time_s[::5], atol=1e-9)
    assert_array_equal(channel.values, fresh)
    assert any("each sample is repeated for about 5 rows" in text for text in texts(log))


def test_coarse_readings_are_not_taken_for_held_ones(write):
    """A barometer read every row in steps of 1 hPa repeats by chance (seed 7): all rows stay."""
    noise = np.random.default_rng(7).normal(0, 60.0, HAND.n)
    log = read_log(write(table_text(plain(**{"pressure [Pa]": np.round((1e5 + noise) / 100) * 100}))))
    assert log["pressure_pa"].n_samples == HAND.n


def test_raw_and_estimate_side_by_side(write):
    """The computer's own estimate never stands in for the sensor."""
    extra = {f"est_acceleration_{a}_gs": np.zeros(HAND.n) for a in "xyz"} | {
        f"est_angular_rate_{a}_rad_per_s": np.zeros(HAND.n) for a in "xyz"
    }
    names = [f"raw_acceleration_{a}_gs" for a in "xyz"] + [f"raw_angular_rate_{a}_deg_per_s" for a in "xyz"]
    log = read_log(write(table_text({"timestamp_seconds": HAND.time_s, **extra, **imu_columns(HAND, G, DEG, names)})))
    assert log[ACCEL].columns == tuple(names[:3])
    assert_allclose(log[ACCEL].values, HAND.accel, atol=1e-5)
    assert {name for name, channel in log.channels.items() if channel.is_extra} == set(extra)


def test_the_first_of_two_accelerometers_is_used_and_the_other_kept(write):
    """A high-g sensor beside the fine one stays an extra."""
    second = {f"highg_acc_{a} (g)": HAND.accel[:, k] / G for k, a in enumerate("xyz")}
    log = read_log(write(table_text({"t": HAND.time_s, **second, **imu_columns(HAND)})))
    assert log[ACCEL].columns == ("ax", "ay", "az")
    assert set(second) <= set(log.channels)


def test_files_without_headers_are_named_by_their_file(write):
    """A rising first column is the clock; the three beside it are x, y and z of what the file is called."""
    rows = np.column_stack((HAND.time_s, HAND.accel / G))
    acc = write("\n".join(" ".join(f"{v:.7e}" for v in row) for row in rows) + "\n", "my_acc.txt")
    rows = np.column_stack((HAND.time_s, HAND.rate))
    gyro = write("\n".join(" ".join(f"{v:.7e}" for v in row) for row in rows) + "\n", "my_gyro.txt")
    log = read_log([acc, gyro])
    assert_allclose(log[ACCEL].values, HAND.accel, atol=1e-5)
    assert_allclose(log[RATE].values, HAND.rate, atol=1e-6)
    assert log[ACCEL].columns == ("column 2", "column 3", "column 4")


def test_two_of_three_axes_are_no_accelerometer(write):
    """An incomplete sensor is kept as extras, and the missing one is a problem."""
    columns = plain()
    del columns["az"]
    log = read_log(write(table_text(columns)))
    assert ACCEL not in log
    assert "ax" in log.channels
    assert [issue.text for issue in problems(log)] == ["no accelerometer: the log can't carry an attitude estimate"]


def test_signs_and_a_partial_map(write):
    """A map that states one file's columns is obeyed to the letter; columns it leaves out are extras; axes alone leave the guess alone."""
    text = table_text(plain(**{"pressure [Pa]": np.full(HAND.n, 1e5)}))
    entries = [ColumnEntry("time_s", "time", unit="s")]
    entries += [ColumnEntry(f"a{a}", ACCEL, a, "m/s²", sign=-1) for a in "xyz"]
    entries += [ColumnEntry(f"g{a}", RATE, b, "rad/s") for a, b in zip("xyz", "yxz", strict=True)]
    log = read_log(write(text), ColumnMap(columns=tuple(entries)))
    assert_allclose(log[ACCEL].values, -HAND.accel, atol=1e-6)
    assert_allclose(log[RATE].values, HAND.rate[:, [1, 0, 2]], atol=1e-6)
    assert log["pressure [Pa]"].is_extra
    axes_only = read_log(write(text), ColumnMap(axes=("+x", "+y", "+z")))
    assert axes_only["pressure_pa"].n_samples
    assert axes_only.column_map.axes == ("+x", "+y", "+z")


def test_a_map_that_names_a_missing_column(write):
    """An error with the nearest header for what the estimate needs, a warning for the rest."""
    text = table_text(plain())
    guessed = read_log(write(text)).column_map
    wrong = ColumnMap(columns=tuple(ColumnEntry("a_x", ACCEL, "x", "g") if e.column == "ax" else e for e in guessed.columns))
    with pytest.raises(
        LogReadError, match=r"column 'a_x': expected the column that the column map names, got no such header \(nearest: 'ax'\)"
    ):
        read_log(write(text), wrong)
    more = ColumnMap(columns=(*guessed.columns, ColumnEntry("vbat", "battery_v", unit="V")))
    assert any("does not have" in line for line in texts(read_log(write(text), more), "warning"))


def test_words_where_the_map_says_numbers(write):
    """File, row and column are named."""
    text = table_text(plain(note=["a"] * HAND.n))
    wrong = ColumnMap(columns=(ColumnEntry("time_s", "time", unit="s"), ColumnEntry("note", "battery_v", unit="V")))
    with pytest.raises(LogReadError, match=r"log.csv, row 2, column 'note': expected numbers for battery_v, got 'a'"):
        read_log(write(text), wrong)


def test_a_saved_map_reads_the_next_flight_the_same_way(write, tmp_path):
    """Guessed, saved, loaded, used on a file of another name: the same channels."""
    first = read_log(write(table_text(plain(vbat=np.full(HAND.n, 7.4)))))
    save_column_map(first.column_map, tmp_path / "map.toml")
    loaded = load_column_map(tmp_path / "map.toml")
    assert loaded == first.column_map
    second = read_log(write(table_text(plain(vbat=np.full(HAND.n, 7.4))), "other.csv"), loaded)
    assert_array_equal(second[ACCEL].values, first[ACCEL].values)
    assert second[RATE].is_unit_inferred  # nobody has stated it yet
    assert second["battery_v"].values[0] == 7.4


# --- several files


def several(write, baro_zero=0.0, gnss_zero=0.0, scale=1.0):
    """IMU, barometer and receiver in files of their own, each clock with its own zero (s)."""
    imu = write(table_text({"t": HAND.time_s + 20.0, **imu_columns(HAND)}), "imu.csv")
    baro_t = np.arange(0.005, 7.9, 0.05)
    baro = write(table_text({"t": (baro_t + 20.0 + baro_zero) * scale, "p [hPa]": 1000 - baro_t}), "baro.csv")
    gnss_t = np.arange(0.3, 7.9, 0.2)
    gnss = write(
        table_text({"t": gnss_t + 20.0 + gnss_zero, "lat": 50 + 0 * gnss_t, "lon": 8 + 0 * gnss_t, "alt": 300 + gnss_t}), "gnss.csv"
    )
    return [imu, baro, gnss], baro_t, gnss_t


def test_files_with_one_clock_merge_on_it(write):
    """Overlapping stamps are one clock; every stream keeps its own times."""
    paths, baro_t, gnss_t = several(write)
    log = read_log(paths)
    assert_allclose(log[RATE].log_time_s, HAND.time_s, atol=1e-9)
    assert_allclose(log["pressure_pa"].log_time_s, baro_t, atol=1e-9)
    assert_allclose(log["gnss_lat_lon_height"].log_time_s, gnss_t, atol=1e-9)
    assert sum("one clock assumed" in text for text in texts(log)) == 2
    assert log.paths == tuple(map(str, paths))


def test_the_first_row_of_any_file_is_the_log_s_zero(write):
    """A barometer that starts before the IMU."""
    paths, baro_t, _ = several(write, baro_zero=-0.5)
    log = read_log(paths)
    assert log["pressure_pa"].log_time_s[0] == 0.0
    assert_allclose(log[RATE].log_time_s[0], 0.5 - baro_t[0], atol=1e-9)


def test_clocks_with_nothing_in_common_start_together_and_say_so(write):
    """Zero is assumed, with a warning; a stated offset is used instead."""
    paths, baro_t, _ = several(write, baro_zero=5000.0)
    log = read_log(paths)
    assert any("nothing in common" in text for text in texts(log, "warning"))
    assert_allclose(log["pressure_pa"].log_time_s, baro_t - baro_t[0], atol=1e-9)
    stated = read_log(paths, ColumnMap(files=(FileEntry("baro.csv", clock_offset_s=-5000.0),)))
    assert_allclose(stated["pressure_pa"].log_time_s, baro_t, atol=1e-6)
    assert any("clock offset of -5000 s, as stated" in text for text in texts(stated))


def test_files_that_count_from_a_date_share_it(write):
    """Stamps since 1970 in both, in different units."""
    imu = write(table_text({"t_ms": 1775328038000 + (HAND.time_s * 1e3).round().astype(np.int64), **imu_columns(HAND)}), "imu.csv")
    baro_t = np.arange(1.0, 5.0, 0.1)
    baro = write(table_text({"t_ns": 1775328038000000000 + (baro_t * 1e9).round().astype(np.int64), "p_Pa": 1e5 + baro_t}), "baro.csv")
    log = read_log([imu, baro])
    assert_allclose(log["pressure_pa"].log_time_s, baro_t, atol=1e-6)
    assert any("count from the same date" in text for text in texts(log))


def test_a_folder_is_all_its_tables(write, tmp_path):
    """What holds no table is named and left out; a map of several files names them."""
    several(write)
    write("nothing to see here\n", "README.txt")
    log = read_log(tmp_path)
    assert {"pressure_pa", RATE, "gnss_lat_lon_height"} <= set(log.channels)
    assert any(text.startswith("README.txt left out") for text in texts(log))
    assert {entry.file for entry in log.column_map.columns} == {"imu.csv", "baro.csv", "gnss.csv"}


def test_a_map_of_several_files_fits_the_next_flight_s_names(write, tmp_path):
    """Files are matched by name, else by the headers they share."""
    paths, *_ = several(write)
    known = read_log(paths).column_map
    renamed = []
    for path in paths:
        renamed.append(path.with_name(path.name.replace(".csv", "_02.csv")))
        path.rename(renamed[-1])
    log = read_log(renamed, known)
    assert_allclose(log[ACCEL].values, HAND.accel, atol=1e-6)
    assert {entry.file for entry in log.column_map.columns} == {"imu_02.csv", "baro_02.csv", "gnss_02.csv"}
    assert "pressure_pa" in log


# --- what is wrong with the channels


def test_clipping_gives_the_full_scale(write):
    """A gyro that stops at 1000 deg/s and an accelerometer that stops at 4 g: found, told with times, and known to the channel."""
    record = flown()
    accel, rate = record.accel.copy(), record.rate.copy()
    accel[520:640, 2] = 6 * G
    rate[600:640, 0] = 20.0
    clipped = Record(record.time_s, np.clip(accel, -4 * G, 4 * G), np.clip(rate, -1000 * DEG, 1000 * DEG), record.q_enu_from_imu)
    log = read_log(write(table_text({"t": record.time_s, **imu_columns(clipped, G, DEG)})))
    assert_allclose(log[ACCEL].full_scale, 4 * G, rtol=1e-6)
    assert_allclose(log[RATE].full_scale, 1000 * DEG, rtol=1e-6)
    assert sum("clipped at" in text for text in texts(log, "warning")) == 2


def test_without_clipping_the_full_scale_is_unknown(write):
    """None, rather than the largest value seen."""
    log = read_log(write(table_text(plain())))
    assert log[ACCEL].full_scale is None
    assert log[RATE].full_scale is None


def test_stuck_columns_and_frozen_sensors(write):
    """A constant axis, and a sensor that repeats itself for half a second."""
    record = hand_held()
    rate = record.rate.copy()
    rate[400:450] = rate[400]
    columns = {"t": record.time_s, **imu_columns(Record(record.time_s, record.accel, rate, record.q_enu_from_imu))}
    columns["ay"] = np.zeros(record.n)
    log = read_log(write(table_text(columns)))
    assert [(i.column, i.text) for i in log.issues if "never changes" in i.text] == [("ay", "stuck: it never changes")]
    assert any("stuck for 0.49 s from 4.00 s on" in text for text in texts(log, "warning"))


def test_a_stated_unit_that_can_not_be(write):
    """A file that says g over numbers in m/s² can't carry an estimate, and the line says what it reads at rest."""
    names = ("ax (g)", "ay (g)", "az (g)", "gx (dps)", "gy (dps)", "gz (dps)")
    log = read_log(write(table_text({"t": HAND.time_s, **imu_columns(HAND, 1.0, DEG, names)})))
    (problem,) = problems(log)
    assert "9.8" in problem.text
    assert "implausible unit or scale" in problem.text
    assert problem.is_implausible


@pytest.mark.parametrize(
    ("header", "value", "words"),
    [("pressure [Pa]", 1013.25, "implausible unit: median of 10.13 hPa"),
        ("temperature [°C]", 294.65, "implausible unit: median of 294"),
     ("vbat [V]", 7400.0, "implausible unit: median of 7400 V"), ("altitude [m]", 250000.0, "implausible unit")],
)  # fmt: skip
def test_stated_units_no_flight_reads(write, header, value, words):
    """Kept as stated, since the file says so, and told."""
    log = read_log(write(table_text(plain(**{header: value + 0.01 * np.sin(HAND.time_s)}))))
    assert [issue.severity for issue in log.issues if issue.is_implausible and words in issue.text] == ["warning"]


def test_a_gyro_that_can_not_be(write):
    """A file that says rad/s over deg/s: gravity turns at a fiftieth of the rate it claims; at ten times that, no gyro reaches it."""
    names = ("ax", "ay", "az", "gx [rad/s]", "gy [rad/s]", "gz [rad/s]")
    log = read_log(write(table_text({"t": HAND.time_s, **imu_columns(HAND, 1.0, DEG, names)})))
    assert any("gravity turns in the accelerometer's axes at 0.0175 of the rate read" in text for text in texts(log, "warning"))
    log = read_log(write(table_text({"t": HAND.time_s, **imu_columns(HAND, 1.0, 0.1 * DEG, names)})))
    assert any("implausible unit: it reaches" in text for text in texts(log, "warning"))


def test_gyro_counts_have_no_scale_in_the_data(write):
    """Whole numbers up to thirty thousand: told as a problem, kept to be drawn."""
    counts = {name: np.rint(HAND.rate[:, k] * 9000).astype(int) for k, name in enumerate(("gx", "gy", "gz"))}
    record = flown()
    counts = {name: np.rint(record.rate[:, 2] * 9000).astype(int) for name in counts}
    log = read_log(write(table_text({"t": record.time_s, **dict(list(imu_columns(record).items())[:3]), **counts})))
    assert any("counts, whose scale the data can't tell" in issue.text for issue in problems(log))
    assert log["gx"].is_extra


def test_quaternions_that_are_none(write):
    """Rows of zeros before the filter has started are blank, by row; a column of some other length is left out."""
    q = HAND.q_enu_from_imu.copy()
    q[:5] = 0.0
    log = read_log(write(table_text(plain(**attitude_columns(q)), digits=8)))
    assert log[QUATERNION].n_samples == HAND.n - 5
    assert next(issue for issue in log.issues if "length other than 1" in issue.text).rows == (2, 3, 4, 5, 6)
    log = read_log(write(table_text(plain(**attitude_columns(3.0 * HAND.q_enu_from_imu)), digits=8)))
    assert QUATERNION not in log
    assert any("has length 3" in text for text in texts(log, "warning"))


def test_blank_columns_are_left_out(write):
    """Nothing to draw, and said so."""
    log = read_log(write(table_text(plain(vbat=np.full(HAND.n, np.nan), note=[""] * HAND.n))))
    assert "battery_v" not in log
    assert "note" not in log
    assert any("no value at all" in text for text in texts(log))
    assert any("a blank column" in text for text in texts(log))


def test_samples_that_lack_an_axis(write):
    """NaN where the cell is blank, and counted."""
    columns = plain()
    columns["ay"] = np.where(np.arange(HAND.n) % 100 == 7, np.nan, columns["ay"])
    log = read_log(write(table_text(columns)))
    assert np.count_nonzero(np.isnan(log[ACCEL].values)) == 8
    assert any("8 samples lack an axis" in text for text in texts(log))


def test_a_file_without_a_clock_beside_one_with_it(write):
    """Left out by name; the flight is read."""
    paths, *_ = several(write)
    settings = write("gain,offset\n" + "1.5,2.5\n1.25,2.25\n" * 5, "settings.csv")
    log = read_log([*paths, settings])
    assert any(text.startswith("settings.csv: no time column") for text in texts(log, "warning"))
    assert RATE in log


def test_two_files_of_one_name(write, tmp_path):
    """A map tells files apart by name, so that two of one name are refused."""
    path = write(table_text(plain()))
    other = tmp_path / "other"
    other.mkdir()
    (other / "log.csv").write_bytes(path.read_bytes())
    with pytest.raises(LogReadError, match="files of different names"):
        read_log([path, other / "log.csv"])


def test_a_log_that_is_too_slow(write):
    """One row a second carries no attitude."""
    log = read_log(write(table_text({"time_s": np.arange(60.0), **imu_columns(hand_held(60))})))
    assert any("too slow" in issue.text for issue in problems(log))


# --- opening


def test_the_log_is_opened_for_reading_only(write):
    """A file without write permission reads, and its bytes and times are as before."""
    path = write(table_text(plain()))
    path.chmod(0o444)
    before = path.read_bytes(), path.stat().st_mtime_ns
    read_log(path)
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before


def test_files_that_are_not_there(tmp_path):
    """One line with the path; an empty folder says so."""
    with pytest.raises(LogReadError, match=r"none.csv: expected a file that can be read"):
        read_log(tmp_path / "none.csv")
    with pytest.raises(LogReadError, match="expected a log file"):
        read_log(tmp_path)


def test_progress_and_cancel(write):
    """From 0 to 1 without a step back; a cancel leaves nothing behind."""
    told = []
    paths, *_ = several(write)
    read_log(paths, progress=lambda fraction, text: told.append((fraction, text)))
    fractions = [fraction for fraction, _ in told]
    assert fractions == sorted(fractions)
    assert fractions[-1] == 1.0
    assert any("imu.csv" in text for _, text in told)
    with pytest.raises(Cancelled):
        read_log(paths, cancel=lambda: True)


def test_parquet(tmp_path):
    """The same record from Parquet, whole nanoseconds and all."""
    pyarrow = pytest.importorskip("pyarrow")
    parquet = pytest.importorskip("pyarrow.parquet")
    stamps = 1775328038453262073 + np.arange(HAND.n) * 10_000_000
    columns = {"timestamp_ns": stamps, **imu_columns(HAND), "state": ["PAD"] * HAND.n}
    parquet.write_table(pyarrow.table(columns), tmp_path / "log.parquet")
    log = read_log(tmp_path / "log.parquet")
    assert_allclose(log[RATE].log_time_s, HAND.time_s, atol=1e-9)
    assert_array_equal(log[ACCEL].values, HAND.accel)
    assert log["state"].values[0] == "PAD"


def test_parquet_without_its_extra_is_one_line(tmp_path, monkeypatch):
    """The error names the extra."""
    import sys

    path = tmp_path / "log.parquet"
    path.write_bytes(b"PAR1")
    monkeypatch.setitem(sys.modules, "pyarrow.parquet", None)
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(LogReadError, match=r"\[parquet\] extra"):
        read_log(path)


def test_a_broken_parquet_file_is_one_line(tmp_path):
    """Not a trace of the library."""
    pytest.importorskip("pyarrow")
    path = tmp_path / "log.parquet"
    path.write_bytes(b"not parquet at all")
    with pytest.raises(LogReadError, match="a Parquet file that can be read"):
        read_log(path)


def test_parquet_columns_of_lists_and_bytes_are_kept_as_words(tmp_path):
    """What is neither number nor text is drawn as it is written, and breaks nothing."""
    pyarrow = pytest.importorskip("pyarrow")
    parquet = pytest.importorskip("pyarrow.parquet")
    columns = {**plain(), "pair": [[1, 2]] * HAND.n, "raw": [b"\xff\x00"] * HAND.n, "none": [None] * HAND.n}
    parquet.write_table(pyarrow.table(columns), tmp_path / "log.parquet")
    log = read_log(tmp_path / "log.parquet")
    assert_array_equal(log[ACCEL].values, HAND.accel)
    assert log["pair"].values[0] == "[1 2]"
    assert log["raw"].values[0] == "b'\\xff\\x00'"


@pytest.mark.parametrize("clock", ["date", "duration", "index"])
def test_parquet_clocks(tmp_path, clock):
    """A date with a missing value, a duration, and a table whose index is the clock."""
    pd = pytest.importorskip("pandas")
    pytest.importorskip("pyarrow")
    frame = pd.DataFrame(plain())
    if clock == "date":
        frame["time_s"] = pd.to_datetime(frame["time_s"] + 1.7e9, unit="s")
        frame.loc[0, "time_s"] = pd.NaT
    elif clock == "duration":
        frame["time_s"] = pd.to_timedelta(frame["time_s"], unit="s")
    else:
        frame = frame.set_index("time_s")
    frame.to_parquet(tmp_path / "log.parquet")
    log = read_log(tmp_path / "log.parquet")
    assert log[RATE].n_samples == HAND.n - (clock == "date")
    assert_allclose(np.diff(log[RATE].log_time_s), 0.01, atol=1e-6)


def test_parquet_columns_with_missing_values_and_numbers_as_words(tmp_path):
    """Whole numbers with blanks, a category of words and numbers kept as text are read as what they are."""
    pd = pytest.importorskip("pandas")
    pytest.importorskip("pyarrow")
    frame = pd.DataFrame(plain(pressure_pa=np.full(HAND.n, 98000), state=["PAD"] * HAND.n))
    frame["pressure_pa"] = frame["pressure_pa"].astype("Int64").mask(np.arange(HAND.n) % 5 > 0)
    frame["state"], frame["ax"] = frame["state"].astype("category"), frame["ax"].astype(str)
    frame.to_parquet(tmp_path / "log.parquet")
    log = read_log(tmp_path / "log.parquet")
    assert log["pressure_pa"].n_samples == HAND.n // 5
    assert_allclose(log[ACCEL].values, HAND.accel)
    assert set(log["state"].values) == {"PAD"}


@pytest.mark.parametrize(
    ("preamble", "rate_hz"),
    [
        (["low-pass filter 42 Hz", "sample rate: 100 Hz"], 100.0), (["I2C 400 kHz, 100 Hz"], 100.0),
        (["GPS rate 5 Hz; IMU rate 100 Hz"], 100.0),
        (["interval: 10 ms", "bandwidth 260 Hz"], 100.0), (["filter 42 Hz"], None),
    ],
)  # fmt: skip
def test_only_the_sample_rate_of_a_preamble_is_taken(preamble, rate_hz):
    """A filter's corner, a bus or another sensor's rate is not the rows' rate."""
    found = stated_rate(preamble)
    assert found == (None if rate_hz is None else pytest.approx(rate_hz))


def test_a_temperature_that_may_be_either_is_said_to_be_uncertain(write):
    """70 without a unit is a warm sensor in °C or a mild day in °F: a warning, where 21 is a note."""
    severities = {}
    for value in (21.0, 70.0):
        log = read_log(write(table_text(plain(temp=np.full(HAND.n, value)))))
        severities[value] = next(issue.severity for issue in log.issues if "read as °C" in issue.text)
    assert severities == {21.0: "note", 70.0: "warning"}


def test_a_folder_without_logs_says_what_it_looked_for(tmp_path):
    """The suffixes are named."""
    (tmp_path / "photo.jpg").write_bytes(b"")
    with pytest.raises(LogReadError, match=r"a log file in this folder \(\.csv"):
        read_log(tmp_path)


@pytest.mark.parametrize("blank", ["ax_mps2", "gy_radps"])
def test_an_axis_without_a_single_value_is_a_problem(write, blank):
    """A header whose cells are all blank: the log is read, and the audit says why it carries no estimate."""
    names = ("ax_mps2", "ay_mps2", "az_mps2", "gx_radps", "gy_radps", "gz_radps")
    columns = {"time_s": HAND.time_s, **imu_columns(HAND, names=names)}
    log = read_log(write(table_text(columns | {blank: np.full(HAND.n, np.nan)})))
    assert [issue.text for issue in problems(log)] == [
        f"{'accelerometer' if blank == 'ax_mps2' else 'gyro'}: 0 samples with all three axes are too few for an estimate"
    ]


@pytest.mark.parametrize("stamps", [np.ones(HAND.n), HAND.time_s[::-1], np.full(HAND.n, np.nan)])
def test_a_time_column_that_does_not_run_forward_is_named(write, stamps):
    """Constant, from late to early, or blank: the error names the column, not every header of the file."""
    with pytest.raises(LogReadError, match=r"expected a time column.*got column 'time_s', which does not run forward"):
        read_log(write(table_text(plain() | {"time_s": stamps})))


def test_a_clock_whose_unit_makes_it_too_fast_is_a_problem(write):
    """Seconds under a header of milliseconds: 100 Hz would be 100 kHz, which no inertial sensor delivers (common practice, no source)."""
    columns = {"time_ms": HAND.time_s, **imu_columns(HAND)}
    log = read_log(write(table_text(columns)))
    assert [issue.column for issue in problems(log)] == ["gx", "ax"]
    assert all("is the time's unit right?" in issue.text for issue in problems(log))


def test_a_record_of_less_than_a_second_asks_for_the_time_s_unit(write):
    """At 10 Hz the same slip gives 10 kHz, which a sensor might; that it is over in 0.08 s shows it."""
    log = read_log(write(table_text({"time_ms": 10.0 * HAND.time_s, **imu_columns(HAND)})))
    assert problems(log) == ()
    assert any("gyro: the whole record lasts 0.0799 s" in text for text in texts(log, "warning"))


@pytest.mark.parametrize("mark", ["-9999", "9.9e37", "-2147483648", "-999"])
def test_a_mark_for_no_value_is_blank_and_named(write, mark):
    """A number no accelerometer gives is no reading; the others, rows and unit included, stay as they are."""
    columns = plain()
    cells = [f"{value:.6f}" for value in columns["az"]]
    cells[300:310] = [mark] * 10
    log = read_log(write(table_text({**columns, "az": cells})))
    issue = next(issue for issue in log.issues if "no such sensor gives" in issue.text)
    assert (issue.severity, issue.column, issue.rows) == ("warning", "az", tuple(range(302, 312)))
    values = log[ACCEL].values
    assert np.isnan(values[300:310, 2]).all()
    assert_allclose(values[:300], HAND.accel[:300], atol=1e-6)
    assert_allclose(values[310:], HAND.accel[310:], atol=1e-6)
    assert log[ACCEL].full_scale is None


def test_a_hard_landing_is_a_reading(write):
    """One sample of 180 g stands far apart from the rest, but a sensor can give it."""
    accel = HAND.accel.copy()
    accel[500, 0] = 180.0 * G
    log = read_log(write(table_text({**plain(), "ax": accel[:, 0]})))
    assert_allclose(log[ACCEL].values[500, 0], 180.0 * G, rtol=1e-6)


def test_a_gyro_in_another_unit_than_stated_keeps_its_readings(write):
    """Rates that run through all sizes are no single faults: the unit is wrong, and that is what is said."""
    columns = {"time_s": HAND.time_s, **imu_columns(HAND, 1.0, DEG / 200.0, ("ax", "ay", "az", "gx_radps", "gy_radps", "gz_radps"))}
    log = read_log(write(table_text(columns)))
    assert np.isfinite(log[RATE].values).all()
    assert any("implausible unit" in text for text in texts(log))


def test_pressures_no_flight_meets_are_blank(write):
    """A barometer that answers nothing for a while: zeros and -9999 are left out, one air pressure stays."""
    pressure = np.full(HAND.n, 98000.0) + np.arange(HAND.n) % 7
    pressure[100:120], pressure[400] = 0.0, -9999.0
    log = read_log(write(table_text(plain(pressure_pa=pressure))))
    assert log["pressure_pa"].n_samples == HAND.n - 21
    assert log["pressure_pa"].values.min() >= 98000.0


def test_a_receiver_without_a_fix_is_not_in_the_gulf_of_guinea(write):
    """Latitude and longitude of exactly zero are no position."""
    lat, lon = np.full(HAND.n, 50.1), np.full(HAND.n, 8.6)
    lat[:200] = lon[:200] = 0.0
    height = np.where(lat == 0.0, 0.0, 250.0 + 0.1 * np.arange(HAND.n))
    log = read_log(write(table_text(plain(latitude_deg=lat, longitude_deg=lon, gps_height_m=height))))
    values = log["gnss_lat_lon_height"].values
    assert len(values) == HAND.n - 200
    assert_allclose(values[:, 0], 50.1 * DEG)


def test_a_clock_set_in_the_middle_costs_no_memory(write):
    """A satellite receiver sets the clock from seconds since start to seconds since 1970: a gap, but not of half a century."""
    time_s = HAND.time_s + np.where(np.arange(HAND.n) < 400, 0.0, 1.7e9)
    tracemalloc.start()
    log = read_log(write(table_text({**plain(), "time_s": time_s}, digits=3)))
    assert tracemalloc.get_traced_memory()[1] < 100e6
    tracemalloc.stop()
    assert log[RATE].i_gap.tolist() == [399]
    assert_allclose(np.diff(log[RATE].log_time_s)[399], 1.0, atol=1e-6)
    assert any("the clock jumps ahead by more than a day 1 time, as if it was set" in text for text in texts(log, "warning"))


def test_rows_that_begin_with_a_count_the_header_leaves_out(write):
    """The names belong to the columns after the count; nothing is read one column off."""
    lines = table_text(plain()).splitlines()
    text = "\n".join([lines[0], *(f"{i},{line}" for i, line in enumerate(lines[1:]))]) + "\n"
    log = read_log(write(text))
    assert_allclose(log[ACCEL].values, HAND.accel, atol=1e-6)
    assert_allclose(log[RATE].log_time_s, HAND.time_s, atol=1e-9)
    assert any("the rows begin with a count" in text for text in texts(log, "warning"))


def test_a_header_shorter_than_the_rows_is_said(write):
    """Where the surplus column is no count, names are taken from the left, with a word."""
    lines = table_text(plain()).splitlines()
    log = read_log(write("\n".join([lines[0], *(f"{line},7.5" for line in lines[1:])]) + "\n"))
    assert_allclose(log[ACCEL].values, HAND.accel, atol=1e-6)
    assert any("the header names 7 columns, the rows have 8: names are taken from the left" in text for text in texts(log, "warning"))


def test_a_column_mostly_of_words_says_why_it_is_no_sensor(write):
    """Three of five cells say ERR: the accelerometer is missing, and the column and the first rows to blame are named."""
    cells = [f"{value:.6f}" if i % 5 < 2 else "ERR" for i, value in enumerate(HAND.accel[:, 2])]
    log = read_log(write(table_text(plain(az=cells))))
    issue = next(issue for issue in log.issues if "a column of words" in issue.text)
    assert (issue.column, issue.rows[:3]) == ("az", (4, 5, 6))
    assert "480 of 800 cells are no numbers ('ERR')" in issue.text


@pytest.mark.parametrize("junk", [gzip.compress(b"t,ax\n" * 400), bytes(range(1, 32)) * 90])
def test_a_packed_file_says_so(tmp_path, junk):
    """What helps is named: unpack it first."""
    path = tmp_path / "log.csv"
    path.write_bytes(junk)
    expected = "a file packed with gzip: unpack it first" if junk[:2] == b"\x1f\x8b" else "a binary file"
    with pytest.raises(LogReadError) as caught:
        read_log(path)
    assert caught.value.got == expected


def test_no_estimate_of_a_log_that_can_not_carry_one(write):
    """What the audit calls a problem is refused with the same words, file and column, whatever the method."""
    log = read_log(write(table_text({"time_ms": HAND.time_s, **imu_columns(HAND)})))
    with pytest.raises(CannotEstimate, match=r"log\.csv, column 'gx': gyro at 1e\+05 Hz"):
        replay.estimate(log, method="integrate")


@pytest.mark.parametrize(("rate", "severity"), [(1.01, "warning"), (1.0, "note")])
def test_a_file_whose_clock_runs_fast_is_said(write, rate, severity):
    """Two files that start together: a clock that is 1 % fast ends 0.08 s late, and the scale that mends it is named and works."""
    pressure = 98000.0 + np.arange(HAND.n) % 7
    paths = [write(table_text(plain()), "imu.csv"), write(table_text({"time_s": rate * HAND.time_s, "pressure_pa": pressure}), "baro.csv")]
    issue = next(issue for issue in read_log(paths).issues if "last rows" in issue.text)
    assert issue.severity == severity
    assert ("this clock runs +1 % against it; state scale" in issue.text) == (severity == "warning")
    clock = ColumnEntry("time_s", "time", unit="s", scale=1.0 / rate, file="baro.csv")
    stated = ColumnMap(columns=(clock, ColumnEntry("pressure_pa", "pressure_pa", unit="Pa", file="baro.csv")))
    log = read_log(paths, stated)
    assert_allclose(log["pressure_pa"].log_time_s, HAND.time_s, atol=1e-6)
    assert not any("this clock runs" in text for text in texts(log))


@pytest.mark.parametrize(
    ("signs", "read_as"),
    [((1, 1, 1), None), ((-1, 1, 1), "-x, +y, +z"), ((-1, -1, -1), "-x, -y, -z"), ((1, 1, -1), "+x, +y, -z")],
)
def test_a_gyro_whose_sign_is_wrong_is_said_with_the_reading_that_agrees(write, signs, read_as):
    """At rest in the hand gravity turns in the accelerometer's axes as the gyro says, or the axis that is the wrong way round is named."""
    columns = plain()
    for name, sign in zip(("gx", "gy", "gz"), signs, strict=True):
        columns[name] = sign * columns[name]
    doubts = [issue for issue in read_log(write(table_text(columns))).issues if issue.is_implausible]
    assert [f"read as {read_as} (" in doubt.text for doubt in doubts] == ([] if read_as is None else [True])


@pytest.mark.parametrize(("one", "other", "read_as"), [("gy", "gz", "+x, +z, +y"), ("gx", "gz", "+z, +y, +x")])
def test_two_gyro_axes_swapped_are_said(write, one, other, read_as):
    """Two columns exchanged: the reading that agrees is the exchange back."""
    columns = plain()
    columns[one], columns[other] = columns[other], columns[one]
    assert any(f"read as {read_as} (" in text for text in texts(read_log(write(table_text(columns))), "warning"))


def test_an_accelerometer_without_gravity_is_a_problem(write):
    """What a computer calls linear acceleration reads nothing at rest, where one g belongs."""
    record = flown()
    accel = record.accel.copy()
    accel[:, 2] -= G
    log = read_log(
        write(table_text({"time_s": record.time_s, **imu_columns(Record(record.time_s, accel, record.rate, record.q_enu_from_imu))}))
    )
    assert any("no known" in issue.text or "at rest it reads" in issue.text for issue in problems(log))
    stated = {"time_s": record.time_s, **imu_columns(record, names=("ax_mps2", "ay_mps2", "az_mps2", "gx", "gy", "gz"))}
    stated["az_mps2"] = accel[:, 2]
    log = read_log(write(table_text(stated)))
    assert [issue.column for issue in problems(log)] == ["ax_mps2"]


def test_whole_number_quaternions_on_blank_rows_are_left_out_in_one_line(write):
    """Scaled by 2^14 and there on every fifth row only: the share counts the rows that have one."""
    q = np.where((np.arange(HAND.n) % 5 == 0)[:, None], HAND.q_enu_from_imu * 16384.0, np.nan)
    log = read_log(write(table_text(plain(**dict(zip(("q_w", "q_x", "q_y", "q_z"), q.T, strict=True))))))
    said = [text for text in texts(log, "warning") if "quaternion" in text or "attitude" in text]
    assert said == ["the attitude's quaternion has length 1.64e+04, not 1: left out"]
