"""What importing the motion folder costs."""

import os
import subprocess
import sys


def test_the_doors_load_nothing_heavy():
    """Names and types of `replay.motion` and `replay.sensors` come without compiled loops, scipy, pandas or Qt."""
    code = (
        "import sys; from replay.motion import EstimatorSettings, Events, Site, Solution, estimate, estimate_attitude, find_events, level\n"
        "from replay.sensors import Calibration, measure, prepare\n"
        "heavy = ('numba', 'scipy', 'pandas', 'matplotlib', 'PySide6', 'pyqtgraph')\n"
        "print(sorted({m.split('.')[0] for m in sys.modules} & set(heavy)))"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"


def test_the_same_code_runs_uncompiled():
    """With compilation switched off, the quick methods give the same attitude, stepped through as Python."""
    code = (
        "import numpy as np\n"
        "from replay.motion import estimate_attitude\n"
        "t = np.arange(60) / 100.0; w = np.column_stack((np.sin(9 * t), np.cos(5 * t), 2 + 0 * t)); f = np.tile([0.3, 0.1, 9.8], (60, 1))\n"
        "print(*(repr(float(x)) for m in ('integrate', 'complementary', 'gradient')"
        " for x in estimate_attitude(t, w, f, m).q_enu_from_body[-1]))"
    )
    lines = []
    for disabled in ("0", "1"):
        environment = os.environ | {"NUMBA_DISABLE_JIT": disabled}
        found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env=environment)
        lines.append([float(x) for x in found.stdout.split()])
    assert max(abs(a - b) for a, b in zip(*lines, strict=True)) < 1e-13
