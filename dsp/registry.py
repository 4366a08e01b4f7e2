"""Processors and steps by name: built-ins from a table, third parties from entry points.

Nothing of a third party is imported unless it is asked for by name: listings come from metadata alone.
"""

from __future__ import annotations

import importlib
import inspect
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import metadata
from typing import Any

from spillgate.dsp import params
from spillgate.dsp.errors import DspError, PluginError, PluginWarning, UnknownProcessorError, nearest

__all__ = ["Entry", "flaw", "get_processor", "get_step", "listing", "needed", "owner", "refresh", "said", "summary"]

PROCESSORS = {
    "detect": "spillgate.dsp.processors.detect:Detect",
    "align": "spillgate.dsp.processors.align:Align",
    "gate": "spillgate.dsp.processors.gate:Gate",
    "spill": "spillgate.dsp.processors.spill:Spill",
    "snare-spill": "spillgate.dsp.processors.snare_spill:SnareSpill",
    "check": "spillgate.dsp.processors.check:Check",
    "offset": "spillgate.dsp.processors.offset:Offset",
    "low-cut": "spillgate.dsp.processors.low_cut:LowCut",
    "ease": "spillgate.dsp.processors.ease:Ease",
    "polarity": "spillgate.dsp.processors.polarity:Polarity",
    "overheads": "spillgate.dsp.processors.overheads:Overheads",
    "rooms": "spillgate.dsp.processors.rooms:Rooms",
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
        For every plug-in whose name is taken already, or that was made for another version of Spillgate; it is left
        out.
    """
    return _listing(kind)


def refresh() -> None:
    """Forget what was installed, so that the next listing looks, and warns, again."""
    _listing.cache_clear()
    _told.clear()


_told: set[str] = set()


def _warn(text: str) -> None:
    if text not in _told:  # the interpreter's own memory of warnings is lost whenever a library adds a filter
        _told.add(text)
        warnings.warn(text, PluginWarning, stacklevel=3)


@cache
def _listing(kind: str) -> Mapping[str, Entry]:
    group, builtins = GROUPS[kind]
    found = {name: Entry(name, target, "spillgate", version()) for name, target in builtins.items()}
    points = sorted(metadata.entry_points(group=group), key=lambda p: (p.name, _whose(p)[0]))
    for point in points:
        whose, release = _whose(point)
        clash = _clash(point)
        if clash:
            # without kind and name: both of a distribution's listings then say the same, and it is said once
            _warn(f"{whose}: is left out; {clash}")
            continue
        if point.name in found:
            other = found[point.name]
            if (other.distribution, other.target) != (whose, point.value):  # else the same one, twice on the path
                _warn(f"{whose}: {kind} '{point.name}' is left out; {other.distribution} has one of that name")
            continue
        found[point.name] = Entry(point.name, point.value, whose, release)
    return found


def _whose(point: metadata.EntryPoint) -> tuple[str, str]:
    """Name and version of a plug-in's distribution, as far as its metadata tells."""
    if point.dist is None:
        return "an unknown distribution", ""
    told = point.dist.metadata
    name, release = (str(told[key]) if key in told else "" for key in ("Name", "Version"))
    return name or "a distribution without a name", release


def _clash(point: metadata.EntryPoint) -> str:
    """Say why a plug-in does not go with this version of Spillgate; empty if it does."""
    lines = [r for r in (point.dist.requires if point.dist else None) or () if r.lower().startswith("spillgate")]
    if not lines:
        return ""
    from packaging.requirements import InvalidRequirement, Requirement

    for line in lines:
        try:
            wanted = Requirement(line)
        except InvalidRequirement:
            return f"its requirement {line!r} cannot be read"
        applies = wanted.marker is None or wanted.marker.evaluate({"extra": ""})
        if wanted.name.lower() == "spillgate" and applies and not wanted.specifier.contains(version(), True):
            return f"it was made for spillgate {wanted.specifier}, this is {version()}"
    return ""


def summary(entry: Entry) -> str:
    """Tell in one line what a processor or step does, for a third party's from metadata alone.

    Parameters
    ----------
    entry : Entry

    Returns
    -------
    text : str
        Empty if the metadata says nothing.
    """
    if entry.distribution == "spillgate":
        kind = "processor" if PROCESSORS.get(entry.name) == entry.target else "step"
        return str(_load(kind, entry.name).summary)
    try:
        told = metadata.metadata(entry.distribution)
        return str(told["Summary"]) if "Summary" in told else ""
    except metadata.PackageNotFoundError:
        return ""


def needed(cls: type[Any]) -> list[str]:
    """Name the built-in processors that must stand before one.

    Parameters
    ----------
    cls : type
        The class of a processor.

    Returns
    -------
    names : list of str
        In the order in which they are to stand; whatever these need is among them.
    """
    found: set[str] = set()
    todo = [cls]
    while todo:
        wants = todo.pop().needs
        others = {n: get_processor(n) for n in PROCESSORS if n not in found}
        new = [n for n, other in others.items() if other.gives & wants and other is not cls]
        found |= set(new)
        todo += [others[n] for n in new]
    return [n for n in PROCESSORS if n in found]


def said(processor: str, name: str, value: Any) -> Any:
    """Give a parameter's value as people write it.

    Parameters
    ----------
    processor, name : str
    value : float, int, bool, str or None

    Returns
    -------
    value : float, int, bool or str
        ``None`` as the word that the parameter has for it, or ``"off"``.
    """
    try:
        declared = params.parameters(get_processor(processor))
    except DspError:  # not installed any more
        declared = ()
    return next((p.said(value) for p in declared if p.name == name), "off" if value is None else value)


def flaw(cls: type[Any]) -> str:
    """Say what is wrong with the form of a processor's or step's class.

    Parameters
    ----------
    cls : type

    Returns
    -------
    text : str
        Empty if its parameters can be known from its fields.
    """
    kinds = {p.kind for p in inspect.signature(cls).parameters.values()}
    if kinds & {inspect.Parameter.VAR_POSITIONAL, inspect.Parameter.VAR_KEYWORD}:
        return "hides its parameters behind *args or **kwargs; declare them as fields"
    own = cls.__dict__.get("__dataclass_params__")
    if own is None or not own.frozen:
        return "is no frozen dataclass; put @dataclass(frozen=True, kw_only=True) over it"
    return ""


def _load(kind: str, name: str) -> type[Any]:
    entries = listing(kind)
    if name not in entries:
        raise UnknownProcessorError(f"{name}: no such {kind} is installed; {nearest(name, entries)}")
    entry = entries[name]
    module, _, attribute = entry.target.partition(":")
    try:
        cls = getattr(importlib.import_module(module), attribute)
    except (Exception, SystemExit) as error:
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
    wrong = flaw(cls)
    if wrong:
        raise PluginError(f"{entry.distribution}: {kind} '{name}' {wrong}")
    return cls


def get_processor(name: str) -> type[Any]:
    """Load the processor class of that name.

    Parameters
    ----------
    name : str

    Returns
    -------
    cls : type
        Subclass of `Processor`.

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

    Parameters
    ----------
    name : str

    Returns
    -------
    cls : type
        Subclass of `Step`.

    Raises
    ------
    UnknownProcessorError
        If none is installed.
    PluginError
        If a third party's cannot be used.
    """
    return _load("step", name)


def owner(kind: str, name: str) -> Entry:
    """Tell whose a processor or step is.

    Parameters
    ----------
    kind : {'processor', 'step'}
    name : str

    Returns
    -------
    entry : Entry
    """
    return listing(kind)[name]
