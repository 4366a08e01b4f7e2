"""Delay and polarity in one interpolation."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, ClassVar

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.core.audio.interpolation import delay_block, delay_margins
from spillgate.dsp.errors import ParameterError
from spillgate.dsp.params import Range
from spillgate.dsp.steps.base import Context, Stage, Step

__all__ = ["MoveStep"]


@dataclass(frozen=True, kw_only=True)
class MoveStep(Step):
    """Delay a track and turn its polarity.

    Parameters
    ----------
    delay_samples : float
        Positive moves the audio later.  Whole samples keep the bits.
    polarity : int
        1 or −1.

    Raises
    ------
    ParameterError
        If a value is out of range.
    """

    name: ClassVar[str] = "move"
    summary: ClassVar[str] = "delays a track and turns its polarity, in one interpolation"
    stage: ClassVar[Stage] = "move"

    # ±10 s at 192 kHz: far beyond any distance between mics, near enough to catch a slip of units
    delay_samples: Annotated[float, Range(-1_920_000, 1_920_000, unit="samples", help="positive is later")] = 0.0
    polarity: Annotated[int, Range(-1, 1, help="1, or -1 to turn it")] = 1

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.polarity == 0:
            raise ParameterError("move.polarity: 0 is not allowed; use 1 or -1")

    def margins(self, sr: int) -> tuple[int, int]:
        """Reach of the delay and its interpolator."""
        return delay_margins(self.delay_samples)

    def apply(self, block: NDArray[np.float64], context: Context) -> NDArray[np.float64]:
        """Delay and turn one block."""
        y = delay_block(block, self.delay_samples, context.n_out)
        return y if self.polarity > 0 else np.negative(y, out=y)
