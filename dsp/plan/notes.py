"""Hits as notes: a Standard MIDI File of General MIDI percussion whose ticks are samples."""

from __future__ import annotations

import os
from pathlib import Path

from spillgate.dsp.errors import ParameterError
from spillgate.dsp.plan.model import Plan

__all__ = ["NOTES", "TOMS", "note_of", "ticks", "velocity", "write_midi"]

NOTES = {
    "kick": 36,
    "kick2": 35,
    "snare": 38,
    "snare2": 40,
    "hat": 42,
    "floor": 43,
    "floor2": 41,
    "ride": 51,
    "crash_l": 49,
    "crash_r": 57,
    "china": 52,
    "splash": 55,
}
"""Key numbers of the General MIDI Level 1 percussion map."""

TOMS = (50, 48, 47, 45, 43, 41)
"""Rack toms from high to low in the same map."""

CHANNEL = 9
"""Percussion is channel 10, counted from 1."""

LARGEST_DIVISION = 32767
"""Bit 15 of the division must be clear."""

LENGTH_S = 0.03
"""Notes are struck, not held; shorter than any two strokes lie apart by default."""


def ticks(sr: int) -> tuple[int, int]:
    """Choose ticks per quarter and tempo so that one tick is one sample.

    Parameters
    ----------
    sr : int
        Hz.

    Returns
    -------
    division, tempo_us : int, int
        Ticks per quarter (below 32,768) and microseconds per quarter.

    Raises
    ------
    ParameterError
        If no tempo fits this rate.

    Examples
    --------
    >>> ticks(48000), ticks(44100), ticks(96000)
    ((24000, 500000), (22050, 500000), (24000, 250000))
    """
    for k in range(2, 65):
        if sr % k == 0 and sr // k <= LARGEST_DIVISION and 1_000_000 % k == 0:
            return sr // k, 1_000_000 // k
    raise ParameterError(f"{sr} Hz: no MIDI tempo makes one tick one sample")


def velocity(level_db: float) -> int:
    """Turn a level into a key velocity.

    Parameters
    ----------
    level_db : float
        Re the drum's loudest hit.

    Returns
    -------
    velocity : int
        1…127, by ``level = 40·log10(velocity / 127)``: the curve by which the Downloadable Sounds specification
        (DLS Level 1, from memory) turns velocity into attenuation, so a General MIDI player gives the level back.

    Examples
    --------
    >>> velocity(0.0), velocity(-12.0), velocity(-90.0)
    (127, 64, 1)
    """
    return max(1, min(127, round(127 * 10 ** (level_db / 40))))


def note_of(drum: str, drums: tuple[str, ...]) -> int | None:
    """Give the key number of a drum.

    Parameters
    ----------
    drum : str
    drums : tuple of str
        All drums of the take: its rack toms share `TOMS` from high to low.

    Returns
    -------
    note : int or None
        None for what the percussion map has no key for.
    """
    if drum in NOTES:
        return NOTES[drum]
    racks = sorted((d for d in set(drums) if d.startswith("tom")), key=lambda d: (len(d), d))
    if drum not in racks:
        return None
    return TOMS[min(racks.index(drum), len(TOMS) - 1)]


def write_midi(plan: Plan, path: Path) -> int:
    """Write the hits as a Standard MIDI File, on the stems' timeline.

    Parameters
    ----------
    plan : Plan
    path : Path
        Written under a temporary name first.

    Returns
    -------
    n_notes : int
        One for each stroke: a drum with two mics gives one note, at its first mic's time.

    Notes
    -----
    Tick 0 is the first sample of the earliest file; a tick is a sample, so times are exact to half a sample.
    """
    import mido

    division, tempo = ticks(plan.sr)
    drums = tuple(t.drum for t in plan.tracks if t.drum)
    moved = {a.track: a.delay_samples for a in plan.alignments if a.applied}
    first_mic = {}
    for t in plan.tracks:
        if t.drum and t.drum not in first_mic and any(h.track == t.track for h in plan.hits):
            first_mic[t.drum] = t.track
    events: list[tuple[int, int, int, int]] = []  # tick, off before on, note, velocity
    n_notes = 0
    for h in plan.hits:
        note = note_of(h.drum, drums)
        if note is None or first_mic.get(h.drum) != h.track:
            continue
        on = max(0, round(h.time_s * plan.sr + moved.get(h.track, 0.0)))
        events += [(on, 1, note, velocity(h.level_db)), (on + round(LENGTH_S * plan.sr), 0, note, 0)]
        n_notes += 1
    track = mido.MidiTrack()
    track.append(mido.MetaMessage("track_name", name="drums", time=0))
    track.append(mido.MetaMessage("set_tempo", tempo=tempo, time=0))
    now = 0
    for tick, on, note, strength in sorted(events):
        kind = "note_on" if on else "note_off"
        track.append(mido.Message(kind, channel=CHANNEL, note=note, velocity=strength, time=tick - now))
        now = tick
    track.append(mido.MetaMessage("end_of_track", time=0))
    temporary = path.with_name(path.name + ".part")
    mido.MidiFile(type=0, ticks_per_beat=division, tracks=[track]).save(temporary)
    os.replace(temporary, path)
    return n_notes
