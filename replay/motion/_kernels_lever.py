"""Compiled loops that take the lever arm off: velocity, position and specific force of the centre of gravity instead of the IMU's.

Slow twins in plain NumPy stand beside their test, `tests/motion/test_lever.py`.
"""

from __future__ import annotations

from replay._quaternion import rotate
from replay.jit import compiled


@compiled
def to_cg(q, rate, arm, vel, pos, out_vel, out_pos):  # type: ignore[no-untyped-def]
    """v − R (ω × r) and p − (R r − R₀ r), where anything has moved yet; R₀ of the first sample that has."""
    n = len(q)
    x, y, z = arm
    has_begun = False
    start_x = start_y = start_z = 0.0
    for i in range(n):
        is_moving = False
        for k in range(3):
            if pos[i, k] != 0.0 or vel[i, k] != 0.0:
                is_moving = True
        if not is_moving:
            for k in range(3):
                out_vel[i, k] = vel[i, k]
                out_pos[i, k] = pos[i, k]
            continue
        ax, ay, az = rotate(q[i, 0], q[i, 1], q[i, 2], q[i, 3], x, y, z)
        if not has_begun:
            has_begun = True
            start_x, start_y, start_z = ax, ay, az
        wx, wy, wz = rate[i, 0], rate[i, 1], rate[i, 2]
        sx, sy, sz = rotate(q[i, 0], q[i, 1], q[i, 2], q[i, 3], wy * z - wz * y, wz * x - wx * z, wx * y - wy * x)
        out_vel[i, 0] = vel[i, 0] - sx
        out_vel[i, 1] = vel[i, 1] - sy
        out_vel[i, 2] = vel[i, 2] - sz
        out_pos[i, 0] = pos[i, 0] - (ax - start_x)
        out_pos[i, 1] = pos[i, 1] - (ay - start_y)
        out_pos[i, 2] = pos[i, 2] - (az - start_z)


@compiled
def force_at_cg(time_s, rate, force, arm, is_gap_before, step, out):  # type: ignore[no-untyped-def]
    """f − α × r − ω × (ω × r); α by the difference of the rate over `step` samples to either side, never across a gap."""
    n = len(time_s)
    x, y, z = arm
    begin = 0
    while begin < n:
        end = begin + 1
        while end < n and not is_gap_before[end]:
            end += 1
        for i in range(begin, end):
            first, last = max(i - step, begin), min(i + step, end - 1)
            span = time_s[last] - time_s[first]
            span = span if last > first else 1.0
            bx, by, bz = (
                (rate[last, 0] - rate[first, 0]) / span,
                (rate[last, 1] - rate[first, 1]) / span,
                (rate[last, 2] - rate[first, 2]) / span,
            )
            wx, wy, wz = rate[i, 0], rate[i, 1], rate[i, 2]
            cx, cy, cz = wy * z - wz * y, wz * x - wx * z, wx * y - wy * x
            out[i, 0] = force[i, 0] - (by * z - bz * y) - (wy * cz - wz * cy)
            out[i, 1] = force[i, 1] - (bz * x - bx * z) - (wz * cx - wx * cz)
            out[i, 2] = force[i, 2] - (bx * y - by * x) - (wx * cy - wy * cx)
        begin = end
