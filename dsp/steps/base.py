"""The one form of everything that changes audio."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp import params

__all__ = ["STAGES", "Context", "Stage", "Step"]

Stage = Literal["repair", "clean", "treat", "move"]
STAGES: tuple[Stage, ...] = ("repair", "clean", "treat", "move")
"""When the render runs a step, in this order."""


@dataclass(frozen=True, kw_only=True)
class Context:
    """What a step is told besides the samples.

    Attributes
    ----------
    start : int
        Absolute sample (on the take's timeline) of the first *output* sample.
    n_out : int
        Output samples wanted.
    sr, n_samples : int
        Rate in Hz and length of the take's timeline.
    track : str
        Track id.
    arrays : mapping of str to ndarray
        The step's arrays under its own names for them.
    read : callable
        ``read(track_id, a, b)``: samples of another declared track, float64.
    """

    start: int
    n_out: int
    sr: int
    n_samples: int
    track: str
    arrays: Mapping[str, NDArray[Any]]
    read: Callable[[str, int, int], NDArray[np.float64]]


@dataclass(frozen=True, kw_only=True)
class Step:
    """Base of all steps: a frozen dataclass whose fields are its parameters.

    Notes
    -----
    The class attribute ``stage`` says when the render runs the step: ``"repair"`` first (offset, low cut: what must be
    gone before a mask closes), then ``"clean"`` (masks), ``"treat"`` (third parties), ``"move"`` last (delay and
    polarity in one interpolation); within a stage in the order of the plan.

    `apply` keeps nothing between calls and must give the same samples however the track is cut into blocks: frames
    and random numbers sit on absolute sample numbers.
    """

    name: ClassVar[str]
    summary: ClassVar[str] = ""
    stage: ClassVar[Stage] = "treat"

    def __post_init__(self) -> None:
        params.validate(self, self.name)

    def margins(self, sr: int) -> tuple[int, int]:
        """Samples of input needed before the first and after the last output sample (both ≥ 0)."""
        return 0, 0

    def reads(self) -> tuple[str, ...]:
        """Ids of the other tracks this step reads."""
        return ()

    def apply(self, block: NDArray[np.float64], context: Context) -> NDArray[np.float64]:
        """Process one block.

        Parameters
        ----------
        block : ndarray, shape (before + context.n_out + after,), float64
            Input from ``context.start - before`` on, with the margins of `margins`; zero outside the take.
            Never written to.
        context : Context

        Returns
        -------
        out : ndarray, shape (context.n_out,), float64
            Samples that the step leaves alone are returned bit for bit.
        """
        raise NotImplementedError(f"{type(self).__name__} has no apply")
