"""EstimatorSettings: what a user may choose about an estimate besides the calibration, with unit, range and step beside each number."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from replay.units import DEG

METHODS = ("integrate", "complementary", "gradient", "kalman", "smoother")


def _shown(label: str, unit: str, factor: float, low: float, high: float, step: float) -> Mapping[str, Any]:
    """As in Calibration: value on screen = value inside / factor; low, high and step in the shown unit."""
    return {"label": label, "show": unit, "factor": factor, "low": low, "high": high, "step": step}


@dataclass(frozen=True)
class EstimatorSettings:
    """Gains, gates and noise; SI and radians. `metadata` of each field holds its label, and of a number shown unit, factor, range and step.

    None stands for "measured on the pad, else the stated default" (`sensors.noise.ImuNoise`). `_nd_` is a noise density (unit·√s),
    `_walk_` a random walk (unit/√s), `_sd` one standard deviation; a scale is a ratio. `baro_port_factor`: share of v²/2g by which
    moving air may put the barometric height off.
    """

    complementary_gain_per_s: float = field(default=0.5, metadata=_shown("complementary gain", "1/s", 1.0, 0.0, 20.0, 0.01))
    complementary_bias_gain_per_s2: float = field(default=0.0, metadata=_shown("complementary bias gain", "1/s²", 1.0, 0.0, 2.0, 0.001))
    gradient_gain_radps: float = field(default=2.0 * DEG, metadata=_shown("gradient gain", "deg/s", DEG, 0.0, 60.0, 0.05))

    use_gravity_on_pad: bool = field(default=True, metadata={"label": "accelerometer corrects the attitude on the pad"})
    use_gravity_in_descent: bool = field(default=True, metadata={"label": "accelerometer corrects the attitude in steady descent"})
    use_gravity_landed: bool = field(default=True, metadata={"label": "accelerometer corrects the attitude at rest after touchdown"})
    use_gravity_always: bool = field(
        default=False,
        metadata={
            "label": "accelerometer corrects the attitude all the time, boost and coast too (shows what a computer without a gate does)"
        },
    )
    liftoff_margin_s: float = field(default=0.5, metadata=_shown("kept away from liftoff", "s", 1.0, 0.05, 5.0, 0.05))
    deployment_settle_s: float = field(default=2.0, metadata=_shown("settling after deployment", "s", 1.0, 0.0, 30.0, 0.1))

    use_barometer: bool = field(default=True, metadata={"label": "height from the barometer"})
    use_gnss: bool = field(default=True, metadata={"label": "satellite position where logged"})
    use_magnetometer: bool = field(default=False, metadata={"label": "magnetometer"})

    gyro_nd_radps_rthz: float | None = field(default=None, metadata=_shown("gyro noise", "deg/s/√Hz", DEG, 1e-4, 1.0, 1e-4))
    accel_nd_mps2_rthz: float | None = field(default=None, metadata=_shown("accelerometer noise", "m/s²/√Hz", 1.0, 1e-5, 0.1, 1e-5))
    gyro_walk_radps_rts: float | None = field(default=None, metadata=_shown("gyro bias walk", "deg/s/√s", DEG, 1e-6, 1.0, 1e-5))
    accel_walk_mps2_rts: float | None = field(default=None, metadata=_shown("accelerometer bias walk", "m/s²/√s", 1.0, 1e-6, 0.1, 1e-5))
    gyro_bias_sd_radps: float | None = field(default=None, metadata=_shown("gyro bias left after the pad", "deg/s", DEG, 1e-4, 5.0, 1e-3))
    accel_bias_sd_mps2: float | None = field(default=None, metadata=_shown("accelerometer bias left", "m/s²", 1.0, 1e-4, 2.0, 1e-3))
    gyro_scale_sd: float | None = field(default=None, metadata=_shown("gyro scale left", "1", 1.0, 1e-5, 0.1, 1e-4))
    accel_scale_sd: float | None = field(default=None, metadata=_shown("accelerometer scale left", "1", 1.0, 1e-5, 0.1, 1e-4))
    cross_axis_sd: float | None = field(default=None, metadata=_shown("cross-axis sensitivity left", "1", 1.0, 0.0, 0.1, 1e-4))
    baro_sd_m: float | None = field(default=None, metadata=_shown("barometer noise", "m", 1.0, 0.01, 20.0, 0.01))
    baro_port_factor: float = field(default=0.01, metadata=_shown("barometer error with airspeed, of v²/2g", "1", 1.0, 0.0, 0.2, 0.001))

    @property
    def noise_overrides(self) -> dict[str, float]:
        """The ImuNoise fields the user has set."""
        names = (
            "gyro_nd_radps_rthz", "accel_nd_mps2_rthz", "gyro_walk_radps_rts", "accel_walk_mps2_rts", "gyro_bias_sd_radps",
            "accel_bias_sd_mps2", "gyro_scale_sd", "accel_scale_sd", "cross_axis_sd", "baro_sd_m",
        )  # fmt: skip
        return {name: value for name in names if (value := getattr(self, name)) is not None}
