"""Small videos made for tests: every frame carries its own number as black and white fields, at even or uneven times, with sound."""

from fractions import Fraction
from pathlib import Path

import av
import numpy as np

BITS = 8
SIDE = 16


def numbered(number):
    """A picture of 8 × 2 fields of 16 px: the number in binary along the top, its complement below."""
    bits = [(number >> k) & 1 for k in range(BITS)]
    fields = np.array([bits, [1 - b for b in bits]], dtype=np.uint8) * 200 + 20
    gray = np.kron(fields, np.ones((SIDE, SIDE), dtype=np.uint8))
    return np.repeat(gray[..., None], 3, axis=2)


def number_of(picture):
    """Read it back; a picture that is not one of ours fails the test."""
    high, wide = picture.shape[0] // 2, picture.shape[1] // BITS
    level = picture.mean(axis=2)
    centres = [[level[r * high + high // 2, k * wide + wide // 2] > 120 for k in range(BITS)] for r in range(2)]
    assert centres[0] == [not bit for bit in centres[1]]
    return sum(1 << k for k, bit in enumerate(centres[0]) if bit)


def even_times(n, rate=30):
    """Times in ms of an even rate, as whole milliseconds."""
    return [round(1000 * k / rate) for k in range(n)]


def uneven_times(n, seed=3):
    """Times in ms such as a phone makes in changing light: 16 to 50 ms apart."""
    return np.cumsum([0, *np.random.default_rng(seed).integers(16, 51, n - 1)]).tolist()


def make_video(path, times_ms, *, sound=None, b_frames=3, group=12, codec="libx264", container_start_ms=0):
    """Write one; `sound` is (rate, samples) that begins with the first frame."""
    path = Path(path)
    with av.open(str(path), "w") as container:
        options = {"bf": str(b_frames), "g": str(group), "crf": "12", "x264-params": "scenecut=0:open-gop=1"} if codec == "libx264" else {}
        stream = container.add_stream(codec, rate=30, options=options)
        stream.width, stream.height, stream.pix_fmt = BITS * SIDE, 2 * SIDE, "yuv420p" if codec == "libx264" else "yuvj420p"
        tick = Fraction(1, 1000)
        stream.codec_context.time_base = tick
        heard = container.add_stream("aac" if path.suffix != ".avi" else "pcm_s16le", rate=sound[0]) if sound else None
        if heard is not None:
            heard.layout = "mono"
        for number, at in enumerate(times_ms):
            frame = av.VideoFrame.from_ndarray(numbered(number), format="rgb24")
            frame.pts, frame.time_base = at + container_start_ms, tick
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
        if heard is not None:
            rate, samples = sound
            for start in range(0, len(samples), 1024):
                piece = (np.clip(samples[start : start + 1024], -1, 1) * 32000).astype(np.int16)[None]
                frame = av.AudioFrame.from_ndarray(piece, format="s16", layout="mono")
                frame.sample_rate, frame.pts, frame.time_base = rate, start, Fraction(1, rate)
                container.mux(heard.encode(frame))
            container.mux(heard.encode(None))
    return path


def turned_on_its_side(path):
    """Write a quarter turn clockwise into the track header, as a phone held upright does (matrix of `tkhd`, ISO/IEC 14496-12)."""
    data = bytearray(path.read_bytes())
    at = data.index(b"tkhd") + 4 + 4 + 20 + 8 + 8  # version and flags; times, track, duration; reserved; layer to reserved
    matrix = (0, 0x10000, 0, -0x10000, 0, 0, 2 * SIDE << 16, 0, 0x40000000)
    data[at : at + 36] = b"".join(v.to_bytes(4, "big", signed=True) for v in matrix)
    path.write_bytes(data)


def roar(rate, duration_s, onset_s, *, seed=1, quiet=0.005, loud=0.3, rise_s=0.02, talk_until_s=0.0):
    """A quiet field, someone counting down, then a motor."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(duration_s * rate)) / rate
    sound = quiet * rng.standard_normal(len(t))
    words = (np.sin(2 * np.pi * 1.1 * t) > 0.3) & (t < talk_until_s)
    sound += 0.15 * words * sum(np.sin(2 * np.pi * 160 * k * t) / k for k in range(1, 20))
    return sound + loud * np.clip((t - onset_s) / rise_s, 0, 1) * np.exp(-np.clip(t - onset_s, 0, None) / 3.0) * rng.standard_normal(len(t))
