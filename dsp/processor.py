"""The one form of everything that decides: ``(Take, Plan) -> Plan``."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, ClassVar, Self

from spillgate.dsp import params
from spillgate.dsp.errors import ParameterError, nearest
from spillgate.dsp.plan.model import Plan
from spillgate.dsp.take.model import Take, Track

__all__ = ["Processor"]


@dataclass(frozen=True, kw_only=True)
class Processor:
    """Base of all processors: a frozen dataclass whose fields are its parameters.

    Parameters
    ----------
    tracks : mapping of str to mapping, optional
        Parameters of single tracks, ``{"Floor.wav": {"floor_db": -18.0}}``; see `for_track`.

    Notes
    -----
    A subclass sets the class attributes, annotates its parameters as `spillgate.dsp.params` says, and writes
    `decide`.  It reads no files, prints nothing and keeps no state.

    Class attributes: ``name`` (on the command line and in files), ``summary`` (one line), ``needs`` and ``gives``
    (checked before audio is read; built-ins use ``"hits"``, ``"delays"``, ``"masks"``), ``features`` (keys of
    `spillgate.dsp.take.features.FEATURES`, measured before the first `decide`).
    """

    name: ClassVar[str]
    summary: ClassVar[str] = ""
    needs: ClassVar[frozenset[str]] = frozenset()
    gives: ClassVar[frozenset[str]] = frozenset()
    features: ClassVar[frozenset[str]] = frozenset()

    tracks: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        params.validate(self, self.name)
        checked = {
            track: MappingProxyType(params.from_dict(type(self), values, f"{track}:{self.name}"))
            for track, values in self.tracks.items()
        }
        object.__setattr__(self, "tracks", MappingProxyType(checked))

    def decide(self, take: Take, plan: Plan) -> Plan:
        """Return a fuller plan.

        Parameters
        ----------
        take : Take
            With the features this processor named.
        plan : Plan
            What earlier processors decided.

        Returns
        -------
        plan : Plan
        """
        raise NotImplementedError(f"{type(self).__name__} has no decide")

    def for_track(self, track: Track) -> Self:
        """Return this processor with the parameters that hold for one track.

        The input list's per-track parameters come first, then those given as `tracks`, under any of the track's
        names.
        """
        found: dict[str, Any] = dict(params.from_dict(type(self), track.parameters.get(self.name, {}), self.name))
        names = (track.drum, track.label, track.file.name, track.id)
        for name in names:
            if name is not None:
                found.update(self.tracks.get(name, {}))
        return dataclasses.replace(self, tracks={}, **found) if found else self

    def check_tracks(self, take: Take) -> None:
        """Make sure that single tracks' parameters fit: those in `tracks` and those of the input list.

        Parameters
        ----------
        take : Take

        Raises
        ------
        ParameterError
            A track that is not in the take; an unknown parameter or a value out of range in the input list.
        """
        for track in take.tracks:
            params.from_dict(type(self), track.parameters.get(self.name, {}), f"{track.id}: {self.name}")
        for name in self.tracks:
            known = {n for t in take.tracks for n in (t.drum, t.label, t.file.name, t.id) if n}
            if name not in known:
                raise ParameterError(f"{name}: no such track in {take.name}; {nearest(name, known)}")

    def to_dict(self) -> dict[str, Any]:
        """Give the processor as plain data, all parameters included.

        Returns
        -------
        entry : dict
            ``{"processor", "params"}``, and ``"tracks"`` if single tracks differ.
        """
        entry: dict[str, Any] = {"processor": self.name, "params": params.to_dict(self)}
        if self.tracks:
            entry["tracks"] = {t: dict(v) for t, v in self.tracks.items()}
        return entry

    @classmethod
    def from_dict(cls, entry: Mapping[str, Any]) -> Self:
        """Build the processor from plain data.

        Raises
        ------
        ParameterError
            Unknown key or value out of range.
        """
        for key in entry:
            if key not in ("processor", "params", "tracks", "version"):
                raise ParameterError(f"{cls.name}: unknown key '{key}'; {nearest(key, ('params', 'tracks'))}")
        tables = [("params", entry.get("params", {})), ("tracks", entry.get("tracks", {}))]
        if isinstance(tables[1][1], Mapping):
            tables += [(f"tracks.{name}", table) for name, table in tables[1][1].items()]
        for name, table in tables:
            if not isinstance(table, Mapping):
                raise ParameterError(f"{cls.name}: {name} is {table!r}, but must be a table of parameters")
        return cls(tracks=entry.get("tracks", {}), **params.from_dict(cls, entry.get("params", {}), cls.name))
