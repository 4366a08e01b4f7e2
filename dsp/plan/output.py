"""How stems are handed over: format, names, markers, what else is written.  Kept in the plan as plain data."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from spillgate.dsp.errors import ParameterError, PlanError, nearest
from spillgate.dsp.plan.model import Plan

__all__ = ["FORMATS", "MARKERS", "SUBTYPES", "Output", "output_of", "stem_names", "with_output"]

FORMATS = {
    "wav": (".wav", ".wave", ".bwf", ".rf64", ".bw64"),
    "rf64": (".wav", ".wave", ".bwf", ".rf64"),
    "bw64": (".wav", ".wave", ".bwf", ".bw64"),
    "aiff": (".aif", ".aiff", ".aifc"),
    "flac": (".flac",),
    "caf": (".caf",),
    "w64": (".w64",),
}
"""Formats of stems -> file endings; the first one is given to files that have none of them."""

SUBTYPES = {"16": "PCM_16", "24": "PCM_24", "32": "PCM_32", "float": "FLOAT", "double": "DOUBLE"}
"""Samples of stems -> as ``soundfile`` names them: bits of integers, or floats of 32 and 64 bits."""

MARKERS = ("hits", "cuts", "both")
"""What can be marked: every hit, or the stretches in which the track is open."""

FIGURES = "output"
"""Name under which the plan keeps it."""


@dataclass(frozen=True, kw_only=True)
class Output:
    """What the engineer wants the stems to be.

    Attributes
    ----------
    format, subtype : str
        Keys of `FORMATS` and `SUBTYPES`; empty: as the input.
    suffix : str
        Put behind the name, before the ending.
    markers : str
        One of `MARKERS`; empty: none.
    removed : bool
        Whether a second file holds what was taken out of a track.
    split : bool
        Whether files of several channels become single tracks.
    changed_only : bool
        Whether files with nothing to do are left out.
    new_umid : bool
        Whether changed audio gets a UMID of its own.

    Raises
    ------
    ParameterError
        If a value is not allowed.
    """

    format: str = ""
    subtype: str = ""
    suffix: str = ""
    markers: str = ""
    removed: bool = False
    split: bool = False
    changed_only: bool = False
    new_umid: bool = False

    def __post_init__(self) -> None:
        for name, allowed in (("format", FORMATS), ("subtype", SUBTYPES), ("markers", MARKERS)):
            value = getattr(self, name)
            if value and value not in allowed:
                raise ParameterError(f"--{name} {value}: {nearest(value, allowed)}")
        if any(c in self.suffix for c in '/\\:*?"<>|') or not self.suffix.isprintable():
            raise ParameterError(f"--suffix {self.suffix}: holds characters that a file name cannot have")

    def to_dict(self) -> dict[str, Any]:
        """Give what differs from the default."""
        fields = dataclasses.fields(self)
        return {f.name: getattr(self, f.name) for f in fields if getattr(self, f.name) != f.default}

    @classmethod
    def from_dict(cls, entry: Mapping[str, Any]) -> Output:
        """Read it back.

        Raises
        ------
        PlanError
            If a key is unknown, or its value of another kind.
        """
        known = {f.name: f.default for f in dataclasses.fields(cls)}
        for key, value in entry.items():
            if key not in known:
                raise PlanError(f"plan: output has the unknown key '{key}'; {nearest(key, known)}")
            if type(value) is not type(known[key]):
                raise PlanError(f"plan: output has {key} = {str(value)[:80]!r}, which it cannot be")
        return cls(**entry)

    def ending(self, name: str) -> str:
        """Give the ending of the stem of a file of that name."""
        own = Path(name).suffix
        if not self.format or own.lower() in FORMATS[self.format]:
            return own
        return FORMATS[self.format][0]


def output_of(plan: Plan) -> Output:
    """Give what the plan says about its stems."""
    return Output.from_dict(plan.figures.get(FIGURES, {}))


def with_output(plan: Plan, output: Output) -> Plan:
    """Return the plan with that said about its stems."""
    figures = {k: v for k, v in plan.figures.items() if k != FIGURES}
    said = output.to_dict()
    return plan.replace(figures={**figures, FIGURES: said} if said else figures)


def stem_names(tracks: Iterable[tuple[str, str, int, str | None, bool]], output: Output) -> dict[tuple[str, int], str]:
    """Name the stems.

    Parameters
    ----------
    tracks : iterable of (id, file, channel, position, is_drum)
        Every track, once for each of its files.
    output : Output

    Returns
    -------
    names : dict of (str, int) to str
        File of the input and channel -> file name of the stem.  Tracks that are no drums keep their name, as they are
        copied as they come; channels of one file share a name unless they are split, and then are called after their
        position or number.

    Raises
    ------
    ParameterError
        If two files would get the same name.
    """
    rows = list(tracks)
    channels: dict[str, set[int]] = {}
    drums: dict[str, bool] = {}
    for _, file, channel, _, is_drum in rows:
        channels.setdefault(file, set()).add(channel)
        drums[file] = drums.get(file, False) or is_drum
    names: dict[tuple[str, int], str] = {}
    owner: dict[str, tuple[str, int]] = {}
    for _, file, channel, position, _ in rows:
        if not drums[file]:
            name, key = file, (file, -1)
        else:
            part, key = "", (file, -1)
            if output.split and len(channels[file]) > 1:
                part, key = f"_{_part(file, channel, position, rows)}", (file, channel)
            name = f"{Path(file).stem}{part}{output.suffix}{output.ending(file)}"
        if owner.setdefault(name.casefold(), key) != key:
            raise ParameterError(f"{name}: two stems would have this name ({owner[name.casefold()][0]} and {file})")
        names[file, channel] = name
    return names


def _part(file: str, channel: int, position: str | None, rows: Iterable[tuple[str, str, int, str | None, bool]]) -> str:
    short = {"left": "L", "right": "R"}
    alike = [p for _, f, _, p, _ in rows if f == file and p == position]
    if position in short and len(alike) == 1:
        return short[position]
    return str(channel + 1)
