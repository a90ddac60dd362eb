"""Coning: closed-form drift, the increment algorithms' table, and what point samples do to each of them.

Sources: P. G. Savage, Strapdown inertial navigation integration algorithm design, part 1, JGCD 21(1), 1998; R. B. Miller, JGCD 6(4),
1983 (three samples); M. B. Ignagni, JGCD 13(2), 1990. The table's drifts were simulated with numpy independently of this project
(kept here to 1 %); the closed form (Ωa²/2)(1 − sinc ΩT) agrees with them.
"""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import solve_ivp
from scipy.interpolate import CubicSpline

from replay import rotation
from replay.motion import estimate_attitude
from replay.units import DEG

CASES = {"A": (1.0, 20.0, 200.0), "B": (1.0, 50.0, 1000.0), "C": (5.0, 10.0, 100.0)}
DURATION_S = 60.0


def cone(case):
    """Half angle a, angular frequency, sample times; rates and attitudes as functions of time."""
    a, frequency, fs = CASES[case]
    a, omega = a * DEG, 2.0 * np.pi * frequency

    def rate(t):
        t = np.asarray(t, dtype=float)
        s = omega * np.sin(a)
        return np.stack((-s * np.sin(omega * t), s * np.cos(omega * t), np.full_like(t, -omega * (1.0 - np.cos(a)))), axis=-1)

    def attitude(t):
        s = np.sin(a / 2.0)
        return np.stack((np.full_like(t, np.cos(a / 2.0)), s * np.cos(omega * t), s * np.sin(omega * t), np.zeros_like(t)), axis=-1)

    return a, omega, np.arange(round(DURATION_S * fs) + 1) / fs, rate, attitude


def exact_increments(case, times):
    a, omega, _, _, _ = cone(case)
    start, stop = times[:-1], times[1:]
    s = np.sin(a)
    return np.stack(
        (
            s * (np.cos(omega * stop) - np.cos(omega * start)),
            s * (np.sin(omega * stop) - np.sin(omega * start)),
            -omega * (1.0 - np.cos(a)) * (stop - start),
        ),
        axis=-1,
    )


def drift_deg_per_min(case, rotvecs, times):
    """|drift| about z after composing the rotation vectors between `times`."""
    _, _, _, _, attitude = cone(case)
    turns = rotation.from_rotvec(rotvecs)
    while len(turns) > 1:  # pairwise, keeping the order
        if len(turns) % 2:
            turns = np.vstack((turns, [[1.0, 0.0, 0.0, 0.0]]))
        turns = rotation.multiply(turns[0::2], turns[1::2])
    q = rotation.multiply(attitude(times[:1])[0], turns[0])
    error = rotation.multiply(rotation.normalise(q), rotation.conjugate(attitude(times[-1:])[0]))
    return abs(rotation.to_rotvec(error)[2]) / DEG * 60.0 / (times[-1] - times[0])


def grouped(increments, n):
    return increments[: len(increments) // n * n].reshape(-1, n, 3)


def two_sample(d):
    return d.sum(axis=1) + 2.0 / 3.0 * np.cross(d[:, 0], d[:, 1])


def three_sample(d):
    return d.sum(axis=1) + 9.0 / 20.0 * np.cross(d[:, 0], d[:, 2]) + 27.0 / 40.0 * np.cross(d[:, 1], d[:, 2] - d[:, 0])


def four_sample(d):
    return d.sum(axis=1) + np.cross((54.0 * d[:, 0] + 92.0 * d[:, 1] + 214.0 * d[:, 2]) / 105.0, d[:, 3])


@pytest.mark.parametrize(
    ("case", "expected"),
    [
        ("A", (4.2436, 15.996, 0.32604, 0.32603, 0.02715, 0.00411)),
        ("B", (2.6918, 10.609, 0.05277, 0.05276, 0.001122, 0.000155)),
        ("C", (52.727, None, 4.050, 4.047, 0.4485, 0.598)),
    ],
)
def test_increment_algorithms(case, expected):
    """Rows of the table for sensors that log increments: none, none over two, previous sample 1/12, two, three and four samples."""
    _, _, times, _, _ = cone(case)
    d = exact_increments(case, times)
    previous = np.vstack((exact_increments(case, np.array([times[0] - times[1], 0.0])), d[:-1]))
    found = (
        drift_deg_per_min(case, d, times),
        drift_deg_per_min(case, grouped(d, 2).sum(axis=1), times[::2]),
        drift_deg_per_min(case, d + np.cross(previous, d) / 12.0, times),
        drift_deg_per_min(case, two_sample(grouped(d, 2)), times[::2]),
        drift_deg_per_min(case, three_sample(grouped(d, 3)), times[::3]),
        drift_deg_per_min(case, four_sample(grouped(d, 4)), times[::4]),
    )
    for value, want in zip(found, expected, strict=True):
        if want is not None:
            assert_allclose(value, want, rtol=0.012, atol=1e-5)


@pytest.mark.parametrize(("n", "denominator"), [(2, 960.0), (3, 204120.0)])
def test_what_is_left_after_correction_is_the_leading_term(n, denominator):
    """a²λ^(2n+1)/(denominator·T), λ = ΩT, T = n h: case B, within a tenth (the series' next term).

    From four samples on, the cone's own angle (terms of a⁴) leaves more than this: the table's "large-angle floor".
    """
    a, omega, times, _, _ = cone("B")
    step = n * times[1]
    corrected = {2: two_sample, 3: three_sample}[n](grouped(exact_increments("B", times), n))
    formula = a**2 * (omega * step) ** (2 * n + 1) / (denominator * step) / DEG * 60.0
    assert_allclose(drift_deg_per_min("B", corrected, times[: len(corrected) * n + 1 : n]), formula, rtol=0.1)


def test_two_ways_of_writing_three_samples_agree():
    """Miller's and Ignagni's forms are the same on pure coning."""
    _, _, times, _, _ = cone("A")
    d = grouped(exact_increments("A", times), 3)
    other = d.sum(axis=1) + np.cross(9.0 / 20.0 * d[:, 0] + 27.0 / 20.0 * d[:, 1], d[:, 2])
    a, b = (drift_deg_per_min("A", rotvecs, times[::3]) for rotvecs in (three_sample(d), other))
    assert_allclose(a, b, rtol=2e-3)


@pytest.mark.parametrize("case", CASES)
def test_uncorrected_drift_is_the_closed_form(case):
    """(Ωa²/2)(1 − sin ΩT/(ΩT)) within 0.1 % at 1 degree, 1 % at 5."""
    a, omega, times, _, _ = cone(case)
    step = times[1]
    formula = omega * a * a / 2.0 * (1.0 - np.sin(omega * step) / (omega * step)) / DEG * 60.0
    assert_allclose(drift_deg_per_min(case, exact_increments(case, times), times), formula, rtol=0.001 if a < 2.0 * DEG else 0.01)


@pytest.mark.parametrize(
    ("case", "rectangle", "trapezoid", "coning_on_trapezoid", "spline_first"),
    [("A", 2.178, 8.252, 4.203, 0.0312), ("B", 1.355, 5.346, 2.685, 0.00456), ("C", 27.06, 102.6, 52.2, 0.388)],
)
def test_point_samples(case, rectangle, trapezoid, coning_on_trapezoid, spline_first):
    """Logs hold point rates. A coning term on trapezoids leaves half the drift; a spline first leaves a hundredth. Ours leaves less."""
    _, _, times, rate, attitude = cone(case)
    w, h = rate(times), times[1]
    mean = 0.5 * h * (w[:-1] + w[1:])
    assert_allclose(drift_deg_per_min(case, h * w[:-1], times), rectangle, rtol=0.01)
    assert_allclose(drift_deg_per_min(case, mean, times), trapezoid, rtol=0.01)
    corrected = mean + h * h / 12.0 * np.cross(w[:-1], w[1:])
    assert_allclose(drift_deg_per_min(case, corrected, times), coning_on_trapezoid, rtol=0.01)

    fine = np.linspace(times[0], times[-1], 4 * (len(times) - 1) + 1)
    total = CubicSpline(times, w).antiderivative()(fine)
    splined = three_sample(grouped(np.diff(total, axis=0), 3))
    splined_drift = drift_deg_per_min(case, splined, fine[::3])
    assert_allclose(splined_drift, spline_first, rtol=0.03)

    up = np.tile([0.0, 0.0, 9.81], (len(times), 1))
    ours = estimate_attitude(times, w, up, "integrate", q_start=attitude(times[:1])[0]).q_enu_from_body
    error = rotation.to_rotvec(rotation.multiply(ours[-1], rotation.conjugate(attitude(times[-1:])[0]))) / DEG
    assert abs(error[2]) * 60.0 / DURATION_S < 0.1 * splined_drift
    assert np.abs(error[:2]).max() < 0.02, "the start of the record bends like its neighbour, once"


def test_uneven_steps_keep_the_spline_order():
    """With steps that jitter by 30 % the drift stays that of a cubic spline, two orders below the trapezoid's."""
    _, _, times, rate, attitude = cone("B")
    rng = np.random.default_rng(5)
    jittered = np.sort(np.append(times[[0, -1]], times[1:-1] + 0.3 * times[1] * rng.uniform(-0.5, 0.5, len(times) - 2)))
    up = np.tile([0.0, 0.0, 9.81], (len(times), 1))
    ours = estimate_attitude(jittered, rate(jittered), up, "integrate", q_start=attitude(times[:1])[0]).q_enu_from_body
    error = rotation.to_rotvec(rotation.multiply(ours[-1], rotation.conjugate(attitude(jittered[-1:])[0]))) / DEG
    assert abs(error[2]) < 0.02


def test_a_fast_turning_rate_against_a_reference_solution():
    """Any rate against q' = q ⊗ ω / 2 solved by DOP853 at 1e-12: 6 rad/s of roll with wobble, 100 Hz."""

    def rate(t):
        return np.array([1.5 * np.sin(7.0 * t), 1.2 * np.cos(5.0 * t + 0.3), 6.0 + 2.0 * np.sin(3.0 * t)])

    solved = solve_ivp(
        lambda t, q: 0.5 * rotation.multiply(q, np.concatenate(([0.0], rate(t)))),
        (0.0, 10.0), [1.0, 0.0, 0.0, 0.0], method="DOP853", rtol=1e-12, atol=1e-13,
    )  # fmt: skip
    q_end = rotation.normalise(solved.y[:, -1])
    errors = []
    for fs in (50, 100, 200):
        time_s = np.arange(10 * fs + 1) / fs
        rates = np.array([rate(t) for t in time_s])
        up = np.tile([0.0, 0.0, 9.81], (len(time_s), 1))
        ours = estimate_attitude(time_s, rates, up, "integrate", q_start=[1.0, 0.0, 0.0, 0.0]).q_enu_from_body[-1]
        errors.append(np.linalg.norm(rotation.to_rotvec(rotation.multiply(rotation.conjugate(q_end), ours))) / DEG)
    assert errors[1] < 1e-4
    assert errors[0] / errors[2] > 4.0**2.8, "the ends of the record are of third order, all else of sixth"
