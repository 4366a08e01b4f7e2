"""Writing files whole or not at all.

Everything grows under a hidden name beside its place and moves there in one step once it is on the disk.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

from spillgate.dsp.errors import AudioFileError, DspError, OutputError

if TYPE_CHECKING:
    from numpy.typing import NDArray

LONGEST_NAME = 255
"""Bytes of a file name that common file systems allow (POSIX NAME_MAX of ext4, APFS, NTFS: 255)."""

__all__ = ["FileCopy", "Pending", "growing", "mapped", "synced", "told", "write_atomically"]


@contextmanager
def told(name: str, source: Path | None = None) -> Iterator[None]:
    """Turn what the system says about an output, or about the recording it is made from, into one line."""
    try:
        yield
    except DspError:
        raise
    except OSError as error:
        why = error.strerror or str(error)
        if source is not None and (not source.is_file() or str(error.filename) == str(source)):
            text = f"{source.name}: can no longer be read ({why}); is the disk still there?"
            raise AudioFileError(text) from error
        raise OutputError(f"{name}: cannot be written ({why}); look at the space and the rights there") from error


class Pending:
    """A file that grows under a hidden name beside its place and moves there when it is whole."""

    def __init__(self, target: Path) -> None:
        self.target = target
        name = f".{target.name}.part"
        if len(os.fsencode(name)) > LONGEST_NAME:
            name = f".{hashlib.blake2b(os.fsencode(target.name), digest_size=16).hexdigest()}.part"
        self.temporary = target.with_name(name)

    def commit(self) -> None:
        """Move the file to its place, in one step, in place of what was there."""
        with told(self.target.name):
            os.replace(self.temporary, self.target)

    def abort(self) -> None:
        """Throw the file away."""
        self.temporary.unlink(missing_ok=True)


def mapped(path: Path, shape: tuple[int, ...], dtype: Any) -> NDArray[Any]:
    """Make an array of zeros that lives in a file.

    The disk gives its room now: where it could not do so later, the system would kill the process.

    Parameters
    ----------
    path : Path
    shape : tuple of int
    dtype : dtype

    Returns
    -------
    array : ndarray

    Raises
    ------
    OutputError
        If there is no room for it.
    """
    import numpy as np

    size = int(np.prod(shape)) * np.dtype(dtype).itemsize
    with told(path.name), open(path, "wb") as stream:
        if hasattr(os, "posix_fallocate"):
            os.posix_fallocate(stream.fileno(), 0, size)
        else:  # other systems: written in full
            for at in range(0, size, 1 << 20):
                stream.write(bytes(min(1 << 20, size - at)))
    return np.memmap(path, dtype, "r+", shape=shape)


def synced(path: Path) -> None:
    """Wait until a file is on the disk."""
    with open(path, "rb+") as stream:
        os.fsync(stream.fileno())


@contextmanager
def growing(path: Path) -> Iterator[BinaryIO]:
    """Give a stream that becomes a file under its final name when all has been written, or nothing at all.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    pending = Pending(path)
    try:
        with told(path.name):
            with open(pending.temporary, "wb") as stream:
                yield stream
                stream.flush()
                os.fsync(stream.fileno())
            pending.commit()
    except BaseException:
        pending.abort()
        raise


def write_atomically(path: Path, data: bytes) -> None:
    """Write a small file under its final name, whole or not at all.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    with growing(path) as stream:
        stream.write(data)


class FileCopy(Pending):
    """A byte-for-byte copy with the input's time stamp, under its name or another; `commit` puts it in its place."""

    def __init__(self, source: Path, folder: Path, name: str = "") -> None:
        super().__init__(folder / (name or source.name))
        try:
            with told(source.name, source):
                shutil.copyfile(source, self.temporary)
                synced(self.temporary)
                stat = source.stat()
                os.utime(self.temporary, ns=(stat.st_atime_ns, stat.st_mtime_ns))
        except BaseException:
            self.abort()
            raise
