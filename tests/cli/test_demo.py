"""`spillgate demo`: the comparison is right about right and wrong, and the command runs from end to end."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from spillgate.cli.demo import MARK, _clear, _digest, comparison
from spillgate.dsp.errors import OutputError
from spillgate.dsp.plan import Alignment, Hit, Plan, TrackFacts

SR = 48_000
Run = Callable[..., Any]


def facts(track: str, role: str, peak: float = 0.5) -> TrackFacts:
    return TrackFacts(
        track=track, file=track, channel=0, role=role, drum=role, position=None, sr=SR, n_samples=SR, start=0, peak=peak
    )


def moved(track: str, samples: float, polarity: int, confidence: Any = "sure") -> Alignment:
    return Alignment(
        track=track,
        measured_samples=samples,
        measured_polarity=polarity,
        delay_samples=samples,
        polarity=polarity,
        target="OH.wav",
        margin=1.0,
        confidence=confidence,
        applied=True,
    )


def made(**changes: Any) -> Any:
    """The truth of a take of two mics, as far as the comparison asks for it."""
    known: dict[str, Any] = {
        "arrivals": {"Tom.wav": ((0.1, "tom1", 0.0, 20.0), (0.2, "tom1", -3.0, 9.0), (0.3, "tom1", -30.0, -9.0))},
        "delays": {("Tom.wav", "OH.wav"): 100.0},
        "polarity": {("Tom.wav", "OH.wav"): -1},
        "faults": {"flipped": ("Tom.wav",), "clipped": ("Kick.wav",)},
    }
    return SimpleNamespace(**known | changes)


def plan(times: tuple[float, ...], alignment: Alignment, kick_peak: float = 1.0) -> Plan:
    hits = tuple(Hit(track="Tom.wav", drum="tom1", time_s=t, level_db=0.0, confidence=1.0) for t in times)
    tracks = (facts("Kick.wav", "kick", kick_peak), facts("Tom.wav", "tom"), facts("OH.wav", "overhead"))
    return Plan(sr=SR, n_samples=SR, tracks=tracks, alignments=(alignment,)).with_hits(hits)


def test_all_found() -> None:
    rows = comparison(made(), plan((0.1005, 0.1995), moved("Tom.wav", 100.5, -1)))
    assert rows == [
        ("hits in Tom", "2 (1 more masked)", "2, within 0.5 ms", ""),
        ("delays of 1 close mics", "2.1 to 2.1 ms", "1 sure, within 0.010 ms", ""),
        ("polarity turned", "Tom", "Tom", ""),
        ("at full scale", "Kick", "Kick", ""),
    ]


def test_a_masked_hit_that_is_found_is_not_false() -> None:
    assert comparison(made(), plan((0.1, 0.2, 0.3), moved("Tom.wav", 100.0, -1)))[0][3] == ""


@pytest.mark.parametrize(
    ("times", "wrong"),
    [((0.1,), "1 missed"), ((0.1, 0.2, 0.7), "1 false"), ((0.1, 0.25), "1 missed, 1 false"), ((), "2 missed")],
)
def test_what_is_missed_or_false(times: tuple[float, ...], wrong: str) -> None:
    assert comparison(made(), plan(times, moved("Tom.wav", 100.0, -1)))[0][3] == wrong


def test_other_things_that_differ() -> None:
    rows = {r[0]: r for r in comparison(made(), plan((0.1, 0.2), moved("Tom.wav", 102.0, 1), kick_peak=0.9))}
    assert rows["delays of 1 close mics"][3] == "over a sample off"
    assert rows["polarity turned"][2:] == ("none", "differs")
    assert rows["at full scale"][2:] == ("none", "differs")


def test_an_unsure_delay_is_not_judged() -> None:
    rows = comparison(made(), plan((0.1, 0.2), moved("Tom.wav", 300.0, -1, "unsure")))
    assert not any(r[0].startswith("delays") for r in rows)


@pytest.mark.slow
def test_from_end_to_end(spillgate: Run, tmp_path: Path) -> None:
    result = spillgate("demo", "here")
    assert result.returncode == 0, result.stderr
    lines = [line.rstrip() for line in result.stdout.splitlines()]
    assert lines[0].startswith("Ready")
    assert lines[-1] == "Listen to here/take and then to here/out/stems."
    assert max(map(len, lines)) <= 80
    stems = {p.name for p in (tmp_path / "here" / "out" / "stems").iterdir()}
    assert len(stems) == 12
    assert stems == {p.name for p in (tmp_path / "here" / "take").iterdir()}
    again = spillgate("demo", "here")
    line = "here: exists and is not empty; choose another folder or add --overwrite"
    assert (again.returncode, again.stderr) == (1, f"spillgate: {line}\n")
    first = (tmp_path / "here" / "out" / "plan.json").read_bytes()
    again = spillgate("demo", "here", "--overwrite", "--json", "--workers", "1")
    assert again.returncode == 0, again.stderr
    assert (tmp_path / "here" / "out" / "plan.json").read_bytes() == first, "same take, same bytes"
    rows = {r["what"]: r for r in json.loads(again.stdout)}
    for planted in ("polarity turned", "at full scale"):
        assert rows[planted]["differs"] == "", rows[planted]
    kick = next(r for w, r in rows.items() if w.startswith("hits in") and "Kick" in w)
    assert kick["differs"] == "", kick


def test_a_demo_takes_away_its_own_recordings_and_no_others(tmp_path: Path) -> None:
    take, mark = tmp_path / "take", tmp_path / MARK
    take.mkdir()
    kick, snare = take / "Kick.wav", take / "Snare.wav"
    kick.write_bytes(b"a demo's")
    snare.write_bytes(b"somebody's")
    mark.write_text(json.dumps({"take": {"Kick.wav": _digest(kick)}}))
    _clear(take, ["Kick.wav", "Tom.wav"], mark)
    assert not kick.exists()
    with pytest.raises(OutputError, match=r"Snare.wav: is no recording that a demo made"):
        _clear(take, ["Snare.wav"], mark)
    kick.symlink_to(snare)
    with pytest.raises(OutputError, match=r"Kick.wav: is no recording"):
        _clear(take, ["Kick.wav"], mark)
    assert snare.read_bytes() == b"somebody's"
    mark.write_text("{")
    with pytest.raises(OutputError):
        _clear(take, ["Snare.wav"], mark)


def test_overwriting_a_demo_spares_what_was_put_there(inside: Run, tmp_path: Path) -> None:
    real = tmp_path / "sess" / "take" / "02 Snare Top.wav"
    real.parent.mkdir(parents=True)
    real.write_bytes(b"the only copy")
    result = inside("demo", "sess", "--overwrite", "--quiet")
    assert (result.returncode, real.read_bytes()) == (1, b"the only copy")
    assert "is no recording that a demo made" in result.stderr
