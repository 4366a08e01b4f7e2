"""Whether recordings stay as they are while they are worked on."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from pathlib import Path

from spillgate.dsp.errors import TakeError
from spillgate.dsp.take.model import Take

__all__ = ["Stamps", "stamps", "unchanged"]

Stamps = Mapping[str, tuple[int, int]]
"""Per file name its size in bytes and the time of its last change in ns."""


def stamps(folder: Path) -> Stamps:
    """Note size and time stamp of every file in a folder; call it before the first look at them.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    stamps : mapping of str to (int, int)
        Empty if it is no folder or cannot be read: whoever opens the take says so.
    """
    found: dict[str, tuple[int, int]] = {}
    with contextlib.suppress(OSError):
        for path in folder.iterdir():
            with contextlib.suppress(OSError):
                stat = path.stat()
                found[path.name] = (stat.st_size, stat.st_mtime_ns)
    return found


def unchanged(take: Take, before: Stamps) -> None:
    """Make sure that all files of a take are as they were.

    Parameters
    ----------
    take : Take
    before : mapping
        As `stamps` gave it.

    Raises
    ------
    TakeError
        If one was changed, or taken away; its stem would fit neither the old nor the new recording.
    """
    for file in {f.name: f for t in take.tracks for f in t.files}.values():
        try:
            stat = file.path.stat()
        except OSError as error:
            raise TakeError(f"{file.name}: was taken away while it was worked on; nothing was kept") from error
        if file.name in before and before[file.name] != (stat.st_size, stat.st_mtime_ns):
            raise TakeError(f"{file.name}: was changed while it was worked on; start again when it is finished")
