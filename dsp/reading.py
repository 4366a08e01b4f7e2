"""Reading texts that people, or strangers, wrote: never more time or memory than their size calls for.

The parsers of TOML and JSON follow nested brackets by recursion and read numbers of any length; both can be abused, and
so can keys of thousands of parts.  What is read here is bounded, and whatever is wrong is a `ValueError` of one line.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

__all__ = ["from_json", "from_toml", "plain", "read_text"]

LARGEST_BYTES = 2_000_000
"""Of a text written by people; a song's corrections are a few kilobytes (common practice, no source)."""

DEEPEST = 50
"""Tables and lists inside one another (common practice, no source; ours need four)."""

MOST_DOTS = 500
"""Between two separators: more is a key whose parts take a parser time by their number squared."""

LONGEST_TEXT = 20_000
"""Characters of one value or key (common practice, no source)."""


def read_text(path: Path, largest: int = LARGEST_BYTES) -> str:
    """Read a text file of bounded size.

    Raises
    ------
    ValueError
        If it is larger than `largest` bytes or no UTF-8.
    OSError
        If it cannot be read.
    """
    with open(path, "rb") as stream:
        data = stream.read(largest + 1)
    if len(data) > largest:
        raise ValueError(f"larger than {largest / 1e6:g} MB")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise ValueError(f"no UTF-8 text at byte {error.start}") from error


def from_toml(text: str) -> dict[str, Any]:
    """Read TOML.

    Raises
    ------
    ValueError
        If it is none, or not within bounds; the message says where.
    """
    import tomllib

    if max(part.count(".") for part in re.split(r"[=,{\n]", text)) > MOST_DOTS:
        raise ValueError("a key of hundreds of parts")
    try:
        data = tomllib.loads(text)
    except RecursionError as error:
        raise ValueError("too deeply nested") from error
    plain(data)
    return data


def from_json(text: str | bytes, longest: float = LONGEST_TEXT) -> Any:
    """Read JSON; `longest` is the number of characters a text in it may have.

    Raises
    ------
    ValueError
        If it is none, or not within bounds.
    """
    try:
        data = json.loads(text)
    except RecursionError as error:
        raise ValueError("too deeply nested") from error
    plain(data, longest)
    return data


def plain(data: Any, longest: float = LONGEST_TEXT) -> None:
    """Make sure that data read from a text can be worked with.

    Parameters
    ----------
    data : dict, list or plain value
    longest : float
        Characters of a text.

    Raises
    ------
    ValueError
        For whole numbers beyond 64 bits (more than TOML allows), texts that are very long or cannot be written as
        UTF-8, and nesting beyond any use.
    """
    todo: list[tuple[Any, int]] = [(data, 0)]
    while todo:
        value, depth = todo.pop()
        if isinstance(value, str):
            if len(value) > longest:
                raise ValueError(f"a text of {len(value)} characters")
            try:
                value.encode()
            except UnicodeEncodeError as error:
                raise ValueError(f"a text with half a character ({value[:40]!a})") from error
        elif isinstance(value, bool | float):
            continue
        elif isinstance(value, int):
            if value.bit_length() > 64:
                raise ValueError("a whole number beyond 64 bits")
        elif isinstance(value, dict | list):
            if depth >= DEEPEST:
                raise ValueError("too deeply nested")
            todo += [(v, depth + 1) for v in (value.values() if isinstance(value, dict) else value)]
            todo += [(k, depth) for k in value] if isinstance(value, dict) else []
