"""A marker: what a plan knows of it and a file can hold."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Marker"]


@dataclass(frozen=True, order=True)
class Marker:
    """A place or a stretch with a label.

    Attributes
    ----------
    at : int
        Its first sample.
    length : int
        Samples; 0 for a place.
    text : str
    """

    at: int
    length: int
    text: str
