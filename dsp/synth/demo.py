"""The built-in demo take and what was planted in it."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from spillgate.dsp.synth.console import Faults
from spillgate.dsp.synth.kits import KITS
from spillgate.dsp.synth.making import MadeTake, make_take
from spillgate.dsp.synth.mics import Layout
from spillgate.dsp.synth.performance import Performance, Stroke, perform
from spillgate.dsp.synth.room import Room

__all__ = ["demo", "demo_performance", "demo_truth"]

DEMO_SR = 48000
DEMO_SECONDS = 20.0
DEMO_BPM = 104.0
DEMO_SEED = 7
DEMO_MISMATCH_CM = 7.0
DEMO_FLIPPED = "tom2"
DEMO_CLIPPED = "kick"
DEMO_OVER_DB = 3.0
KICK_TOP_DB = -6.0
"""All kick strokes but one stay under this, so that one moment clips."""


def demo_performance() -> Performance:
    """Give what is played in the demo take."""
    played = perform("demo", DEMO_SECONDS, DEMO_SEED, drums=KITS["rock"].drums, bpm=DEMO_BPM)
    kicks = [s for s in played.strokes if s.drum == "kick"]
    accent = min(kicks, key=lambda s: abs(s.time_s - 0.6 * DEMO_SECONDS))
    strokes = []
    for s in played.strokes:
        if s.drum == "kick":
            s = dataclasses.replace(s, level_db=0.0 if s is accent else min(s.level_db, KICK_TOP_DB))
        strokes.append(s)
    return dataclasses.replace(played, strokes=tuple[Stroke, ...](strokes))


def demo() -> MadeTake:
    """Make the demo take: 20 s, 48 kHz, 12 tracks, the same samples each time.

    Returns
    -------
    made : MadeTake
        The right overhead is 7 cm farther from the snare than the left, one rack tom's cable is reversed, one kick
        stroke clips.
    """
    return make_take(
        KITS["rock"],
        Room(size_m=(5.2, 6.1, 2.8), origin_m=(2.5, 1.7), rt60_s=0.32),
        demo_performance(),
        DEMO_SR,
        DEMO_SEED,
        bleed_db=10.0,
        layout=Layout(names="numbered", mismatch_cm=DEMO_MISMATCH_CM, others=1),
        faults=Faults(flipped=(DEMO_FLIPPED,), clipped={DEMO_CLIPPED: DEMO_OVER_DB}),
        spread_cm=0.0,
        noise_dbfs=-88.0,
        name="demo",
    )


def demo_truth(made: MadeTake) -> dict[str, Any]:
    """Tell what was planted in a made take, as plain data.

    Parameters
    ----------
    made : MadeTake

    Returns
    -------
    truth : dict
        ``hits`` {track: [{time_s, drum, level_db, snr_db}]} for tom tracks, ``n_hits`` {track: int} for every close
        track, ``mismatch_cm``, ``flipped``, ``late``, ``clipped`` [tracks], ``clipped_s`` {track: [s]}, ``delays``
        [{track, target, delay_samples, polarity}], ``toms`` [tracks], ``bleed_db``.
    """
    toms = [t.id for t in made.take.tracks if t.role == "tom"]
    return {
        "toms": toms,
        "hits": {
            t: [dict(zip(("time_s", "drum", "level_db", "snr_db"), row, strict=True)) for row in made.arrivals[t]]
            for t in toms
        },
        "n_hits": {t: len(rows) for t, rows in made.arrivals.items()},
        "mismatch_cm": float(np.round(made.mismatch_cm, 3)),
        "flipped": list(made.faults["flipped"]),
        "late": list(made.faults["late"]),
        "clipped": list(made.faults["clipped"]),
        "clipped_s": {t: list(s) for t, s in made.clipped_s.items() if s},
        "delays": [
            {"track": a, "target": b, "delay_samples": d, "polarity": made.polarity[a, b]}
            for (a, b), d in made.delays.items()
        ],
        "bleed_db": {t: dict(row) for t, row in made.bleed_db.items()},
    }
