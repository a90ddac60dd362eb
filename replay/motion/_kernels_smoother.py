"""Compiled loops of the flight estimator: forward filter and backward pass.

The 25 errors are those of `flight_state.py`; a transition is stored as its first nine rows (9, 25), the parameters' own being identity.
"""

from __future__ import annotations

import math

import numpy as np

from replay._quaternion import from_rotvec, multiply
from replay.jit import compiled
from replay.motion._kernels_measure import LAG_HEIGHT, LAG_TIME, LAGGED, REFUSED_LAST, REFUSED_SINCE, copy, gravity_at, measure, move_lag
from replay.motion._kernels_preintegration import dcm_of
from replay.motion.flight_state import N_IMU, N_PARAMETERS, PARAMETERS, POS, STATIC, VEL, N

_CURVATURE_S = 10.0
"""For so long an attitude error stays much the same."""
_LOOKS = 3
"""Linearisations of the first measurement at rest after a flight, which may have much to correct."""


@compiled
def turn_left(q, x, y, z):  # type: ignore[no-untyped-def]
    """q ← exp(δθ) q, in place, normalised."""
    dw, dx, dy, dz = from_rotvec(x, y, z)
    w, a, b, c = multiply(dw, dx, dy, dz, q[0], q[1], q[2], q[3])
    s = 1.0 / math.sqrt(w * w + a * a + b * b + c * c)
    q[0], q[1], q[2], q[3] = w * s, a * s, b * s, c * s


@compiled
def _stand(q, p, next_q, next_v, next_p, phi):  # type: ignore[no-untyped-def]
    """State and transition over an epoch at rest: attitude and position stand, velocity starts anew."""
    phi[:] = 0.0
    copy(q, next_q)
    copy(p, next_p)
    for r in range(3):
        next_v[r] = 0.0
        phi[r, r] = 1.0
        phi[POS + r, POS + r] = 1.0


@compiled
def _predict(q, v, p, params, pre_q, pre_dv, pre_dp, jacobian, duration, gravity, next_q, next_v, next_p, dv, phi):  # type: ignore[no-untyped-def]
    """Nominal state over one epoch, what the specific force adds to its velocity, `dv` (3,) enu, and the transition of its errors."""
    rot, end = np.empty((3, 3)), np.empty((3, 3))
    body, dp = np.zeros(9), np.zeros(3)
    for r in range(9):
        for c in range(N_IMU):
            body[r] += jacobian[r, c] * params[c]
    sw, sx, sy, sz = from_rotvec(body[0], body[1], body[2])
    w, x, y, z = multiply(pre_q[0], pre_q[1], pre_q[2], pre_q[3], sw, sx, sy, sz)
    w, x, y, z = multiply(q[0], q[1], q[2], q[3], w, x, y, z)
    s = 1.0 / math.sqrt(w * w + x * x + y * y + z * z)
    next_q[0], next_q[1], next_q[2], next_q[3] = w * s, x * s, y * s, z * s
    dcm_of(q[0], q[1], q[2], q[3], rot)
    dcm_of(w * s, x * s, y * s, z * s, end)
    g = gravity_at(gravity, p[2] + 0.5 * duration * v[2])
    phi[:] = 0.0
    for r in range(3):
        dv[r] = 0.0
        for c in range(3):
            dv[r] += rot[r, c] * (pre_dv[c] + body[3 + c])
            dp[r] += rot[r, c] * (pre_dp[c] + body[6 + c])
        next_v[r] = v[r] + dv[r]
        next_p[r] = p[r] + duration * v[r] + dp[r]
        phi[r, r], phi[VEL + r, VEL + r], phi[POS + r, POS + r], phi[POS + r, VEL + r] = 1.0, 1.0, 1.0, duration
        for c in range(N_IMU):
            for i in range(3):
                phi[r, PARAMETERS + c] += end[r, i] * jacobian[i, c]
                phi[VEL + r, PARAMETERS + c] += rot[r, i] * jacobian[3 + i, c]
                phi[POS + r, PARAMETERS + c] += rot[r, i] * jacobian[6 + i, c]
    next_v[2] -= g * duration
    next_p[2] -= 0.5 * g * duration * duration
    for r in range(3):  # δθ × Δv
        a, b = (r + 1) % 3, (r + 2) % 3
        phi[VEL + r, a], phi[VEL + r, b] = dv[b], -dv[a]
        phi[POS + r, a], phi[POS + r, b] = dp[b], -dp[a]


@compiled
def _through(phi, x, work):  # type: ignore[no-untyped-def]
    """x ← Φ x in place, x of shape (25, w); `work` (9, w)."""
    for r in range(PARAMETERS):
        work[r] = 0.0
        for k in range(N):
            factor = phi[r, k]
            if factor != 0.0:
                for c in range(x.shape[1]):
                    work[r, c] += factor * x[k, c]
    for r in range(PARAMETERS):
        copy(work[r], x[r])


@compiled
def _back_through(phi, x, work):  # type: ignore[no-untyped-def]
    """x ← Φᵀ x in place, x of shape (25, w); `work` (9, w)."""
    for r in range(PARAMETERS):
        copy(x[r], work[r])
        x[r] = 0.0
    for r in range(PARAMETERS):
        for k in range(N):
            factor = phi[r, k]
            if factor != 0.0:
                for c in range(x.shape[1]):
                    x[k, c] += factor * work[r, c]


@compiled
def _transpose(x):  # type: ignore[no-untyped-def]
    for i in range(x.shape[0]):
        for j in range(i):
            x[i, j], x[j, i] = x[j, i], x[i, j]


@compiled
def _curved(covariance, dv, duration, push):  # type: ignore[no-untyped-def]
    """Add to the velocity noise `push` (3, 3) what a straight line leaves out of a large attitude error: ½ θ × (θ × Δv).

    Its variance follows from that of θ, taken as Gaussian. It hardly changes from one epoch to the next, so that in white noise of the
    same effect it counts for as many epochs as there are in `_CURVATURE_S`.
    """
    p = covariance
    for r in range(3):
        a, b = (r + 1) % 3, (r + 2) % 3
        own = 0.5 * (p[a, a] ** 2 + p[b, b] ** 2 + 2.0 * p[a, b] ** 2) * dv[r] ** 2
        across = 0.25 * ((p[r, r] * p[a, a] + p[r, a] ** 2) * dv[a] ** 2 + (p[r, r] * p[b, b] + p[r, b] ** 2) * dv[b] ** 2)
        push[r, r] += _CURVATURE_S / duration * (own + across)


@compiled
def _add_noise(covariance, angle_var, push, duration, dv):  # type: ignore[no-untyped-def]
    """What noise spread evenly over the epoch adds: angle variance per axis, velocity covariance `push` (3, 3)."""
    cross = np.zeros((3, 3))
    for r in range(3):
        a, b = (r + 1) % 3, (r + 2) % 3
        cross[r, a], cross[r, b] = -dv[b], dv[a]
        covariance[r, r] += angle_var
    for r in range(3):
        for c in range(3):
            square = 0.0
            for i in range(3):
                square += cross[r, i] * cross[c, i]
            square *= angle_var
            va, pa = -0.5 * angle_var * cross[r, c], -angle_var * duration / 6.0 * cross[r, c]
            covariance[VEL + r, c] += va
            covariance[c, VEL + r] += va
            covariance[POS + r, c] += pa
            covariance[c, POS + r] += pa
            covariance[VEL + r, VEL + c] += push[r, c] + square / 3.0
            covariance[POS + r, POS + c] += duration * duration * (push[r, c] / 3.0 + square / 20.0)
            vp = duration * (0.5 * push[r, c] + square / 8.0)
            covariance[VEL + r, POS + c] += vp
            covariance[POS + c, VEL + r] += vp


@compiled
def _pack(matrix, out):  # type: ignore[no-untyped-def]
    n = 0
    for i in range(N):
        for j in range(i, N):
            out[n] = 0.5 * (matrix[i, j] + matrix[j, i])
            n += 1


@compiled
def _unpack(packed, out):  # type: ignore[no-untyped-def]
    n = 0
    for i in range(N):
        for j in range(i, N):
            out[i, j] = packed[n]
            out[j, i] = packed[n]
            n += 1


@compiled
def _show(matrix, out):  # type: ignore[no-untyped-def]
    """What is kept of a covariance for the samples: attitude (6: xx, yy, zz, xy, xz, yz), then the diagonal of the other 22."""
    out[0], out[1], out[2] = matrix[0, 0], matrix[1, 1], matrix[2, 2]
    out[3], out[4], out[5] = matrix[0, 1], matrix[0, 2], matrix[1, 2]
    for i in range(3, N):
        out[3 + i] = matrix[i, i]


@compiled
def _defect(found_q, found_v, found_p, params, nominal, k, delta):  # type: ignore[no-untyped-def]
    """Add to delta where the dynamics lead from one nominal state less where the next one stands: a nominal need not obey them."""
    q, v, p, wanted = nominal[0][k], nominal[1][k], nominal[2][k], nominal[3][k]
    w, x, y, z = multiply(found_q[0], found_q[1], found_q[2], found_q[3], q[0], -q[1], -q[2], -q[3])
    size = math.sqrt(x * x + y * y + z * z)
    factor = 2.0 if size < 1e-9 else 2.0 * math.atan2(size, abs(w)) / size
    if w < 0.0:
        factor = -factor
    delta[0] += factor * x
    delta[1] += factor * y
    delta[2] += factor * z
    for r in range(3):
        delta[VEL + r] += found_v[r] - v[r]
        delta[POS + r] += found_p[r] - p[r]
    for i in range(N_PARAMETERS):
        delta[PARAMETERS + i] += params[i] - wanted[i]


@compiled
def move(after, delta, edge_time_s, lag_state):  # type: ignore[no-untyped-def]
    """Put the errors onto the nominal."""
    q, v, p, params = after
    move_lag(lag_state, delta, edge_time_s, params, v[2])
    turn_left(q, delta[0], delta[1], delta[2])
    for r in range(3):
        v[r] += delta[VEL + r]
        p[r] += delta[POS + r]
    for i in range(N_PARAMETERS):
        params[i] += delta[PARAMETERS + i]


@compiled
def _propagate(is_static, is_feedback, duration, q, dv, phi, var, walk_var, rest_vel_var, covariance, delta, work):  # type: ignore[no-untyped-def]
    """Error and covariance over one epoch; `q` of its start, `var` as the pre-integration has it."""
    for r in range(PARAMETERS):
        work[r, 0] = 0.0
        for k in range(N):
            work[r, 0] += phi[r, k] * delta[k]
    for r in range(PARAMETERS):
        delta[r] = work[r, 0]
    for _ in range(2):
        _through(phi, covariance, work)
        _transpose(covariance)
    push, rot = np.zeros((3, 3)), np.empty((3, 3))
    dcm_of(q[0], q[1], q[2], q[3], rot)
    for r in range(3):
        push[r, r] = rest_vel_var if is_static else var[1]
        for c in range(3):
            for i in range(3):
                push[r, c] += rot[r, i] * rot[c, i] * var[2 + i]
    if is_feedback and not is_static:
        _curved(covariance, dv, duration, push)
    _add_noise(covariance, var[0], push, 0.0 if is_static else duration, dv)
    for i in range(N_PARAMETERS):
        covariance[PARAMETERS + i, PARAMETERS + i] += walk_var[i]


@compiled
def _look(k, time_s, kind, nominal, mean, aid, gravity, is_feedback, covariance, delta, lag_state, prior, store):  # type: ignore[no-untyped-def]
    """Measure epoch k. Gravity at rest after a flight may ask for a large correction: it is then measured again about the corrected state,
    from the same prior. `prior` (26, 25) is room for it.
    """
    before = (nominal[0][k], nominal[1][k], nominal[2][k], nominal[3][k])
    after = (nominal[0][k + 1], nominal[1][k + 1], nominal[2][k + 1], nominal[3][k + 1])
    is_iterated = is_feedback and k > 0 and kind[k] & STATIC != 0 and kind[k - 1] & STATIC == 0
    counts, lag = store[5], np.empty(5)
    n_taken, n_refused = counts[0], counts[1]
    copy(lag_state, lag)
    if is_iterated:
        for i in range(N):
            copy(covariance[i], prior[i])
        prior[N] = 0.0
    for look in range(_LOOKS if is_iterated else 1):
        if look > 0:
            move(after, delta, time_s[k + 1], lag)
            for i in range(N):
                prior[N, i] += delta[i]
                delta[i] = -prior[N, i]
                copy(prior[i], covariance[i])
            copy(lag, lag_state)
            counts[0], counts[1] = n_taken, n_refused
        measure(k, time_s, kind[k], before, after, mean, nominal[2][0], aid, gravity, is_iterated, covariance, delta, lag_state, store)


@compiled
def forward(is_feedback, time_s, kind, pre, walk_var, gravity, covariance, delta, nominal, aid, out, store):  # type: ignore[no-untyped-def]
    """Filter over the epochs k = 0 .. m − 1 between edges 0 .. m.

    `is_feedback`: a filter that moves its nominal to each new estimate; the nominal arrays (m + 1 rows: q, velocity, position,
    parameters) are written, row 0 given. Otherwise the nominal is given, errors are carried in `delta` and the system is linear: one
    Gauss–Newton step of the whole flight. `covariance` (25, 25) and `delta` (25,) are those of edge 0, both used up.

    `pre`: q, dv, dp, jacobian, var, mean of the pre-integration. `walk_var` (m, 16): what parameters wander in an epoch. `aid`: see
    `aiding.Aiding.packed`. Written for `backward`, in `out`: transitions (m, 9, 25), packed covariances (m + 1, 325) and deltas
    (m + 1, 25) after the measurements of each edge, the shown part of the covariance before them (m + 1, 28), and where the measurements
    of each edge begin (m + 2,). `store`: code, row, gain, innovation with its variance of each
    scalar measurement taken; refusals; and the numbers of both.
    """
    m = len(kind)
    phi, packed, deltas, prior, up_start = out
    dv, work, room = np.zeros(3), np.zeros((PARAMETERS, N)), np.zeros((N + 1, N))
    next_q, next_v, next_p = np.empty(4), np.empty(3), np.empty(3)
    lag_state, counts = np.empty(5), store[5]
    lag_state[LAG_TIME], lag_state[LAG_HEIGHT], lag_state[LAGGED] = time_s[0], nominal[2][0, 2], nominal[2][0, 2]
    lag_state[REFUSED_SINCE], lag_state[REFUSED_LAST] = math.inf, -math.inf
    counts[:] = 0
    up_start[0] = 0
    for k in range(-1, m):
        if k >= 0:
            up_start[k + 1] = counts[0]
            duration = time_s[k + 1] - time_s[k]
            is_static = kind[k] & STATIC != 0
            q, v, p, params = nominal[0][k], nominal[1][k], nominal[2][k], nominal[3][k]
            to_q, to_v, to_p = next_q, next_v, next_p
            if is_feedback:
                to_q, to_v, to_p = nominal[0][k + 1], nominal[1][k + 1], nominal[2][k + 1]
                copy(params, nominal[3][k + 1])
            if is_static:
                dv[:] = 0.0
                _stand(q, p, to_q, to_v, to_p, phi[k])
            else:
                _predict(q, v, p, params, pre[0][k], pre[1][k], pre[2][k], pre[3][k], duration, gravity, to_q, to_v, to_p, dv, phi[k])
            _propagate(is_static, is_feedback, duration, q, dv, phi[k], pre[4][k], walk_var[k], aid[7][0], covariance, delta, work)
            if not is_feedback:
                _defect(next_q, next_v, next_p, params, nominal, k + 1, delta)
        _show(covariance, prior[k + 1])
        if k >= 0:
            _look(k, time_s, kind, nominal, pre[5][k], aid, gravity, is_feedback, covariance, delta, lag_state, room, store)
            if is_feedback:
                comes_to_rest = is_static and k > 0 and kind[k - 1] & STATIC == 0
                leaves_rest = is_static and (k + 1 == m or kind[k + 1] & STATIC == 0)
                if leaves_rest:
                    # the declared heading holds for the lean that is right: one wrong by two angles turns it by half their product
                    covariance[2, 2] += 0.25 * covariance[0, 0] * covariance[1, 1]
                # A nominal that moves while the vehicle rests would seem to tell a lean from a bias: each linearisation is blind along
                # another direction. So it stands still.
                if not is_static or comes_to_rest or leaves_rest:
                    move((nominal[0][k + 1], nominal[1][k + 1], nominal[2][k + 1], nominal[3][k + 1]), delta, time_s[k + 1], lag_state)
                    delta[:] = 0.0
        _pack(covariance, packed[k + 1])
        copy(delta, deltas[k + 1])
    up_start[m + 1] = counts[0]


@compiled
def _smoothed_part(covariance, information, pl, shown, full):  # type: ignore[no-untyped-def]
    """P − P Λ P: its shown part, and the whole where `full` has room for it."""
    for i in range(N):
        pl[i] = 0.0
        for j in range(N):
            factor = covariance[i, j]
            if factor != 0.0:
                for c in range(N):
                    pl[i, c] += factor * information[j, c]
    is_whole = len(full) > 0
    for i in range(N):
        for j in range(i, N if is_whole or i < 3 else i + 1):
            total = covariance[i, j]
            for c in range(N):
                total -= pl[i, c] * covariance[c, j]
            if is_whole:
                full[i, j] = total
                full[j, i] = total
            if i == j:
                shown[i if i < 3 else 3 + i] = total
            elif j < 3:
                shown[2 + i + j] = total


@compiled
def backward(has_covariance, phi, packed, deltas, up_start, up_row, up_gain, up_value, out_delta, out_shown, out_full):  # type: ignore[no-untyped-def]
    """Fixed-interval smoothing of what `forward` wrote, from the last edge to the first, into `out_delta` (m + 1, 25).

    The Rauch–Tung–Striebel smoother without its inverse of the predicted covariance, which is singular here (the declared heading has
    no variance): the adjoint recursion of Bierman [1]_, identical in exact arithmetic. λ and Λ gather what the later measurements say,
    δ_s = δ − P λ and P_s = P − P Λ P, so that the smoothed covariance never exceeds the filter's. With `has_covariance`, `out_shown`
    (m + 1, 28) as `_show`, and `out_full` (m + 1, 25, 25), or (m + 1, 0, 0) where nobody asks for the whole covariance.

    References
    ----------
    .. [1] G. J. Bierman, Fixed interval smoothing with discrete measurements, Int. J. Control 18(1), 65-75, 1973.
    """
    m = len(phi)
    work = np.zeros((PARAMETERS, N))
    adjoint = np.zeros(N)
    information = np.zeros((N, N))
    covariance, pl = np.empty((N, N)), np.empty((N, N))
    w = np.empty(N)
    for k in range(m, -1, -1):
        _unpack(packed[k], covariance)
        for i in range(N):
            out_delta[k, i] = deltas[k, i]
            for j in range(N):
                out_delta[k, i] -= covariance[i, j] * adjoint[j]
        if has_covariance:
            _smoothed_part(covariance, information, pl, out_shown[k], out_full[k])
        if k == 0:
            break
        for u in range(up_start[k + 1] - 1, up_start[k] - 1, -1):
            h, gain = up_row[u], up_gain[u]
            square = 1.0 / up_value[u, 1]
            pull = up_value[u, 0] * square
            for i in range(N):
                pull += gain[i] * adjoint[i]
                w[i] = 0.0
            if has_covariance:
                for i in range(N):
                    factor = gain[i]
                    for j in range(N):
                        w[j] += factor * information[i, j]
                for i in range(N):
                    square += gain[i] * w[i]
            for i in range(N):
                factor = h[i]
                if factor != 0.0:
                    adjoint[i] -= factor * pull
                    for j in range(N if has_covariance else 0):
                        information[i, j] += factor * (square * h[j] - w[j])
                        information[j, i] -= factor * w[j]
        for j in range(N):
            w[j] = adjoint[j] if j >= PARAMETERS else 0.0
            for r in range(PARAMETERS):
                w[j] += phi[k - 1, r, j] * adjoint[r]
        copy(w, adjoint)
        if has_covariance:
            for _ in range(2):
                _back_through(phi[k - 1], information, work)
                _transpose(information)
            for i in range(N):
                for j in range(i):
                    mean = 0.5 * (information[i, j] + information[j, i])
                    information[i, j], information[j, i] = mean, mean
