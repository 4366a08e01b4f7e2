"""Constant lateness of tracks of a kit whose distances are known (distance over 343.2 m/s, ISO 9613-1 at 20 °C)."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from spillgate.dsp.core.checks.lateness import Arrival, arrival, lateness

FRAME_S = 0.001
PLACES = {
    "kick": (0.0, 0.6, 0.3),
    "snare": (0.0, 0.0, 0.7),
    "hat": (-0.5, 0.1, 0.9),
    "tom1": (-0.25, 0.5, 0.9),
    "floor": (0.6, 0.1, 0.6),
    "left": (-0.6, 0.2, 1.9),
    "right": (0.6, 0.2, 1.9),
}
KINDS = {n: (("overhead" if n in ("left", "right") else n.rstrip("1")), n) for n in PLACES} | {
    "floor": ("tom", "floor")
}


def way_ms(a: str, b: str) -> float:
    return float(1000.0 * np.linalg.norm(np.subtract(PLACES[a], PLACES[b])) / 343.2)


def ways(late_ms: dict[str, float], weight: float = 1.0) -> dict[tuple[str, str], Arrival]:
    """Arrivals of that kit with some tracks late."""
    drums = [n for n in PLACES if n not in ("left", "right")]
    return {
        (a, b): Arrival(ms=way_ms(a, b) + late_ms.get(b, 0.0) - late_ms.get(a, 0.0), weight=weight)
        for a in drums
        for b in PLACES
        if a != b
    }


def envelopes(strokes: list[tuple[float, float]], seconds: float = 6.0, seed: int = 0) -> NDArray[np.float64]:
    """Energies of six bands with decaying strokes (time, amplitude) over noise."""
    rng = np.random.default_rng(seed)
    n = int(seconds / FRAME_S)
    e = 1e-9 * rng.chisquare(40, (n, 6)) / 40
    t = np.arange(n) * FRAME_S
    for at, amplitude in strokes:
        after = t >= at
        e[after] += amplitude**2 * np.exp(-(t[after, None] - at) / 0.03)
    return np.asarray(e)


@pytest.mark.parametrize("ms", [-12.0, -3.0, 0.0, 2.0, 5.0, 20.0])
def test_arrival_of_strokes(ms: float) -> None:
    hits = np.array([1.0, 1.7, 2.9, 4.4])
    mic = envelopes([(t + ms / 1000, 0.01) for t in hits])
    found = arrival(mic, np.round(hits / FRAME_S).astype(np.int64), np.zeros(0, np.int64), FRAME_S)
    assert found.ms == pytest.approx(ms, abs=1.0)
    assert found.weight == 1.0


def test_other_drums_do_not_count() -> None:
    # a kick is struck 12 ms before every tom
    hits = np.array([1.0, 1.7, 2.9, 4.4])
    kicks = hits - 0.012
    mic = envelopes([(t + 0.003, 0.02) for t in hits] + [(t, 0.01) for t in kicks])
    frames, others = (np.round(v / FRAME_S).astype(np.int64) for v in (hits, kicks))
    assert arrival(mic, frames, np.zeros(0, np.int64), FRAME_S).ms == pytest.approx(-12.0, abs=1.0)
    assert arrival(mic, frames, others, FRAME_S).ms == pytest.approx(3.0, abs=1.0)


def test_what_is_left_of_others_strokes_is_no_arrival() -> None:
    # another drum is always struck 1 ms earlier, and begins to rise 2 ms before its hit is placed: what is left out
    # round its hits leaves the foot of that rise
    hits = np.array([1.0, 1.7, 2.9, 4.4])
    mic = envelopes([(t - 0.003, 0.02) for t in hits])
    frames, others = (np.round(v / FRAME_S).astype(np.int64) for v in (hits, hits - 0.001))
    assert arrival(mic, frames, np.zeros(0, np.int64), FRAME_S).weight == 1.0
    assert arrival(mic, frames, others, FRAME_S).weight == 0.0


def test_nothing_to_hear() -> None:
    assert arrival(envelopes([]), np.zeros(0, np.int64), np.zeros(0, np.int64), FRAME_S).weight == 0.0
    silent = arrival(np.zeros((3000, 6)), np.array([1000, 2000]), np.zeros(0, np.int64), FRAME_S)
    assert silent.weight == 0.0
    assert lateness({}, KINDS) == {}


def test_ways_alone_are_not_late() -> None:
    assert lateness(ways({}), KINDS) == {}
    assert lateness(ways({"hat": 0.8, "left": -0.8}), KINDS) == {}  # 27 cm: where a mic may stand


@settings(max_examples=60, deadline=None)
@given(
    track=st.sampled_from(sorted(PLACES)),
    ms=st.floats(4.0, 30.0),
    sign=st.sampled_from([-1.0, 1.0]),
    seed=st.integers(0, 1000),
)
def test_a_planted_delay_comes_back(track: str, ms: float, sign: float, seed: int) -> None:
    found = lateness(ways({track: sign * ms}), KINDS)
    assert list(found) == [track]
    assert found[track].ms == pytest.approx(sign * ms, abs=1.2)  # overheads: against the usual way
    # three answers in ten are chance
    rng = np.random.default_rng(seed)
    some = {
        k: Arrival(ms=rng.uniform(-40, 40), weight=0.3) if rng.random() < 0.3 else v
        for k, v in ways({track: sign * ms}).items()
    }
    assert set(lateness(some, KINDS)) <= {track}


def test_strokes_that_something_follows_at_once_are_not_early() -> None:
    found = ways({})
    for (source, mic), a in ways({}).items():
        if source == "tom1":
            found[source, mic] = Arrival(ms=a.ms + 22.0, weight=1.0)  # a flam: the other drum 22 ms later
    assert lateness(found, KINDS) == {}


def test_two_late_tracks() -> None:
    found = lateness(ways({"tom1": 6.0, "right": 9.0}), KINDS)
    assert set(found) == {"tom1", "right"}
    assert found["tom1"].ms == pytest.approx(6.0, abs=0.6)


def test_half_a_kit_late_is_no_answer() -> None:
    assert len(lateness(ways({"kick": 9.0, "snare": 9.0, "hat": 9.0, "tom1": 9.0}), KINDS)) <= 3


def test_a_pair_that_hangs_high_is_not_late(monkeypatch: pytest.MonkeyPatch) -> None:
    for side in ("left", "right"):
        x, y, _ = PLACES[side]
        monkeypatch.setitem(PLACES, side, (x, y, 3.0))  # 2.3 m above the snare: 6.9 ms
    assert lateness(ways({}), KINDS) == {}
    late = lateness(ways({"left": 5.0}), KINDS)
    assert list(late) == ["left"]


def test_a_bottom_mic_whose_wires_rattle_along_is_not_late() -> None:
    found = ways({})
    kinds = KINDS | {"bottom": ("snare", "snare")}
    for n in KINDS:  # its own strokes reach all when the top mic's do; the others' set the wires off 3 ms later
        if n != "snare":
            found["bottom", n] = found["snare", n]
            if (n, "snare") in found:
                found[n, "bottom"] = Arrival(ms=found[n, "snare"].ms + 4.0, weight=1.0)
                found["bottom", n] = Arrival(ms=-2.0, weight=1.0)
    found["snare", "bottom"] = found["bottom", "snare"] = Arrival(ms=-2.0, weight=1.0)  # hits placed 2 ms late
    assert lateness(found, kinds) == {}
    really = {
        k: (Arrival(ms=a.ms + 5.0 * (k[1] == "bottom") - 5.0 * (k[0] == "bottom"), weight=1.0))
        for k, a in found.items()
    }
    assert "bottom" in lateness(really, kinds)


def test_an_overhead_beside_a_dead_one_is_judged_by_the_usual_way() -> None:
    found = {k: a for k, a in ways({"left": 6.0}).items() if k[1] != "right"}
    assert list(lateness(found, KINDS)) == ["left"]
