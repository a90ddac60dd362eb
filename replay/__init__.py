"""Plumbline: what a guided model rocket really did, and what another calibration would have meant.

Frames and rotations
--------------------
- **imu**: the sensor's own axes, as logged.
- **body**: z along the long axis towards the nose, x and y across it. An upright vehicle has the identity attitude, so the only
  singularity of the displayed angles is a nose pointing straight down, never the launch pad.
- **enu**: launch-site frame, x east, y north, z up, origin at the pad. The heading on the pad is *declared*, never measured:
  `pad_azimuth_rad`, the azimuth of body +x clockwise from true north (default 90 degrees: body x faces east).
- Quaternions are Hamilton, scalar first, shape (n, 4); `q_enu_from_body` turns body vectors into enu. scipy is called with
  `scalar_first=True`. Right-hand small-angle updates: q <- q (x) exp(dtheta / 2).
- Accelerometers measure **specific force**: at rest on the pad the vector points up with length g; in free fall it is zero.
- Attitude is shown as **tilt** (angle of the nose from up), **tilt azimuth** (compass direction the nose leans to, clockwise
  from north) and **roll** (twist about the long axis: swing-twist split). Components about the body axes are **pitch** (about
  body x) and **yaw** (about body y) of the swing.
- `time_s` is zero at liftoff; `log_time_s` is zero at the first row of the log.

Names carry frame and unit
--------------------------
vector `quantity_frame_unit` (`accel_body_mps2`, `vel_enu_mps`) · rotation `q_to_from_from` (`q_enu_from_body`) · scalar
`quantity_unit` (`pressure_pa`, `tilt_rad`; `tilt_deg` only on screen, in figures and in files) · uncertainty `..._sd_unit` ·
noise density `..._nd_unit` · index, count, mask `i_`, `n_`, `is_` · `raw` on the raw one only (`accel_raw_imu_mps2`).
SI and radians inside; time is axis 0.
"""

from __future__ import annotations

import importlib
from typing import Any

__version__ = "0.1.0"

# Public name -> module that holds it. Loaded on first use: `import replay` must not load numpy's heavier friends.
_PUBLIC = {
    "read_log": "replay.flightlog",
    "FlightLog": "replay.flightlog",
    "Calibration": "replay.sensors",
    "EstimatorSettings": "replay.motion",
    "Site": "replay.motion",
    "Solution": "replay.motion",
    "estimate": "replay.motion",
    "ReplayError": "replay.errors",
}
_FOLDERS = ("flightlog", "sensors", "motion", "flight", "whatif", "review", "scene", "figures", "errors", "units")

__all__ = [*_PUBLIC, *_FOLDERS]


def __getattr__(name: str) -> Any:
    if name in _PUBLIC:
        return getattr(importlib.import_module(_PUBLIC[name]), name)
    if name in _FOLDERS:
        return importlib.import_module(f"replay.{name}")
    raise AttributeError(f"module 'replay' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*__all__, "__version__"])
