"""Reading a long log against a named reference: the same file through the pandas C engine alone, which checks nothing."""

from time import process_time

import numpy as np
import pytest

from replay.flightlog import read_log

pytestmark = pytest.mark.benchmark
N_ROWS, N_COLUMNS = 150_000, 30


@pytest.fixture(scope="module")
def long_log(tmp_path_factory):
    """150 thousand rows of 30 columns, 42 MB: a tenth of the longest log aimed at (seed 11)."""
    rng = np.random.default_rng(11)
    header = "time_us,ax [g],ay [g],az [g],gx [dps],gy [dps],gz [dps],pressure [Pa],temp [C],vbat [V],"
    header += ",".join(f"loop_{k}" for k in range(N_COLUMNS - 10))
    block = [",".join(f"{v:.6f}" for v in row) for row in rng.normal(size=(5000, N_COLUMNS - 1))]
    path = tmp_path_factory.mktemp("long") / "long.csv"
    with path.open("w", encoding="utf-8") as stream:
        stream.write(header + "\n")
        for start in range(0, N_ROWS, 5000):
            stream.writelines(f"{1000 * (start + i)},{line}\n" for i, line in enumerate(block))
    return path


def test_a_long_log_costs_a_few_times_the_bare_parse(long_log):
    """Sanitiser, clock, units, channels and checks included: below seven times the reference (measured 3.4 to 4.8, machine busy)."""
    import pandas as pd

    ours, reference = [], []
    read_log(long_log)
    for _ in range(3):
        start = process_time()
        pd.read_csv(long_log)
        reference.append(process_time() - start)
        start = process_time()
        log = read_log(long_log)
        ours.append(process_time() - start)
    assert log["rate_raw_imu_radps"].n_samples == N_ROWS
    ratio = min(ours) / min(reference)
    print(f"read_log {min(ours):.2f} s, pandas {min(reference):.2f} s, ratio {ratio:.2f}, {N_ROWS} rows of {N_COLUMNS}")
    assert ratio < 7.0
