"""Bridges across gaps and the price of clipped samples, against motions whose integral is known."""

import numpy as np
import pytest
from motion_records import measurements
from numpy.testing import assert_allclose

from replay import rotation
from replay.motion.filters import integrate
from replay.motion.gaps import bridge, spans
from replay.motion.inertial import CLIPPED_SHARE, prepare_inertial

RATE_HZ = 250.0


def swinging(seed, duration_s=6.0):
    """Under a canopy: a spin, two swings of about a hertz with changing size, and forces that go with them; (time, rate, force)."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(round(duration_s * RATE_HZ)) / RATE_HZ
    walks = np.cumsum(rng.standard_normal((len(time_s), 6)), axis=0)
    smooth = np.hanning(round(0.5 * RATE_HZ))
    smooth /= smooth.sum()
    walks = np.stack([np.convolve(w, smooth, "same") for w in walks.T], axis=1)
    walks -= walks.mean(axis=0)
    walks /= walks.std(axis=0)
    return time_s, 0.8 * walks[:, :3] + [0.0, 0.0, 0.7], 2.0 * walks[:, 3:] + [0.0, 0.0, 9.8]


def without(arrays, start_s, gap_s):
    """The arrays without the rows of a gap, and the marks of it."""
    time_s = arrays[0]
    keep = ~((time_s > start_s) & (time_s < start_s + gap_s - 1e-9))
    kept = [a[keep] for a in arrays]
    is_gap = np.zeros(len(kept[0]), dtype=bool)
    is_gap[int(np.searchsorted(kept[0], start_s + 1e-9))] = True
    return kept, is_gap


def attitude(time_s, rate):
    return integrate(time_s, rate, np.zeros(3), 0, np.array([1.0, 0.0, 0.0, 0.0]), np.zeros(len(time_s), dtype=bool))


def across(bridged, time_s, is_gap):
    """What the bridge turns, a rotation vector."""
    j = int(np.flatnonzero(is_gap)[0])
    ends = slice(j - 1, j + 1)
    q = integrate(time_s[ends], bridged.rate_body_radps[ends], np.zeros(3), 0, np.array([1.0, 0.0, 0.0, 0.0]), is_gap[ends])
    return rotation.to_rotvec(q[1])


def pushed(time_s, rate, force, rows):
    """Velocity that a force in turning axes adds, in those at the first row, a straight line in axes that stand still from row to row."""
    return np.trapezoid(rotation.rotate(attitude(time_s[rows], rate[rows]), force[rows]), time_s[rows], axis=0)


def ends_of(time_s, start_s, gap_s):
    return np.searchsorted(time_s, (start_s + 1e-9, start_s + gap_s - 1e-9)) + [-1, 0]


@pytest.mark.parametrize("gap_s", [0.06, 0.14, 0.22])
def test_a_bridge_is_as_far_off_as_the_seconds_around_it_say(gap_s):
    """Sixty swings with a gap in the middle: what the straight line misses of turn and velocity against what it is said to, RMS."""
    turned, turn_var, added, vel_var = [], [], [], []
    for seed in range(60):
        whole = swinging(seed)
        i, j = ends_of(whole[0], 3.0, gap_s)
        q = attitude(*whole[:2])
        (time_s, rate, accel), is_gap = without(whole, 3.0, gap_s)
        found = bridge(time_s, rate, accel, *spans(is_gap, np.zeros_like(is_gap)))
        true = rotation.to_rotvec(rotation.multiply(rotation.conjugate(q[i]), q[j]))
        turned.append(across(found, time_s, is_gap) - true)
        bridged = pushed(time_s, found.rate_body_radps, found.accel_body_mps2, slice(i - 1, i + 3))
        added.append(bridged - pushed(*whole, slice(i - 1, j + 2)))
        turn_var.append(found.angle_var[0])
        vel_var.append(found.vel_var[0])
        assert not found.is_own.any()
    turn, velocity = (float(np.sqrt(np.mean(np.square(e)) / np.mean(v))) for e, v in ((turned, turn_var), (added, vel_var)))
    print(f"{gap_s} s: missed over said, turn {turn:.2f}, velocity {velocity:.2f}")
    assert 0.5 < turn < 1.2  # one price for three axes, that of the worst
    assert 0.7 < velocity < 1.3


@pytest.mark.parametrize("is_board", [False, True])
def test_the_turn_across_a_gap_is_the_computers_own(is_board):
    """Its attitude every fifth sample, of vehicle or board, its bias taken off, ours not: the bridge turns as far to a milliradian."""
    whole = swinging(3)
    bias = np.array([0.02, -0.01, 0.03])
    i, j = ends_of(whole[0], 3.0, 0.22)
    q = attitude(*whole[:2])
    board = rotation.from_rotvec(np.array([0.0, 0.0, np.pi / 2.0]))
    logged = slice(2, None, 5)
    start = rotation.from_rotvec(np.array([0.3, -0.2, 1.0]))
    q_own = rotation.multiply(start, q[logged] if not is_board else rotation.multiply(q[logged], rotation.conjugate(board)))
    own = whole[0][logged], np.stack((q_own, rotation.multiply(q_own, board)))
    (time_s, rate, accel), is_gap = without((whole[0], whole[1] + bias, whole[2]), 3.0, 0.22)
    # rows lost on the card: the attitudes in them are lost as well
    kept = np.isin(own[0], time_s)
    own = own[0][kept], own[1][:, kept]
    straight = bridge(time_s, rate, accel, *spans(is_gap, np.zeros_like(is_gap)))
    found = bridge(time_s, rate, accel, *spans(is_gap, np.zeros_like(is_gap)), own)
    # with the bias that the rate still has
    wanted = rotation.to_rotvec(attitude(whole[0][i : j + 1], (whole[1] + bias)[i : j + 1])[-1])
    assert found.is_own.all() and found.angle_var[0] < 0.02 * straight.angle_var[0]
    assert_allclose(across(found, time_s, is_gap), wanted, atol=1e-3)
    assert np.abs(across(straight, time_s, is_gap) - wanted).max() > 5e-3


def test_an_own_attitude_that_is_none_is_not_believed():
    """One that stands still, one held for a fifth of a second, one in axes that nobody knows: each is worse than the straight line. One
    that began anew in the gap agrees with the gyro before and after it, and turned farther than the gap can hide.
    """
    whole = swinging(3)
    q = attitude(*whole[:2])
    (time_s, rate, accel), is_gap = without(whole, 3.0, 0.14)
    rows = np.isin(whole[0], time_s)
    held = q[np.arange(len(q)) // 50 * 50]
    odd = rotation.multiply(q, rotation.from_rotvec(np.array([0.7, -0.4, 0.9])))
    anew = np.where((whole[0] > 3.07)[:, None], rotation.multiply(rotation.from_rotvec(np.array([0.0, 0.8, 0.0])), q), q)
    for q_own in (np.broadcast_to(q[:1], q.shape), held, odd, anew):
        own = whole[0][rows], np.stack((q_own[rows], q_own[rows]))
        found = bridge(time_s, rate, accel, *spans(is_gap, np.zeros_like(is_gap)), own)
        assert not found.is_own.any()
    empty = np.empty(0), np.empty((2, 0, 4))
    assert not bridge(time_s, rate, accel, *spans(is_gap, np.zeros_like(is_gap)), empty).is_own.any()


@pytest.mark.parametrize("kind", ["stood still", "held its last rate", "took the next rate", "a straight line"])
def test_a_computer_that_waited_for_the_card_is_not_believed(kind):
    """It agrees with the gyro before the gap and after it, for it went on from where it was; of the gap it knows nothing."""
    whole = swinging(3)
    q = attitude(*whole[:2])
    (time_s, rate, accel), is_gap = without(whole, 3.0, 0.2)
    i, j = ends_of(whole[0], 3.0, 0.2)
    gap_s = whole[0][j] - whole[0][i]
    mean = 0.5 * (whole[1][i] + whole[1][j])
    turn = {"stood still": 0.0 * mean, "held its last rate": whole[1][i], "took the next rate": whole[1][j], "a straight line": mean}[kind]
    after = rotation.multiply(q[i], rotation.multiply(rotation.from_rotvec(gap_s * turn), rotation.conjugate(q[j])))
    rows = np.isin(whole[0], time_s)
    q_own = np.where((np.arange(len(q)) >= j)[:, None], rotation.multiply(after, q), q)[rows]
    found = bridge(time_s, rate, accel, *spans(is_gap, np.zeros_like(is_gap)), (whole[0][rows], np.stack((q_own, q_own))))
    assert not found.is_own.any()


def test_an_own_attitude_says_nothing_of_a_gap_as_long_as_what_is_around_it():
    """Two seconds on either side of a gap of a second and a half hold no two stretches as long."""
    whole = swinging(4, 9.0)
    q = attitude(*whole[:2])
    (time_s, rate, accel), is_gap = without(whole, 3.5, 1.5)
    rows = np.isin(whole[0], time_s)
    own = whole[0][rows], np.stack((q[rows], q[rows]))
    assert not bridge(time_s, rate, accel, *spans(is_gap, np.zeros_like(is_gap)), own).is_own.any()


def test_a_pause_on_the_pad_does_not_turn_gravity_with_the_gyros_bias():
    """A quarter of an hour without rows: the bias that the rate still has would be three turns, and the ends read gravity as before."""
    time_s = np.arange(1500) / RATE_HZ
    time_s[750:] += 900.0
    rng = np.random.default_rng(1)
    rate = [0.02, 0.005, 0.0] + 1e-3 * rng.standard_normal((1500, 3))
    accel = [0.1, -0.2, 9.8] + 0.02 * rng.standard_normal((1500, 3))
    is_gap = np.arange(1500) == 750
    found = bridge(time_s, rate, accel, *spans(is_gap, np.zeros_like(is_gap)))
    assert np.abs(found.accel_body_mps2[749:751] - [0.1, -0.2, 9.8]).max() < 0.05


@pytest.mark.parametrize("n_lost", [1, 3])
def test_lost_rows_are_priced_with_their_vibration(n_lost):
    """Here and there a row, or three, of a record that a motor shakes at 61 and 93 Hz: what is missed in all, over what is said."""
    missed, said = [], []
    for seed in range(20):
        time_s, rate, accel = swinging(seed)
        rng = np.random.default_rng(seed)
        shake = np.sin(2.0 * np.pi * np.outer(time_s, [61.0, 93.0]) + rng.uniform(0.0, 6.0, 2)).sum(axis=1)[:, None]
        rate, accel = rate + 0.05 * shake, accel + 2.5 * shake * [1.0, 0.7, -0.4]
        keep = np.ones(len(time_s), dtype=bool)
        for k in range(n_lost):
            keep[np.arange(40, 1460, 50) + rng.integers(0, 20) + rng.integers(0, 12, 29) + k] = False
        is_gap = np.append(False, ~keep[:-1])[keep]
        found = bridge(time_s[keep], rate[keep], accel[keep], *spans(is_gap, np.zeros_like(is_gap)))
        for values, var in ((rate, found.angle_var[:, None]), (accel, found.vel_var)):
            missed.append(np.trapezoid(values[keep], time_s[keep], axis=0) - np.trapezoid(values, time_s, axis=0))
            said.append(np.broadcast_to(var.sum(axis=0), (3,)))
    for k, name in enumerate(("angle", "velocity")):
        ratio = float(np.sqrt(np.mean(np.square(missed[k::2])) / np.mean(said[k::2])))
        print(f"{n_lost} rows, {name}: missed over said {ratio:.2f}")
        assert 0.3 < ratio < 1.5


def test_a_row_without_a_value_in_a_clipped_stretch_is_clipped():
    """A hole in it splits it into two whose slopes are nothing: the price is that of the whole."""
    record, _, is_clipped = clipped_record(lambda t: 60.0 * np.sin(np.pi * np.clip(t / 0.2, 0.0, 1.0)), 30.0)
    holed = record.accel_body_mps2.copy()
    inside = np.flatnonzero(is_clipped[:, 2])
    holed[inside[len(inside) // 2] + np.arange(-3, 4)] = np.nan
    marks = is_clipped & np.isfinite(holed)
    holed_record = measurements(record.log_time_s, holed, is_accel_clipped_body=marks)
    sd, holed_sd = (float(np.sqrt(prepare_inertial(r).extra_var[:, 3].sum())) for r in (record, holed_record))
    assert holed_sd == pytest.approx(sd, rel=0.05)


def test_nothing_but_the_ends_of_a_long_gap_is_moved():
    """A row lost leaves every sample as it is, and so does a gap that nothing lies around."""
    whole = swinging(5)
    (time_s, rate, accel), is_gap = without(whole, 3.0, 0.012)
    found = bridge(time_s, rate, accel, *spans(is_gap, np.zeros_like(is_gap)))
    assert found.rate_body_radps.tobytes() == rate.tobytes() and found.accel_body_mps2.tobytes() == accel.tobytes()
    assert 0.0 < found.angle_var[0] < 1e-4
    (time_s, rate, accel), is_gap = without(whole, 3.0, 0.14)
    found = bridge(time_s, rate, accel, *spans(is_gap, np.zeros_like(is_gap)))
    moved = np.flatnonzero((found.accel_body_mps2 != accel).any(axis=1))
    assert moved.tolist() == (np.flatnonzero(is_gap)[0] + [-1, 0]).tolist()
    short = slice(int(moved[0]) - 3, int(moved[1]) + 3)
    alone = bridge(time_s[short], rate[short], accel[short], *spans(is_gap[short], np.zeros_like(is_gap[short])))
    assert alone.angle_var[0] > 0.0 and np.isfinite(alone.vel_var).all()


def test_a_roll_through_a_gap_turns_the_force_on_the_way():
    """Two and a half turns a second, 4 m/s² outward where the sensor sits off the axis: a gap of 0.155 s is most of half a turn. A straight
    line between the forces at its ends, in axes that stand still, is 0.3 m/s off.
    """
    time_s = np.arange(1500) / RATE_HZ
    whole = time_s, np.full((1500, 3), [0.0, 0.0, 16.2]), np.full((1500, 3), [-3.2, 2.2, -0.6])
    i, j = ends_of(time_s, 3.0, 0.156)
    (time_s, rate, force), is_gap = without(whole, 3.0, 0.156)
    found = bridge(time_s, rate, force, *spans(is_gap, np.zeros_like(is_gap)))
    wanted = pushed(*whole, slice(i - 1, j + 2))  # beside the gap what its ends are moved by is felt as well
    assert np.linalg.norm(pushed(time_s, rate, force, slice(i - 1, i + 3)) - wanted) > 0.25
    assert np.linalg.norm(pushed(time_s, rate, found.accel_body_mps2, slice(i - 1, i + 3)) - wanted) < 0.02


def clipped_record(shape, limit, axis=2):
    """A pulse of force on one axis, cut off at `limit`: the measurements, and what the clipped stretch lost, m/s."""
    time_s = np.arange(500) / RATE_HZ
    accel = np.zeros((500, 3)) + [1.0, -2.0, 3.0]
    accel[:, axis] += shape(time_s - 1.0)
    shown = np.clip(accel, -limit, limit)
    is_clipped = np.abs(accel) >= limit
    return measurements(time_s, shown, is_accel_clipped_body=is_clipped), float(np.sum(accel - shown) / RATE_HZ), is_clipped


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("limit", [20.0, 30.0, 45.0])
@pytest.mark.parametrize(
    "shape",
    [
        lambda t: 60.0 * np.sin(np.pi * np.clip(t / 0.2, 0.0, 1.0)),
        lambda t: 60.0 * np.clip(1.0 - np.abs(t - 0.1) / 0.1, 0.0, None),
        lambda t: 60.0 * np.exp(-(((t - 0.1) / 0.06) ** 2)),
        lambda t: np.where(t < 0.0, 0.0, 60.0 * np.exp(-np.clip(t, 0.0, None) / 0.05)),
    ],
    ids=["half sine", "triangle", "bell", "a jump that dies away"],
)
def test_a_clipped_pulse_is_priced_on_its_axis_by_its_slopes(shape, limit, sign):
    """What pulses of known shape lose lies between a third of the standard deviation and twice it; the other axes lose nothing."""
    record, lost, is_clipped = clipped_record(lambda t: sign * shape(t), limit)
    assert is_clipped.any()
    extra = prepare_inertial(record).extra_var
    # a corner of the pulse is a blow as well, which all axes may have felt between two samples
    plain = prepare_inertial(measurements(record.log_time_s, record.accel_body_mps2)).extra_var
    sd = np.sqrt(np.sum(extra - plain, axis=0))
    assert sd[:3].tolist() == [0.0, 0.0, 0.0]
    assert 0.3 < abs(lost) / sd[3] < 2.0


def test_a_sensor_stuck_at_its_limit_was_not_pushed_ever_harder():
    """After a blow, for a second, to the record's end: ten times the limit at most, and finite at either edge of the record."""
    time_s = np.arange(500) / RATE_HZ
    for rows in (slice(250, 500), slice(0, 250)):
        accel = np.zeros((500, 3)) + [0.0, 0.0, 9.8]
        accel[rows, 0] = 156.9
        is_clipped = np.zeros((500, 3), dtype=bool)
        is_clipped[rows, 0] = True
        extra = prepare_inertial(measurements(time_s, accel, is_accel_clipped_body=is_clipped)).extra_var
        assert 0.2 * 156.9 < np.sqrt(np.sum(extra[:, 1])) < 10.1 * 156.9


def test_a_clipped_gyro_is_priced_too():
    """A spin that runs past the range: one price for all three axes, the sum of what the axes lost."""
    time_s = np.arange(500) / RATE_HZ
    rate = np.zeros((500, 3))
    rate[:, 2] = 40.0 * np.exp(-(((time_s - 1.0) / 0.3) ** 2))
    shown = np.minimum(rate, 35.0)
    record = measurements(time_s, [0.0, 0.0, 9.8], shown, is_rate_clipped_body=rate >= 35.0)
    extra = prepare_inertial(record).extra_var
    lost = float(np.sum(rate - shown) / RATE_HZ)
    assert 0.3 < lost / np.sqrt(np.sum(extra[:, 0])) < 2.0
    assert not extra[:, 1:].any()
    assert CLIPPED_SHARE < 0.5
