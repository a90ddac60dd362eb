"""The flight model against closed forms; the numbers are from the project's table of check values, which says how each was computed."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.interpolate import CubicSpline

from replay import rotation
from replay.whatif import dynamics
from replay.whatif._kernels_body import Airframe
from replay.whatif.dynamics import Clock, Loop, initial_state

UPRIGHT = (1.0, 0.0, 0.0, 0.0)
G = 9.80665


def frame(**values):
    """An airframe with nothing to it but unit mass and inertia, and what is given."""
    one = {"liftoff_mass_kg": 1.0, "inertia_x_kgm2": 1.0, "inertia_y_kgm2": 1.0, "inertia_z_kgm2": 1.0}
    return Airframe(**(dict.fromkeys(Airframe._fields, 0.0) | one | values))


def free(values, start, *, until_s, period_s=0.01, n_sub=10, curve=(), loop=None, points=None):
    """Fly from t = 0, free of the rail, to `until_s` inclusive."""
    clock = Clock(0.0, period_s, round(until_s / period_s) + 1, n_sub)
    return dynamics.fly(frame(**values), curve, start, loop or Loop(), clock, points=points)


# --- rigid body: Goldstein, Classical Mechanics; Landau & Lifshitz, Mechanics, paragraphs 36-37


TOP = {"inertia_x_kgm2": 0.05, "inertia_y_kgm2": 0.05, "inertia_z_kgm2": 0.002}


def test_free_symmetric_top():
    """Body rate and attitude after a second: precession H/I1 about H times spin about the figure axis."""
    record = free(TOP, initial_state(UPRIGHT, rate_body_radps=(1.0, 0.0, 20.0)), until_s=1.0, period_s=0.001, n_sub=2)
    assert_allclose(record.rate_body_radps[-1], (0.9392203467, -0.3433149288, 20.0), atol=1e-8)
    q = record.q_enu_from_body[-1]
    assert_allclose(q * np.sign(q[0]), (0.72456768, 0.45938342, -0.08132814, 0.50730098), atol=2e-8)


def test_intermediate_axis_period():
    """Zeros of the intermediate rate and their period, 4 K(k2) over the elliptic frequency."""
    inertia = {"inertia_x_kgm2": 1.0, "inertia_y_kgm2": 2.0, "inertia_z_kgm2": 3.0}
    record = free(inertia, initial_state(UPRIGHT, rate_body_radps=(0.01, 1.0, 0.01)), until_s=55.0)
    zeros = CubicSpline(record.time_s, record.rate_body_radps[:, 1]).roots(extrapolate=False)
    assert_allclose(zeros, (10.91691, 30.46978, 50.02265), atol=1e-5)
    assert_allclose(zeros[2] - zeros[0], 39.1057342, atol=1e-6)


def test_free_rotation_keeps_energy_and_momentum():
    """Energy and the momentum vector in space are constant."""
    inertia = np.array([1.0, 2.0, 3.0])
    values = {"inertia_x_kgm2": 1.0, "inertia_y_kgm2": 2.0, "inertia_z_kgm2": 3.0}
    record = free(values, initial_state(UPRIGHT, rate_body_radps=(0.01, 1.0, 0.01)), until_s=60.0)
    rate = record.rate_body_radps
    energy = 0.5 * (inertia * rate**2).sum(axis=1)
    momentum = rotation.rotate(record.q_enu_from_body, inertia * rate)
    assert np.ptp(energy) < 2e-11
    assert np.abs(momentum - momentum[0]).max() < 1e-10


def test_order_of_convergence():
    """Halving the step divides the error by sixteen: fourth order, on a tumbling body in a side wind."""
    values = {
        "inertia_x_kgm2": 0.05, "inertia_y_kgm2": 0.06, "inertia_z_kgm2": 0.02, "gravity_mps2": G, "density_kgpm3": 1.2, "area_m2": 0.005,
        "drag_coefficient": 0.5, "normal_slope": 6.0, "cp_below_cg_m": 0.1, "pitch_damping_m2": 0.1, "roll_damping_m2": 0.01,
        "wind_east_mps": 4.0,
    }  # fmt: skip
    start = initial_state(UPRIGHT, vel_enu_mps=(0.0, 0.0, 25.0), rate_body_radps=(2.0, -1.0, 8.0))
    end = [free(values, start, until_s=1.0, period_s=0.1, n_sub=n).rows[-1, :13] for n in (5, 10, 20, 160)]
    errors = [np.linalg.norm(state - end[-1]) for state in end[:-1]]
    assert_allclose(np.log2(np.divide(errors[:-1], errors[1:])), 4.0, atol=0.25)


def test_free_fall_reads_zero():
    """Without thrust and air the accelerometer at the centre of gravity reads nothing, however the body turns."""
    record = free(TOP | {"gravity_mps2": G}, initial_state(UPRIGHT, rate_body_radps=(1.0, 2.0, 3.0)), until_s=1.0)
    assert np.abs(record.accel_body_mps2).max() == 0.0
    assert_allclose(record.vel_enu_mps[-1], (0.0, 0.0, -G), atol=1e-9)


def test_lever_arm():
    """0.1 m at 10 rad/s is 10 m/s2 towards the axis; 50 rad/s2 at 0.1 m is 5 m/s2 across."""
    record = free({"imu_x_m": 0.1}, initial_state(UPRIGHT, rate_body_radps=(0.0, 0.0, 10.0)), until_s=0.1)
    assert_allclose(record.accel_body_mps2, [[-10.0, 0.0, 0.0]] * 11, atol=1e-9)
    torque = np.tile((0.0, 0.0, 50.0), (11, 1))
    spun = free({"imu_x_m": 0.1}, initial_state(UPRIGHT), until_s=0.1, loop=Loop(extra_torque_body_nm=torque))
    assert_allclose(spun.accel_body_mps2[0], (0.0, 5.0, 0.0), atol=1e-12)


# --- coast and boost with quadratic drag: NASA Glenn, "Flight equations with drag"


@pytest.mark.parametrize(
    ("v0", "vt", "height_m", "time_s"),
    [(50.0, 60.0, 96.79543, 4.250615), (30.0, 45.0, 37.96621, 2.698181), (100.0, 80.0, 307.05151, 7.309778)],
)
def test_coast_with_drag(v0, vt, height_m, time_s):
    """Apogee height and time of a vertical coast: (vt2/2g) log1p((v0/vt)2), (vt/g) atan(v0/vt)."""
    drag = {"gravity_mps2": G, "density_kgpm3": 2.0, "area_m2": 1.0, "drag_coefficient": G / vt**2}
    record = free(drag, initial_state(UPRIGHT, vel_enu_mps=(0.0, 0.0, v0)), until_s=time_s + 0.1, period_s=0.001, n_sub=1)
    assert_allclose(record.events["apogee"], time_s, atol=1e-6)
    assert_allclose(CubicSpline(record.time_s, record.pos_enu_m[:, 2])(time_s), height_m, atol=1e-5)


def test_coast_readings_and_fall_back():
    """Speed after 1 s, what the accelerometer reads at the start, and the speed of falling back to the ground."""
    drag = {"gravity_mps2": G, "density_kgpm3": 2.0, "area_m2": 1.0, "drag_coefficient": G / 60.0**2}
    start = initial_state(UPRIGHT, pos_enu_m=(0.0, 0.0, 0.0), vel_enu_mps=(0.0, 0.0, 50.0))
    record = free(drag, start, until_s=9.5, period_s=0.001, n_sub=1)
    assert_allclose(record.vel_enu_mps[1000, 2], 35.259403, atol=1e-6)
    assert_allclose(record.accel_body_mps2[0, 2], -6.810174, atol=1e-6)
    back = int(np.argmax((record.pos_enu_m[:, 2] < 0.0) & (record.time_s > 1.0)))
    height, speed = record.pos_enu_m[back - 3 : back + 3, 2], record.vel_enu_mps[back - 3 : back + 3, 2]
    assert_allclose(CubicSpline(-height, speed)(0.0), -38.411064, atol=1e-5)


def test_boost_then_coast():
    """Constant thrust and mass: v = vq tanh, h = (m/k) ln cosh; then coast to apogee."""
    values = {
        "liftoff_mass_kg": 0.8,
        "gravity_mps2": G,
        "density_kgpm3": 1.225,
        "area_m2": np.pi * 0.037**2,
        "drag_coefficient": 0.5,
    }
    boost = free(values, initial_state(UPRIGHT), until_s=2.0, curve=[(0.0, 20.0), (3.0, 20.0)])
    assert_allclose((boost.vel_enu_mps[-1, 2], boost.pos_enu_m[-1, 2]), (29.4122039, 29.8930831), atol=1e-6)
    axial = CubicSpline(boost.vel_enu_mps[:, 2], boost.accel_body_mps2[:, 2])
    assert_allclose(axial((0.0, 10.0, 20.0, 29.412)), (25.0, 24.8354, 24.3414, 23.5757), atol=1e-4)
    coast = free(values, initial_state(UPRIGHT, boost.pos_enu_m[-1], boost.vel_enu_mps[-1]), until_s=3.0)
    assert_allclose(coast.events["apogee"], 2.865485, atol=1e-5)
    assert_allclose(coast.pos_enu_m[:, 2].max(), 71.07668, atol=1e-3)


# --- motor: Sutton & Biblarz, Rocket Propulsion Elements


@pytest.mark.parametrize(
    ("impulse_ns", "propellant_kg", "mass_kg", "burn_s", "gravity", "speed_mps"),
    [(50.0, 0.028, 0.8, 1.0, 0.0, 63.61996), (20.0, 0.0125, 0.35, 1.7, G, 58.18823 - 16.6713)],
)
def test_rocket_equation(impulse_ns, propellant_kg, mass_kg, burn_s, gravity, speed_mps):
    """Speed gained is ve ln(m0/m1) less the gravity loss, whatever the shape of the thrust curve."""
    curve = [(0.0, 0.0), (0.4 * burn_s, 2.0 * impulse_ns / burn_s), (burn_s, 0.0)]
    values = {"liftoff_mass_kg": mass_kg, "propellant_mass_kg": propellant_kg, "gravity_mps2": gravity}
    record = free(values, initial_state(UPRIGHT), until_s=burn_s, curve=curve)
    assert_allclose(record.vel_enu_mps[-1, 2], speed_mps, atol=2e-5)
    assert_allclose(record.mass_kg[-1], mass_kg - propellant_kg, rtol=1e-12)


def test_impulse_of_a_polyline():
    """The trapezoid sum is exact."""
    curve = [(0.0, 0.0), (0.05, 20.0), (0.2, 12.0), (1.5, 10.0), (1.6, 0.0)]
    assert_allclose(dynamics.motor_table(curve)[-1, 2], 17.70, rtol=1e-12)


NOZZLE = {
    "gimbal_below_cg_m": 0.3,
    "inertia_x_kgm2": 0.02,
    "inertia_y_kgm2": 0.02,
    "gimbal_limit_rad": 10.0,
    "gimbal_rate_limit_radps": 1e9,
}
STEADY = [(0.0, 15.0), (100.0, 15.0)]


@pytest.mark.parametrize(
    ("deflection_deg", "torque_nm", "loss_percent"),
    [(1.0, 0.0785358, 0.0152), (3.0, 0.2355118, 0.1370), (5.0, 0.3922008, 0.3805), (8.0, 0.6262790, 0.9732), (10.0, 0.7814168, 1.5192)],
)
def test_thrust_vector_torque(deflection_deg, torque_nm, loss_percent):
    """Torque T L sin(delta) turns the nose back, side force T sin(delta), axial loss 1 - cos(delta)."""
    start = initial_state(UPRIGHT)
    start[14] = np.radians(deflection_deg)
    record = free(NOZZLE | {"gimbal_time_constant_s": 1e9}, start, until_s=0.01, curve=STEADY)
    assert_allclose(record.alpha_body_radps2[0] * 0.02, (0.0, -torque_nm, 0.0), atol=1e-7)
    assert_allclose(record.accel_body_mps2[0, 0], 15.0 * np.sin(np.radians(deflection_deg)), rtol=1e-12)
    assert_allclose(100.0 * (1.0 - record.accel_body_mps2[0, 2] / 15.0), loss_percent, atol=1e-4)


def test_uncontrolled_misalignment():
    """Half a degree of thrust misalignment turns the vehicle 5.06 degrees in 0.3 s."""
    record = free(NOZZLE | {"thrust_tilt_x_rad": np.radians(0.5)}, initial_state(UPRIGHT), until_s=0.3, curve=STEADY)
    assert_allclose(np.degrees(record.alpha_body_radps2[0, 0]), -112.4986, atol=1e-4)
    assert_allclose(np.degrees(rotation.tilt(record.q_enu_from_body[-1])), 5.0624, atol=1e-4)


def test_jet_damping():
    """Gas leaving 0.3 m behind the centre of gravity at 16.5 g/s damps with 0.001485 N m s."""
    values = {"gimbal_below_cg_m": 0.3, "propellant_mass_kg": 0.0165, "liftoff_mass_kg": 1.0}
    record = free(values, initial_state(UPRIGHT, rate_body_radps=(1.0, 0.0, 0.0)), until_s=0.01, curve=[(0.0, 10.0), (1.0, 10.0)])
    assert_allclose(record.alpha_body_radps2[0, 0], -0.001485, atol=1e-12)


def test_rail_exit():
    """20 m/s2 over a metre: 6.32456 m/s after 0.316228 s, and the rail keeps the attitude."""
    lean = rotation.from_tilt(np.radians(3.0), np.radians(70.0))
    thrust = 20.0 + G * np.cos(np.radians(3.0))
    clock = Clock(0.0, 0.001, 400, 10)
    record = dynamics.fly(frame(rail_length_m=1.0, gravity_mps2=G), [(0.0, thrust), (9.0, thrust)], initial_state(lean), Loop(), clock)
    assert_allclose(record.events["rail_exit"] - record.events["liftoff"], 0.316228, atol=2e-4)
    speed = np.linalg.norm(record.vel_enu_mps, axis=1)
    assert_allclose(np.interp(record.events["rail_exit"], record.time_s, speed), 6.32456, atol=4e-3)
    assert np.ptp(record.q_enu_from_body[record.time_s < record.events["rail_exit"]], axis=0).max() < 1e-15


def test_descent_speed():
    """Under the open parachute weight equals drag: v = sqrt(2 m g / (rho CdA))."""
    values = {"gravity_mps2": G, "density_kgpm3": 1.2, "chute_area_m2": 0.6, "chute_fill_s": 0.2, "chute_above_cg_m": 0.3}
    record = free(values, initial_state(UPRIGHT, pos_enu_m=(0.0, 0.0, 100.0), vel_enu_mps=(0.0, 0.0, 1.0)), until_s=12.0)
    assert_allclose(-record.vel_enu_mps[-1, 2], np.sqrt(2.0 * G / (1.2 * 0.6)), rtol=1e-6)


# --- thrust-vector loop: second-order linear system; the runs use an angle so small that the loop is linear to 1e-9


TINY = 1e-6


def steered(natural_radps, damping, *, until_s, period_s, delay_s=0.0, extra=None):
    """A vehicle that believes to lean by TINY about body y and steers by that. Returns the record."""
    lever = 15.0 * 0.3 / 0.02
    guide = (natural_radps**2 / lever, 2.0 * damping * natural_radps / lever, 0.0, np.inf, np.inf, 0.0)
    loop = Loop(guide=guide, q_enu_from_body_onboard=rotation.from_rotvec((0.0, -TINY, 0.0)))
    values = NOZZLE | {"gravity_mps2": G, "gimbal_delay_s": delay_s} | (extra or {})
    return free(values, initial_state(UPRIGHT), until_s=until_s, period_s=period_s, n_sub=1, curve=STEADY, loop=loop)


def extrapolated(value, period_s):
    """Limit of a sampled loop as its period goes to zero: Richardson over three periods."""
    return (8.0 * value(period_s) - 6.0 * value(2.0 * period_s) + value(4.0 * period_s)) / 3.0


def test_false_vertical():
    """Steering to a vertical that is 2 degrees off: 2.0868320 m aside and 1.4791665 m/s after 3 s."""
    epsilon = np.radians(2.0)

    def aside(period_s):
        record = steered(8.0, 0.7, until_s=3.0, period_s=period_s)
        return np.array([record.pos_enu_m[-1, 0], record.vel_enu_mps[-1, 0], record.rate_body_radps[-1, 1]]) * (epsilon / TINY)

    x, v, rate = extrapolated(aside, 2e-4)
    assert_allclose(x, 2.0868320, atol=1e-6)
    assert_allclose(v, 1.4791665, atol=1e-6)
    # the gimbal's side force pushes the other way while it turns the vehicle; its part is I/(m L) epsilon
    assert_allclose(x + 0.02 / 0.3 * epsilon, 2.0891591, atol=1e-6)
    assert abs(rate) < 1e-6


@pytest.mark.parametrize(("time_s", "response"), [(0.1, 0.34029985), (0.2, 0.84942563), (0.3, 1.12435477), (0.5, 1.07459057)])
def test_step_response(time_s, response):
    """Damping 0.5, 10 rad/s, rate feedback on the measurement (on the error it would read 0.874 after 0.1 s)."""

    def angle(period_s):
        return rotation.to_rotvec(steered(10.0, 0.5, until_s=time_s, period_s=period_s).q_enu_from_body[-1])[1] / TINY

    assert_allclose(extrapolated(angle, 1e-4), response, atol=1e-6)


@pytest.mark.parametrize(
    ("damping", "overshoot_percent", "peak_s"),
    [(0.3, 37.2326, 0.32933), (0.5, 16.3034, 0.36276), (0.7, 4.5988, 0.43991), (0.9, 0.1524, 0.72073)],
)
def test_overshoot(damping, overshoot_percent, peak_s):
    """Overshoot and time of the peak at 10 rad/s."""

    def peak(period_s):
        record = steered(10.0, damping, until_s=1.2 * peak_s, period_s=period_s)
        angle = CubicSpline(record.time_s, rotation.to_rotvec(record.q_enu_from_body)[:, 1] / TINY)
        times = angle.derivative().roots(extrapolate=False)
        best = times[np.argmax(angle(times))]
        return np.array([100.0 * (float(angle(best)) - 1.0), best])

    percent, time_s = extrapolated(peak, 2e-4)
    assert_allclose(percent, overshoot_percent, atol=2e-4)
    assert_allclose(time_s, peak_s, atol=2e-5)


@pytest.mark.parametrize(("damping", "margin"), [(0.3, 0.530987), (0.5, 0.711119), (0.7, 0.737111), (0.9, 0.683504)])
def test_delay_margin(damping, margin):
    """A delay 2 % short of the margin still dies out, one 2 % beyond it grows (the sampled loop adds half a period)."""

    def growth(delay):
        period = 1e-4
        record = steered(10.0, damping, until_s=8.0, period_s=period, delay_s=round((delay / 10.0 - 0.5 * period) / period) * period)
        error = np.abs(rotation.to_rotvec(record.q_enu_from_body)[:, 1] / TINY - 1.0)
        return error[record.time_s > 6.0].max() / error[(record.time_s > 3.0) & (record.time_s < 5.0)].max()

    assert growth(0.98 * margin) < 0.97
    assert growth(1.02 * margin) > 1.03


def test_standing_offset():
    """Half a degree of thrust misalignment leaves an attitude error of offset over proportional gain: 1.7578 degrees."""
    lever = 15.0 * 0.3 / 0.02
    loop = Loop(guide=(64.0 / lever, 11.2 / lever, 0.0, np.inf, np.inf, 0.0))
    values = NOZZLE | {"thrust_tilt_y_rad": np.radians(0.5)}
    record = free(values, initial_state(UPRIGHT), until_s=4.0, period_s=0.001, n_sub=1, curve=STEADY, loop=loop)
    assert_allclose(np.degrees(rotation.tilt(record.q_enu_from_body[-1])), 1.7578, atol=2e-4)


def test_gyro_bias_steers():
    """A gyro bias of 0.5 degrees a second in the loop leans the vehicle as fast: x = (T/m) b t3/6 = 0.58905 m after 3 s."""
    bias = np.radians(0.5) * 1e-3
    lever = 15.0 * 0.3 / 0.02
    offset = np.zeros((30001, 3))
    offset[:, 1] = -bias
    # stiff: the formula is that of a vehicle that follows at once, behind by 2 zeta / omega and by the bias it holds against
    loop = Loop(guide=(400.0**2 / lever, 0.0 + 2.0 * 400.0 / lever, 0.0, np.inf, np.inf, 0.0), gyro_offset=offset)
    record = free(NOZZLE, initial_state(UPRIGHT), until_s=3.0, period_s=1e-4, n_sub=1, curve=STEADY, loop=loop)
    assert_allclose(record.pos_enu_m[-1, 0] * 1e3, 0.58905, rtol=3e-3)
    assert_allclose(np.degrees(rotation.tilt(record.q_enu_from_body[-1])) * 1e3, 1.5, rtol=2e-3)


# --- gimbal


def commanded(command_rad, period_s, **values):
    """The gimbal's answer to a given command: the computer's own rate offset is the command, through a unit rate gain."""
    offset = np.zeros((len(command_rad), 3))
    offset[:, 0] = command_rad
    loop = Loop(guide=(0.0, 1.0, 0.0, np.inf, np.inf, 0.0), onboard_gain=np.zeros((3, 3)), onboard_offset=offset)
    neutral = {"gimbal_limit_rad": 1.0, "gimbal_rate_limit_radps": 1e9}
    clock = Clock(0.0, period_s, len(command_rad), 10)
    return dynamics.fly(frame(**(neutral | values)), (), initial_state(UPRIGHT), loop, clock).gimbal_rad[:, 0]


def test_servo_pole():
    """First-order lag of 30 ms sampled at 2 ms: pole 0.9355069850, gain 0.0644930150."""
    gimbal = commanded(np.full(200, 0.05), 0.002, gimbal_time_constant_s=0.03)
    left = 0.05 - gimbal[:100]
    assert_allclose(left[1:] / left[:-1], 0.9355069850, atol=1e-10)
    assert_allclose(gimbal[1] / 0.05, 0.0644930150, atol=1e-10)


def test_servo_delay():
    """A pure delay shifts the answer by whole rows and changes nothing else."""
    command = 0.05 * np.sin(np.arange(300) * 0.1)
    prompt = commanded(command, 0.002, gimbal_time_constant_s=0.03)
    late = commanded(command, 0.002, gimbal_time_constant_s=0.03, gimbal_delay_s=0.02)
    assert_allclose(late[10:], prompt[:-10], atol=1e-15)


@pytest.mark.parametrize(("frequency_hz", "is_followed"), [(15.90, True), (15.93, False)])
def test_rate_limit_onset(frequency_hz, is_followed):
    """500 degrees a second at +-5 degrees: followed up to R / (2 pi A) = 15.9 Hz, not beyond."""
    times = np.arange(20000) * 1e-4
    command = np.radians(5.0) * np.sin(2.0 * np.pi * frequency_hz * times + 0.3)
    gimbal = commanded(command, 1e-4, gimbal_rate_limit_radps=np.radians(500.0))
    assert (np.abs(gimbal[1001:] - command[1000:-1]).max() < 1e-12) == is_followed
