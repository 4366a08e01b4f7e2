"""Ways by other drums' microphones against a simulated room and closed forms."""

from __future__ import annotations

import numpy as np
import pyroomacoustics as pra
import pytest
from scipy.signal import butter, sosfilt

from spillgate.dsp.core.timing.arrival import Votes
from spillgate.dsp.core.timing.detours import by_way_of, detours, peak, settle
from spillgate.dsp.core.timing.drum_timing import answers, listen

RATE = 48_000.0
BEFORE, LENGTH = 2400, 4320


def room(order: int = 2) -> tuple[np.ndarray, list[np.ndarray]]:
    """Ways (samples) from a snare's microphone to three tom microphones and two overheads, and the responses."""
    shoebox = pra.ShoeBox([5.0, 4.2, 2.8], fs=int(RATE), materials=pra.Material(0.5), max_order=order)
    source = np.array([2.3, 1.9, 0.7])
    places = [[2.3, 1.9, 0.78], [2.05, 2.2, 0.9], [2.45, 2.3, 0.92], [2.8, 1.8, 0.8], [1.6, 1.5, 1.75], [3.1, 2.2, 1.7]]
    mics = np.array(places)
    shoebox.add_source(source)
    shoebox.add_microphone_array(mics.T)
    shoebox.compute_rir()
    distance = np.linalg.norm(mics - source, axis=1)
    return distance / shoebox.c * RATE, [shoebox.rir[m][0] for m in range(len(mics))]


def heard(responses: list[np.ndarray], noise: float, unlike: float, n_hits: int = 8) -> np.ndarray:
    """Hits of a snare in all microphones; `unlike`: share of its own microphone's sound that nobody else hears."""
    rng = np.random.default_rng(4)
    t = np.arange(1920) / RATE
    data = np.zeros((len(responses), n_hits, LENGTH))
    for k in range(n_hits):
        hit = rng.standard_normal(len(t)) * np.exp(-t / 0.006)
        own = unlike * rng.standard_normal(len(t)) * np.exp(-t / 0.006) + (1 - unlike) * hit
        for m, response in enumerate(responses):
            wet = np.convolve(own if m == 0 else hit, response)[: LENGTH - BEFORE]
            data[m, k, BEFORE : BEFORE + len(wet)] = wet
            level = noise if m >= 4 else 1e-4
            data[m, k] += level * rng.standard_normal(LENGTH)
    return data


def test_every_way_ends_where_geometry_says() -> None:
    way, responses = room()
    data = heard(responses, 1e-3, 0.0)
    onset = np.full(8, round(BEFORE + 40 + way[0]))  # the simulator's own filter delays by 40 samples
    found = detours(data[0], list(data[1:4]), list(data[4:]), onset, RATE, (29, 432))
    assert [len(v) for v in found] == [3, 3]
    for overhead, ways in enumerate(found):
        for votes in ways:
            lag, lead = peak(votes, 1)
            assert lag == pytest.approx(way[4 + overhead] - way[0], abs=1.0)
            assert lead > 5
            assert votes.plus.max() > votes.minus.max() + 3


def test_ways_make_sure_what_the_drums_own_microphone_leaves_blurred() -> None:
    # what a microphone hears right over the head is another sound than what the room hears; noise hides the arrival
    way, responses = room()
    data = heard(responses, 0.6, 0.75)
    onset = np.full(8, round(BEFORE + 40 + way[0]))
    xs, ys, zs = [data[0]], list(data[4:]), list(data[1:4])
    true = way[4:] - way[0]
    alone = answers(listen(xs, ys, [onset], RATE, (29, 432)))
    together = answers(listen(xs, ys, [onset], RATE, (29, 432), zs))
    assert min(a[0].sharpness for a in alone.answers[0]) < 4.5  # not sure
    for k in range(2):
        answer = together.answers[0][k][0]
        assert answer.lag == pytest.approx(true[k], abs=1.0)
        assert answer.ways >= 3
        assert answer.sharpness >= 12
    # an overhead in opposite polarity changes sides and nothing else
    ys = [ys[0], -ys[1]]
    turned = answers(listen(xs, ys, [onset], RATE, (29, 432), zs), overhead_sign=-1)
    assert turned.answers[0][1][1].lag == pytest.approx(together.answers[0][1][0].lag, abs=0.01)
    assert turned.answers[0][1][1].score > turned.answers[0][1][0].score


def test_a_late_microphone_on_the_way_changes_nothing() -> None:
    way, responses = room()
    data = heard(responses, 1e-3, 0.0)
    onset = np.full(8, round(BEFORE + 40 + way[0]))
    late = np.roll(data[1], 37, axis=1)
    plain, moved = (detours(data[0], [z], [data[4]], onset, RATE, (29, 432))[0][0] for z in (data[1], late))
    assert peak(moved, 1)[0] == pytest.approx(peak(plain, 1)[0], abs=0.5)
    turned = detours(data[0], [-data[1]], [data[4]], onset, RATE, (29, 432))[0][0]
    assert peak(turned, 1)[0] == pytest.approx(peak(plain, 1)[0], abs=0.5)


def test_two_ways_add_up() -> None:
    # closed form: certain ways of 7 and −2 samples are a whole way of 5; signs multiply
    def certain(lags: np.ndarray, at: int, sign: int) -> Votes:
        row = np.where(lags == at, 5.0, -0.7)
        rest = np.full(len(lags), -0.7)
        return Votes(lags, row if sign > 0 else rest, rest if sign > 0 else row, RATE, 4)

    first, second = np.arange(0, 12), np.arange(-20, 21)
    for one, two in ((1, 1), (1, -1), (-1, -1)):
        votes = by_way_of(certain(first, 7, one), certain(second, -2, two), np.arange(-10, 11))
        row = votes.plus if one * two > 0 else votes.minus
        assert votes.lags[row.argmax()] == 5
        assert row.max() == 10.0
        assert np.delete(row, row.argmax()).max() == pytest.approx(4.3)


def test_most_ways_decide() -> None:
    # numpy.average as the other implementation of the weighted mean
    place = settle([100.0, 101.0, 103.0, 160.0, 40.0], [12.0, 6.0, 4.0, 9.0, 1.0], RATE)
    assert place is not None
    assert place.lag == pytest.approx(np.average([100.0, 101.0, 103.0], weights=[12.0, 6.0, 4.0]))
    assert (place.ways, place.weight, place.share) == (3, 22.0, pytest.approx(22 / 31))
    assert settle([100.0], [2.9], RATE) is None
    capped = settle([100.0, 104.0], [500.0, 12.0], RATE)
    assert capped is not None
    assert capped.lag == pytest.approx(102.0)


def test_what_has_nothing_in_common_agrees_on_nothing() -> None:
    way, responses = room()
    data = heard(responses, 0.3, 1.0)  # the drum's own microphone hears another sound altogether
    onset = np.full(8, round(BEFORE + 40 + way[0]))
    found = answers(listen([data[0]], list(data[4:]), [onset], RATE, (29, 432), list(data[1:4])))
    assert all(a.ways == 0 for pair in found.answers[0] for a in pair)
    rng = np.random.default_rng(0)
    sos = butter(2, 300.0, "highpass", fs=RATE, output="sos")
    noise = [sosfilt(sos, rng.standard_normal((6, LENGTH)), axis=1) for _ in range(6)]
    onset = np.full(6, BEFORE)
    found = answers(listen(noise[:1], noise[4:], [onset], RATE, (29, 432), noise[1:4]))
    assert all(a.ways == 0 for pair in found.answers[0] for a in pair)
