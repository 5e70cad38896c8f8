"""One buffer for the pixels of photo after photo: fresh memory would be zeroed page by page."""

from __future__ import annotations

import sys
from typing import Final

import numpy as np
from numpy.typing import NDArray

MOST_KEPT: Final = 256 << 20  # bytes that may wait for the next photo; 64 megapixels, our choice
_UNSHARED: Final = 2  # references to a buffer that nobody else holds: ours and the question's

_spare: list[NDArray[np.uint8]] = []


def pixel_buffer(height: int, width: int) -> NDArray[np.uint8]:
    """A buffer of shape (height, width, 4) to decode into; what it holds means nothing.

    The one of the last photo, if that has the same size and neither the photo nor any view of its
    pixels lives on: all of them refer to the buffer. CPython counts its references.
    """
    shape = (height, width, 4)
    buffer = _spare.pop() if _spare else None  # at once: of two threads one gets it
    if buffer is None or buffer.shape != shape or sys.getrefcount(buffer) > _UNSHARED:
        buffer = np.empty(shape, np.uint8)
    buffer.flags.writeable = True
    if buffer.nbytes <= MOST_KEPT:
        _spare[:] = [buffer]
    return buffer
