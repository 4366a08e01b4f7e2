"""The input list: which track is which mic, as a TOML file that the engineer corrects and keeps as a recall sheet."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any

import tomlkit
from tomlkit.exceptions import ParseError

from spillgate.dsp import reading
from spillgate.dsp.errors import PlanError, nearest
from spillgate.dsp.take.model import ROLES

__all__ = [
    "KEYS",
    "LAYOUTS",
    "POSITIONS",
    "RECALL",
    "VIEWS",
    "InputEntry",
    "InputList",
    "checked_mic",
    "parse_inputlist",
    "read_inputlist",
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
KEYS = ("file", "channel", "role", "drum", "position", "target", "intended", "explains", *RECALL)
TOP = ("view", "layout", "leave_out", "track")
NEEDS_DRUM = ("kick", "snare", "hat", "tom")


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
    if not _fits(values):
        raise PlanError(f"{where('drum')}drum of {file}: {values['drum']!r} is no {values['role']}")
    return InputEntry(file=file, channel=channel, values=values, parameters=parameters, line=start)


def _fits(values: Mapping[str, Any]) -> bool:
    """Whether the drum is one that the role can have."""
    role = values.get("role")
    if role not in NEEDS_DRUM or "drum" not in values:
        return True
    return values["drum"].rstrip("0123456789") in (("tom", "floor") if role == "tom" else (role,))


def checked_mic(role: str, drum: str | None, position: str | None) -> dict[str, str]:
    """Check which mic a track is said to be.

    Parameters
    ----------
    role : str
    drum, position : str or None

    Returns
    -------
    values : dict of str to str
        What was given.

    Raises
    ------
    PlanError
        If one of them is not known, or they do not go together.
    """
    given = {"role": role, "drum": drum, "position": position}
    values = {k: _value(k, v, k) for k, v in given.items() if v is not None}
    if not _fits(values):
        raise PlanError(f"drum {drum!r} is no {role}")
    return values


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
    elif key == "explains":
        if not isinstance(value, bool):
            raise PlanError(f"{where} {value!r} is not allowed; use true or false")
    elif key == "intended":
        if not isinstance(value, list) or not all(isinstance(v, str) for v in value):
            raise PlanError(f'{where} a list of words, e.g. ["flipped"]')
        return tuple(value)
    elif not isinstance(value, str):
        raise PlanError(f"{where} {value!r} is not allowed; use words in quotes")
    return value
