"""A mask of band gains, with every attack left alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, ClassVar

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.params import Range
from spillgate.dsp.steps.base import Context, Stage, Step

if TYPE_CHECKING:
    from spillgate.dsp.core.cleaning.bandmask import Attack

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
    Arrays: ``gains``, shape (n_frames, n_bands), uint16, on the band grid (`spillgate.dsp.core.cleaning.bandgrid`),
    65535 = 1; ``cuts``, shape (n_hits,), int64, samples on the take's timeline, increasing; optionally ``cancel``,
    shape (n,), float32, a signal at a low rate that is taken off first, except round the hits
    (`spillgate.dsp.core.cleaning.cancel`).
    """

    name: ClassVar[str] = "mask"
    summary: ClassVar[str] = "multiplies a track by gains over time and band and leaves the attacks alone"
    stage: ClassVar[Stage] = "clean"

    open_before_ms: Annotated[float, Range(0, 20, unit="ms", help="opens so long before a hit")] = 1.5
    attack_ms: Annotated[float, Range(0, 50, unit="ms", help="left untouched after a hit")] = 7.5

    def margins(self, sr: int) -> tuple[int, int]:
        """One frame on either side."""
        from spillgate.dsp.core.cleaning.bandgrid import grid

        return grid(sr).frame_length, grid(sr).frame_length

    def apply(self, block: NDArray[np.float64], context: Context) -> NDArray[np.float64]:
        """Clean one block."""
        from spillgate.dsp.core.cleaning.bandmask import Attack, render_mask

        before, _ = self.margins(context.sr)
        attack = Attack.of(self.open_before_ms, self.attack_ms, context.sr)
        start = context.start
        gains, cuts = context.arrays["gains"], context.arrays["cuts"]
        if "cancel" in context.arrays:
            block = self._without(block, start - before, context.arrays["cancel"], gains, cuts, attack, context.sr)
        return render_mask(block, start - before, start, context.n_out, gains, cuts, attack, context.sr)

    def _without(
        self,
        block: NDArray[np.float64],
        first: int,
        cancel: NDArray[np.float32],
        gains: NDArray[np.uint16],
        cuts: NDArray[np.int64],
        attack: Attack,
        sr: int,
    ) -> NDArray[np.float64]:
        """Take the coherent part of the bleed off; not where the mask is closed anyway."""
        from spillgate.dsp.core.cleaning.bandgrid import grid
        from spillgate.dsp.core.cleaning.bandmask import attack_window
        from spillgate.dsp.core.cleaning.cancel import mute_window
        from spillgate.dsp.core.cleaning.lowrate import factor_of, interpolate

        stop = first + len(block)
        a, b = max(first // grid(sr).hop - 1, 0), max(stop // grid(sr).hop + 3, 0)
        if not gains[a:b].any():
            return block
        muted = attack_window(cuts, mute_window(attack, sr), first, len(block))
        return block - interpolate(cancel, factor_of(sr), first, stop) * (1.0 - muted)
