"""How independent parts of the work are handed out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

__all__ = ["Each", "serial"]

Each = Callable[[Callable[[Any], Any], Sequence[Any]], list[Any]]
"""Like `map`, but to a list in the order of the items; may use threads."""


def serial(func: Callable[[Any], Any], items: Sequence[Any]) -> list[Any]:
    """Do one after the other.

    Parameters
    ----------
    func : callable
    items : sequence

    Returns
    -------
    results : list
    """
    return [func(item) for item in items]
