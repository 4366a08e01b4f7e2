"""Sounds to listen to in a browser: FLAC, 16 bit, never above a given peak."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np
import soundfile as sf
from numpy.typing import NDArray

from spillgate.dsp.writing import told

__all__ = ["write_preview"]


def write_preview(path: Path, blocks: Iterable[NDArray[np.floating]], sr: int, limit: float = 1.0) -> None:
    """Write one channel; the same samples give the same bytes.

    Parameters
    ----------
    path : Path
        Ends with ``.flac``.
    blocks : iterable of ndarray, shape (n,)
        One after the other; 1.0 = full scale.
    sr : int
        Hz.
    limit : float
        Samples beyond ± this are cut off there: what was removed must not be louder than the recording was.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    top = min(limit, 1.0)
    with told(path.name), sf.SoundFile(path, "w", sr, 1, "PCM_16", format="FLAC") as stream:
        for x in blocks:
            stream.write(np.round(np.clip(x, -top, top) * 32767.0).astype(np.int16))
