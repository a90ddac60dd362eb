"""Header words: what a column is, from its name alone."""

import pytest

from replay.flightlog.headers import place_numbered, read_header, split_unit, words_of

ACCEL, RATE, MAG = "accel_raw_imu_mps2", "rate_raw_imu_radps", "mag_raw_imu_t"


@pytest.mark.parametrize(
    ("header", "channel", "component", "unit"),
    [
        ("ax", ACCEL, "x", None), ("AccX", ACCEL, "x", None), ("ACCX", ACCEL, "x", None), ("acc_y_g", ACCEL, "y", "g"),
        ("Accelerometer Z (g)", ACCEL, "z", "g"), ("ay [m/s²]", ACCEL, "y", "m/s²"), ("raw_acceleration_x_gs", ACCEL, "x", "g"),
        ("accel_y_m_s2", ACCEL, "y", "m/s²"), ("IMU.accel.x", ACCEL, "x", None), ("acc[0]", ACCEL, "#0", None), ("X (g)", ACCEL, "x", "g"),
        ("xacc", ACCEL, "x", None), ("a_x", ACCEL, "x", None),
        ("gx", RATE, "x", None), ("GyroX_dps", RATE, "x", "deg/s"), ("Gyroscope Y (deg/s)", RATE, "y", "deg/s"),
        ("raw_angular_rate_x_deg_per_s", RATE, "x", "deg/s"), ("gyro_z_rad_s", RATE, "z", "rad/s"), ("wz", RATE, "z", None),
        ("roll_rate_dps", RATE, "x", "deg/s"), ("p (deg/s)", RATE, "x", "deg/s"), ("Gyr_X", RATE, "x", None),
        ("Mag_X", MAG, "x", None), ("magnetic_field_x_microteslas", MAG, "x", "µT"), ("Magnetometer X (uT)", MAG, "x", "µT"),
        ("time", "time", "", None), ("Time [ms]", "time", "", "ms"), ("timestamp_seconds", "time", "", "s"), ("t_us", "time", "", "µs"),
        ("millis", "time", "", "ms"), ("t / s", "time", "", "s"), ("Counter", "time", "", "ticks"), ("Timestamp (us)", "time", "", "µs"),
        ("pressure_pascals", "pressure_pa", "", "Pa"), ("Barometer (hPa)", "pressure_pa", "", "hPa"), ("p / hPa", "pressure_pa", "", "hPa"),
        ("baro_alt", "baro_height_m", "", None), ("altitude (m)", "baro_height_m", "", "m"), ("alt_agl_m", "baro_height_m", "", "m"),
        ("temperature_celsius", "imu_temperature_k", "", "°C"), ("gyro temperature", "imu_temperature_k", "", None),
        ("air_temp_F", "air_temperature_k", "", "°F"), ("Battery (mV)", "battery_v", "", "mV"), ("vbat", "battery_v", "", None),
        ("Voltage (V)", "battery_v", "", "V"), ("current_milliamps", "current_a", "", "mA"),
        ("servo1", "gimbal_command_rad", "#1", None), ("tvc_pitch_cmd_deg", "gimbal_command_rad", "x", "deg"),
        ("gimbal_y (deg)", "gimbal_command_rad", "y", "deg"), ("servo2_pos", "gimbal_position_rad", "#2", None),
        ("servo_x_us", "gimbal_command_rad", "x", None),
        ("q0", "q_enu_from_body_onboard", "#0", None), ("Quat_w", "q_enu_from_body_onboard", "w", None),
        ("est_quaternion_x", "q_enu_from_body_onboard", "x", None), ("Roll", "onboard_angles", "roll", None),
        ("pitch_deg", "onboard_angles", "pitch", "deg"), ("heading", "onboard_angles", "yaw", None),
        ("state_letter", "state", "", None), ("Flight State", "state", "", None),
        ("lat", "gnss_lat_lon_height", "latitude", None), ("Longitude (deg)", "gnss_lat_lon_height", "longitude", "deg"),
        ("gps_alt", "gnss_lat_lon_height", "height", None),
        ("rollrate", "rate_raw_imu_radps", "x", None), ("q", "rate_raw_imu_radps", "y", None), ("qi", "q_enu_from_body_onboard", "x", None),
        ("orientation.w", "q_enu_from_body_onboard", "w", None), ("acc_z_ft_s2", "accel_raw_imu_mps2", "z", "ft/s²"),
        ("est_position_z_meters", "onboard_height_m", "", "m"), ("kf_altitude_m", "onboard_height_m", "", "m"),
        ("est_velocity_z_meters_per_s", "onboard_vel_up_mps", "", "m/s"),
    ],
)  # fmt: skip
def test_headers_of_many_loggers(header, channel, component, unit):
    """One reading for each, with the unit the header states."""
    reading = read_header(header)
    assert reading is not None
    assert (reading.channel, reading.component, reading.unit) == (channel, component, unit)


@pytest.mark.parametrize(
    "header",
    ["est_acceleration_x_gs", "est_angular_rate_x_rad_per_s", "raw_rotated_acceleration_x_gs", "linear_accel_x", "accel_magnitude",
     "gyro_bias_x", "target_pitch_rate", "predicted_apogee", "height_used_for_prediction", "est_mach_number", "est_tilt_angle_degrees",
     "Time To Empty (minutes)", "Percentage (%)", "Power (dBm)", "x", "encoder_position", "max_altitude", "Is Charger Connected (Boolean)",
     "est_position_x_meters", "gps_speed"],
)  # fmt: skip
def test_derived_columns_are_not_taken_for_a_sensor(header):
    """Estimates, targets, biases and by-products of the flight computer stay extras."""
    assert read_header(header) is None


def test_a_treated_copy_is_a_worse_choice_than_the_raw_column():
    """`raw` before plain before filtered."""
    raw, plain, filtered = (read_header(header).score for header in ("raw_acc_x", "acc_x", "filtered_acc_x"))
    assert raw > plain > filtered


def test_the_file_name_helps_only_where_the_header_names_nothing():
    """`X Axis (g)` in an accelerometer's file; a gyro column in a file called accelerometer stays a gyro."""
    assert read_header("X Axis (a.u.)", "Magnetometer.csv").channel == MAG
    assert read_header("W Element", "Quaternion.csv").component == "w"
    assert read_header("Gyroscope X (deg/s)", "Accelerometer.csv").channel == RATE
    assert read_header("Charging Status", "Battery.csv") is None


@pytest.mark.parametrize(
    ("header", "name", "unit"),
    [("Acc X [g]", "Acc X", "g"), ("Acc X (m/s^2)", "Acc X", "m/s^2"), ("p / hPa", "p", "hPa"), ("Time, s", "Time", "s"),
     ("acc (x)", "acc  x", None), ("acc_x", "acc_x", None)],
)  # fmt: skip
def test_units_marked_off_in_the_header(header, name, unit):
    """Square brackets, round brackets, a slash, a comma; an axis in brackets is no unit."""
    found_name, found_unit = split_unit(header)
    assert found_name.split() == name.split()
    assert found_unit == unit


def test_words_of_a_name():
    """Camel case, digits and punctuation split; a glued axis comes off."""
    assert words_of("IMUAccelX") == ["imu", "accel", "x"]
    assert words_of("gyro_x-raw2") == ["gyro", "x", "raw", "2"]
    assert words_of("qw") == ["quat", "w"]


def test_numbers_become_components():
    """0, 1, 2 and 1, 2, 3 are x, y, z; anything else is not guessed."""
    assert place_numbered(["#0", "#1", "#2"], ("x", "y", "z")) == {"#0": "x", "#1": "y", "#2": "z"}
    assert place_numbered(["#1", "#2"], ("x", "y")) == {"#1": "x", "#2": "y"}
    assert place_numbered(["#1", "#3"], ("x", "y")) == {}
