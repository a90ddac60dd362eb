"""Reconcile on sample flights: the errors come back, inside their own sigmas, and nothing undetermined is claimed."""

import dataclasses

import numpy as np
import pytest
from flight_support import measured, mount_of

from replay import rotation
from replay.cautions import CAUTION_LINE
from replay.errors import Cancelled, CannotEstimate, SettingsError
from replay.sensors.calibration import Calibration, accel_matrix, load_calibration_file, referred_to, save_calibration
from replay.units import DEG
from replay.whatif import sample
from replay.whatif.ensemble import Posterior
from replay.whatif.evidence import Evidence, Lean, Prior, Sighting, evidence_of
from replay.whatif.flight_record import build_record, pad_temperature_k
from replay.whatif.flight_rows import all_rows
from replay.whatif.reconcile import reconcile
from replay.whatif.reconcile_report import as_dict, as_text, calibration_file
from replay.whatif.reconcile_result import with_errors
from replay.whatif.unknowns import DEFAULT_FREE, MEMBERS, N_ERRORS, in_groups, members_of

PRIOR = Prior(accel_bias_mps2=0.4, gyro_scale=0.02, gyro_bias_radps=0.5 * DEG)
N_SEEDS = 40
SLOPES = ("accelerometer temperature slope", "gyro temperature slope")


def flown(name, seed, **overrides):
    flight = sample.make(name, seed=seed, **{"rate_hz": 100.0, "pad_s": 4.0, "rest_s": 4.0, **overrides})
    measurements, solution, _ = measured(flight, "smoother", Calibration())
    return flight, measurements, solution


def solved(flight, solution, evidence, **options):
    return reconcile(flight.log, flight.vehicle, evidence, Calibration(), mount=mount_of(flight), solution=solution, **options)


def touchdown_of(flight):
    return Evidence(touchdown=evidence_of(flight.evidence).touchdown, prior=PRIOR)


@pytest.fixture(scope="module")
def crooked():
    return flown("crooked_bench", 11)


@pytest.fixture(scope="module")
def seeded():
    """Forty crooked benches, reconciled with the touchdown point and from the log alone.

    Each has its own bias, drawn to 0.3 m/s², and its own gyro scale, drawn to the 2 % of its prior: what parts a bias from a lean is the
    turn between the two rests, and most of what is unsure about that turn is the gyro's scale. Left at its true 1 in every flight, the
    errors would be a tenth of standard deviations that reckon with 2 %.
    """
    rows = []
    for seed in range(N_SEEDS):
        draw = np.random.default_rng(900 + seed)
        bias = (*(float(v) for v in draw.normal(0.0, 0.3, 2)), 0.05)
        scale = tuple(float(v) for v in draw.normal(1.0, 0.02, 3))
        flight, _, solution = flown("crooked_bench", 900 + seed, accel_bias_imu_mps2=bias, gyro_scale=scale)
        results = [solved(flight, solution, e) for e in (touchdown_of(flight), Evidence(prior=PRIOR))]
        lean = rotation.rotate(flight.truth.q_enu_from_body[0], [0.0, 0.0, 1.0])
        truth = {f"accelerometer bias {a}": v for a, v in zip("xyz", bias, strict=True)}
        truth |= {f"gyro scale {a}": v for a, v in zip("xyz", scale, strict=True)}
        truth |= {f"pad tilt {a}": v / DEG for a, v in zip(("east", "north"), lean[:2], strict=True)}
        rows.append((truth, results))
    return rows


def errors_and_sd(seeded, case, names):
    """Error and standard deviation of the named parameters over the flights, shape (flights, names) each."""
    error = [[results[case].parameter(n).value - truth[n] for n in names] for truth, results in seeded]
    sd = [[results[case].parameter(n).sd for n in names] for _, results in seeded]
    return np.array(error), np.array(sd)


@pytest.mark.parametrize(("case", "limit_mps2"), [(0, 0.04), (1, 0.07)], ids=["touchdown to 3 m", "log alone"])
def test_transverse_bias_over_seeds(seeded, case, limit_mps2):
    """Standard deviation within the limit on each axis of every flight; errors inside 2 sigma on at least 90 %, and not all far inside.

    An RMS pull near a half is honest here: half of the variance with the touchdown point is the drift of a gyro's bias in flight at
    the assumed 0.01 deg/s, data-sheet size, and the sample's gyro drifts by 3 deg/h.
    """
    error, sd = errors_and_sd(seeded, case, ("accelerometer bias x", "accelerometer bias y"))
    print(f"largest sd {sd.max():.4f}, RMS error {np.sqrt(np.mean(error**2)):.4f}, RMS pull {np.sqrt(np.mean((error / sd) ** 2)):.2f}")
    assert sd.max() <= limit_mps2
    assert np.mean(np.abs(error) < 2.0 * sd) >= 0.90
    assert np.sqrt(np.mean((error / sd) ** 2)) > 0.35


@pytest.mark.parametrize("case", [0, 1])
@pytest.mark.parametrize(
    "names", [("pad tilt east", "pad tilt north"), ("gyro scale x", "gyro scale y", "gyro scale z")], ids=["tilt", "gyro"]
)
def test_lean_and_gyro_scale_over_seeds(seeded, case, names):
    """The true lean of the rail and the drawn gyro scale inside 2 sigma on at least 90 % of the flights."""
    error, sd = errors_and_sd(seeded, case, names)
    print(f"{names}: largest sd {sd.max():.4f}, RMS pull {np.sqrt(np.mean((error / sd) ** 2)):.2f}")
    assert np.mean(np.abs(error) < 2.0 * sd) >= 0.90


def cut(flight, stop_s):
    channels = {
        n: dataclasses.replace(c, log_time_s=c.log_time_s[c.log_time_s < stop_s].copy(), values=c.values[c.log_time_s < stop_s].copy())
        for n, c in flight.log.channels.items()
    }
    return dataclasses.replace(flight.log, channels=channels)


@pytest.mark.parametrize("stop", ["under the parachute", "at apogee"])
def test_without_the_rest_after_touchdown_the_uncertainty_is_wide(crooked, stop):
    """Cut off in the air: wider than with the rest, the truth inside it, and nothing undetermined is claimed."""
    flight, _, solution = crooked
    events = flight.truth.events
    log = cut(flight, events.touchdown_log_s - 2.0 if stop == "under the parachute" else events.apogee_log_s + 0.3)
    result = reconcile(log, flight.vehicle, Evidence(prior=PRIOR), Calibration(), mount=mount_of(flight))
    whole = solved(flight, solution, Evidence(prior=PRIOR))
    for axis, truth in zip("xy", flight.truth.calibration.accel_bias_imu_mps2, strict=False):
        found = result.parameter(f"accelerometer bias {axis}")
        assert found.sd > whole.parameter(f"accelerometer bias {axis}").sd
        assert abs(found.value - truth) < 2.5 * found.sd
        assert (found.status == "undetermined") == (found.sd > 0.9 * found.prior_sd)
    if stop == "at apogee":
        assert result.pad_tilt_sd_rad > 0.3 * DEG
    assert any("No rest after touchdown" in n for n in result.notes)


def test_roll_gyro_scale_of_the_rolling_flight():
    """Within 0.3 %, on three seeds, and inside three of its own sigmas."""
    for seed in range(3):
        flight, _, solution = flown("fast_roll", 60 + seed, rate_hz=250.0)
        found = solved(flight, solution, touchdown_of(flight)).parameter("gyro scale z")
        truth = flight.truth.calibration.gyro_scale[2]
        assert abs(found.value - truth) < 0.003
        assert abs(found.value - truth) < 3.0 * found.sd + 3e-4


def test_an_ensemble_draws_from_a_saved_file_what_was_reconciled(crooked, tmp_path):
    """The whole covariance goes through the calibration file, not its diagonal alone."""
    flight, _, solution = crooked
    result = solved(flight, solution, touchdown_of(flight))
    save_calibration(calibration_file(result), tmp_path / "c.toml")
    back = Posterior.of_file(load_calibration_file(tmp_path / "c.toml"))
    assert set(back.components) == set(result.posterior.components)
    order = [back.components.index(component) for component in result.posterior.components]
    scale = np.sqrt(np.diag(result.posterior.covariance))
    off = (back.covariance[np.ix_(order, order)] - result.posterior.covariance) / np.outer(scale, scale)
    assert np.abs(off).max() < 1e-6
    correlation = np.abs(result.posterior.covariance / np.outer(scale, scale) - np.eye(len(scale)))
    assert correlation.max() > 0.5


def test_the_report_says_what_can_not_be_told(crooked):
    """What the pad can't part, what is pinned, what would help most; everything in JSON too, with the caution."""
    flight, _, solution = crooked
    result = solved(flight, solution, touchdown_of(flight))
    text = as_text(result)
    assert "can't tell a leaning rail from a biased accelerometer" in text
    assert "Pinned at the calibration as flown" in text
    assert result.next_observations[0].reduction > 0.0
    assert [c.tilt_sd_then_rad for c in result.next_observations] == sorted(c.tilt_sd_then_rad for c in result.next_observations)
    tree = as_dict(result)
    assert {"name", "value", "sd", "prior", "prior_sd", "share", "correlated_with", "correlation", "status", "unit"} <= set(
        tree["parameters"][0]
    )
    assert tree["caution"] == CAUTION_LINE and tree["undetermined"] == list(result.undetermined)
    saved = calibration_file(result)
    assert saved.sd["accel_bias_imu_mps2"][0] == pytest.approx(result.parameter("accelerometer bias x").sd)
    assert len(result.posterior.components) == len(result.posterior.covariance) == 9


def test_what_is_undetermined_stays_at_its_prior(crooked):
    """Mount rotation about the nose has nothing to show it: freed, it is reported undetermined and left at zero."""
    flight, _, solution = crooked
    result = solved(flight, solution, touchdown_of(flight), free=(*DEFAULT_FREE, "mount rotation"))
    found = result.parameter("mount rotation z")
    assert found.status == "undetermined" and found.value == 0.0
    assert found.sd == pytest.approx(found.prior_sd, rel=0.05)
    assert "mount rotation z" in result.undetermined


def test_without_a_barometer_nothing_is_claimed_of_it(crooked):
    """Its four numbers are undetermined, at their prior, and correlated with nothing; the rest stands."""
    flight, _, _ = crooked
    log = dataclasses.replace(flight.log, channels={n: c for n, c in flight.log.channels.items() if n != "pressure_pa"})
    result = reconcile(log, flight.vehicle, touchdown_of(flight), mount=mount_of(flight))
    for name in ("barometer bias", "barometer scale", "barometer lag", "barometer port error"):
        found = result.parameter(name)
        assert (found.status, found.value, found.correlated_with) == ("undetermined", found.prior, "")
        assert found.sd == pytest.approx(found.prior_sd, rel=1e-6)
    for axis, truth in zip("xy", flight.truth.calibration.accel_bias_imu_mps2, strict=False):
        found = result.parameter(f"accelerometer bias {axis}")
        assert found.status == "determined" and abs(found.value - truth) < 2.0 * found.sd
    assert "barometer lag" in as_text(result).partition("left at the prior: ")[2]


def test_a_rail_inclinometer_and_a_sighting_pull_the_tilt(crooked):
    """Exact evidence of the truth narrows the tilt; a wrong sighting far off is given less weight and named."""
    flight, _, solution = crooked
    truth = flight.truth
    nose = truth.q_enu_from_body[0]
    rail = Lean(float(rotation.tilt(nose)), float(rotation.tilt_azimuth(nose)), 0.05 * DEG)
    plain = solved(flight, solution, touchdown_of(flight))
    with_rail = solved(flight, solution, dataclasses.replace(touchdown_of(flight), rail=rail))
    assert with_rail.pad_tilt_sd_rad < plain.pad_tilt_sd_rad
    lean = rotation.rotate(nose, [0.0, 0.0, 1.0])
    for name, component in zip(("pad tilt east", "pad tilt north"), lean[:2], strict=True):
        stated = with_rail.parameter(name)
        assert (stated.prior, stated.prior_sd) == pytest.approx((component / DEG, 0.05), abs=1e-9)
        assert plain.parameter(name).prior == 0.0 and plain.parameter(name).prior_sd == pytest.approx(0.5 / DEG)
    assert abs(with_rail.pad_tilt_rad - rail.tilt_rad) < 0.1 * DEG
    tilt_alone = dataclasses.replace(rail, tilt_azimuth_rad=0.0, is_side_known=False)
    no_side = solved(flight, solution, dataclasses.replace(touchdown_of(flight), rail=tilt_alone))
    assert abs(no_side.pad_tilt_rad - rail.tilt_rad) < 0.1 * DEG, "as near in the angle from vertical"
    assert with_rail.pad_tilt_sd_rad < no_side.pad_tilt_sd_rad < plain.pad_tilt_sd_rad
    apart = [
        abs(no_side.parameter(f"pad tilt {side}").value - component / DEG) for side, component in zip(("east", "north"), lean, strict=False)
    ]
    assert max(apart) < 4.0 * no_side.pad_tilt_sd_rad / DEG, "the side is the flight's own"
    k = int(np.searchsorted(truth.log_time_s, truth.events.liftoff_log_s + 2.0))
    right = rotation.tilt(truth.q_enu_from_body[k]), rotation.tilt_azimuth(truth.q_enu_from_body[k])
    good = Sighting(float(right[0]), float(right[1]), 1.0 * DEG, 2.0)
    bad = Sighting(float(right[0]) + 15.0 * DEG, float(right[1]), 1.0 * DEG, 2.0)
    fine = solved(flight, solution, dataclasses.replace(touchdown_of(flight), sightings=(good,)))
    assert max(abs(v) for v in fine.observations[-1].sigmas) < 2.0
    off = solved(flight, solution, dataclasses.replace(touchdown_of(flight), sightings=(bad,)))
    assert any("More than three sigma off" in n and "sighting 1" in n for n in off.doubts)
    assert as_text(off).startswith("DOUBTFUL: More than three sigma off"), "before the numbers it casts doubt on"
    assert calibration_file(off).note.startswith("doubtful: More than three sigma off"), "and in the file that carries them on"
    assert not fine.doubts and not plain.doubts
    assert abs(off.parameter("accelerometer bias x").value - plain.parameter("accelerometer bias x").value) < 0.05


def test_a_sensor_that_warms_through_the_flight_is_a_doubt_and_says_what_to_do():
    """The hot day's drift is none of what is solved for: told before the numbers, until the calibration has its slopes."""
    flight, _, solution = flown("hot_day", 3)
    free = ("pad tilt", "accelerometer bias")
    result = solved(flight, solution, touchdown_of(flight), free=free)
    assert any("sensor warmed by" in doubt and "plumbline bench temperature" in doubt for doubt in result.doubts)
    one = solved(flight, solution, touchdown_of(flight), free=(*free, "gyro temperature slope"))
    assert any("slope of the accelerometer is known" in doubt for doubt in one.doubts)
    known = reconcile(flight.log, flight.vehicle, touchdown_of(flight), flight.truth.calibration, mount=mount_of(flight), free=free)
    assert not known.doubts


def test_temperature_slopes_of_a_warming_sensor_are_found():
    """Slopes drawn to the size of their priors, ten degrees of warming: found with the biases at the pad's temperature, within honest
    deviations, and without a doubt left. What an accelerometer's slope is hard to tell from is named.
    """
    pulls = []
    for seed in range(4):
        draw = np.random.default_rng(4000 + seed)
        accel, gyro = draw.normal(0.0, 0.005, 3), draw.normal(0.0, 0.03 * DEG, 3)
        slopes = {"accel_slope_imu_mps2_per_k": tuple(map(float, accel)), "gyro_slope_imu_radps_per_k": tuple(map(float, gyro))}
        flight, measurements, solution = flown("hot_day", 4000 + seed, **slopes)
        result = solved(flight, solution, touchdown_of(flight), free=(*DEFAULT_FREE, *SLOPES))
        assert result.fit.has_converged and not result.doubts
        bias = referred_to(flight.truth.calibration, pad_temperature_k(measurements, solution)).accel_bias_imu_mps2
        assert result.calibration.reference_temperature_k == pytest.approx(pad_temperature_k(measurements, solution))
        groups = {"accelerometer bias": bias, SLOPES[0]: accel, SLOPES[1]: gyro / DEG}
        for group, true in groups.items():
            own = [result.parameter(f"{group} {axis}") for axis in "xyz"]
            assert all(p.status == "determined" for p in own)
            pulls += [(p.value - v) / p.sd for p, v in zip(own, true, strict=True)]
        assert max(result.parameter(f"{SLOPES[1]} {axis}").sd for axis in "xyz") < 0.002
        across = [result.parameter(f"{SLOPES[0]} {axis}") for axis in "xy"]
        assert all(p.correlated_with and abs(p.correlation) > 0.4 for p in across)
    assert np.mean(np.abs(pulls) < 2.0) >= 0.9
    assert 0.35 < np.sqrt(np.mean(np.square(pulls))) < 1.3


def test_a_slope_that_nothing_shows_is_left_at_its_prior(crooked):
    """Without a sensor temperature in the log no slope is found, and that is said; the calibration keeps its reference."""
    flight, _, solution = crooked
    channels = {name: channel for name, channel in flight.log.channels.items() if name != "imu_temperature_k"}
    log = dataclasses.replace(flight.log, channels=channels)
    free = (*DEFAULT_FREE, *SLOPES)
    result = reconcile(log, flight.vehicle, touchdown_of(flight), Calibration(), mount=mount_of(flight), solution=solution, free=free)
    assert {f"{group} {axis}" for group in SLOPES for axis in "xyz"} <= set(result.undetermined)
    assert any("no temperature of the sensor" in note for note in result.notes)
    assert result.calibration.accel_slope_imu_mps2_per_k == (0.0, 0.0, 0.0)
    assert result.calibration.reference_temperature_k == Calibration().reference_temperature_k


def test_derivatives_are_those_of_the_residuals(crooked):
    """Every row of the Jacobian against central differences of its residual, at a moved state."""
    flight, measurements, solution = crooked
    warming = np.linspace(290.0, 310.0, len(measurements.log_time_s))
    record = build_record(dataclasses.replace(measurements, temperature_k=warming), solution, flight.vehicle.site, np.eye(3))
    rng = np.random.default_rng(0)
    n = 9 * len(record.start.q) + N_ERRORS
    state = record.start.moved(np.concatenate((rng.normal(0, 1e-4, n - N_ERRORS), rng.normal(0, 0.002, N_ERRORS))))
    evidence = Evidence(
        rail=Lean(0.04, 0.0, 0.01, is_side_known=False), touchdown=evidence_of(flight.evidence).touchdown,
        apogee=evidence_of(flight.evidence).apogee, sightings=(Sighting(0.1, 1.4, 0.02, 1.5),),
    )  # fmt: skip
    given = evidence, np.zeros(N_ERRORS), np.ones(N_ERRORS), np.ones(len(record.baro[0]))
    rows = all_rows(record, state, *given)
    direction = np.zeros(n)
    direction[rng.integers(0, n - N_ERRORS, 60)] = rng.normal(size=60)
    direction[-N_ERRORS:] = rng.normal(size=N_ERRORS)
    h = 1e-6
    ends = [all_rows(record, state.moved(s * h * direction), *given) for s in (1, -1)]
    for i, group in enumerate(rows):
        numeric = (ends[0][i].residual - ends[1][i].residual) / (2.0 * h)
        exact = np.zeros(len(group.residual))
        np.add.at(exact, group.row, group.value * direction[group.column])
        scale = np.max(np.abs(exact)) + 1.0
        np.testing.assert_allclose(exact / scale, numeric / scale, atol=2e-3, err_msg=group.name)


def test_errors_become_a_calibration():
    """True = (I − E) M (raw − b) − β for random errors, to first order in nothing: exactly."""
    rng = np.random.default_rng(3)
    base = Calibration((0.1, -0.2, 0.3), (1.01, 0.99, 1.02), (0.003, -0.002, 0.004))
    errors = np.zeros(N_ERRORS)
    errors[:9] = rng.normal(0, 0.02, 9)
    after = with_errors(base, errors)
    raw = rng.normal(0, 10.0, 3)
    matrix = np.diag(errors[3:6])
    matrix[0, 1], matrix[0, 2], matrix[1, 2] = errors[6:9]
    old = accel_matrix(base) @ (raw - base.accel_bias_imu_mps2)
    new = accel_matrix(after) @ (raw - after.accel_bias_imu_mps2)
    np.testing.assert_allclose(new, (np.eye(3) - matrix) @ old - errors[:3], atol=1e-12)


def test_any_one_number_is_pinned_alone(crooked):
    """Pinned it stands as flown with no deviation, in words by its own name; the others of its group are found as ever."""
    flight, _, solution = crooked
    free = in_groups(members_of(DEFAULT_FREE) - {"gyro scale y", "barometer lag"})
    result = solved(flight, solution, touchdown_of(flight), free=free)
    for name, flown in (("gyro scale y", 1.0), ("barometer lag", 0.05)):
        found = result.parameter(name)
        assert (found.status, found.value, found.sd) == ("pinned", flown, 0.0)
        assert any(name in line for line in result.notes if line.startswith("Pinned"))
    truth = flight.truth.calibration.accel_bias_imu_mps2
    for i, axis in enumerate("xy"):
        found = result.parameter(f"accelerometer bias {axis}")
        assert found.status == "determined" and abs(found.value - truth[i]) < 3.0 * found.sd
    assert np.isnan(calibration_file(result).sd["gyro_scale"][1]) and calibration_file(result).sd["gyro_scale"][0] > 0.0
    assert ("gyro_scale", 1) not in result.posterior.components and ("gyro_scale", 0) in result.posterior.components


def test_the_pad_tilt_is_pinned_as_levelled(crooked):
    """Levelling taken at its word: the tilt stays there exactly, and the bias across that levelling hid is not found."""
    flight, _, solution = crooked
    free = in_groups(members_of(DEFAULT_FREE) - {"pad tilt"})
    result = solved(flight, solution, Evidence(prior=PRIOR), free=free)
    assert result.pad_tilt_rad == pytest.approx(result.levelled_tilt_rad, abs=1e-4)
    assert result.pad_tilt_sd_rad < 1e-6 and result.parameter("pad tilt east").status == "pinned"
    assert result.next_observations == () and "pad tilt" in result.pinned
    text = as_text(result)
    assert "pinned as levelled" in text and "levelling is taken at its word" in text
    usual = solved(flight, solution, Evidence(prior=PRIOR))
    assert abs(usual.pad_tilt_rad - result.pad_tilt_rad) > 1.0 * DEG  # what it would have found
    assert result.chi_square > usual.chi_square
    assert result.degrees_of_freedom == result.fit.n_residuals - result.fit.keep.sum() - 15  # fifteen pinned errors pay no prior


def test_names_of_what_is_free():
    """Groups and members both ways; a whole group goes by its own name."""
    everything = members_of(MEMBERS)
    assert in_groups(everything) == tuple(MEMBERS)
    assert in_groups(members_of(("gyro scale", "barometer lag")) - {"gyro scale x"}) == ("gyro scale y", "gyro scale z", "barometer lag")
    with pytest.raises(SettingsError, match="nearest: gyro scale z"):
        members_of(("gyro skale z",))


def test_cancel_and_wrong_names(crooked):
    flight, measurements, solution = crooked
    with pytest.raises(Cancelled):
        solved(flight, solution, touchdown_of(flight), cancel=lambda: True)
    with pytest.raises(SettingsError, match="nearest: gyro scale"):
        solved(flight, solution, touchdown_of(flight), free=("gyro skale",))
    with pytest.raises(CannotEstimate, match="no liftoff"):
        build_record(measurements, dataclasses.replace(solution, events=type(solution.events)()), flight.vehicle.site, np.eye(3))
