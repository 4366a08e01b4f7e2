"""The errors Spillgate raises on purpose.

Every message is one line in the order: where, what is wrong with which value, what is allowed or what to do.
Each kind also inherits the built-in type that a caller would expect.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from typing import TypeVar

__all__ = [
    "AudioFileError",
    "ChainError",
    "DspError",
    "OutputError",
    "ParameterError",
    "PlanError",
    "PluginError",
    "PluginWarning",
    "TakeError",
    "UnknownProcessorError",
    "about",
    "nearest",
]


class DspError(Exception):
    """Base of everything Spillgate raises on purpose.

    Attributes
    ----------
    file : str
        The one file of a take that is at fault, if the others can be used without it.
    """

    file: str = ""


class ParameterError(DspError, ValueError):
    """A parameter, option or key is unknown or out of range."""


class UnknownProcessorError(ParameterError, LookupError):
    """No processor or step of that name is installed."""


class ChainError(DspError, ValueError):
    """The processors of a chain do not fit together."""


class AudioFileError(DspError, OSError):
    """A file cannot be read as audio, or its audio cannot be used."""


class TakeError(DspError, ValueError):
    """The files of a folder do not make a take."""


class PlanError(DspError, ValueError):
    """A plan, a correction or an input list does not say what it should, or does not fit the take."""


class OutputError(DspError, OSError):
    """The output cannot be written where it was asked for."""


class PluginError(DspError, RuntimeError):
    """A processor or step of another distribution broke its contract; the message names the distribution."""


class PluginWarning(UserWarning):
    """An installed plug-in is left out; the message names its distribution."""


E = TypeVar("E", bound=DspError)


def about(file: str, error: E) -> E:
    """Say that an error is about one file of a take, without which the others can be used.

    Parameters
    ----------
    file : str
    error : DspError

    Returns
    -------
    error : DspError
        The same, with its `file`.
    """
    error.file = file
    return error


def nearest(name: str, known: Iterable[str]) -> str:
    """Give the hint that ends an error about an unknown name.

    Parameters
    ----------
    name : str
        What was written.
    known : iterable of str
        What would have been understood.

    Returns
    -------
    hint : str
        ``"did you mean 'x'?"`` if one known name is close, else ``"known: a, b, c"``.

    Examples
    --------
    >>> nearest("flor_db", ["floor_db", "ring"])
    "did you mean 'floor_db'?"
    """
    names = sorted(known)
    close = difflib.get_close_matches(name, names, n=1, cutoff=0.6)
    if close:
        return f"did you mean '{close[0]}'?"
    return "known: " + ", ".join(names) if names else "none is known"
