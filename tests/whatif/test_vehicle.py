"""Vehicle files and thrust curves: what reads back equal, and what is refused, with its place."""

import dataclasses

import numpy as np
import pytest
from numpy.testing import assert_allclose

from replay.errors import LogReadError, SettingsError
from replay.whatif.scenarios import SCENARIOS, WREN
from replay.whatif.vehicle import Gimbal, load_thrust_curve, load_vehicle, save_vehicle

SMALL = """
format = 1
name = "Small"
liftoff_mass_kg = 0.8
propellant_mass_kg = 0.03
diameter_m = 0.066
[motor]
thrust_curve_s_n = [[0.0, 0.0], [0.1, 20.0], [3.0, 0.0]]
"""


def written(folder, text, name="vehicle.toml"):
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("name", sorted(SCENARIOS))
def test_a_vehicle_reads_back_equal(tmp_path, name):
    vehicle = SCENARIOS[name].vehicle
    save_vehicle(vehicle, tmp_path / "v.toml")
    assert load_vehicle(tmp_path / "v.toml") == vehicle


def test_odd_numbers_read_back_equal(tmp_path):
    """Angles and temperatures survive their trip through the file's units to the last bit but one."""
    random = np.random.default_rng(3)
    for _ in range(20):
        a, b, c, d = (float(x) for x in random.uniform(0.01, 0.5, 4))
        vehicle = dataclasses.replace(
            WREN,
            gimbal=Gimbal(a, b, c, d),
            site=dataclasses.replace(WREN.site, latitude_rad=a, ground_temperature_k=280.0 + b, pad_azimuth_rad=c),
        )
        save_vehicle(vehicle, tmp_path / "v.toml")
        read = load_vehicle(tmp_path / "v.toml")
        assert_allclose(dataclasses.astuple(read.gimbal), (a, b, c, d), rtol=3e-16)
        assert_allclose((read.site.latitude_rad, read.site.ground_temperature_k, read.site.pad_azimuth_rad), (a, 280.0 + b, c), rtol=3e-16)


def test_the_least_a_file_can_say(tmp_path):
    """Unguided, nozzle fixed, everything else a default that is named."""
    vehicle = load_vehicle(written(tmp_path, SMALL))
    assert vehicle.guidance is None
    assert vehicle.gimbal is None
    assert {"aero.drag_coefficient", "inertia_kgm2", "rail_length_m", "recovery.drag_area_m2"} <= vehicle.defaulted
    assert not any(key.startswith(("gimbal.", "guidance.", "site.")) for key in vehicle.defaulted)
    assert "inertia_kgm2" in vehicle.assumptions()[0]
    assert WREN.assumptions() == ()


def test_guidance_without_a_gimbal_table_leans_on_its_defaults(tmp_path):
    vehicle = load_vehicle(written(tmp_path, SMALL + "[guidance]\nproportional = 0.5\n"))
    assert vehicle.gimbal == Gimbal()
    assert {"gimbal.limit_deg", "guidance.rate"} <= vehicle.defaulted
    assert vehicle.guidance.upright_from_s is None
    assert "guidance.upright_from_s" not in vehicle.defaulted


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("diameter_m = 0.066", "diametre_m = 0.066", "diametre_m"),
        ("diameter_m = 0.066", "", "diameter_m"),
        ("propellant_mass_kg = 0.03", "propellant_mass_kg = 0.9", "propellant_mass_kg"),
        ("[3.0, 0.0]", "[0.05, 0.0]", "motor.thrust_curve_s_n"),
        ("[0.1, 20.0]", "[0.1, -20.0]", "motor.thrust_curve_s_n"),
        ("[0.0, 0.0], [0.1, 20.0], [3.0, 0.0]", "[0.0, 1.0]", "motor.thrust_curve_s_n"),
        ("thrust_curve_s_n =", 'file = "m.txt"\nthrust_curve_s_n =', "motor"),
        ("name = ", "inertia_kgm2 = [1.0, 1.0, 0.0]\nname = ", "inertia_kgm2"),
    ],
)
def test_what_a_vehicle_file_cannot_say(tmp_path, old, new, key):
    """One error that names the file and the key."""
    assert old in SMALL
    with pytest.raises(SettingsError) as error:
        load_vehicle(written(tmp_path, SMALL.replace(old, new)))
    assert error.value.key == key
    assert "vehicle.toml" in str(error.value)


def test_the_nearest_known_key_is_named(tmp_path):
    with pytest.raises(SettingsError, match=r"guidance\.proportional"):
        load_vehicle(written(tmp_path, SMALL + "[guidance]\nproportinal = 0.5\n"))


CURVE_TEXTS = (
    "# F12\n0 0\n0.1 20 # peak\n3.0 0\n",
    "time,thrust\n0,0\n0.1,20\n3,0\n",
    "; made by us\n0;0\n// half\n0.1;20\n3;0\n",
    "0\t0\n\n0.1\t20\n3\t0",
)


@pytest.mark.parametrize("text", CURVE_TEXTS)
def test_thrust_curve_text(tmp_path, text):
    assert load_thrust_curve(written(tmp_path, text, "m.txt")) == ((0.0, 0.0), (0.1, 20.0), (3.0, 0.0))


def test_a_motor_file_lies_beside_the_vehicle_file(tmp_path):
    written(tmp_path, "0 0\n0.1 20\n3.0 0\n", "m.txt")
    vehicle = load_vehicle(written(tmp_path, SMALL.split("thrust_curve")[0] + 'file = "m.txt"\n'))
    assert vehicle.thrust_curve_s_n == ((0.0, 0.0), (0.1, 20.0), (3.0, 0.0))


@pytest.mark.parametrize(
    ("text", "row"),
    [
        ("0 0\n0.1 20\nspike\n3 0\n", 3),
        ("0 0\n0.1 20 7\n3 0\n", 2),
        ("t f\n0 0\n0.2 20\n0.1 5\n", 4),
        ("0 0\n1 nan\n2 0\n", 2),
        ("0 0\n", 1),
    ],
)
def test_a_bad_thrust_curve_says_which_line(tmp_path, text, row):
    with pytest.raises(LogReadError) as error:
        load_thrust_curve(written(tmp_path, text, "m.txt"))
    assert error.value.row == row


def test_no_thrust_curve_at_all(tmp_path):
    for text in ("", "# nothing\n"):
        with pytest.raises(LogReadError):
            load_thrust_curve(written(tmp_path, text, "m.txt"))
    with pytest.raises(LogReadError):
        load_thrust_curve(tmp_path / "absent.txt")
