"""Compiled loop of a re-flight: the difference to the flown motion, integrated by the flight model.

Slow twin: `_reference_refly.py`.

The flown motion y_f obeys y_f' = D(y_f) + d, with D the model and d what the flight saw beyond it. The re-flown motion is driven by the
same d, so their difference obeys (y - y_f)' = D(y) - D(y_f): d needs no differentiating of noisy rates, and no difference in guidance
gives exactly no difference in motion.
"""

from __future__ import annotations

import math

import numpy as np

from replay import _quaternion
from replay.jit import compiled
from replay.whatif import _kernels_body as body
from replay.whatif import _kernels_flight as flight

N_BODY = 13
# columns of a re-flown row: difference of the 13 body states, gimbal flown and re-flown, attitude believed, command re-flown
DIFFERENCE, GIMBAL_FLOWN, GIMBAL_REFLOWN, BELIEVED, COMMAND, N_ROW = 0, 13, 15, 17, 21, 23


@compiled
def _held(time_s, command, k, t, delay, out):  # type: ignore[no-untyped-def]
    """Row of `command` (n, 2) in force at t: the newest, up to row k, that is at least `delay` old; zero before the first."""
    i = k
    while i >= 0 and time_s[i] > t - delay + 1e-9:
        i -= 1
    for j in range(2):
        out[j] = command[i, j] if i >= 0 else 0.0


@compiled
def _flown_at(flown, k, fraction, y, w):  # type: ignore[no-untyped-def]
    """Flown body states between rows k and k + 1 (the quaternion not yet of unit length), and the wind where a derivative looks for it."""
    k1 = min(k + 1, flown.shape[0] - 1)
    for i in range(N_BODY):
        y[i] = flown[k, i] + (flown[k1, i] - flown[k, i]) * fraction
    for i in range(3):
        w[body.W_GUST + i] = flown[k, N_BODY + i] + (flown[k1, N_BODY + i] - flown[k, N_BODY + i]) * fraction


@compiled
def _unit(y):  # type: ignore[no-untyped-def]
    length = math.sqrt(y[6] * y[6] + y[7] * y[7] + y[8] * y[8] + y[9] * y[9])
    for i in range(6, 10):
        y[i] /= length


@compiled
def _slope(t, k, fraction, state, is_free, flown, a, motor, commands, into, y, dy, w):  # type: ignore[no-untyped-def]
    """Derivative of (difference 13, gimbal flown 2, gimbal re-flown 2). `commands` (2, 2): flown, re-flown. `y`, `dy`: (2, 15) scratch."""
    points = np.zeros((0, 3))
    _flown_at(flown, k, fraction, y[0], w)
    for i in range(N_BODY):
        y[1, i] = y[0, i] + state[i]
    for which in range(2):
        _unit(y[which])
        for j in range(2):
            y[which, 13 + j] = state[13 + 2 * which + j]
            w[body.W_COMMAND + j] = commands[which, j]
        body.derivative(t, y[which], 0.0, 2, a, motor, points, dy[which], w)
        for j in range(2):
            into[13 + 2 * which + j] = dy[which, 13 + j]
    for i in range(N_BODY):
        into[i] = dy[1, i] - dy[0, i] if is_free else 0.0


@compiled
def _prompt(state, commands, a, h):  # type: ignore[no-untyped-def]
    """A gimbal without lag goes where it is told, as far as its rate lets it in a step."""
    for which in range(2):
        for j in range(2):
            i = 13 + 2 * which + j
            state[i] += body.clip(body.clip(commands[which, j], a.gimbal_limit_rad) - state[i], a.gimbal_rate_limit_radps * h)


@compiled
def _believe(k, time_s, guide, limit, rate, last_rate, q, nose_ref, command):  # type: ignore[no-untyped-def]
    """One turn of the computer: attitude carried on by its own rates from liftoff, then the steering law into `command` (2,)."""
    if k > 0 and time_s[k] > 0.0:
        half = 0.5 * (time_s[k] - time_s[k - 1])
        turn = _quaternion.from_rotvec(half * (rate[0] + last_rate[0]), half * (rate[1] + last_rate[1]), half * (rate[2] + last_rate[2]))
        q[0], q[1], q[2], q[3] = _quaternion.multiply(q[0], q[1], q[2], q[3], turn[0], turn[1], turn[2], turn[3])
    if time_s[k] >= guide.start_s - 1e-9 and time_s[k] < guide.stop_s:
        if time_s[k] >= guide.upright_from_s - 1e-9 and k > 0:
            flight.turn_towards_up(nose_ref, guide.upright_rate_radps * (time_s[k] - time_s[k - 1]))
        flight.steer(q, rate[0], rate[1], nose_ref, guide, limit, command, 0)


@compiled
def _step(t, h, k, part, share, state, is_free, flown, a, motor, commands, work, y, dy, w):  # type: ignore[no-untyped-def]
    """One Runge-Kutta step of `state` (17,) in place; `part` and `share`: where it starts and how long it is, in rows. `work`: (5, 17)."""
    for i_stage in range(4):
        ahead = 0.0 if i_stage == 0 else (1.0 if i_stage == 3 else 0.5)
        for i in range(17):
            work[4, i] = state[i] + ahead * h * work[i_stage - 1, i] if i_stage > 0 else state[i]
        _slope(t + ahead * h, k, part + ahead * share, work[4], is_free, flown, a, motor, commands, work[i_stage], y, dy, w)
    for i in range(17):
        state[i] += h / 6.0 * (work[0, i] + 2.0 * work[1, i] + 2.0 * work[2, i] + work[3, i])


@compiled
def refly(time_s, flown, i_free, a, guide, motor, command_flown, command_law, rate_logged, gain, q, nose_ref, n_sub, out):  # type: ignore[no-untyped-def]
    """Fly again. n rows; times are s after liftoff.

    `flown` (n, 16): position, velocity, quaternion, body rate, wind. Before row `i_free` the rail holds; with n there the flown motion
    is kept to and nothing is integrated but the belief. `command_flown` (n, 2) drives the flown gimbal; the re-flown command is that
    one plus what the steering law says now more than `command_law` (n, 2), what it said on the flown motion. `rate_logged` (n, 3): body
    rate as the computer would have had it on the flown motion; `gain` (3, 3): its change per true change. `q` (4,) and `nose_ref` (3,),
    the belief on the pad, are used up. `out` (n, 23).
    """
    n = len(time_s)
    w, y, dy, work, state = np.zeros(body.N_WORK), np.zeros((2, 15)), np.zeros((2, 15)), np.zeros((5, 17)), np.zeros(17)
    commands, rate, last_rate, command_new = np.zeros((2, 2)), np.zeros(3), np.zeros(3), np.zeros((n, 2))
    for k in range(n):
        for i in range(3):
            last_rate[i] = rate[i]
            rate[i] = rate_logged[k, i]
            for j in range(3):
                rate[i] += gain[i, j] * state[10 + j]
        _believe(k, time_s, guide, a.gimbal_limit_rad, rate, last_rate, q, nose_ref, command_new[k])
        for j in range(2):
            command_new[k, j] = body.clip(command_flown[k, j] + (command_new[k, j] - command_law[k, j]), a.gimbal_limit_rad)
            out[k, COMMAND + j] = command_new[k, j]
        for i in range(17):
            out[k, i] = state[i]
        for i in range(4):
            out[k, BELIEVED + i] = q[i]
        if k == n - 1 or i_free >= n:
            continue
        h = (time_s[k + 1] - time_s[k]) / n_sub
        for i_sub in range(n_sub):
            t = time_s[k] + i_sub * h
            _held(time_s, command_flown, k, t, a.gimbal_delay_s, commands[0])
            _held(time_s, command_new, k, t, a.gimbal_delay_s, commands[1])
            if a.gimbal_time_constant_s <= 0.0:
                _prompt(state, commands, a, h)
            _step(t, h, k, i_sub / n_sub, 1.0 / n_sub, state, k >= i_free, flown, a, motor, commands, work, y, dy, w)


@compiled
def model_along(time_s, flown, command_flown, a, motor, n_sub, felt, alpha, mass, gimbal):  # type: ignore[no-untyped-def]
    """What the model says along the flown motion: specific force at the centre of gravity, angular acceleration, mass, gimbal angles."""
    n = len(time_s)
    w, y, dy, points = np.zeros(body.N_WORK), np.zeros(15), np.zeros(15), np.zeros((0, 3))
    command = np.zeros(2)
    angle = np.zeros(2)
    for k in range(n):
        _flown_at(flown, k, 0.0, y, w)
        _unit(y)
        for j in range(2):
            y[13 + j] = angle[j]
            gimbal[k, j] = angle[j]
        body.derivative(time_s[k], y, 0.0, 2, a, motor, points, dy, w)
        for i in range(3):
            felt[k, i] = w[body.W_FORCE + i]
            alpha[k, i] = dy[10 + i]
        mass[k] = w[body.W_MASS]
        if k == n - 1:
            break
        h = (time_s[k + 1] - time_s[k]) / n_sub
        for i_sub in range(n_sub):
            _held(time_s, command_flown, k, time_s[k] + i_sub * h, a.gimbal_delay_s, command)
            for j in range(2):
                target = body.clip(command[j], a.gimbal_limit_rad)
                # the lag's exact answer over the step, as far as the rate limit lets it
                share = 1.0 if a.gimbal_time_constant_s <= 0.0 else -math.expm1(-h / a.gimbal_time_constant_s)
                angle[j] += body.clip((target - angle[j]) * share, a.gimbal_rate_limit_radps * h)
