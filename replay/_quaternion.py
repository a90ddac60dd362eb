"""Compiled quaternion steps on scalars, inlined into the loops of `_kernels*.py`. Slow twins: `rotation.py`."""

from __future__ import annotations

import math

from replay.jit import compiled


@compiled
def multiply(pw, px, py, pz, qw, qx, qy, qz):  # type: ignore[no-untyped-def]
    """Hamilton product of two quaternions given as scalars; returns (w, x, y, z)."""
    return (
        pw * qw - px * qx - py * qy - pz * qz,
        pw * qx + px * qw + py * qz - pz * qy,
        pw * qy - px * qz + py * qw + pz * qx,
        pw * qz + px * qy - py * qx + pz * qw,
    )


@compiled
def from_rotvec(x, y, z):  # type: ignore[no-untyped-def]
    """Quaternion of a rotation vector in rad; a series up to half a radian (its first term left out is below 1e-19)."""
    s = x * x + y * y + z * z
    if s < 0.25:
        # cosine and sinc of half the angle in powers of its square: no root, no division, no trigonometry on the common path
        c = 0.25 * s
        w = 1.0 - c * (1 / 2 - c * (1 / 24 - c * (1 / 720 - c * (1 / 40320 - c * (1 / 3628800 - c * (1 / 479001600))))))
        half_sinc = 0.5 - c * (1 / 12 - c * (1 / 240 - c * (1 / 10080 - c * (1 / 725760 - c * (1 / 79833600 - c * (1 / 12454041600))))))
    else:
        angle = math.sqrt(s)
        half_sinc = math.sin(0.5 * angle) / angle
        w = math.cos(0.5 * angle)
    return w, half_sinc * x, half_sinc * y, half_sinc * z


@compiled
def rotate(w, x, y, z, vx, vy, vz):  # type: ignore[no-untyped-def]
    """Turn a vector by q_b_from_a: v_b."""
    tx = 2.0 * (y * vz - z * vy)
    ty = 2.0 * (z * vx - x * vz)
    tz = 2.0 * (x * vy - y * vx)
    return (
        vx + w * tx + y * tz - z * ty,
        vy + w * ty + z * tx - x * tz,
        vz + w * tz + x * ty - y * tx,
    )
