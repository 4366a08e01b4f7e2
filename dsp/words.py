"""How numbers and names are put to people: the same on terminal, page and sheet."""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["clock", "counted", "duration", "listed", "printable"]


def clock(seconds: float, places: int = 3) -> str:
    """Give a place in a take.

    Parameters
    ----------
    seconds : float
        From its first sample.
    places : int
        Decimals of the seconds.

    Returns
    -------
    text : str
        Minutes and seconds.

    Examples
    --------
    >>> clock(83.5), clock(59.9996), clock(-0.25, 2)
    ('1:23.500', '1:00.000', '-0:00.25')
    """
    steps = round(abs(seconds) * 10**places)
    minutes, rest = divmod(steps, 60 * 10**places)
    width = places + 3 if places else 2
    return f"{'-' if seconds < 0 and steps else ''}{minutes}:{rest / 10**places:0{width}.{places}f}"


def duration(seconds: float) -> str:
    """Give a length to the second.

    Parameters
    ----------
    seconds : float

    Returns
    -------
    text : str

    Examples
    --------
    >>> duration(20.2), duration(245.0)
    ('20 s', '4:05 min')
    """
    return f"{round(seconds)} s" if round(seconds) < 60 else f"{clock(seconds, 0)} min"


def printable(text: str) -> str:
    r"""Give a text that steers no terminal: names come from strangers.

    Parameters
    ----------
    text : str

    Returns
    -------
    text : str
        On one line; what would steer is shown instead of done.

    Examples
    --------
    >>> print(printable("Tom" + chr(10) + "1" + chr(27)))
    Tom\n1\x1b
    """
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)


def counted(n: int, word: str) -> str:
    """Give a number of things.

    Parameters
    ----------
    n : int
    word : str
        For one of them.

    Returns
    -------
    text : str

    Examples
    --------
    >>> counted(1, "question"), counted(0, "hit")
    ('1 question', '0 hits')
    """
    return f"{n} {word}" + ("" if n == 1 else "s")


def listed(names: Sequence[str], most: int = 4) -> str:
    """Give names as in a sentence.

    Parameters
    ----------
    names : sequence of str
        At least one.
    most : int
        The others are only counted.

    Returns
    -------
    text : str

    Examples
    --------
    >>> listed(["kick", "snare", "hat"]), listed(["kick", "snare", "hat"], 1)
    ('kick, snare and hat', 'kick and 2 more')
    """
    shown = list(names[:most])
    if len(names) > most:
        shown.append(f"{len(names) - most} more")
    return shown[0] if len(shown) == 1 else ", ".join(shown[:-1]) + " and " + shown[-1]
