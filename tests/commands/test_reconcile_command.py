"""`plumbline reconcile`: what it refuses."""

import pytest

from replay.cli import main


@pytest.mark.parametrize("option", ["--free", "--pin"])
def test_a_name_that_can_not_be_solved_for_is_wrong_usage(capsys, option):
    """Before anything is read; the nearest name is said."""
    with pytest.raises(SystemExit) as stop:
        main(["reconcile", "missing.csv", option, "gyro skale"])
    assert stop.value.code == 2 and "nearest: gyro scale" in capsys.readouterr().err
