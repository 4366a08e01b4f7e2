"""Steps that must be done before a mask closes: offset and low cut."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Annotated, ClassVar

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.core.audio.filtering import fir_block, fir_margins, low_cut_taps
from spillgate.dsp.params import Range
from spillgate.dsp.steps.base import Context, Stage, Step

__all__ = ["LowCutStep", "OffsetStep"]


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

    def apply(self, block: NDArray[np.float64], context: Context) -> NDArray[np.float64]:
        """Subtract the constant; digital silence stays silent (a file that starts late has no offset there)."""
        return np.where(block == 0.0, 0.0, block - self.offset)


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
