"""Slow twin of `_kernels_refly.py` in plain NumPy: both flights integrated side by side, not their difference.

The flown motion is followed by adding, at every stage, what the model lacks of its interpolated slope; the re-flown motion gets the
same. Agreement with the compiled loop, which integrates the difference alone, is to the accuracy of the integration.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from replay import rotation
from replay.whatif._reference_flight import derivative, steer, turn_towards_up

Array = NDArray[np.float64]
_NO_POINTS = np.zeros((0, 3))


def refly(
    time_s: Array, flown: Array, i_free: int, a: Any, guide: Any, curve: Array, command_flown: Array, command_law: Array,
    rate_logged: Array, rate_gain: Array, q: Array, nose: Array, n_sub: int,
) -> dict[str, Array]:  # fmt: skip
    """States re-flown less flown (n, 13), gimbals (n, 2) each, belief (n, 4) and command (n, 2). `curve` (m, 2): thrust as logged."""
    n, still = len(time_s), np.zeros(12)
    y, gimbal = flown[0, :13].copy(), np.zeros((2, 2))
    kept: dict[str, list[Array]] = {"difference": [], "flown": [], "reflown": [], "belief": [], "command": []}
    last, commands = np.zeros(3), np.zeros((n, 2))

    def model(t: float, body: Array, angles: Array, command: Array, wind: Array) -> Array:
        state = np.concatenate((body[:6], rotation.normalise(body[6:10]), body[10:13], angles))
        table = np.concatenate((wind, still[3:]))
        return np.asarray(derivative(t, state, table, command, 0.0, 2, a, curve, _NO_POINTS)["slope"])

    for k in range(n):
        seen = rate_logged[k] + rate_gain @ (y - flown[k, :13])[10:13]
        if k > 0 and time_s[k] > 0.0:
            q = rotation.multiply(q, rotation.from_rotvec(0.5 * (time_s[k] - time_s[k - 1]) * (seen + last)))
        last = seen
        if guide.start_s - 1e-9 <= time_s[k] < guide.stop_s:
            if time_s[k] >= guide.upright_from_s - 1e-9 and k > 0:
                nose = turn_towards_up(nose, guide.upright_rate_radps * (time_s[k] - time_s[k - 1]))
            commands[k] = steer(q, seen, nose, guide.proportional, guide.rate_s, a.gimbal_limit_rad)
        commands[k] = np.clip(commands[k] + command_flown[k] - command_law[k], -a.gimbal_limit_rad, a.gimbal_limit_rad)
        for name, value in (
            ("difference", y - flown[k, :13]),
            ("flown", gimbal[0]),
            ("reflown", gimbal[1]),
            ("belief", q),
            ("command", commands[k]),
        ):
            kept[name].append(np.array(value))
        if k == n - 1:
            break
        h = (time_s[k + 1] - time_s[k]) / n_sub
        for i in range(n_sub):
            t = time_s[k] + i * h
            held = [_held(time_s[: k + 1], table, t - a.gimbal_delay_s) for table in (command_flown, commands)]
            stages: list[tuple[Array, Array, Array]] = []
            for ahead in (0.0, 0.5, 0.5, 1.0):
                part = (i + ahead) / n_sub
                here = flown[k] + part * (flown[k + 1] - flown[k])
                lead = ahead * h
                body = y + (lead * stages[-1][0] if stages else 0.0)
                angles = [gimbal[j] + (lead * stages[-1][1 + j] if stages else 0.0) for j in range(2)]
                followed = (flown[k + 1] - flown[k])[:13] / (time_s[k + 1] - time_s[k])
                with_flown = model(t + lead, here[:13], angles[0], held[0], here[13:])
                with_new = model(t + lead, body, angles[1], held[1], here[13:])
                beyond = followed - with_flown[:13]
                slope = with_new[:13] + beyond if k >= i_free else followed
                stages.append((slope, with_flown[13:], with_new[13:]))
            for j, target in enumerate((y, gimbal[0], gimbal[1])):
                target += h / 6.0 * (stages[0][j] + 2.0 * stages[1][j] + 2.0 * stages[2][j] + stages[3][j])
    return {name: np.array(values) for name, values in kept.items()}


def _held(time_s: Array, command: Array, t: float) -> Array:
    i = int(np.searchsorted(time_s, t + 1e-9, side="right")) - 1
    return np.asarray(command[i]) if i >= 0 else np.zeros(2)
