from __future__ import annotations

from pathlib import Path

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from spillgate.dsp.errors import ParameterError
from spillgate.dsp.plan import Alignment, Hit, Plan, TrackFacts
from spillgate.dsp.plan.notes import note_of, ticks, velocity, write_midi


@pytest.mark.parametrize(
    ("sr", "division", "tempo"),
    # 24,000 a quarter at 48 kHz and 22,050 at 44.1 kHz at 120 a minute are sample-exact; a division stays under 32,768
    [(44100, 22050, 500000), (48000, 24000, 500000), (96000, 24000, 250000), (192000, 24000, 125000)],
)
def test_a_tick_is_a_sample(sr: int, division: int, tempo: int) -> None:
    assert ticks(sr) == (division, tempo)
    assert division * 1_000_000 == sr * tempo


def test_a_rate_without_a_whole_tick_is_refused() -> None:
    with pytest.raises(ParameterError, match="no MIDI tempo"):
        ticks(1_000_003)


def test_keys_are_those_of_the_general_midi_percussion_map() -> None:
    drums = ("kick", "snare", "tom1", "tom2", "floor")
    # General MIDI Level 1: 36 bass drum 1, 38 acoustic snare, 50 high tom, 48 hi-mid tom, 43 high floor tom
    assert [note_of(d, drums) for d in drums] == [36, 38, 50, 48, 43]
    assert note_of("cowbell of our own", drums) is None


def plan(sr: int, hits: list[tuple[str, str, float, float]], delay: float) -> Plan:
    facts = tuple(
        TrackFacts(track=t, file=t, channel=0, role=d, drum=d, position=None, sr=sr, n_samples=sr * 99, start=0)
        for t, d in (("k.wav", "kick"), ("k2.wav", "kick"), ("s.wav", "snare"))
    )
    moved = tuple(
        Alignment(
            track=t.track, measured_samples=delay, measured_polarity=1, delay_samples=delay, polarity=1, target="o",
            margin=9.0, confidence="sure", applied=True,
        )
        for t in facts
    )  # fmt: skip
    found = tuple(Hit(track=t, drum=d, time_s=s, level_db=v, confidence=1.0) for t, d, s, v in hits)
    return Plan(sr=sr, n_samples=sr * 99, tracks=facts, alignments=moved).with_hits(found)


@given(
    st.sampled_from([44100, 48000, 88200, 96000]),
    st.lists(st.tuples(st.floats(0.0, 90.0), st.floats(-40, 0)), min_size=1, max_size=20),
    st.floats(0, 400),
)
def test_another_reader_finds_every_stroke_at_its_sample(
    tmp_path_factory: pytest.TempPathFactory, sr: int, strokes: list[tuple[float, float]], delay: float
) -> None:
    path: Path = tmp_path_factory.mktemp("midi") / "hits.mid"
    rows = [("k.wav", "kick", s, v) for s, v in strokes] + [("k2.wav", "kick", s + 0.001, v) for s, v in strokes]
    assert write_midi(plan(sr, rows, delay), path) == len(strokes)
    read = mido.MidiFile(path)
    at, found, tempo = 0, [], 0
    for message in read.tracks[0]:
        at += message.time
        if message.type == "set_tempo":
            tempo = message.tempo
        if message.type == "note_on":
            assert (message.channel, message.note) == (9, 36)
            found.append((at * tempo / 1e6 / read.ticks_per_beat * sr, message.velocity))
    wanted = sorted((round(s * sr + delay), velocity(v)) for s, v in strokes)
    assert len(found) == len(wanted)
    for (a, u), (b, v) in zip(sorted(found), wanted, strict=True):
        assert abs(a - b) < 1e-3
        assert u == v
    assert not path.with_name("hits.mid.part").exists()


def test_a_third_reader_hears_the_same(tmp_path: Path) -> None:
    """pretty_midi (C. Raffel and D. P. W. Ellis, ISMIR 2014) gives seconds: all strokes within half a sample."""
    import pretty_midi

    strokes = [(0.25, -3.0), (1.0 + 1 / 3, 0.0), (61.000_011, -20.0)]
    rows = [("k.wav", "kick", s, v) for s, v in strokes] + [("s.wav", "snare", s + 0.1, v) for s, v in strokes]
    write_midi(plan(48_000, rows, 12.0), tmp_path / "hits.mid")
    read = pretty_midi.PrettyMIDI(str(tmp_path / "hits.mid"))
    assert [i.is_drum for i in read.instruments] == [True]
    kicks = [n for n in read.instruments[0].notes if n.pitch == 36]
    assert pretty_midi.note_number_to_drum_name(36) == "Bass Drum 1"
    for note, (at, level) in zip(kicks, strokes, strict=True):
        assert abs(note.start * 48_000 - (at * 48_000 + 12.0)) <= 0.5 + 1e-3
        assert note.velocity == velocity(level)
