"""Where things stand in the arrays of the general-motion attitude filter, and the thresholds its loops share.

State, 23 errors about a nominal trajectory: attitude (enu, R_true = exp(δθ) R), horizontal velocity and position, then the constants:
gyro bias, gyro scale and cross-axis (row by row), lag of the gyro behind the accelerometer, accelerometer bias (body). Rows of a
covariance are padded to 24, so that they fill whole vector registers; loops over them take their length from the array, for a constant
one would be unrolled into scalars instead. The nominal state `x` is the quaternion, then entry j + 1 for error j ≥ 3; entry 24 is the
recent spread of the position, 25 and 26 are its last innovation in standard deviations, 27 and 28 their recent mean.

The vertical channel is left out: to first order it says nothing about tilt, and without it the local gravity is not needed. The
turn about up is carried along but never measured: nothing else depends on it, so its growing variance leaks nowhere.
"""

from __future__ import annotations

N = 23
WIDTH = 24
VEL, POS, CONSTANTS = 3, 5, 7
BIAS, SCALE, LAG, ACCEL_BIAS = 7, 10, 19, 20
N_TURN = 12  # the constants that turn the attitude: gyro bias, then scale
N_UPDATES = 7
SPREAD, SIGMAS, PERSISTENT, N_STATE = 24, 25, 27, 29
GROUP_S = 0.008  # the transition's integrals take the samples in groups of at least this: a turn of 20 rad/s bends them by 0.2 %

# Motion is not Gaussian: a walk, a car, a slow turn taken for rest must not be read as tilt or bias. An innovation beyond two of its
# standard deviations is met with as much more noise as brings it back to two; and where the position has lately spread wider than its
# noise density says, that spread is used, as of a process of this correlation time.
SURPRISE = 4.0
SPREAD_S, SPREAD_CORRELATION_S = 3.0, 1.0
# Nor is it white: innovations that keep to one side for so long say that motion lasts. Their mean over that time, squared over what it
# would be of white noise, is how many times noisier each of them counts.
PERSISTENCE_S = 5.0
# A thing this many standard deviations (squared) from its place, or at rest this fast, has moved off: place and velocity are taken anew.
PLACE_GATE, REST_GATE = 9.0, 4.0

# entries of the noise vector, see `kalman.py`
(
    GYRO_ND, GYRO_RATE_NOISE, GYRO_WALK, SCALE_WALK, ACCEL_ND, ACCEL_REST_ND, ACCEL_WALK, POSITION_ND, WANDER, REST_SPEED_SD,
    REST_RATE_SD, RATE_CLIPPED_SD, ACCEL_LOST_SD, GAP_RATE_SD, LEVEL_TILT_SD, LEVEL_SPEED_SD, LEVEL_POSITION_SD, LAG_S, LAG_SD,
) = range(19)  # fmt: skip

# entries of an epoch's pre-integration: ∫f (3), ∬f (2), lag column (2), ∫ω², time, time with the rate missing, clipped, without
# specific force, mean raw rate (3), variance of ∫f from how far neighbouring samples differ (vibration)
DOUBLE, LAGGED, TURNED, TIME, NO_RATE, CLIPPED, NO_ACCEL, MEAN_RATE, ROUGH = 3, 5, 7, 8, 9, 10, 11, 12, 15
N_SUMS = 16

# columns of the epoch output
OUT_INNOVATION, OUT_NIS, OUT_X, OUT_SD, OUT_SIGMAS = 0, 2, 3, 19, 35
N_OUT = 37
