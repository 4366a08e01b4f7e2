"""What the engineer says about tracks, laid over what was guessed."""

from __future__ import annotations

import dataclasses
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any

from spillgate.dsp.errors import PlanError, nearest
from spillgate.dsp.take.inputlist import RECALL, InputEntry, InputList, checked_mic
from spillgate.dsp.take.kit import kit_order
from spillgate.dsp.take.model import Track

__all__ = ["apply", "check_processors", "with_role"]


def apply(inputs: InputList, tracks: Sequence[Track], without: Collection[str] = ()) -> tuple[Track, ...]:
    """Overrule what was guessed about the tracks of a take by what the input list says.

    Parameters
    ----------
    inputs : InputList
    tracks : sequence of Track
    without : collection of str
        Files of the folder that are not in the take: what the list says of them is passed over.

    Returns
    -------
    tracks : tuple of Track
        In kit order. A listed track is no longer doubtful; a track that the list does not name keeps its guess and is
        doubtful for that reason.

    Raises
    ------
    PlanError
        If the list names a file, channel or overhead that the take does not have, or leaves a drum unnamed.
    """
    files = {t.file.name for t in tracks}
    by_id = {t.id: t for t in tracks}
    told: dict[str, InputEntry] = {}
    for entry in inputs.tracks:
        if entry.file in without:
            continue
        where = f"{inputs.name}, line {entry.line}: "
        if entry.file not in files:
            raise PlanError(f"{where}{entry.file} is not in the folder; {nearest(entry.file, files)}")
        mine = [t for t in tracks if t.file.name == entry.file]
        if entry.channel is not None:
            mine = [t for t in mine if t.channel == entry.channel]
            if not mine:
                raise PlanError(f"{where}{entry.file} has no channel {entry.channel}; channels count from 0")
        for t in mine:
            told[t.id] = entry
    out = []
    for t in tracks:
        if t.id in told:
            out.append(_overruled(t, told[t.id], inputs.name))
        else:
            out.append(dataclasses.replace(t, doubt=f"not in {inputs.name}; kept as guessed"))
    for t in out:
        if t.target is not None:
            _check_target(t, out, by_id, f"{inputs.name}, line {told[t.id].line}: ")
    return kit_order(out)


def _overruled(track: Track, entry: InputEntry, name: str) -> Track:
    v = dict(entry.values)
    changes: dict[str, Any] = {}
    if entry.channel is None and track.file.n_channels == 2 and "position" not in v:
        if v.get("role") == track.role and track.position is not None:
            v["position"] = track.position
        elif v.get("role") in ("overhead", "room"):
            v["position"] = ("left", "right")[track.channel]
    if "role" in v:
        changes = _mic(track, v, f"{name}, line {entry.line}: ")
    changes.update({k: v[k] for k in ("drum", "position", "target", "intended", "explains") if k in v})
    recall = {k: v[k] for k in RECALL if k in v}
    parameters = {k: dict(p) for k, p in entry.parameters.items()}
    return dataclasses.replace(track, **changes, recall=recall, parameters=parameters, doubt="")


def _mic(track: Track, v: Mapping[str, Any], where: str) -> dict[str, Any]:
    """Give role, drum and position: a role stands for the whole answer, what belonged to the guess goes with it."""
    changes: dict[str, Any] = {"role": v["role"], "drum": v.get("drum"), "position": v.get("position")}
    if v["role"] in ("kick", "snare", "hat") and "drum" not in v:
        changes["drum"] = v["role"]
    if v["role"] == "tom" and "drum" not in v:
        if track.role != "tom":
            raise PlanError(f'{where}which tom is {track.file.name}? Write drum = "tom1" or "floor"')
        changes["drum"] = track.drum
    return changes


def with_role(track: Track, role: str, drum: str | None, position: str | None) -> Track:
    """Say which mic a track is.

    Parameters
    ----------
    track : Track
    role : str
    drum, position : str or None

    Returns
    -------
    track : Track
        No longer doubtful.

    Raises
    ------
    PlanError
        If a word is not known, the words do not go together, or it is left open which tom it is.
    """
    return dataclasses.replace(track, **_mic(track, checked_mic(role, drum, position), ""), doubt="")


def _check_target(track: Track, tracks: Sequence[Track], by_id: Mapping[str, Track], where: str) -> None:
    overheads = [t.id for t in tracks if t.role == "overhead"]
    if track.target not in by_id:
        hint = nearest(track.target or "", overheads)
        raise PlanError(f"{where}target of {track.file.name}: no track {track.target!r}; {hint}")
    if track.target not in overheads:
        raise PlanError(f"{where}target of {track.file.name}: {track.target} is no overhead; {nearest('', overheads)}")


def check_processors(tracks: Sequence[Track], known: Iterable[str]) -> None:
    """Make sure that the parameters of single tracks belong to processors that exist.

    Parameters
    ----------
    tracks : sequence of Track
    known : iterable of str
        Names of the processors installed.

    Raises
    ------
    PlanError
        Names the track and the nearest processor.
    """
    names = set(known)
    for track in tracks:
        for name in track.parameters:
            if name not in names:
                raise PlanError(f"{track.id}: parameters of '{name}', but no such processor; {nearest(name, names)}")
