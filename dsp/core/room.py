"""Where long arrays are made: in memory, or in files that whoever calls provides."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

__all__ = ["Room", "in_memory"]

Room = Callable[[tuple[int, ...]], NDArray[np.float32]]
"""Makes zeros of a shape."""


def in_memory(shape: tuple[int, ...]) -> NDArray[np.float32]:
    """Make zeros in memory, for what is not so long that it must lie in a file.

    Parameters
    ----------
    shape : tuple of int

    Returns
    -------
    zeros : ndarray, float32
    """
    return np.zeros(shape, np.float32)
