"""Reconcile on recordings of others: two university flights with the team's stated rail and touchdown point."""

import numpy as np
import pytest
from shared_data import shared_data

from replay import rotation
from replay.flightlog import read_log
from replay.motion import estimate
from replay.motion.gravity import enu_from_geodetic
from replay.motion.site import Site
from replay.units import DEG, kelvin
from replay.whatif.evidence import Evidence, Lean, Touchdown
from replay.whatif.reconcile import reconcile
from replay.whatif.reconcile_report import as_text

# NCSU High-Powered Rocketry Club, public flight data: rail tilt (deg), air (°C), launch and landing latitude and longitude (deg)
STATED = {
    1: (20.0, 14.0, (35.17583, -76.82823), (35.180298, -76.817123)),
    3: (1.0, 25.2, (38.37576, -79.60749), (38.37771, -79.60928)),
}


@pytest.mark.parametrize("launch", STATED)
def test_stated_rail_and_touchdown_run_to_the_end(launch):
    """The report reads sensibly: it settles, tilt and biases are finite and of a sensor's size, and it names what the record can't tell.

    The heading on the pad was not recorded. Of the rail that leaves its tilt, put to the side the pad's own record leans to (by 2
    degrees each way, an inclinometer on the rail); of the touchdown point it leaves the distance, which is then its own deviation.
    """
    rail_deg, air_c, start, stop = STATED[launch]
    log = read_log(shared_data(f"student_rocket/jackpot_launch_{launch}.csv"))
    site = Site(latitude_rad=start[0] * DEG, ground_temperature_k=kelvin(air_c), pad_azimuth_rad=90.0 * DEG)
    east, north, _ = enu_from_geodetic(stop[0] * DEG, stop[1] * DEG, 0.0, (start[0] * DEG, start[1] * DEG, 0.0))
    distance = float(np.hypot(east, north))
    solution = estimate(log, "smoother", site=site)
    side = float(rotation.tilt_azimuth(solution.levelling.q_enu_from_body))
    evidence = Evidence(rail=Lean(rail_deg * DEG, side, 2.0 * DEG), touchdown=Touchdown(float(east), float(north), distance))
    result = reconcile(log, evidence=evidence, site=site, solution=solution)
    text = as_text(result)
    print(text)
    assert np.isfinite(result.pad_tilt_rad) and result.pad_tilt_sd_rad < 15.0 * DEG
    for axis in "xyz":
        bias = result.parameter(f"accelerometer bias {axis}")
        assert abs(bias.value) < 2.0 and 0.0 < bias.sd <= 0.41
    assert result.fit.has_converged and "did not settle" not in text
    assert abs(result.pad_tilt_rad - rail_deg * DEG) < 2.0 * result.pad_tilt_sd_rad  # the team's stated rail
    assert 0.0 <= result.parameter("barometer lag").value <= 0.5
    # the air brakes open at burnout, and the bay's pressure with them: read as height it would be two hundred metres
    assert any("Barometer not used from 2." in note for note in result.notes)
    assert "can't tell a leaning rail" in text
    assert all(abs(s) < 2.5 for o in result.observations for s in o.sigmas) and "More than three sigma off" not in text
    assert [o.name for o in result.observations] == ["rail", "touchdown"]
