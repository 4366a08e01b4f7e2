"""The plan as files: ``plan.json`` and the arrays beside it in ``model/``.

The same plan gives the same bytes: keys in a fixed order, numbers in Python's shortest exact form, archives without
clock or compression (whose result depends on the version of a library).
"""

from __future__ import annotations

import dataclasses
import io
import json
import math
import re
import zipfile
from collections.abc import Mapping
from pathlib import Path
from types import UnionType
from typing import Any, BinaryIO, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp import reading
from spillgate.dsp.errors import OutputError, PlanError, nearest
from spillgate.dsp.plan.model import (
    SCHEMA,
    Alignment,
    DrumState,
    Finding,
    Hit,
    Plan,
    Question,
    Span,
    StepSpec,
    TrackFacts,
)
from spillgate.dsp.writing import growing, write_atomically

__all__ = ["from_json", "load", "save", "to_json"]

PLAN = "plan.json"
MODEL = "model"

_ARRAY = re.compile(r"(?P<by>[A-Za-z0-9][\w.-]*)/[^\0]+", re.DOTALL)
"""Name of an array; an archive cannot hold a null in a name."""

_EPOCH = (1980, 1, 1, 0, 0, 0)
"""Earliest date of the archive format: stands for none."""

T = TypeVar("T")

_LISTS: dict[str, type] = {
    "tracks": TrackFacts,
    "drums": DrumState,
    "hits": Hit,
    "spans": Span,
    "alignments": Alignment,
    "questions": Question,
    "findings": Finding,
}


def to_json(plan: Plan) -> str:
    """Write a plan as text, without its arrays.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    text : str
        JSON, one record a line; `from_json` reads it back to an equal plan.

    Raises
    ------
    PlanError
        If a processor left something in it that is no plain data, or no finite number.
    """
    entry: dict[str, Any] = {"schema": SCHEMA, "sr": plan.sr, "n_samples": plan.n_samples, "chain": plan.chain}
    entry |= {name: [_fields(record) for record in getattr(plan, name)] for name in _LISTS}
    entry["steps"] = {track: [_fields(s) for s in specs] for track, specs in sorted(plan.steps.items())}
    entry["figures"], entry["extras"] = plan.figures, plan.extras
    entry["arrays"] = {n: {"dtype": a.dtype.str, "shape": a.shape} for n, a in sorted(plan.arrays.items())}
    lines = []
    for key, value in entry.items():
        plain = _plain(value, key)
        if isinstance(plain, list) and plain:
            inner = ",\n".join("  " + _dump(v, key) for v in plain)
            text = f"[\n{inner}\n ]"
        elif isinstance(plain, dict) and plain:
            inner = ",\n".join(f"  {_dump(k, key)}: {_dump(v, key)}" for k, v in plain.items())
            text = f"{{\n{inner}\n }}"
        else:
            text = _dump(plain, key)
        lines.append(f" {_dump(key, key)}: {text}")
    return "{\n" + ",\n".join(lines) + "\n}\n"


def _dump(value: Any, where: str) -> str:
    try:
        return json.dumps(value, allow_nan=False, ensure_ascii=False)
    except ValueError as error:
        raise PlanError(f"plan: {where} holds NaN or infinity; a processor computed nonsense") from error


def _fields(record: Any) -> dict[str, Any]:
    return {f.name: getattr(record, f.name) for f in dataclasses.fields(record)}


def _plain(value: Any, where: str) -> Any:
    """Turn mappings, sequences and numpy's numbers into what JSON knows."""
    if isinstance(value, Mapping):
        for key in value:
            if not isinstance(key, str):
                raise PlanError(f"plan: {where} has the key {key!r}; keys are texts")
        return {k: _plain(v, f"{where}.{k}") for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v, where) for v in value]
    if isinstance(value, np.ndarray):
        return _plain(value.tolist(), where)
    if isinstance(value, np.generic):
        return value.item()
    if value is None or isinstance(value, str | bool | int | float):
        return value
    raise PlanError(f"plan: {where} holds a {type(value).__name__}, which is no plain data")


def from_json(text: str, arrays: Mapping[str, NDArray[Any]] | None = None) -> Plan:
    """Read a plan.

    Parameters
    ----------
    text : str
        As `to_json` wrote it.
    arrays : mapping of str to ndarray, optional
        The arrays it names.

    Returns
    -------
    plan : Plan

    Raises
    ------
    PlanError
        No plan, of a schema this version does not know, with an unknown or missing key, or without one of its arrays.
    """
    arrays = arrays or {}
    try:
        entry = reading.from_json(text, math.inf)
    except ValueError as error:
        raise PlanError(f"{PLAN}: is no JSON ({error}); run the main job again") from error
    if not isinstance(entry, dict) or "schema" not in entry:
        raise PlanError(f"{PLAN}: is no plan; run the main job again")
    if entry["schema"] != SCHEMA:
        raise PlanError(
            f"{PLAN}: schema {entry['schema']!r} is not known to this version, which reads {SCHEMA}; "
            "use the version that wrote it, or run the main job again"
        )
    known = {"schema", *(f.name for f in dataclasses.fields(Plan))}
    for key in entry:
        if key not in known:
            raise PlanError(f"{PLAN}: unknown key '{key}'; {nearest(key, known)}")
    given = {k: v for k, v in entry.items() if k != "schema"}
    for key, value in given.items():
        _right(value, _PLAIN[key], key)
    for name, kind in _FIGURES.items():
        if name in entry.get("figures", {}):
            _right(entry["figures"][name], kind, f"figures of {name}")
    rendered = entry.get("figures", {}).get("render", {})
    _right(rendered.get("files", {}), Mapping[str, list[str]], "figures of render")
    for rows in rendered.get("tracks", {}).values():
        for row in rows:
            _right(row, Mapping[str, Any], "figures of render")
            for key, kind in _STEM.items():
                if key in row or key in _ALWAYS:
                    _right(row.get(key), kind, f"figures of render: {key}")
    wanted = entry.get("arrays", {})
    for name, facts in wanted.items():
        found = arrays.get(name)
        if found is None:
            raise PlanError(f"{PLAN}: its array '{name}' is not in {MODEL}; run the main job again")
        if {"dtype": found.dtype.str, "shape": list(found.shape)} != facts:
            raise PlanError(f"{PLAN}: the array '{name}' in {MODEL} is not the one it was saved with")
    lists: dict[str, Any] = {n: tuple(_record(cls, v, n) for v in entry.get(n, ())) for n, cls in _LISTS.items()}
    steps = {t: tuple(_record(StepSpec, s, "steps") for s in specs) for t, specs in entry.get("steps", {}).items()}
    return Plan(
        sr=entry.get("sr", 0),
        n_samples=entry.get("n_samples", 0),
        chain=tuple(entry.get("chain", ())),
        steps=steps,
        figures=entry.get("figures", {}),
        extras=entry.get("extras", {}),
        arrays={n: arrays[n] for n in wanted},
        **lists,
    )


def _record(cls: type[T], entry: Any, where: str) -> T:
    if not isinstance(entry, dict):
        raise PlanError(f"{PLAN}: {where} holds {entry!r} instead of a record")
    known = {f.name for f in dataclasses.fields(cls)}  # type: ignore[arg-type]
    for key in entry:
        if key not in known:
            raise PlanError(f"{PLAN}: {where} has the unknown key '{key}'; {nearest(key, known)}")
    hints = _hints[cls]
    for key, value in entry.items():
        _right(value, hints[key], f"{where}: {key}")
    values = {k: tuple(v) if isinstance(v, list) else v for k, v in entry.items()}
    try:
        return cls(**values)
    except TypeError as error:
        raise PlanError(f"{PLAN}: a record of {where} is incomplete ({error})") from error


_hints: dict[type, dict[str, Any]] = {cls: get_type_hints(cls) for cls in (*_LISTS.values(), StepSpec)}

_PLAIN: dict[str, Any] = {
    **{n: list[Any] for n in _LISTS},
    "chain": list[Mapping[str, Any]],
    "sr": int,
    "n_samples": int,
    "steps": Mapping[str, list[Any]],
    "figures": Mapping[str, Any],
    "extras": Mapping[str, Any],
    "arrays": Mapping[str, Any],
}
"""What stands under the keys of the file."""

_FIGURES: dict[str, Any] = {
    "render": Mapping[str, Mapping[str, list[Any]]],
    "output": Mapping[str, Any],
    "without": Mapping[str, list[Any]],
    "asked": Mapping[str, list[Mapping[str, Any]]],
}
"""Figures that are not only reported but worked with when a plan is opened again."""


_ALWAYS = ("file", "copied", "written", "notes", "steps", "peak_in", "peak_out", "removed_db")
_STEM: dict[str, Any] = {
    "file": str,
    "copied": bool,
    "written": bool,
    "removed_file": str,
    "notes": list[str],
    "steps": list[str],
    **dict.fromkeys(("peak_in", "peak_out", "over_at_s", "over_db", "cut_s", "cut_db"), float),
    "removed_db": float | None,
    "overs": int,
}
"""What is told of every stem, and which of it always is."""


def _right(value: Any, kind: Any, where: str) -> None:
    """Make sure that a value read from a file is of the kind that the code behind it was written for."""
    if not _is_a(value, kind):
        short = repr(value) if len(repr(value)) < 80 else repr(value)[:80] + "…"
        raise PlanError(f"{PLAN}: {where} is {short}, which it cannot be; run the main job again")


def _is_a(value: Any, kind: Any) -> bool:
    origin, inner = get_origin(kind), get_args(kind)
    if kind is Any:
        return True
    if origin in (Union, UnionType):
        return any(_is_a(value, k) for k in inner)
    if origin is Literal:
        return value in inner
    if origin in (list, tuple):
        return isinstance(value, list) and all(_is_a(v, inner[0]) for v in value)
    if origin is not None:  # a mapping
        return isinstance(value, dict) and all(_is_a(v, inner[1]) for v in value.values())
    if kind is float:
        return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
    if kind is int:
        return isinstance(value, int) and not isinstance(value, bool)
    return isinstance(value, kind)


def save(plan: Plan, out: Path | str) -> None:
    """Write ``plan.json`` and ``model/<processor>.npz``.

    Parameters
    ----------
    plan : Plan
    out : Path or str
        Output folder; made if need be.  Archives of processors that are no longer in the plan are removed.

    Raises
    ------
    OutputError
        If it cannot be written.
    PlanError
        If the plan holds what cannot be stored.
    """
    out = Path(out)
    text = to_json(plan)
    groups: dict[str, dict[str, NDArray[Any]]] = {}
    for name, array in sorted(plan.arrays.items()):
        match = _ARRAY.fullmatch(name)
        if match is None:
            raise PlanError(f"plan: the array '{name}' must be called '<processor>/<name>'")
        if array.dtype.hasobject:
            raise PlanError(f"plan: the array '{name}' holds Python objects; only numbers can be stored")
        groups.setdefault(match["by"], {})[name] = array
    try:
        (out / MODEL if groups else out).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{out}: cannot be made ({error.strerror}); choose another folder") from error
    for by, arrays in groups.items():
        with growing(out / MODEL / f"{by}.npz") as stream:
            _archive(stream, arrays)
    write_atomically(out / PLAN, text.encode())
    for old in (out / MODEL).glob("*.npz"):
        if old.stem not in groups:
            old.unlink()


def _archive(stream: BinaryIO, arrays: Mapping[str, NDArray[Any]]) -> None:
    """Write a ``.npz`` whose bytes depend on nothing but the arrays, a piece at a time."""
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_STORED) as archive:
        for name, array in arrays.items():
            info = zipfile.ZipInfo(f"{name}.npy", _EPOCH)
            info.create_system = 3  # else the system that wrote it
            info.external_attr = 0o644 << 16
            info.file_size = array.nbytes  # decides on the long form of the header
            with archive.open(info, "w") as member:
                np.lib.format.write_array(member, np.ascontiguousarray(array).reshape(array.shape), allow_pickle=False)


def load(out: Path | str) -> Plan:
    """Read a plan and its arrays from an output folder.

    Parameters
    ----------
    out : Path or str

    Returns
    -------
    plan : Plan

    Raises
    ------
    PlanError
        No plan there, or one that cannot be used; the message says why.
    """
    out = Path(out)
    path = out / PLAN
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise PlanError(f"{out}: holds no {PLAN}; give the output folder of a run") from error
    except (OSError, UnicodeDecodeError) as error:
        raise PlanError(f"{path}: cannot be read ({error})") from error
    arrays: dict[str, NDArray[Any]] = {}
    for archive in sorted((out / MODEL).glob("*.npz")):
        try:
            arrays |= _arrays(archive)
        except (OSError, ValueError, zipfile.BadZipFile, EOFError, NotImplementedError, RuntimeError) as error:
            raise PlanError(f"{archive.name}: cannot be read ({error}); run the main job again") from error
    return from_json(text, arrays)


def _arrays(archive: Path) -> dict[str, NDArray[Any]]:
    """Read what `_archive` wrote; never more memory than the file is long, whatever its headers say."""
    held: dict[str, NDArray[Any]] = {}
    size = archive.stat().st_size
    with zipfile.ZipFile(archive) as members:
        for info in members.infolist():
            if info.compress_type != zipfile.ZIP_STORED or not 0 <= info.file_size <= size or info.flag_bits & 1:
                raise ValueError(f"{info.filename[:80]!r} is not stored as it is")
            stream = io.BytesIO(members.read(info))
            version = np.lib.format.read_magic(stream)
            if version != (1, 0):
                raise ValueError(f"{info.filename[:80]!r} is of another version")
            shape, _, kind = np.lib.format.read_array_header_1_0(stream)
            left = info.file_size - stream.tell()
            if kind.hasobject or min(shape, default=0) < 0 or math.prod(shape) * kind.itemsize != left:
                raise ValueError(f"{info.filename[:80]!r} does not hold what its header says")
            stream.seek(0)
            held[info.filename.removesuffix(".npy")] = np.lib.format.read_array(stream, allow_pickle=False)
            size -= info.file_size
    return held
