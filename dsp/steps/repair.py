"""Steps that must be done before a mask closes: offset and low cut."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Annotated, ClassVar

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from spillgate.dsp.core.audio.filtering import fir_block, fir_margins, low_cut_taps
from spillgate.dsp.params import Range
from spillgate.dsp.steps.base import Context, Stage, Step

__all__ = ["LowCutStep", "OffsetStep"]

SILENT = 64
"""So many exact zeros in a row are digital silence (a file that starts late, a part muted in an editor), not sound."""


@dataclass(frozen=True, kw_only=True)
class OffsetStep(Step):
    """Take a constant off every sample.

    Parameters
    ----------
    offset : float
        1.0 = full scale.
    """

    name: ClassVar[str] = "offset"
    summary: ClassVar[str] = "takes a constant off every sample"
    stage: ClassVar[Stage] = "repair"

    offset: Annotated[float, Range(-1.0, 1.0, help="what is taken off, 1 = full scale")] = 0.0

    def margins(self, sr: int) -> tuple[int, int]:
        """Reach of the look for digital silence."""
        return SILENT, SILENT

    def apply(self, block: NDArray[np.float64], context: Context) -> NDArray[np.float64]:
        """Subtract the constant; stretches of digital silence stay silent, single zeros inside sound do not."""
        zero = (block == 0.0).astype(np.uint8)
        # an opening: what is left are the runs of at least so many zeros
        silent = maximum_filter1d(minimum_filter1d(zero, SILENT), SILENT, origin=-1 if SILENT % 2 == 0 else 0)
        y = np.where(silent > 0, 0.0, block - self.offset)
        return y[SILENT : SILENT + context.n_out]


@dataclass(frozen=True, kw_only=True)
class LowCutStep(Step):
    """Cut what lies under a drum.

    Parameters
    ----------
    cut_hz : float
        −3 dB point of a second-order Butterworth high-pass without pre-ring.
    """

    name: ClassVar[str] = "low-cut"
    summary: ClassVar[str] = "high-pass of 12 dB an octave without pre-ring"
    stage: ClassVar[Stage] = "repair"

    cut_hz: Annotated[float, Range(10.0, 500.0, unit="Hz", help="-3 dB point")] = 30.0

    def margins(self, sr: int) -> tuple[int, int]:
        """Reach of the filter and of its segments."""
        return fir_margins(len(_taps(self.cut_hz, sr)))

    def apply(self, block: NDArray[np.float64], context: Context) -> NDArray[np.float64]:
        """Filter one block."""
        return fir_block(block, _taps(self.cut_hz, context.sr), context.start, context.n_out)


@cache
def _taps(cut_hz: float, sr: int) -> NDArray[np.float64]:
    taps = low_cut_taps(cut_hz, sr)
    taps.setflags(write=False)
    return taps
