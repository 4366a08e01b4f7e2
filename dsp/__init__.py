"""Spillgate's library: everything the command line does, as functions on arrays and plain data.

Layers, each importing only those before it: ``core`` (arithmetic on arrays), ``take`` and ``plan`` (files, decisions),
``processor`` (the common form), ``steps``, ``processors``, ``synth``, then ``registry``, ``chain``, ``render``.

The names below are the stable ones; they are imported when first used.  `spillgate.dsp.errors` holds what is raised,
`spillgate.dsp.testing` the contract for authors of plug-ins, `spillgate.dsp.synth` takes with exact truth.

Examples
--------
Read a take, decide, look, render::

    from spillgate.dsp import Chain, open_take, render_stems
    take = open_take("Song 3")
    plan = Chain.from_names().decide(take)
    print(len(plan.hits), "hits,", [(a.track, a.delay_samples) for a in plan.alignments if a.applied])
    render_stems(take, plan, "Song 3 clean")
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from spillgate.dsp.chain import Chain
    from spillgate.dsp.core.audio.interpolation import delay
    from spillgate.dsp.core.checks.levels import true_peak
    from spillgate.dsp.errors import DspError
    from spillgate.dsp.params import Choice, Flag, Range
    from spillgate.dsp.plan.corrections import Corrections, read_corrections
    from spillgate.dsp.plan.model import Alignment, Finding, Hit, Plan, Question, StepSpec
    from spillgate.dsp.plan.store import load as load_plan
    from spillgate.dsp.plan.store import save as save_plan
    from spillgate.dsp.processor import Processor
    from spillgate.dsp.registry import get_processor, get_step
    from spillgate.dsp.render import render as render_stems
    from spillgate.dsp.steps.base import Context, Step
    from spillgate.dsp.take.model import AudioFile, Take, Track
    from spillgate.dsp.take.opening import open_take

__all__ = [
    "Alignment",
    "AudioFile",
    "Chain",
    "Choice",
    "Context",
    "Corrections",
    "DspError",
    "Finding",
    "Flag",
    "Hit",
    "Plan",
    "Processor",
    "Question",
    "Range",
    "Step",
    "StepSpec",
    "Take",
    "Track",
    "delay",
    "get_processor",
    "get_step",
    "load_plan",
    "open_take",
    "read_corrections",
    "render_stems",
    "save_plan",
    "true_peak",
]

_WHERE = {
    "Alignment": "plan.model",
    "AudioFile": "take.model",
    "Chain": "chain",
    "Choice": "params",
    "Context": "steps.base",
    "Corrections": "plan.corrections",
    "DspError": "errors",
    "Finding": "plan.model",
    "Flag": "params",
    "Hit": "plan.model",
    "Plan": "plan.model",
    "Processor": "processor",
    "Question": "plan.model",
    "Range": "params",
    "Step": "steps.base",
    "StepSpec": "plan.model",
    "Take": "take.model",
    "Track": "take.model",
    "delay": "core.audio.interpolation",
    "get_processor": "registry",
    "get_step": "registry",
    "load_plan": "plan.store:load",
    "open_take": "take.opening",
    "read_corrections": "plan.corrections",
    "render_stems": "render:render",  # not "render": that is the module's own name in this package
    "save_plan": "plan.store:save",
    "true_peak": "core.checks.levels",
}


def __getattr__(name: str) -> Any:
    if name in _WHERE:
        module, _, attribute = _WHERE[name].partition(":")
        return getattr(importlib.import_module(f"{__name__}.{module}"), attribute or name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
