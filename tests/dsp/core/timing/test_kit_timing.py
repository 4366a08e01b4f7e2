"""What moves together, and what the lags say about the kit."""

from __future__ import annotations

from dataclasses import replace

import pytest

from spillgate.dsp.core.timing.kit_timing import (
    Lag,
    Mover,
    confidence,
    drum_sign,
    move_kit,
    odd_sign_out,
    overhead_mismatch,
    pair_sign,
    relative_sign,
    sides,
    swapped,
)


def lag(samples: float, sure: str = "sure", coherence: float = 0.9) -> Lag:
    return Lag(samples, 1, 10.0, 10.0, 10.0, coherence, 8, sure)  # type: ignore[arg-type]


KIT = [
    Mover("kick", "kick", 300.0, -1, False, False),
    Mover("top", "snare", 150.0, 1, True, True),
    Mover("bottom", "snare", 700.0, -1, False, True, after_first=9.5),
    Mover("rack", "tom1", 140.0, -1, True, True),
    Mover("hat", "hat", 20.0, 1, False, False),
]


def test_unsure_microphones_keep_the_timing_inside_the_kit() -> None:
    moved, snare = move_kit(KIT, ["oh l", "oh r", "room"], "close")
    assert snare == 150.0
    assert {t: (m.delay, m.polarity) for t, m in moved.items()} == {
        "kick": (150.0, 1),
        "top": (150.0, 1),
        "bottom": (140.5, -1),  # the sound is 9.5 samples later in it already
        "rack": (140.0, -1),
        "hat": (150.0, 1),
    }


def test_overheads_and_rooms_come_earlier_together_and_close_mics_stay() -> None:
    moved, _ = move_kit(KIT, ["oh l", "oh r", "room"], "overheads")
    assert all(moved[t].delay == 0 for t in ("kick", "top", "bottom", "rack", "hat"))
    assert [moved[t].delay for t in ("oh l", "oh r", "room")] == [-150.0] * 3
    assert moved["rack"].polarity == -1


@pytest.mark.parametrize("move", ["close", "overheads"])
def test_nothing_moves_while_the_snare_is_unsure(move: str) -> None:
    kit = [m for m in KIT if m.drum != "snare"] + [Mover("top", "snare", 150.0, 1, False, False)]
    for movers in (kit, [m for m in kit if m.drum != "snare"]):
        moved, snare = move_kit(movers, ["oh l"], move)
        assert snare is None
        assert all(m.delay == 0 for m in moved.values())
        assert "nothing moves" in moved["rack"].reason
    assert all(m.delay == 0 and m.polarity == 1 for m in move_kit(KIT, ["oh"], "none")[0].values())


def test_both_microphones_of_an_unsure_drum_meet_and_stay_with_the_snare() -> None:
    kit = [
        KIT[1],
        Mover("in", "kick", 9.0, 1, False, False, after_first=0.0),
        Mover("out", "kick", 9.0, 1, False, False, after_first=60.0),
    ]
    moved, _ = move_kit(kit, [], "close")
    assert (moved["in"].delay, moved["out"].delay) == (210.0, 150.0)
    untold = [KIT[1], kit[1], Mover("out", "kick", 9.0, 1, False, False, after_first=None)]
    moved, _ = move_kit(untold, [], "close")
    assert (moved["in"].delay, moved["out"].delay) == (150.0, 150.0)


def test_confidence() -> None:
    assert confidence(9.0, 9.0, "tom", 0.1, 8, False) == "sure"
    assert confidence(9.0, 1.0, "tom", 0.1, 8, False) == "likely"  # found, but its place is blurred
    assert confidence(9.0, 1.0, "tom", 0.8, 8, False) == "sure"
    assert confidence(9.0, 9.0, "kick", 0.5, 8, False) == "likely"
    assert confidence(9.0, 9.0, "tom", 0.9, 2, False) == "likely"
    assert confidence(9.0, 9.0, "tom", 0.9, 8, True) == "likely"
    assert confidence(0.9, 9.0, "tom", 0.9, 8, False) == "unsure"


def test_signs() -> None:
    assert relative_sign([(9.0, 9.0), (-4.0, -4.0)])[0] == 1
    assert relative_sign([(9.0, -9.0), (1.0, 2.0)])[0] == -1
    assert relative_sign([(2.0, -2.0)]) == (1, -4.0)  # not clear enough
    assert pair_sign([-9.0, -3.0]) == (-1, -9.0)
    assert pair_sign([-5.0])[0] == 1
    assert drum_sign([3.0, -5.0], [1, -1]) == (1, 8.0)


def test_distances() -> None:
    # 343.2 m/s: 48 samples at 48 kHz are 1 ms and 34.32 cm
    found = overhead_mismatch(lag(150.0), lag(198.0), 48000)
    assert found.cm == pytest.approx(34.32)
    assert (found.uncertainty_cm, found.confidence) == (2.0, "sure")
    doubtful = overhead_mismatch(lag(150.0, coherence=0.5), lag(198.0, "likely"), 48000)
    assert (doubtful.uncertainty_cm, doubtful.confidence) == (6.0, "likely")
    agreed = replace(lag(150.0, coherence=0.5), ways=6)
    assert overhead_mismatch(agreed, replace(agreed, lag_samples=198.0), 48000).uncertainty_cm == 3.0
    pairs = {"a": (lag(100), lag(120)), "b": (lag(120), lag(100)), "c": (lag(100), lag(105))}
    assert sides({**pairs, "d": (lag(9), lag(99, "unsure"))}, 48000) == {"a": "L", "b": "R"}


def test_swapped_overheads() -> None:
    # a right-handed drummer has hat and high tom on the left, the floor tom on the right: common practice, no source
    assert swapped({"floor": "R", "hat": "L", "tom1": "L"}) == 4
    assert swapped({"floor": "L", "hat": "R", "tom1": "R"}) == -4
    assert swapped({"floor": "L"}) == -2
    assert swapped({"floor": "L"}, hat_side="R") == 2


def test_odd_one_out() -> None:
    kit = {
        "top": ("snare", "top", 1, 9.0, 9.0),
        "bottom": ("snare", "bottom", -1, 9.0, 9.0),
        "tom1": ("tom", None, 1, 9.0, 9.0),
        "tom2": ("tom", None, -1, 9.0, 9.0),
        "kick": ("kick", None, -1, 9.0, 9.0),
    }
    assert odd_sign_out(kit) == ["tom2"]
    assert odd_sign_out({**kit, "tom2": ("tom", None, -1, 5.0, 9.0)}) == []
    # a bottom microphone that is not opposite was turned at the desk already
    assert odd_sign_out({**kit, "bottom": ("snare", "bottom", 1, 9.0, 9.0)}) == ["tom2"]
