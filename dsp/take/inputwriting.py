"""The input list written for the engineer, and brought up to date without losing what was written into it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import tomlkit
from tomlkit.items import AoT, Table

from spillgate.dsp.take.inputlist import LAYOUTS, POSITIONS, RECALL, parse_inputlist
from spillgate.dsp.take.model import ROLES, Track

__all__ = ["question", "to_toml", "update"]

HEAD = """\
Input list: which track is which mic. Correct it and pass it back with --inputs input-list.toml
role      {roles}
drum      kick, kick2, snare, snare2, hat, tom1 ... from high to low, floor, floor2,
          ride, crash_l, crash_r, china, splash
position  {positions}
Above the tracks: leave_out = ["Old Mix.wav"], files of the folder that are not part of the take.
Also, per track: target (file of the overhead it is lined up with), mic, pattern, pad_db, low_cut_hz, distance_cm,
height_cm, note, intended (findings of the check that are meant to be so), explains = true (a track with role
other, such as a guitar or a monitor, that is heard in the drum mics: it helps to tell what is bleed).
Parameters of one track: put  gate.floor_db = -18  below it, or a table [track.gate]."""


def to_toml(tracks: Sequence[Track], view: str = "drummer", layout: str | None = None) -> str:
    """Write the input list of a take.

    Parameters
    ----------
    tracks : sequence of Track
        Written in this order.
    view : {'drummer', 'audience'}
        Whose left and right.
    layout : str or None
        Of the overheads, one of `LAYOUTS`.

    Returns
    -------
    text : str
        TOML with a comment at each doubtful guess.
    """
    document = tomlkit.document()
    for line in HEAD.format(roles=", ".join(ROLES), positions=", ".join(POSITIONS)).splitlines():
        document.add(tomlkit.comment(line))
    document.add(tomlkit.nl())
    document.add("view", _item(view, "left and right as the drummer, or the audience, sees them"))
    if layout is not None:
        document.add("layout", _item(layout, ", ".join(LAYOUTS)))
    else:
        document.add(tomlkit.comment(f'layout = "spaced"  # of the overheads: {", ".join(LAYOUTS)}'))
    if tracks:
        entries = tomlkit.aot()
        for track in tracks:
            entries.append(_table(track))
        document.add("track", entries)
    return tomlkit.dumps(document)


def _item(value: Any, comment: str = "") -> Any:
    item = tomlkit.item(value)
    if comment:
        item.comment(comment)
    return item


def _values(track: Track) -> dict[str, Any]:
    """Give what the list holds of a track, in the order it is written."""
    values: dict[str, Any] = {"file": track.file.name}
    if track.file.n_channels > 1:
        values["channel"] = track.channel
    values["role"] = track.role
    for key in ("drum", "position", "target"):
        if getattr(track, key) is not None:
            values[key] = getattr(track, key)
    if track.intended:
        values["intended"] = list(track.intended)
    if track.explains:
        values["explains"] = True
    values.update({k: track.recall[k] for k in RECALL if k in track.recall})
    return values


def _table(track: Track) -> Table:
    table = tomlkit.table()
    if track.doubt:
        table.add(tomlkit.comment(f"? {question(track)}"))
    for key, value in _values(track).items():
        table.add(key, value)
    for name, params in track.parameters.items():
        inner = tomlkit.table()
        for key, value in params.items():
            inner.add(key, "off" if value is None else value)
        table.add(name, inner)
    return table


def question(track: Track) -> str:
    """Put a track's doubt as one line to the user: what was taken, and why that may be wrong."""
    what = " ".join(w for w in (track.drum or track.role, track.position) if w)
    taken = "no drum" if track.role == "other" else what
    return f"taken as {taken}: {track.doubt}"


def _is_of(row: Mapping[str, Any], track: Track) -> bool:
    return row.get("file") == track.file.name and row.get("channel") in (None, track.channel)


def update(text: str, tracks: Sequence[Track]) -> str:
    """Bring an input list up to date with the tracks, keeping comments, order and unknown formatting of the text.

    Parameters
    ----------
    text : str
        An input list.
    tracks : sequence of Track
        What it shall say afterwards.  Tracks that it does not name are added at the end; entries without a track stay.

    Returns
    -------
    text : str

    Raises
    ------
    PlanError
        If `text` is no input list.
    """
    parse_inputlist(text)
    document = tomlkit.parse(text)
    entries = document.get("track")
    rows = list(entries) if isinstance(entries, AoT) else []
    for track in tracks:
        want = _values(track)
        row = next((r for r in rows if _is_of(r, track)), None)
        if row is None:
            if not isinstance(entries, AoT):
                entries = tomlkit.aot()
                document.add("track", entries)
            entries.append(_table(track))
            continue
        for key in ("role", "drum", "position", "target", "intended", "explains", *RECALL):
            if key in want and row.get(key) != want[key]:
                row[key] = want[key]
            elif key not in want and key in row:
                del row[key]
    return tomlkit.dumps(document)
