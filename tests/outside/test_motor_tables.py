"""Motor classes, rocket equation and thrust-curve arithmetic against printed and independently computed numbers."""

import numpy as np
import pytest

from replay.errors import CannotEstimate
from replay.flight.motor import curve_figures, exhaust_speed_mps, ideal_speed_gain_mps, mass_history, motor_class, specific_impulse_s

# NFPA 1125 letter classes: upper limits, inclusive, N·s
LIMITS = {
    "¼A": 0.625, "½A": 1.25, "A": 2.5, "B": 5, "C": 10, "D": 20, "E": 40, "F": 80, "G": 160, "H": 320, "I": 640, "J": 1280,
    "K": 2560, "L": 5120, "M": 10240, "N": 20480, "O": 40960,
}  # fmt: skip


def test_upper_limits_belong_to_their_class():
    """Exact at every edge of the table, and one hundredth above it the next letter."""
    letters = list(LIMITS)
    for letter, following in zip(letters, [*letters[1:], "P"], strict=True):
        assert motor_class(LIMITS[letter]) == letter
        assert motor_class(LIMITS[letter] + 0.01) == following


def test_edges_named_in_print():
    """2.50 is A and 2.51 B; 160.00 is G and 160.01 H."""
    assert [motor_class(i) for i in (2.50, 2.51, 160.00, 160.01)] == ["A", "B", "G", "H"]
    with pytest.raises(CannotEstimate):
        motor_class(0.0)


@pytest.mark.parametrize(
    ("impulse", "propellant", "mass", "exhaust", "isp", "gain"),
    [(50.0, 0.028, 0.8, 1785.7143, 182.0922, 63.61996), (20.0, 0.0125, 0.35, 1600.0, 163.1546, 58.18823)],
)
def test_rocket_equation(impulse, propellant, mass, exhaust, isp, gain):
    """Tsiolkovsky's equation, numbers computed independently; Sutton and Biblarz, Rocket Propulsion Elements."""
    assert exhaust_speed_mps(impulse, propellant) == pytest.approx(exhaust, rel=1e-7)
    assert specific_impulse_s(impulse, propellant) == pytest.approx(isp, rel=1e-6)
    assert ideal_speed_gain_mps(impulse, propellant, mass) == pytest.approx(gain, rel=1e-6)


def test_impulse_of_a_polyline():
    """(0,0)(.05,20)(.2,12)(1.5,10)(1.6,0): 17.70 N·s by trapezoids."""
    figures = curve_figures([0, 0.05, 0.2, 1.5, 1.6], [0, 20, 12, 10, 0])
    assert figures.total_impulse_ns == pytest.approx(17.70, abs=1e-9)
    assert figures.peak_n == 20.0
    assert figures.burn_start_s == pytest.approx(0.05 * 0.05, abs=1e-12)
    assert figures.burn_stop_s == pytest.approx(1.6 - 0.01, abs=1e-12)


def test_mass_leaves_with_the_impulse():
    """Half the impulse, half the propellant; the sum of thrust over mass is the rocket equation's speed."""
    t = np.linspace(0.0, 2.0, 20001)
    thrust = np.full_like(t, 25.0)
    mass = mass_history(t, thrust, 0.8, 0.028)
    assert mass[10000] == pytest.approx(0.786, abs=1e-9)
    assert np.trapezoid(thrust / mass, t) == pytest.approx(63.61996, rel=1e-6)
