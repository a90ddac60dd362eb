"""What several tests of a flight's explanation share: a sample flight measured, estimated and its events found."""

from functools import cache
from types import SimpleNamespace

from replay.flight.facts import VehicleFacts
from replay.flight.motor import curve_figures
from replay.flight.phases import find_flight_events
from replay.motion import estimate
from replay.review.explain import explain
from replay.sensors.calibration import Calibration
from replay.sensors.measurements import measure
from replay.whatif import sample


def mount_of(flight):
    """The board lies along the body in the sample flights: no search."""
    return SimpleNamespace(
        dcm_body_from_imu=flight.truth.dcm_body_from_imu, angle_left_rad=0.0, is_found=True, note="", rotation_rad=(0, 0, 0)
    )


def measured(flight, method="integrate", calibration=None, **options):
    """Measurements, solution and events of a sample flight, with the true calibration unless another is given."""
    calibration = flight.truth.calibration if calibration is None else calibration
    mount, site = mount_of(flight), flight.vehicle.site
    measurements = measure(flight.log, calibration, mount)
    solution = estimate(
        flight.log, method, site=site, mount=mount, imu_from_cg_m=flight.vehicle.imu_from_cg_m, calibration=calibration
    )  # fmt: skip
    events = find_flight_events(measurements, solution, site, rail_length_m=flight.vehicle.rail_length_m, **options)
    return measurements, solution, events


def facts_of(flight):
    v = flight.vehicle
    return VehicleFacts(
        v.liftoff_mass_kg, v.propellant_mass_kg, v.diameter_m, v.thrust_curve_s_n, v.aero.drag_coefficient,
        v.inertia_kgm2[0], v.inertia_kgm2[2], v.gimbal_below_cg_m, v.aero.cp_below_cg_m, v.rail_length_m,
    )  # fmt: skip


def truth_curve(flight, events):
    inside = flight.truth.log_time_s < events["burnout"].log_time_s + 0.3
    return curve_figures(flight.truth.log_time_s[inside], flight.truth.thrust_n[inside])


@cache
def explained(name, seed=5, **overrides):
    """A sample flight explained as a reviewer first sees it: smoothed, with nothing calibrated. Each is made once a session."""
    flight = sample.make(name, seed=seed, **overrides)
    mount, vehicle = mount_of(flight), flight.vehicle
    solution = estimate(
        flight.log, "smoother", site=vehicle.site, mount=mount, imu_from_cg_m=vehicle.imu_from_cg_m, calibration=Calibration()
    )  # fmt: skip
    return explain(flight.log, solution, vehicle=vehicle, mount=mount)
