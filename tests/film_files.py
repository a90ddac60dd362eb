"""What film tests share: a video decoded again, and the lean of what is drawn, from its pixels alone."""

import math

import numpy as np
from scipy import ndimage


def decoded(path, pixels="rgba"):
    import av

    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        frames = [frame.to_ndarray(format=pixels) for frame in container.decode(stream)]
        return frames, stream.average_rate, float(stream.duration * stream.time_base)


def lean_rad(is_drawn):
    """Lean of the largest drawn blob's long axis from upright, to the right, from its pixels alone (thin lines eroded away)."""
    whole = ndimage.binary_fill_holes(is_drawn)  # a white tube on white paper is seen by its outline
    blobs, n = ndimage.label(ndimage.binary_erosion(whole, np.ones((3, 3)), iterations=2))
    sizes = ndimage.sum_labels(np.ones_like(blobs), blobs, np.arange(1, n + 1))
    y, x = np.nonzero(blobs == 1 + int(np.argmax(sizes)))
    axis = np.linalg.svd(np.stack((x - x.mean(), y - y.mean())), full_matrices=False)[0][:, 0]
    return math.atan2(axis[0] * -np.sign(axis[1]), abs(axis[1]))
