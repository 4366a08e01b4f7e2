"""Random takes for training and benchmarks: kits, rooms, bleed, tempos and rates drawn from a seed."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.synth.console import Faults
from spillgate.dsp.synth.kits import KITS, Kit
from spillgate.dsp.synth.making import MadeTake, make_take
from spillgate.dsp.synth.membranes import Drum
from spillgate.dsp.synth.mics import Layout
from spillgate.dsp.synth.performance import perform
from spillgate.dsp.synth.room import Room

__all__ = ["random_room", "random_take", "training_takes", "vary_kit"]

RATES = (44100, 48000, 48000, 96000)
STYLE_ODDS = {"groove": 0.38, "fast": 0.22, "sparse": 0.12, "ballad": 0.1, "no_toms": 0.1, "line_check": 0.08}


def vary_kit(kit: Kit, rng: np.random.Generator) -> Kit:
    """Draw another specimen of a kit: tuning, damping, sticks, wires and balance differ."""
    tune, damp = np.exp(rng.normal(0.0, 0.10)), np.exp(rng.normal(0.0, 0.30))
    pieces = {}
    for name, piece in kit.pieces.items():
        sound = piece.sound
        level = float(np.clip(rng.normal(0.0, 3.0), -7.0, 7.0))
        if isinstance(sound, Drum):
            one = float(damp * np.exp(rng.normal(0.0, 0.15)))
            sound = dataclasses.replace(
                sound,
                f0_hz=sound.f0_hz * float(tune * np.exp(rng.normal(0.0, 0.04))),
                t60_s=sound.t60_s * one,
                t60_01_s=sound.t60_01_s * one,
                damping=sound.damping * float(rng.uniform(0.7, 1.2)),
                glide=sound.glide * float(rng.uniform(0.4, 1.8)),
                contact_ms=sound.contact_ms * float(rng.uniform(0.6, 1.6)),
                strike_r=sound.strike_r * float(rng.uniform(0.5, 2.0)),
                click=sound.click * float(np.exp(rng.normal(0.0, 0.4))),
                click_hz=sound.click_hz * float(rng.uniform(0.7, 1.2)),
                body=sound.body * float(np.exp(rng.normal(0.0, 0.4))),
                wires=sound.wires * float(np.exp(rng.normal(0.0, 0.5))),
                wires_s=sound.wires_s * float(rng.uniform(0.7, 1.4)),
                source_db=sound.source_db + 0.7 * level,
            )
        else:
            long = float(np.exp(rng.normal(0.0, 0.25)))
            sound = dataclasses.replace(
                sound,
                low_hz=sound.low_hz * float(rng.uniform(0.75, 1.3)),
                t60_low_s=sound.t60_low_s * long,
                t60_high_s=sound.t60_high_s * long,
                bloom_ms=sound.bloom_ms * float(rng.uniform(0.5, 1.8)),
                tilt_db=sound.tilt_db + float(rng.normal(0.0, 0.8)),
                ping=sound.ping * float(np.exp(rng.normal(0.0, 0.4))),
                source_db=sound.source_db + level,
            )
        pieces[name] = dataclasses.replace(piece, sound=sound)
    return Kit(name=kit.name, pieces=pieces)


def random_room(rng: np.random.Generator) -> Room:
    """Draw a room from a dry booth to a small hall."""
    w, d, h = rng.uniform(3.8, 9.0), rng.uniform(4.6, 11.0), rng.uniform(2.4, 4.5)
    return Room(
        size_m=(float(w), float(d), float(h)),
        origin_m=(float(w * rng.uniform(0.4, 0.6)), float(rng.uniform(1.0, 1.0 + 0.15 * d))),
        rt60_s=float(np.exp(rng.uniform(np.log(0.18), np.log(0.7)))),
        temperature_c=float(rng.uniform(17, 27)),
        tail_db=float(rng.uniform(-5, 0)),
    )


def random_take(
    seed: int,
    sr: int | None = None,
    seconds: float = 30.0,
    *,
    kit: str | None = None,
    style: str | None = None,
    bleed_db: float | None = None,
    samples: Mapping[str, Sequence[tuple[float, NDArray[np.float32]]]] | None = None,
    faults: Faults | None = None,
) -> MadeTake:
    """Make a take of which everything not given is drawn from the seed.

    Parameters
    ----------
    seed : int
    sr : int, optional
        Hz.
    seconds : float
    kit, style : str, optional
        One of `KITS` and of the styles of `perform`.
    bleed_db : float, optional
        As in `make_take`.
    samples : mapping, optional
        As in `make_take`; at the rate given as `sr`.
    faults : Faults, optional

    Returns
    -------
    made : MadeTake
    """
    rng = np.random.default_rng((seed, 20))
    drawn_sr = int(rng.choice(RATES))
    drawn_kit = KITS[str(rng.choice(list(KITS)))]
    drawn_style = str(rng.choice(list(STYLE_ODDS), p=list(STYLE_ODDS.values())))
    room = random_room(rng)
    layout = Layout(
        kick=(("in",), ("out",), ("in", "out"))[int(rng.choice(3, p=[0.6, 0.15, 0.25]))],
        snare=(("top", "bottom"), ("top",))[int(rng.random() < 0.3)],
        hat=bool(rng.random() < 0.75),
        overheads="coincident" if rng.random() < 0.15 else "spaced",
        room=bool(rng.random() < 0.7),
        mismatch_cm=float(rng.uniform(-20, 20)) if rng.random() < 0.7 else 0.0,
        height_m=float(rng.uniform(0.85, 1.5)),
        close_m=float(rng.uniform(0.04, 0.11)),
        shift_m=0.04,
    )
    drawn_bleed = float(rng.uniform(-2, 22))
    chosen = vary_kit(KITS[kit] if kit else drawn_kit, rng)
    used = style or drawn_style
    return make_take(
        chosen,
        room,
        perform(used, seconds, seed, drums=chosen.drums),
        sr or drawn_sr,
        seed,
        samples=samples,
        bleed_db=drawn_bleed if bleed_db is None else bleed_db,
        layout=layout,
        faults=faults,
        spread_cm=float(rng.uniform(0.5, 4.0)),
        sympathetic=bool(rng.random() < 0.7),
        noise_dbfs=float(rng.uniform(-94, -74)),
        name=f"made-{seed}",
    )


def training_takes(n: int, seed: int, sr: int | None = None, seconds: float = 30.0) -> Iterator[MadeTake]:
    """Make random takes, each kit in turn, one at a time so that only one is in memory.

    Parameters
    ----------
    n : int
        How many.
    seed : int
        Same seed, same takes.
    sr : int, optional
        Hz; default: drawn.
    seconds : float
        Length of each.

    Yields
    ------
    made : MadeTake
    """
    kits = list(KITS)
    for k in range(n):
        yield random_take(seed * 1000 + k, sr, seconds, kit=kits[k % len(kits)])
