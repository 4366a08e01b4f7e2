"""The input list: which track is which mic, as a TOML file that the engineer corrects and keeps as a recall sheet."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any

import tomlkit
from tomlkit.exceptions import ParseError
from tomlkit.items import AoT, Table

from spillgate.dsp import reading
from spillgate.dsp.errors import PlanError, nearest
from spillgate.dsp.take.kit import kit_order
from spillgate.dsp.take.model import ROLES, Track

__all__ = [
    "LAYOUTS",
    "POSITIONS",
    "VIEWS",
    "InputEntry",
    "InputList",
    "apply",
    "check_processors",
    "parse_inputlist",
    "question",
    "read_inputlist",
    "to_toml",
    "update",
]

VIEWS = ("drummer", "audience")
LAYOUTS = ("spaced", "coincident", "mid-side", "over-and-side", "mono", "three")
POSITIONS = ("in", "out", "sub", "batter", "top", "bottom", "left", "right", "centre", "mid", "side")
DRUM = re.compile(r"(?:kick|snare|hat|floor|ride|china|splash)(?:[2-9]|1\d)?|tom[1-9]\d?|crash_[lr]")
DRUMS = ("kick", "snare", "hat", "tom", "floor", "ride", "crash_l", "crash_r", "china", "splash")
"""Names of drums; toms always carry a number, the others but the crashes from the second on."""

NUMBERS: Mapping[str, tuple[float, float]] = MappingProxyType(
    {"pad_db": (-60.0, 60.0), "low_cut_hz": (0.0, 1000.0), "distance_cm": (0.0, 10_000.0), "height_cm": (0.0, 3000.0)}
)
"""Recall fields that are numbers, with the range beyond which they are slips of the pen (common practice)."""
WORDS = ("mic", "pattern", "note")
RECALL = ("mic", "pattern", "pad_db", "low_cut_hz", "distance_cm", "height_cm", "note")
"""Recall fields in the order they are written."""
KEYS = ("file", "channel", "role", "drum", "position", "target", "intended", *RECALL)
TOP = ("view", "layout", "leave_out", "track")
NEEDS_DRUM = ("kick", "snare", "hat", "tom")

HEAD = """\
Input list: which track is which mic. Correct it and pass it back with --inputs input-list.toml
role      {roles}
drum      kick, kick2, snare, snare2, hat, tom1 ... from high to low, floor, floor2,
          ride, crash_l, crash_r, china, splash
position  {positions}
Above the tracks: leave_out = ["Old Mix.wav"], files of the folder that are not part of the take.
Also, per track: target (file of the overhead it is lined up with), mic, pattern, pad_db, low_cut_hz, distance_cm,
height_cm, note, intended (findings of the check that are meant to be so).
Parameters of one track: put  gate.floor_db = -18  below it, or a table [track.gate]."""


@dataclass(frozen=True, kw_only=True)
class InputEntry:
    """One track of the input list.

    Attributes
    ----------
    file : str
        File name in the take's folder.
    channel : int or None
        Channel of a file of several; ``None``: all of them.
    values : mapping
        What the list says about it: keys of the list, checked. A key that is not there leaves the guess as it is.
    parameters : mapping of str to mapping
        Per processor.
    line : int
        Where the entry begins in its file, from 1; 0 if unknown.
    """

    file: str
    channel: int | None = None
    values: Mapping[str, Any] = field(default_factory=dict)
    parameters: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    line: int = 0


@dataclass(frozen=True, kw_only=True)
class InputList:
    """A whole input list.

    Attributes
    ----------
    view : {'drummer', 'audience'}
    layout : str or None
        One of `LAYOUTS`.
    leave_out : tuple of str
        Files of the folder that are not part of the take.
    tracks : tuple of InputEntry
    name : str
        File name, for messages.
    """

    view: str = "drummer"
    layout: str | None = None
    leave_out: tuple[str, ...] = ()
    tracks: tuple[InputEntry, ...] = ()
    name: str = "input list"


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


def read_inputlist(path: Path) -> InputList:
    """Read an input list.

    Parameters
    ----------
    path : Path

    Returns
    -------
    inputs : InputList

    Raises
    ------
    PlanError
        If the file cannot be read or says what it must not; the message names file, line and key.
    """
    path = Path(path)
    try:
        text = reading.read_text(path)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else error
        raise PlanError(f"{path.name}: cannot be read ({reason})") from error
    return parse_inputlist(text, path.name)


def parse_inputlist(text: str, name: str = "input list") -> InputList:
    """Read an input list from text; `name` begins the messages.

    Raises
    ------
    PlanError
        As `read_inputlist`.
    """
    try:
        data: dict[str, Any] = tomlkit.parse(text).unwrap()
        reading.plain(data)
    except RecursionError as error:
        raise PlanError(f"{name}: too deeply nested") from error
    except ParseError as error:
        raise PlanError(f"{name}, line {error.line}: {_reason(error)}") from error
    except (tomlkit.exceptions.TOMLKitError, ValueError) as error:
        raise PlanError(f"{name}: {error}") from error
    for key in data:
        if key not in TOP:
            hint = "put [[track]] above the keys of a track" if key in KEYS else nearest(key, TOP)
            raise PlanError(f"{name}, line {_line_of(text, key)}: unknown key '{key}'; {hint}")
    view = data.get("view", "drummer")
    _one_of(view, VIEWS, f"{name}, line {_line_of(text, 'view')}: view")
    layout = data.get("layout")
    if layout is not None:
        _one_of(layout, LAYOUTS, f"{name}, line {_line_of(text, 'layout')}: layout")
    leave_out = data.get("leave_out", [])
    if not isinstance(leave_out, list) or not all(isinstance(v, str) for v in leave_out):
        where = f"{name}, line {_line_of(text, 'leave_out')}"
        raise PlanError(f'{where}: leave_out: a list of file names, e.g. ["Old Mix.wav"]')
    rows = data.get("track", [])
    if not isinstance(rows, list) or not all(isinstance(r, dict) for r in rows):
        raise PlanError(f"{name}, line {_line_of(text, 'track')}: write every track as [[track]]")
    lines = _starts(text)
    entries: list[InputEntry] = []
    for k, row in enumerate(rows):
        entries.append(_entry(row, name, lines[k] if k < len(lines) else 0, text))
    seen: dict[str, set[int | None]] = {}
    for entry in entries:
        channels = seen.setdefault(entry.file, set())
        if channels and (entry.channel is None or channels & {None, entry.channel}):
            raise PlanError(f"{name}, line {entry.line}: {entry.file} is in the list twice; keep one entry")
        channels.add(entry.channel)
    return InputList(view=view, layout=layout, leave_out=tuple(leave_out), tracks=tuple(entries), name=name)


def _reason(error: ParseError) -> str:
    return str(error).split(" at line")[0].rstrip(".")


def _starts(text: str) -> list[int]:
    return [n for n, line in enumerate(text.splitlines(), 1) if line.strip().startswith("[[track]]")]


def _line_of(text: str, key: str, after: int = 0) -> int:
    """Line of a key, at or behind line `after`; `after` itself if it is not found."""
    for n, line in enumerate(text.splitlines(), 1):
        word = line.strip().lstrip("[").replace("track.", "", 1)
        if n > after and word.startswith(key) and word[len(key) : len(key) + 1] in (" ", "=", "]", ".", ""):
            return n
    return max(after, 1)


def _one_of(value: object, known: Sequence[str], where: str) -> None:
    if not isinstance(value, str) or value not in known:
        hint = nearest(value, known) if isinstance(value, str) else "known: " + ", ".join(known)
        raise PlanError(f"{where} {value!r} is not known; {hint}")


def _entry(row: Mapping[str, Any], name: str, start: int, text: str) -> InputEntry:
    def where(key: str) -> str:
        return f"{name}, line {_line_of(text, key, start)}: "

    file = row.get("file")
    if not isinstance(file, str) or not file:
        raise PlanError(f'{name}, line {start}: a track without file; write  file = "Kick.wav"')
    channel = row.get("channel")
    if channel is not None and (isinstance(channel, bool) or not isinstance(channel, int) or channel < 0):
        raise PlanError(f"{where('channel')}channel of {file}: {channel!r} is not allowed; count channels from 0")
    values: dict[str, Any] = {}
    parameters: dict[str, Mapping[str, Any]] = {}
    for key, value in row.items():
        if isinstance(value, dict):
            if key in KEYS:
                raise PlanError(f"{where(key)}{key} of {file}: one value, not a table")
            parameters[key] = MappingProxyType(_parameters(value, f"{where(key)}{key} of {file}"))
        elif key not in KEYS:
            raise PlanError(f"{where(key)}unknown key '{key}' of {file}; {nearest(key, KEYS)}")
        elif key not in ("file", "channel"):
            values[key] = _value(key, value, f"{where(key)}{key} of {file}:")
    role = values.get("role")
    if role in NEEDS_DRUM and "drum" in values and values["drum"].rstrip("0123456789") not in _drums_of(role):
        raise PlanError(f"{where('drum')}drum of {file}: {values['drum']!r} is no {role}")
    return InputEntry(file=file, channel=channel, values=values, parameters=parameters, line=start)


def _drums_of(role: str) -> tuple[str, ...]:
    return ("tom", "floor") if role == "tom" else (role,)


def _parameters(table: Mapping[str, Any], where: str) -> dict[str, Any]:
    for key, value in table.items():
        if isinstance(value, bool | int | float | str):
            continue
        raise PlanError(f"{where}: {key} must be a number, a word, true or false")
    return dict(table)


def _value(key: str, value: Any, where: str) -> Any:
    if key == "role":
        _one_of(value, ROLES, where)
    elif key == "position":
        _one_of(value, POSITIONS, where)
    elif key == "drum":
        if not isinstance(value, str) or not DRUM.fullmatch(value):
            known = [*(d for d in DRUMS if d != "tom"), "tom1", "tom2", "tom3", "tom4"]
            hint = "did you mean 'tom1'?" if value == "tom" else nearest(str(value), known)
            raise PlanError(f"{where} {value!r} is not known; {hint}")
    elif key in NUMBERS:
        low, high = NUMBERS[key]
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            raise PlanError(f"{where} {value!r} is not allowed; use {low:g} to {high:g}")
    elif key == "intended":
        if not isinstance(value, list) or not all(isinstance(v, str) for v in value):
            raise PlanError(f'{where} a list of words, e.g. ["flipped"]')
        return tuple(value)
    elif not isinstance(value, str):
        raise PlanError(f"{where} {value!r} is not allowed; use words in quotes")
    return value


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
        # a role stands for the whole answer: what belonged to the guess goes with it
        changes = {"role": v["role"], "drum": v.get("drum"), "position": v.get("position")}
        if v["role"] in ("kick", "snare", "hat") and "drum" not in v:
            changes["drum"] = v["role"]
        if v["role"] == "tom" and "drum" not in v:
            if track.role != "tom":
                where = f"{name}, line {entry.line}"
                raise PlanError(f'{where}: which tom is {entry.file}? Write drum = "tom1" or "floor"')
            changes["drum"] = track.drum
    changes.update({k: v[k] for k in ("drum", "position", "target", "intended") if k in v})
    recall = {k: v[k] for k in RECALL if k in v}
    parameters = {k: dict(p) for k, p in entry.parameters.items()}
    return dataclasses.replace(track, **changes, recall=recall, parameters=parameters, doubt="")


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
        for key in ("role", "drum", "position", "target", "intended", *RECALL):
            if key in want and row.get(key) != want[key]:
                row[key] = want[key]
            elif key not in want and key in row:
                del row[key]
    return tomlkit.dumps(document)
