"""What stands over a frame of the launch video: time, height, speed and tilt at that frame; and what is said beside it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from replay.review.launch_video import FrameTimes
from replay.review.readout import numbers_at
from replay.review.review import LIFTOFF_BY, ReviewVideo
from replay.review.snapshot import Snapshot
from replay.units import DEG
from replay.whatif.evidence import Sighting
from replay.whatif.photograph import Point

_LABELS: Final = ("height", "speed", "tilt")
_AFTER_LAST_S: Final = 0.1


@dataclass(frozen=True)
class VideoTexts:
    """Texts as shown; `message` stands instead of the picture."""

    numbers: tuple[str, ...] = ()
    corner: str = ""
    message: str = ""


def video_texts(times: FrameTimes, frame: int, cursor_log_s: float, zero_log_s: float | None, snapshot: Snapshot | None) -> VideoTexts:
    """Texts of one frame.

    Parameters
    ----------
    times : FrameTimes
    frame : int
        −1 before the video and `times.n_frames` after it.
    cursor_log_s : float
        Counts where there is no frame.
    zero_log_s : float or None
        Log time of the first frame; None while video and log are not lined up, and then nothing is said of the flight.
    snapshot : Snapshot or None
    """
    n = times.n_frames
    corner = f"frame {frame + 1} of {n}" if 0 <= frame < n else ""
    if zero_log_s is None or snapshot is None:
        return VideoTexts((), corner)
    at_log_s, message, away_s = cursor_log_s, "", cursor_log_s - zero_log_s
    if frame < 0:
        message = f"The video begins {-away_s:.2f} s after this moment."
    elif frame >= n:
        message = f"The video ended {away_s - times.duration_s:.2f} s before this moment."
    else:
        at_log_s = zero_log_s + float(times.time_s[frame])
    since_s = at_log_s - snapshot.as_flown.events.liftoff_log_s
    return VideoTexts((f"T{since_s:+.3f} s".replace("-", "−"), *_numbers(snapshot, at_log_s)), corner, message)


def _numbers(snapshot: Snapshot, at_log_s: float) -> tuple[str, ...]:
    log_time_s = snapshot.as_flown.log_time_s
    if not len(log_time_s) or at_log_s < log_time_s[0]:
        return ("before the log begins",)
    if at_log_s > log_time_s[-1] + _AFTER_LAST_S:
        return ("after the log ends",)
    return tuple(f"{row.label} {row.as_flown} {row.unit}" for row in numbers_at(snapshot, at_log_s, _LABELS))


def lined_up_text(video: ReviewVideo, liftoff_log_s: float) -> str:
    """How video and log stand to each other, and what to do where they don't yet."""
    if video.liftoff_video_s is None or video.liftoff_sd_s is None:
        return "Not lined up with the flight: go to the frame on which it lifts off and press Liftoff Here, or try From the Sound."
    if not math.isfinite(liftoff_log_s):
        return "The log's liftoff is not known, so there is nothing to line the video up with."
    return f"Lined up on liftoff, {LIFTOFF_BY[video.liftoff_by]}, ±{video.liftoff_sd_s:.3f} s"


def frames_text(times: FrameTimes) -> str:
    """How many frames, how long and how fast."""
    rate = "even" if times.is_rate_even else "varying"
    return f"{times.n_frames} frames, {times.duration_s:.3f} s, {1.0 / times.usual_frame_s:.3f} a second, {rate}"


def lean_text(line_px: tuple[Point, Point]) -> str:
    """How far a line from tail to nose leans in the picture, whose y runs down."""
    (x0, y0), (x1, y1) = line_px
    lean_deg = math.atan2(x1 - x0, y0 - y1) / DEG
    return f"{abs(lean_deg):.1f}° {'to the right' if lean_deg >= 0.0 else 'to the left'} in the picture"


def sighting_text(sighting: Sighting) -> str:
    """What was added to the evidence."""
    return (
        f"Sighting added to the evidence: {sighting.tilt_rad / DEG:.1f} ±{sighting.sd_rad / DEG:.1f}° towards "
        f"{sighting.tilt_azimuth_rad / DEG % 360.0:.0f}° at T{sighting.time_s:+.3f} s, seen from one side only. Reconcile uses it."
    )
