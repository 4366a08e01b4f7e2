"""Spillgate's library: everything the command line does, as functions on arrays and plain data.

Layers, each importing only those before it: ``core`` (arithmetic on arrays), ``take`` and ``plan`` (files, decisions),
``processor`` (the common form), ``steps``, ``processors``, ``synth``, then ``registry``, ``chain``, ``render``.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from spillgate.dsp.chain import Chain
    from spillgate.dsp.plan.model import Plan
    from spillgate.dsp.processor import Processor
    from spillgate.dsp.steps.base import Context, Step
    from spillgate.dsp.take.model import Take, Track

__all__ = ["Chain", "Context", "Plan", "Processor", "Step", "Take", "Track"]

_WHERE = {
    "Chain": "spillgate.dsp.chain",
    "Context": "spillgate.dsp.steps.base",
    "Plan": "spillgate.dsp.plan.model",
    "Processor": "spillgate.dsp.processor",
    "Step": "spillgate.dsp.steps.base",
    "Take": "spillgate.dsp.take.model",
    "Track": "spillgate.dsp.take.model",
}


def __getattr__(name: str) -> Any:
    if name in _WHERE:
        return getattr(importlib.import_module(_WHERE[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
