"""A mask of band gains, with every attack left alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, ClassVar

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.params import Range
from spillgate.dsp.steps.base import Context, Stage, Step

__all__ = ["MaskStep"]


@dataclass(frozen=True, kw_only=True)
class MaskStep(Step):
    """Multiply a track by gains over time and band.

    Parameters
    ----------
    open_before_ms, attack_ms : float
        From so long before each cut to so long after it the samples pass bit for bit (the first millisecond fades in).

    Notes
    -----
    Arrays: ``gains``, shape (n_frames, n_bands), uint16, on the band grid (`spillgate.dsp.core.bandgrid`), 65535 = 1;
    ``cuts``, shape (n_hits,), int64, samples on the take's timeline, increasing.
    """

    name: ClassVar[str] = "mask"
    summary: ClassVar[str] = "multiplies a track by gains over time and band and leaves the attacks alone"
    stage: ClassVar[Stage] = "clean"

    open_before_ms: Annotated[float, Range(0, 20, unit="ms", help="opens so long before a hit")] = 1.5
    attack_ms: Annotated[float, Range(0, 50, unit="ms", help="left untouched after a hit")] = 7.5

    def margins(self, sr: int) -> tuple[int, int]:
        """One frame on either side."""
        from spillgate.dsp.core.bandgrid import grid

        return grid(sr).frame_length, grid(sr).frame_length

    def apply(self, block: NDArray[np.float64], context: Context) -> NDArray[np.float64]:
        """Clean one block."""
        from spillgate.dsp.core.bandmask import Attack, render_mask

        before, _ = self.margins(context.sr)
        attack = Attack.of(self.open_before_ms, self.attack_ms, context.sr)
        start = context.start
        gains, cuts = context.arrays["gains"], context.arrays["cuts"]
        return render_mask(block, start - before, start, context.n_out, gains, cuts, attack, context.sr)
