"""Processors and steps by name: built-ins from a table, third parties from entry points.

Nothing of a third party is imported unless it is asked for by name: listings come from metadata alone.
"""

from __future__ import annotations

import importlib
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import metadata
from typing import Any

from spillgate.dsp.errors import PluginError, PluginWarning, UnknownProcessorError, nearest

__all__ = ["Entry", "get_processor", "get_step", "listing"]

PROCESSORS = {
    "detect": "spillgate.dsp.processors.detect:Detect",
    "align": "spillgate.dsp.processors.align:Align",
    "gate": "spillgate.dsp.processors.gate:Gate",
    "check": "spillgate.dsp.processors.check:Check",
    "offset": "spillgate.dsp.processors.offset:Offset",
    "low-cut": "spillgate.dsp.processors.low_cut:LowCut",
}
"""Built-in processors in the order of the main job."""

STEPS = {
    "mask": "spillgate.dsp.steps.mask:MaskStep",
    "move": "spillgate.dsp.steps.move:MoveStep",
    "offset": "spillgate.dsp.steps.repair:OffsetStep",
    "low-cut": "spillgate.dsp.steps.repair:LowCutStep",
}
"""Built-in steps."""

GROUPS = {"processor": ("spillgate.processors", PROCESSORS), "step": ("spillgate.steps", STEPS)}


@dataclass(frozen=True)
class Entry:
    """One installed processor or step.

    Attributes
    ----------
    name : str
    target : str
        ``"module:Class"``.
    distribution : str
    version : str
    """

    name: str
    target: str
    distribution: str
    version: str


@cache
def version() -> str:
    """Version of the installed distribution."""
    return metadata.version("spillgate")


@cache
def listing(kind: str = "processor") -> Mapping[str, Entry]:
    """List what is installed, without importing any of it.

    Parameters
    ----------
    kind : {'processor', 'step'}

    Returns
    -------
    entries : mapping of str to Entry
        Built-ins first, then third parties by name.

    Warns
    -----
    PluginWarning
        For every plug-in whose name is taken already; it is left out.
    """
    group, builtins = GROUPS[kind]
    found = {name: Entry(name, target, "spillgate", version()) for name, target in builtins.items()}
    points = sorted(metadata.entry_points(group=group), key=lambda p: (p.name, p.dist.name if p.dist else ""))
    for point in points:
        owner = point.dist.name if point.dist else "an unknown distribution"
        if point.name in found:
            other = found[point.name]
            if (other.distribution, other.target) != (
                owner,
                point.value,
            ):  # the same one found twice on the path
                text = f"{owner}: {kind} '{point.name}' is left out; {other.distribution} has one of that name"
                warnings.warn(text, PluginWarning, stacklevel=2)
            continue
        found[point.name] = Entry(point.name, point.value, owner, point.dist.version if point.dist else "")
    return found


def _load(kind: str, name: str) -> type[Any]:
    entries = listing(kind)
    if name not in entries:
        raise UnknownProcessorError(f"{name}: no such {kind} is installed; {nearest(name, entries)}")
    entry = entries[name]
    module, _, attribute = entry.target.partition(":")
    try:
        cls = getattr(importlib.import_module(module), attribute)
    except Exception as error:
        if entry.distribution == "spillgate":
            raise
        text = f"{entry.distribution}: {kind} '{name}' cannot be loaded ({type(error).__name__}: {error})"
        raise PluginError(text) from error
    # imported here: a listing must stay light
    from spillgate.dsp.processor import Processor
    from spillgate.dsp.steps.base import Step

    base = Processor if kind == "processor" else Step
    if not (isinstance(cls, type) and issubclass(cls, base)):
        raise PluginError(f"{entry.distribution}: {kind} '{name}' is no subclass of {base.__name__}")
    if getattr(cls, "name", None) != name:
        raise PluginError(f"{entry.distribution}: {kind} '{name}' calls itself {getattr(cls, 'name', None)!r}")
    return cls


def get_processor(name: str) -> type[Any]:
    """Load the processor class of that name.

    Raises
    ------
    UnknownProcessorError
        If none is installed; the message holds the nearest name.
    PluginError
        If a third party's cannot be used; the message names its distribution.
    """
    return _load("processor", name)


def get_step(name: str) -> type[Any]:
    """Load the step class of that name.

    Raises
    ------
    UnknownProcessorError
        If none is installed.
    PluginError
        If a third party's cannot be used.
    """
    return _load("step", name)


def owner(kind: str, name: str) -> Entry:
    """Tell whose that processor or step is."""
    return listing(kind)[name]
