"""Events of sample flights against truth, and what is said where the record can't show one."""

import dataclasses

import numpy as np
import pytest
from flight_support import measured, mount_of

from replay.flight.event import NAMES
from replay.flight.phases import find_flight_events
from replay.motion import estimate
from replay.motion.atmosphere import height_above_pad_m
from replay.motion.site import Site
from replay.motion.solution import Events
from replay.sensors.calibration import Calibration
from replay.sensors.measurements import measure
from replay.whatif import sample

LIMIT_S = {"liftoff": 0.020, "burnout": 0.060, "apogee": 0.150, "touchdown": 0.200}


def events_of(flight, **options):
    return measured(flight, calibration=Calibration(), **options)[2]


def truth_of(flight):
    times = {f.name[:-6]: getattr(flight.truth.events, f.name) for f in dataclasses.fields(Events)}
    return {**times, "rail_exit": flight.truth.rail_exit_log_s}


@pytest.fixture(scope="module")
def clean():
    return sample.make("clean", seed=3)


@pytest.mark.parametrize("noise", [1.0, 5.0, 20.0])
@pytest.mark.parametrize("rate_hz", [100.0, 250.0])
def test_events_of_seeded_flights_are_in_time_and_inside_their_sigmas(noise, rate_hz):
    """Seven flights for each of three noise levels and two rates: every error inside its limit, 95 % inside three sigmas."""
    pulls = []
    for k in range(7):
        name = ("clean", "crooked_bench", "fast_roll")[k % 3]
        flight = sample.make(
            name, seed=200 + k, rate_hz=rate_hz, pad_s=5.0, rest_s=4.0,
            accel_nd_mps2_rthz=noise * 1e-3, gyro_nd_radps_rthz=noise * 1e-4,
        )  # fmt: skip
        found, truth = events_of(flight), truth_of(flight)
        for event, limit in LIMIT_S.items():
            error = found[event].log_time_s - truth[event]
            assert abs(error) <= limit, f"{name} seed {200 + k}: {event} off by {1e3 * error:.1f} ms"
            pulls.append(error / found[event].sd_s)
        assert abs(found["rail_exit"].log_time_s - truth["rail_exit"]) < 0.02
        assert abs(found["deployment"].log_time_s - truth["deployment"]) < 0.2
    assert np.mean(np.abs(pulls) < 3.0) >= 0.95


def test_events_of_every_sample_flight():
    """Each named flight, the troubled logger among them, gives what its record can show within the limits."""
    for name in sample.NAMES:
        flight = sample.make(name, seed=1)
        found, truth = events_of(flight), truth_of(flight)
        for event, limit in LIMIT_S.items():
            if event in found:
                assert abs(found[event].log_time_s - truth[event]) <= limit, f"{name}: {event}"
            else:
                assert found.unknown[event], f"{name}: {event} neither found nor explained"


def cut(flight, start_s, stop_s):
    """The same flight from a logger that was switched on late or off early."""
    channels = {}
    for name, channel in flight.log.channels.items():
        keep = (channel.log_time_s >= start_s) & (channel.log_time_s <= stop_s)
        channels[name] = dataclasses.replace(channel, log_time_s=channel.log_time_s[keep].copy(), values=channel.values[keep].copy())
    return dataclasses.replace(flight, log=dataclasses.replace(flight.log, channels=channels))


def test_a_gap_over_burnout_is_as_wide_as_what_is_said_of_it(clean):
    """The truth lies inside two standard deviations, and nothing is computed of no samples."""
    burnout = clean.truth.events.burnout_log_s
    channels = {}
    for name, channel in clean.log.channels.items():
        keep = (channel.log_time_s < burnout - 1.3) | (channel.log_time_s > burnout + 0.3)
        i_gap = np.flatnonzero(np.diff(channel.log_time_s[keep]) > 1.0)
        channels[name] = dataclasses.replace(
            channel, log_time_s=channel.log_time_s[keep].copy(), values=channel.values[keep].copy(), i_gap=i_gap
        )
    found = events_of(dataclasses.replace(clean, log=dataclasses.replace(clean.log, channels=channels)))
    assert found["burnout"].sd_s > 0.5
    assert abs(found["burnout"].log_time_s - burnout) < 2.0 * found["burnout"].sd_s


def test_a_log_that_ends_in_the_air_says_so(clean):
    stop = clean.truth.events.apogee_log_s + 8.0
    found = events_of(cut(clean, 0.0, stop))
    assert "apogee" in found and "touchdown" not in found
    assert found.unknown["touchdown"] == "the log ends in the air"
    assert found.unknown["rest"] == "the log ends in motion"


def test_an_event_moved_by_hand_goes_before_what_was_found(clean):
    found = events_of(clean, moved={"burnout": 13.0})
    assert found["burnout"].is_moved and found["burnout"].log_time_s == 13.0
    assert found.bounds().burnout_log_s == 13.0
    assert np.isnan(found["burnout"].sd_s)


def test_without_a_rail_length_there_is_no_rail_exit(clean):
    measurements = measure(clean.log, Calibration(), mount_of(clean))
    solution = estimate(clean.log, "integrate", site=clean.vehicle.site, mount=mount_of(clean))
    found = find_flight_events(measurements, solution, clean.vehicle.site)
    assert found.unknown["rail_exit"] == "rail length not given"
    assert tuple(found.events) == tuple(n for n in NAMES if n in found)


def test_a_barometer_alone_shows_liftoff_apogee_and_touchdown(clean):
    pressure = clean.log["pressure_pa"]
    site = clean.vehicle.site
    height = height_above_pad_m(pressure.values, float(np.mean(pressure.values[:100])), site)
    found, truth = find_flight_events(None, None, site, baro=(pressure.log_time_s, height)), truth_of(clean)
    for name, limit in (("liftoff", 0.5), ("apogee", 0.15), ("touchdown", 1.0)):
        assert abs(found[name].log_time_s - truth[name]) < min(limit, 3.5 * found[name].sd_s), name
    assert found.unknown["burnout"] == "needs an accelerometer"
    late = pressure.log_time_s > truth["liftoff"] + 2.0
    assert "liftoff" in find_flight_events(None, None, site, baro=(pressure.log_time_s[late], height[late])).unknown


def test_an_ejection_spike_does_not_move_the_apogee(clean):
    """A charge's 2 m, 0.1 s spike in the barometer right at the top."""
    pressure = clean.log["pressure_pa"]
    top = truth_of(clean)["apogee"]
    height = height_above_pad_m(pressure.values, float(np.mean(pressure.values[:100])), clean.vehicle.site)
    spiked = height - 4.0 * ((pressure.log_time_s > top + 0.05) & (pressure.log_time_s < top + 0.15))
    found = find_flight_events(None, None, Site(), baro=(pressure.log_time_s, spiked))
    assert abs(found["apogee"].log_time_s - top) < 0.12


def test_a_log_without_a_flight_has_no_events():
    time = np.arange(0.0, 60.0, 0.05)
    rng = np.random.default_rng(0)
    found = find_flight_events(None, None, Site(), baro=(time, rng.normal(0, 0.3, len(time))))
    assert not found.events
    assert set(found.unknown) == set(NAMES)
