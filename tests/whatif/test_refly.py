"""Re-fly: nothing changed gives back the flown flight; a corrected calibration gives what the model gives when run again with it."""

import dataclasses
from itertools import pairwise

import numpy as np
import pytest
from numpy.testing import assert_allclose

from replay import rotation
from replay.errors import CannotEstimate
from replay.motion import estimate
from replay.sensors.calibration import Calibration
from replay.units import DEG
from replay.whatif import sample
from replay.whatif.disturbance import flown_motion, recover
from replay.whatif.refly import columns, refly
from replay.whatif.vehicle import Guidance


def solved(flight, calibration=None, method="integrate"):
    calibration = flight.truth.calibration if calibration is None else calibration
    return estimate(flight.log, method, calibration=calibration, site=flight.vehicle.site, imu_from_cg_m=flight.vehicle.imu_from_cg_m)


def nose(log_time_s, q, at):
    """Direction of the nose at other times."""
    direction = rotation.rotate(q, [0.0, 0.0, 1.0])
    return np.column_stack([np.interp(at, log_time_s, direction[:, i]) for i in range(3)])


def angle(a, b):
    return 2.0 * np.arcsin(np.clip(0.5 * np.linalg.norm(a - b, axis=1), 0.0, 1.0))


@pytest.fixture(scope="module")
def crooked(fly):
    return fly("crooked_bench")


@pytest.fixture(scope="module")
def crooked_solution(crooked):
    return solved(crooked)


@pytest.mark.parametrize("method", ["integrate", "smoother"])
def test_no_change_gives_back_the_flown_flight(crooked, method):
    """Bit for bit the solution's own path and attitude, from liftoff to rest, whatever calibration was flown with and is kept."""
    solution = solved(crooked, method=method)
    for kept in (Calibration(), crooked.truth.calibration):
        result = refly(crooked.log, solution, crooked.vehicle, onboard=kept, as_flown=kept)
        first = len(solution.log_time_s) - len(result.time_s)
        assert np.array_equal(result.reflown.pos_enu_m, solution.pos_enu_m[first:])
        left = rotation.multiply(rotation.conjugate(result.reflown.q_enu_from_body), solution.q_enu_from_body[first:])
        assert np.abs(rotation.to_rotvec(left)).max() < 1e-12
        assert np.array_equal(result.reflown.gimbal_rad, result.flown.gimbal_rad)
        for flown, reflown in result.moments.values():
            assert flown == reflown


SEED = 410
VARIANTS = 12


@pytest.mark.parametrize("variant", range(VARIANTS))
def test_corrected_calibration_against_the_model_flown_again(variant):
    """Same draws, true calibration on board: path at apogee within 10 % of its change, tilt within 0.3 degrees RMS in boost.

    Bias size and direction, wind, gusts, gains, rail and servo are drawn; the vehicle file is off by its tolerances and the calibration
    by 0.01 m/s2 and 0.2 % of scale.
    """
    random = np.random.default_rng((SEED, variant))
    size, direction, blow = random.uniform(0.15, 0.45), random.uniform(0.0, 2.0 * np.pi), random.uniform(0.0, 2.0 * np.pi)
    true = Calibration(accel_bias_imu_mps2=(size * np.cos(direction), size * np.sin(direction), random.normal(0.0, 0.1)))
    changes = {
        "calibration": true, "speed_mps": random.uniform(0.0, 4.0), "from_azimuth_rad": blow, "gust_sd_mps": random.uniform(0.2, 0.9),
        "proportional": random.uniform(0.35, 0.85), "rate_s": random.uniform(0.1, 0.24), "upright_from_s": random.uniform(0.8, 2.5),
        "rail_tilt_rad": random.uniform(0.0, 3.0) * DEG, "time_constant_s": random.uniform(0.02, 0.05),
        "pad_s": 6.0, "canopy_scale": 0.1, "rest_s": 0.5,  # soon down: what is below the parachute is not looked at
    }  # fmt: skip
    name = "fast_roll" if variant % 4 == 3 else "crooked_bench"
    flown, again = (sample.make(name, 100 + variant, **changes, onboard_calibration=c) for c in (Calibration(), true))
    known = dataclasses.replace(
        true,
        accel_bias_imu_mps2=tuple(np.add(true.accel_bias_imu_mps2, random.normal(0.0, 0.01, 3))),
        gyro_scale=tuple(random.normal(1.0, 0.002, 3)),
    )
    v = flown.vehicle
    believed = dataclasses.replace(
        v,
        liftoff_mass_kg=v.liftoff_mass_kg * random.normal(1.0, 0.01),
        inertia_kgm2=tuple(np.multiply(v.inertia_kgm2, random.normal(1.0, 0.05))),
        aero=dataclasses.replace(
            v.aero, normal_force_slope_per_rad=6.0 * random.normal(1.0, 0.15), cp_below_cg_m=random.normal(0.10, 0.01)
        ),
    )
    # the computer carries the true calibration: what is known of it only tells how the flown motion went
    result = refly(flown.log, solved(flown, known), believed, onboard=true)

    a, b = flown.truth, again.truth
    lift = a.events.liftoff_log_s
    boost = np.arange(lift + 0.4, a.events.burnout_log_s, 0.02)
    log_time_s = result.time_s + lift
    gained = angle(nose(log_time_s, result.reflown.q_enu_from_body, boost), nose(b.log_time_s, b.q_enu_from_body, boost))
    changed = angle(nose(a.log_time_s, a.q_enu_from_body, boost), nose(b.log_time_s, b.q_enu_from_body, boost))
    i, j = np.searchsorted(a.log_time_s, a.events.apogee_log_s), np.searchsorted(log_time_s, a.events.apogee_log_s)
    true_shift = b.pos_enu_m[i] - a.pos_enu_m[i]
    shift = result.reflown.pos_enu_m[j] - result.flown.pos_enu_m[j]
    rms, off, whole = np.sqrt(np.mean(gained**2)) / DEG, np.linalg.norm(shift - true_shift), np.linalg.norm(true_shift)
    print(
        f"seed ({SEED}, {variant}): tilt {rms:.3f} of {np.sqrt(np.mean(changed**2)) / DEG:.2f} deg, shift off by {off:.3f} of {whole:.2f} m"
    )
    assert rms < 0.3
    assert off < 0.10 * whole


def test_touchdown_shifts_with_the_path(crooked, crooked_solution):
    """Below the parachute the shift persists: within 15 % of what the model gives when flown again."""
    again = sample.make("crooked_bench", onboard_calibration=crooked.truth.calibration)
    result = refly(crooked.log, crooked_solution, crooked.vehicle, onboard=crooked.truth.calibration)
    flown, reflown = result.moments["touchdown"]
    expected = (again.truth.pos_enu_m[-1] - crooked.truth.pos_enu_m[-1])[:2]
    shift = np.array([reflown.east_m - flown.east_m, reflown.north_m - flown.north_m])
    assert np.linalg.norm(shift - expected) < 0.15 * np.linalg.norm(expected)
    assert_allclose(reflown.height_m, flown.height_m, atol=0.05)


def test_small_change_limit(crooked, crooked_solution):
    """Second-order remainders fall by four on halving the change: the re-flight is smooth and linear to first order."""

    def moved(share):
        onboard = Calibration(accel_bias_imu_mps2=(0.8 * share, -0.6 * share, 0.0))
        result = refly(crooked.log, crooked_solution, crooked.vehicle, onboard=onboard)
        return (result.reflown.pos_enu_m - result.flown.pos_enu_m)[:1300]

    steps = [moved(share) for share in (0.4, 0.2, 0.1, 0.05)]
    left = [np.linalg.norm(whole - 2.0 * half) for whole, half in pairwise(steps)]
    assert left[0] < 0.05 * np.linalg.norm(steps[0])
    assert_allclose(np.divide(left[:-1], left[1:]), 4.0, rtol=0.03)


def test_disturbances_are_the_wind_and_the_misalignment(crooked, crooked_solution):
    """The recovered wind is the true one to 0.3 m/s RMS, and what torque is left is the thrust's misalignment times its lever."""
    motion = flown_motion(crooked_solution, crooked.log, crooked.vehicle, 12.0)
    found = recover(motion)
    record, lift = crooked.record, crooked.record.events["liftoff"]
    rows = (found.time_s > 1.0) & (found.time_s < 7.5)
    for axis in range(2):
        true = np.interp(found.time_s + lift, record.time_s, record.wind_enu_mps[:, axis])
        assert np.sqrt(np.mean((found.wind_enu_mps[:, axis] - true)[rows] ** 2)) < 0.3
    boost = (found.time_s > 1.0) & (found.time_s < 5.0)
    lever = crooked.vehicle.gimbal_below_cg_m * found.thrust_n[boost].mean()
    tilt_x, tilt_y = crooked.scenario.surroundings.thrust_tilt_rad
    assert_allclose(found.torque_body_nm[boost, :2].mean(axis=0), (-lever * tilt_x, -lever * tilt_y), atol=0.25 * lever * 0.15 * DEG)
    assert_allclose(np.trapezoid(found.thrust_n, found.time_s), 87.17, rtol=0.01)


def test_bandwidth_is_what_it_says():
    """A sine at the stated bandwidth comes out of the smoothing 3 dB down and not late."""
    from replay.whatif.disturbance import Smoother

    time_s = np.arange(5000) / 250.0
    for bandwidth in (2.0, 12.0):
        wave = np.sin(2.0 * np.pi * bandwidth * time_s)
        out = Smoother(time_s, bandwidth)(wave[:, None])[1000:4000, 0]
        assert_allclose(out, 10.0 ** (-3.0103 / 20.0) * wave[1000:4000], atol=0.02)


@pytest.mark.parametrize(
    "changes", [{}, {"proportional": 0.4, "rate_s": 0.1, "upright_from_s": 2.2, "upright_rate_radps": 0.05}, {"upright_from_s": None}]
)
def test_gains_are_identified_from_logged_commands(changes):
    """Without [guidance] in the vehicle file: gains to 5 %, start and turning back where they were, misfit shown."""
    flight = sample.make("crooked_bench", **changes)
    vehicle = dataclasses.replace(flight.vehicle, guidance=None)
    result = refly(flight.log, solved(flight), vehicle, onboard=flight.truth.calibration)
    own = flight.vehicle.guidance
    assert "identified" in result.guidance_source
    assert_allclose((result.guidance.proportional, result.guidance.rate_s), (own.proportional, own.rate_s), rtol=0.05)
    assert_allclose(result.guidance.start_s, own.start_s, atol=0.02)
    if own.upright_from_s is None:
        assert result.guidance.upright_from_s is None
    else:
        assert_allclose(result.guidance.upright_from_s, own.upright_from_s, atol=0.1)
        assert_allclose(result.guidance.upright_rate_radps, own.upright_rate_radps, rtol=0.1)
    assert result.command_misfit_rad < 0.02 * DEG


def test_a_wrong_law_shows_in_the_misfit(crooked, crooked_solution):
    """Gains half of what was flown leave much of the logged commands unexplained; no change still gives back the flown flight."""
    wrong = Guidance(0.31, 0.085, 0.45, 1.5, 12.0 * DEG)
    right = refly(crooked.log, crooked_solution, crooked.vehicle, onboard=Calibration())
    off = refly(crooked.log, crooked_solution, crooked.vehicle, onboard=Calibration(), guidance=wrong)
    assert off.command_misfit_rad > 5.0 * right.command_misfit_rad
    assert np.array_equal(off.reflown.pos_enu_m, off.flown.pos_enu_m)


def test_unguided_flights_say_so(crooked, crooked_solution):
    """Nothing to re-fly: no gimbal, or neither gains nor commands, or commands that never move."""
    fixed = dataclasses.replace(crooked.vehicle, guidance=None, gimbal=None)
    with pytest.raises(CannotEstimate, match=r"no guidance to re-fly: the vehicle file has no \[gimbal\]"):
        refly(crooked.log, crooked_solution, fixed, onboard=Calibration())
    flight = sample.make("clean", vehicle=fixed)
    with pytest.raises(CannotEstimate, match="no guidance to re-fly: the logged gimbal commands hardly move"):
        refly(flight.log, solved(flight), dataclasses.replace(fixed, gimbal=crooked.vehicle.gimbal), onboard=Calibration())


def test_without_logged_commands(crooked, crooked_solution):
    """The law's own commands stand in, and that is said."""
    channels = {name: channel for name, channel in crooked.log.channels.items() if name != "gimbal_command_rad"}
    log = dataclasses.replace(crooked.log, channels=channels)
    result = refly(log, crooked_solution, crooked.vehicle, onboard=crooked.truth.calibration)
    usual = refly(crooked.log, crooked_solution, crooked.vehicle, onboard=crooked.truth.calibration)
    assert np.isnan(result.command_misfit_rad)
    assert any("no gimbal commands" in line for line in result.assumptions)
    assert_allclose(result.reflown.pos_enu_m, usual.reflown.pos_enu_m, atol=0.3)


def test_a_record_without_flight(crooked):
    """A log cut before liftoff can't be flown again."""
    solution = solved(crooked)
    events = dataclasses.replace(solution.events, liftoff_log_s=float("nan"))
    with pytest.raises(CannotEstimate, match="no liftoff"):
        refly(crooked.log, dataclasses.replace(solution, events=events), crooked.vehicle, onboard=Calibration())


def test_a_record_that_ends_in_the_air(crooked, crooked_solution):
    """No touchdown in the record: none in the table, and the rest as ever."""
    events = dataclasses.replace(crooked_solution.events, touchdown_log_s=float("nan"))
    result = refly(crooked.log, dataclasses.replace(crooked_solution, events=events), crooked.vehicle, onboard=crooked.truth.calibration)
    assert np.isnan(result.moments["touchdown"][1].east_m)
    assert np.isfinite(result.moments["apogee"][1].east_m)


def test_table(crooked, crooked_solution):
    """time_s, then eight columns for each flight."""
    table = columns(refly(crooked.log, crooked_solution, crooked.vehicle, onboard=crooked.truth.calibration))
    names = ("east_m", "north_m", "height_m", "tilt_deg", "tilt_azimuth_deg", "roll_deg", "gimbal_x_deg", "gimbal_y_deg")
    assert list(table) == ["time_s", *(f"flown_{n}" for n in names), *(f"reflown_{n}" for n in names)]
    assert len({len(values) for values in table.values()}) == 1
    boost = (table["time_s"] > 2.0) & (table["time_s"] < 5.0)
    assert table["flown_tilt_deg"][boost].mean() > 2.0 > 0.8 > table["reflown_tilt_deg"][boost].mean()
