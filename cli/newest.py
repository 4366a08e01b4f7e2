"""Finding the newest recordings in a folder that fills up during a session."""

from __future__ import annotations

import os
import re
from collections import defaultdict
from pathlib import Path

from spillgate.dsp.errors import TakeError

__all__ = ["newest"]

ENDINGS = {".wav", ".wave", ".aif", ".aiff", ".aifc", ".flac", ".caf", ".w64", ".rf64", ".bwf"}
NUMBER = re.compile(r"^(?P<name>.*\D)?(?P<number>\d{1,4})$")
APART_S = 60.0
"""Files written within a minute of one another belong to one take, if no number tells (common practice, no source)."""


def newest(folder: Path, links: Path) -> tuple[Path, str]:
    """Find the newest take in a folder.

    Parameters
    ----------
    folder : Path
    links : Path
        Folder to be made for links to the files, if only some of a folder's files are the take.

    Returns
    -------
    take : Path
        `folder` itself, a folder inside it, or `links`.
    note : str
        Which it is, one sentence.

    Raises
    ------
    TakeError
        If there is no recording.
    """
    inside = [d for d in sorted(folder.iterdir()) if d.is_dir() and not d.name.startswith(".") and _audio(d)]
    here = _audio(folder)
    if inside:
        last = max(inside, key=lambda d: (max(_time(p) for p in _audio(d)), d.name))
        if not here or _age(_audio(last)) >= _age(here):
            return last, f"Newest take: the folder {last.name}."
    if not here:
        raise TakeError(f"{folder}: holds no recording")
    group, name = _last_group(here)
    if len(group) == len(here):
        return folder, f"All {len(here)} files are of one take."
    links.mkdir(parents=True)
    for path in group:
        try:
            os.symlink(path.resolve(), links / path.name)
        except OSError:  # no right to make links
            os.link(path, links / path.name)
    return links, f"Newest take: {len(group)} of {len(here)} files, {name}."


def _audio(folder: Path) -> list[Path]:
    return sorted(
        p for p in folder.iterdir() if p.suffix.lower() in ENDINGS and p.is_file() and not p.name.startswith(".")
    )


def _time(path: Path) -> float:
    return path.stat().st_mtime


def _age(paths: list[Path]) -> float:
    return max(_time(p) for p in paths)


def _last_group(paths: list[Path]) -> tuple[list[Path], str]:
    """The files of the last take: by the number their names end in if that tells takes apart, else by time."""
    numbered: dict[str, dict[str, Path]] = defaultdict(dict)
    for path in paths:
        found = NUMBER.match(path.stem)
        if found:
            numbered[found["number"]][(found["name"] or "").lower()] = path
    groups = list(numbered.values())
    names = [set(g) for g in groups]
    if len(groups) > 1 and all(len(g) > 1 for g in groups) and len(set.intersection(*names)) >= 2:
        number = max(numbered, key=lambda n: (_age(list(numbered[n].values())), n))
        return sorted(numbered[number].values()), f"their names end in {number}"
    by_time = sorted(paths, key=lambda p: (_time(p), p.name))
    start = len(by_time) - 1
    while start > 0 and _time(by_time[start]) - _time(by_time[start - 1]) <= APART_S:
        start -= 1
    group = by_time[start:]
    return sorted(group), f"written last ({group[0].name} to {group[-1].name})"
