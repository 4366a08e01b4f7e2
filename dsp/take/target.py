"""What a stem is to be: its container, samples, channels, and what is new in its metadata."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import soundfile as sf

from spillgate.dsp.core.audio.marker import Marker
from spillgate.dsp.errors import ParameterError
from spillgate.dsp.take.audio import FLOAT_TYPES, INTEGER_BITS
from spillgate.dsp.take.model import AudioFile

__all__ = ["Edits", "Target", "integer_bits"]

_CONTAINERS: dict[str, tuple[str, bytes | None]] = {
    "wav": ("WAV", b"RIFF"),
    "rf64": ("RF64", b"RF64"),
    "bw64": ("RF64", b"BW64"),
    "aiff": ("AIFF", None),
    "flac": ("FLAC", None),
    "caf": ("CAF", None),
    "w64": ("W64", None),
}
"""Containers -> ``soundfile``'s name and the first bytes of our own WAV."""

_EIGHT_BITS = {"PCM_U8": "PCM_S8", "PCM_S8": "PCM_U8"}
_SHORT = {"16": "PCM_16", "24": "PCM_24", "32": "PCM_32", "float": "FLOAT", "double": "DOUBLE"}


def integer_bits(subtype: str) -> int | None:
    """Tell how many bits samples have; None for floating point."""
    return INTEGER_BITS.get(subtype)


@dataclass(frozen=True, kw_only=True)
class Target:
    """What a stem is to be.

    Attributes
    ----------
    name : str
        File name.
    format, subtype : str
        As ``soundfile`` names them.
    form : bytes or None
        First four bytes of a file of the WAV family; None: as the input.
    channels : tuple of int
        Of the input, counted from 0.
    """

    name: str
    format: str
    subtype: str
    form: bytes | None
    channels: tuple[int, ...]

    @classmethod
    def of(
        cls, file: AudioFile, name: str = "", container: str = "", subtype: str = "", channels: Sequence[int] = ()
    ) -> Target:
        """Work out what the stem of a file is to be.

        Parameters
        ----------
        file : AudioFile
        name : str
            Default: the input's.
        container : str
            ``"wav"``, ``"rf64"``, ``"bw64"``, ``"aiff"``, ``"flac"``, ``"caf"``, ``"w64"``; default: the input's.
        subtype : str
            As ``soundfile`` names it; default: the input's.
        channels : sequence of int
            Default: all.

        Returns
        -------
        target : Target

        Raises
        ------
        ParameterError
            If that container cannot hold such samples.
        """
        new, form = _CONTAINERS[container] if container else (file.format, None)
        if file.format == "WAVEX" and new == "WAV":
            new = "WAVEX"
        wanted = subtype or file.subtype
        if not subtype and not sf.check_format(new, wanted):
            wanted = _EIGHT_BITS.get(wanted, wanted)
        if not sf.check_format(new, wanted):
            kind = "float" if wanted in FLOAT_TYPES else f"{INTEGER_BITS[wanted]}-bit"
            allowed = [k for k, v in _SHORT.items() if sf.check_format(new, v)]
            raise ParameterError(
                f"{file.name}: {(container or file.format).upper()} holds no {kind} samples; "
                f"--subtype can be {', '.join(allowed)}"
            )
        return cls(
            name=name or file.name,
            format=new,
            subtype=wanted,
            form=form,
            channels=tuple(channels) or tuple(range(file.n_channels)),
        )

    def is_as(self, file: AudioFile) -> bool:
        """Whether samples and container are those of the input (which then can be copied)."""
        same = (self.format, self.subtype, len(self.channels)) == (file.format, file.subtype, file.n_channels)
        if not same or self.form is None:
            return same
        with open(file.path, "rb") as stream:
            head = stream.read(4)
        return head == self.form or (head == b"RIFX" and self.form == b"RIFF")

    @property
    def sample_bytes(self) -> int:
        """Bytes of one sample, not packed."""
        bits = integer_bits(self.subtype)
        return bits // 8 if bits else FLOAT_TYPES[self.subtype].itemsize


@dataclass(frozen=True, kw_only=True)
class Edits:
    """What is new in a stem's metadata.

    Attributes
    ----------
    line : str
        Words for the coding history of changed audio; empty: the history and the loudness stay as they are.
    umid : bytes
        A new one; empty: as it was.
    markers : tuple of Marker
        Added to those the input has.
    """

    line: str = ""
    umid: bytes = b""
    markers: tuple[Marker, ...] = ()
