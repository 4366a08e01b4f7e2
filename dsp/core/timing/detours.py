"""When a drum reaches an overhead by way of the other drums' microphones.

A snare is heard by the microphones of the toms and the hat too, loud and clear since they are near.  They hear it from
afar, as the overheads do, so what is hard between its own microphone and an overhead (the sound right over the head is
another one) is easy between them and the overhead: both ways together give the arrival once more, and each such
microphone gives it independently of the others.  A microphone's own latency drops out of the sum.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.core.timing.arrival import COARSE, Votes, arrival_votes
from spillgate.dsp.core.timing.hit_pieces import Pieces, attack_samples, heard
from spillgate.dsp.core.timing.overhead_pair import pair_votes

__all__ = ["Place", "by_way_of", "detours", "peak", "settle"]

Floats = NDArray[np.float64]

NEAREST_S, FARTHEST_S = -0.0005, 0.004
"""Ways from one close microphone to another: up to 1.4 m; the other one may come a little early from the desk."""
NEAR_S = 0.00015
"""Ways that agree within this time agree."""
FAR_S = 0.0003
"""The lead of a way counts over places farther than this."""
LEAST_LEAD, MOST_LEAD = 3.0, 12.0
"""A way with a smaller lead is left out; none counts for more than the greatest (natural log units)."""
CENTRE_CELLS = 3
EDGE_S = 0.0001
"""A first step this near an end of its range is no answer."""


@dataclass(frozen=True)
class Place:
    """Where several ways to one overhead agree that the drum arrives.

    Attributes
    ----------
    lag : float
        Samples at the analysis rate.
    weight : float
        Sum of the leads of the ways that agree, natural log units.
    share : float
        The same as a share of all ways' leads, 0…1.
    ways : int
        How many agree.
    """

    lag: float
    weight: float
    share: float
    ways: int


def by_way_of(first: Votes, second: Votes, lags: NDArray[np.int64]) -> Votes:
    """Join the votes of two ways into votes on the whole way.

    Parameters
    ----------
    first : Votes
        From the drum's own microphone to another one.
    second : Votes
        From that one to an overhead; its lags reach as far to either side.
    lags : ndarray of int, shape (n_lags,)
        Whole ways, samples, ascending without gaps.

    Returns
    -------
    votes : Votes
        For each whole way the greatest sum that any place of the other microphone allows.
    """
    reach = int(second.lags[-1])
    steps = lags[None, :] - first.lags[:, None]
    inside = np.clip(steps + reach, 0, 2 * reach)
    rows = []
    for sign in (1, -1):
        ways = []
        for a, same in ((first.plus, 1), (first.minus, -1)):
            b = second.plus if sign == same else second.minus
            ways.append((a[:, None] + np.where(np.abs(steps) <= reach, b[inside], b.min())).max(axis=0))
        rows.append(np.maximum(*ways))
    return Votes(lags, rows[0], rows[1], first.rate, min(first.n_hits, second.n_hits))


def detours(
    x: Pieces,
    zs: Sequence[Pieces],
    ys: Sequence[Pieces],
    onset: NDArray[np.int64],
    rate: float,
    lag_range: tuple[int, int],
) -> tuple[tuple[Votes, ...], ...]:
    """Let a drum's hits vote on its arrival at the overheads by way of each other microphone.

    Parameters
    ----------
    x : ndarray, shape (n_hits, n_samples), float64, or Heard
        Pieces of the drum's own microphone.
    zs, ys : sequence of the same
        Of other drums' microphones and of the overheads, cut at the same places.
    onset : ndarray of int, shape (n_hits,)
        First sample of each hit in `x`.
    rate : float
        Hz.
    lag_range : (int, int)
        Earliest and latest arrival at the overheads, samples.

    Returns
    -------
    votes : tuple of tuple of Votes
        Per overhead, per other microphone.
    """
    low, high = round(NEAREST_S * rate), round(FARTHEST_S * rate)
    lags = np.arange(lag_range[0], lag_range[1] + 1)
    x, ys, zs = heard(x), [heard(v) for v in ys], [heard(v) for v in zs]
    starts = (onset, attack_samples(x, onset, rate))
    out: list[list[Votes]] = [[] for _ in ys]
    for z in zs:
        first = arrival_votes(x, z, onset, rate, low, high, COARSE, starts)
        if min(first.best()[0] - low, high - first.best()[0]) < EDGE_S * rate:
            first = Votes(first.lags, 0.0 * first.plus, 0.0 * first.minus, rate, 0)
        for found, y in zip(out, ys, strict=True):
            found.append(by_way_of(first, pair_votes(x, z, y, onset, rate, low, lag_range[1]), lags))
    return tuple(tuple(v) for v in out)


def peak(votes: Votes, sign: int) -> tuple[float, float]:
    """Give the place of the best lag of one sign to a fraction of a sample, and its lead.

    Parameters
    ----------
    votes : Votes
    sign : int
        1 or −1.

    Returns
    -------
    lag : float
        Centroid of the cells around the best one; samples.
    lead : float
        Over the best lag of the same sign farther than 0.3 ms, natural log units.
    """
    row = votes.plus if sign > 0 else votes.minus
    k = int(row.argmax())
    near = round(FAR_S * votes.rate)
    rest = np.concatenate([row[: max(k - near, 0)], row[k + near + 1 :]])
    a, b = max(k - CENTRE_CELLS, 0), min(k + CENTRE_CELLS + 1, len(row))
    weight = np.exp(row[a:b] - row[k])
    lag = float((weight * votes.lags[a:b]).sum() / weight.sum())
    return lag, float(row[k] - rest.max()) if len(rest) else 0.0


def settle(lags: Sequence[float], leads: Sequence[float], rate: float) -> Place | None:
    """Find where most of the ways agree.

    Parameters
    ----------
    lags : sequence of float
        Samples, one per way.
    leads : sequence of float
        Natural log units.
    rate : float
        Hz.

    Returns
    -------
    place : Place or None
        Weighted mean of the ways within 0.15 ms of the weighted median; None if no way is worth anything.
    """
    lag, lead = np.asarray(lags, float), np.minimum(np.asarray(leads, float), MOST_LEAD)
    lag, lead = lag[lead >= LEAST_LEAD], lead[lead >= LEAST_LEAD]
    if not len(lag):
        return None
    order = np.argsort(lag, kind="stable")
    lag, lead = lag[order], lead[order]
    share = np.cumsum(lead)
    centre = float(lag[np.searchsorted(share, 0.5 * share[-1])])
    for _ in range(2):
        agree = np.abs(lag - centre) <= NEAR_S * rate
        centre = float((lag * lead)[agree].sum() / lead[agree].sum())
    weight = float(lead[agree].sum())
    return Place(centre, weight, weight / float(share[-1]), int(agree.sum()))
