"""What the render can do to a track."""

from spillgate.dsp.steps.base import Context, Step

__all__ = ["Context", "Step"]
