"""Sounds to listen to in a browser: FLAC, 16 bit, never above a given peak."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Self

import numpy as np
import soundfile as sf
from numpy.typing import NDArray

from spillgate.dsp.take.audio import sound_told

__all__ = ["Preview", "write_preview"]


class Preview:
    """One channel being written; the same samples give the same bytes.

    Parameters
    ----------
    path : Path
        Ends with ``.flac``.
    sr : int
        Hz.
    limit : float
        Samples beyond ± this are cut off there: what was removed must not be louder than the recording was.

    Raises
    ------
    OutputError
        If it cannot be written.
    """

    def __init__(self, path: Path, sr: int, limit: float = 1.0) -> None:
        self._name, self._top = path.name, min(limit, 1.0)
        with sound_told(self._name):
            self._stream = sf.SoundFile(path, "w", sr, 1, "PCM_16", format="FLAC")

    def write(self, x: NDArray[np.floating]) -> None:
        """Append samples, shape (n,); 1.0 = full scale."""
        y = np.clip(x, -self._top, self._top)
        y *= 32767.0
        with sound_told(self._name):
            self._stream.write(np.rint(y, out=y).astype(np.int16))

    def close(self) -> None:
        """Complete the file."""
        with sound_told(self._name):
            self._stream.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()


def write_preview(path: Path, blocks: Iterable[NDArray[np.floating]], sr: int, limit: float = 1.0) -> None:
    """Write a whole preview.

    Parameters
    ----------
    path : Path
        Ends with ``.flac``.
    blocks : iterable of ndarray, shape (n,)
        One after the other; 1.0 = full scale.
    sr : int
        Hz.
    limit : float
        As for `Preview`.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    with Preview(path, sr, limit) as preview:
        for x in blocks:
            preview.write(x)
