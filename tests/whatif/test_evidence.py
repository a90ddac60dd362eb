"""Evidence files: read, written back equal, and refused where they say something they can't mean."""

import pytest

from replay.errors import SettingsError
from replay.units import DEG
from replay.whatif.evidence import Lean, evidence_of, load_evidence, save_evidence, tables_of

TEXT = """format = 1
[rail]
tilt_deg = 2.0
azimuth_deg = 40.0
sd_deg = 0.5
[touchdown]
east_m = 52.7
north_m = -23.5
sd_m = 3.0
[apogee]
height_m = 145.0
sd_m = 2.0
[[sighting]]
time_s = 1.5
tilt_deg = 6.0
azimuth_deg = 80.0
sd_deg = 1.5
[prior]
accel_bias_mps2 = 0.4
gyro_bias_degps = 0.5
gyro_temperature_slope_degps_per_c = 0.04
accel_temperature_slope_mps2_per_c = 0.003
"""


def test_every_entry_is_read_in_si(tmp_path):
    path = tmp_path / "evidence.toml"
    path.write_text(TEXT)
    evidence = load_evidence(path)
    assert evidence.rail.tilt_rad == pytest.approx(2.0 * DEG)
    assert evidence.touchdown.north_m == -23.5
    assert evidence.sightings[0].time_s == 1.5 and evidence.sightings[0].sd_rad == pytest.approx(1.5 * DEG)
    assert evidence.prior.gyro_bias_radps == pytest.approx(0.5 * DEG)
    assert evidence.prior.gyro_slope_radps_per_k == pytest.approx(0.04 * DEG) and evidence.prior.accel_slope_mps2_per_k == 0.003
    assert evidence.prior.gyro_scale is None
    save_evidence(evidence, tmp_path / "again.toml")
    assert load_evidence(tmp_path / "again.toml") == evidence


def test_a_sighting_of_one_view_is_kept_as_such(tmp_path):
    """It is written only where it is so, and read back."""
    path = tmp_path / "evidence.toml"
    path.write_text(TEXT.replace("time_s = 1.5", "time_s = 1.5\none_view = true"))
    evidence = load_evidence(path)
    assert evidence.sightings[0].is_one_view
    save_evidence(evidence, path)
    assert load_evidence(path) == evidence


def test_one_view_leaves_the_lean_along_the_line_of_sight_open():
    """What a level camera sees of any nose direction is tan(angle) = (nose . right of picture) / up, its perspective; the one row kept
    vanishes for every lean towards the camera or away that gives the same picture."""
    import types

    import numpy as np

    from replay import rotation
    from replay.whatif import flight_record, flight_rows, unknowns
    from replay.whatif.evidence import Sighting

    right, side = np.array([np.sin(1.2), np.cos(1.2), 0.0]), 7.0 * DEG
    seen = Sighting(side, 1.2, 1.0, is_one_view=True)
    away = np.array([np.cos(1.2), -np.sin(1.2), 0.0])
    for along in (-0.3, 0.0, 0.2):
        nose = np.tan(side) * right + along * away + np.array([0.0, 0.0, 1.0])
        nose /= np.linalg.norm(nose)
        q = rotation.from_tilt(np.arccos(nose[2]), np.arctan2(nose[0], nose[1]), 0.4)
        states = flight_record.States(np.array([q]), np.zeros((1, 3)), np.zeros((1, 3)), np.zeros(unknowns.N_ERRORS))
        row = flight_rows._lean(types.SimpleNamespace(), states, 0, seen, "sighting 1")
        assert row.residual == pytest.approx([0.0], abs=1e-12)
    off = rotation.from_tilt(side + 0.01, 1.2, 0.4)
    states = flight_record.States(np.array([off]), np.zeros((1, 3)), np.zeros((1, 3)), np.zeros(unknowns.N_ERRORS))
    assert flight_rows._lean(types.SimpleNamespace(), states, 0, seen, "s").residual == pytest.approx([np.sin(0.01)], abs=1e-9)


def test_a_rail_s_tilt_without_its_side_is_kept_as_such(tmp_path):
    """Read, written without an azimuth, read back; a tilt without its standard deviation is still no observation."""
    assert "azimuth_deg = 40.0\n" in TEXT
    (tmp_path / "evidence.toml").write_text(TEXT.replace("azimuth_deg = 40.0\n", ""))
    evidence = load_evidence(tmp_path / "evidence.toml")
    assert evidence.rail.tilt_rad == pytest.approx(2.0 * DEG) and not evidence.rail.is_side_known
    assert "azimuth_deg" not in tables_of(evidence)["rail"]
    save_evidence(evidence, tmp_path / "evidence.toml")
    assert load_evidence(tmp_path / "evidence.toml") == evidence


@pytest.mark.parametrize("read_deg", [6.0, 2.0, 0.0])
def test_a_tilt_alone_constrains_the_angle_from_vertical(read_deg):
    """Derivatives against central differences; whichever side the nose leans to, one row is the tilt's error, and near vertical two
    rows are no more than what such a tilt gives."""
    import numpy as np

    from replay import rotation
    from replay.whatif import flight_record, flight_rows, unknowns

    rail = Lean(read_deg * DEG, 0.0, 1.0 * DEG, is_side_known=False)

    def states(azimuth_rad, tilt_rad, turn=(0.0, 0.0, 0.0)):
        q = rotation.multiply(rotation.from_rotvec(np.array(turn)), rotation.from_tilt(tilt_rad, azimuth_rad, 0.4))
        return flight_record.States(np.array([q]), np.zeros((1, 3)), np.zeros((1, 3)), np.zeros(unknowns.N_ERRORS))

    for azimuth in (0.3, 2.0, 4.5):
        residual, by_turn, by_mount = flight_rows.tilt_residual(states(azimuth, 5.0 * DEG), 0, rail)
        assert len(residual) == (1 if read_deg > 3.0 else 2)
        for k, axis in enumerate(1e-6 * np.eye(3)):
            ends = [flight_rows.tilt_residual(states(azimuth, 5.0 * DEG, sign * axis), 0, rail)[0] for sign in (1, -1)]
            np.testing.assert_allclose((ends[0] - ends[1]) / 2e-6, by_turn[:, k], atol=1e-8)
        np.testing.assert_allclose(by_mount, by_turn @ rotation.to_dcm(states(azimuth, 5.0 * DEG).q[0]), atol=1e-12)
        close = flight_rows.tilt_residual(states(azimuth, (read_deg + 0.1) * DEG), 0, rail)[0]
        if read_deg > 3.0:
            assert close == pytest.approx([0.1 * DEG], rel=0.02)
        else:
            assert np.linalg.norm(close) / rail.sd_rad < np.sqrt(2.0)


@pytest.mark.parametrize(
    ("change", "key", "word"),
    [
        (("sd_m = 3.0", "sd_m = -3.0"), "touchdown.sd_m", "above 0"),
        (("east_m = 52.7\n", ""), "touchdown.east_m", "a number"),
        (("azimuth_deg = 80.0\n", ""), "sighting[1].azimuth_deg", "a number"),
        (("[apogee]", "[apogie]"), "apogie", "apogee"),
    ],
)
def test_half_an_observation_is_refused(tmp_path, change, key, word):
    path = tmp_path / "evidence.toml"
    path.write_text(TEXT.replace(*change))
    with pytest.raises(SettingsError) as caught:
        load_evidence(path)
    assert caught.value.key == key
    assert word in str(caught.value)


def test_nothing_stated_is_no_evidence():
    assert evidence_of({}).rail is None
