"""What the check says about single tracks: level, clipping, noise, hum, holes, clicks, low cut, the end."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spillgate.dsp.core.checks.faults import clicks, clipping, cut_at_end, dropouts, is_dead
from spillgate.dsp.core.checks.levels import LevelFigures, column, frame_hop, level_figures
from spillgate.dsp.core.checks.low_end import hum, low_cut_gain, lowest_partial
from spillgate.dsp.plan.model import Finding, Severity
from spillgate.dsp.take.model import Track

__all__ = ["CAUTION_PLUG", "Heard", "Kit", "finding", "track_findings"]

# Limits: common practice, no source, unless said.
SILENT_DBFS = -90.0
QUIET_DBFS, VERY_QUIET_DBFS = -24.0, -36.0
UNDER_OTHERS_DB = 20.0
"""A mic whose drum was not heard is too quiet, too, if its bleed is so far under that of the other close mics: at one
kit the distances that bleed travels differ by a factor of three, 10 dB (30 cm to 1 m), not by ten."""
HOT_DBFS = {"line": -6.0, "take": -3.0}
"""Drummers hit 3 to 6 dB harder in the take than in the line check."""
AIM_DBFS = {"line": -10.0, "take": -6.0}
NOISE_DBFS = -55.0
HUM_HEARD_DBFS, HUM_DBFS = -60.0, -75.0
OFFSET = 0.002
"""−54 dBFS: no harm by itself, but cuts click and it takes headroom. Less cannot be told from slow sound in a room."""
OFFSET_STEADY = 0.5
"""An offset is the same in each quarter of the recording within this share of it: planted ones within 0.1; what is
slow sound varies to twice as much (made takes)."""
CRACKLE = 3
"""So many clicks are no accident."""
RUMBLE_DBFS = -55.0
"""Loudness of rumble in the quieter quarter of the time."""
RUMBLE_TO_HZ, RUMBLE_BELOW_HZ = 45.0, 32.0
RUMBLE_STEADY_DB = ((-2.7, -20.0), (-4.2, -8.0))
"""Rumble is steady: the tenth of the time is no more than this under the four tenths, and the quarter no more than this
under the loudest moment, up to 45 or to 32 Hz; either pair will do (noise of that band: −2 and −4; drums and what they
wake in made rooms: at most −3.2 and −10)."""
RUMBLE_FOLLOWS, RUMBLE_FOLLOWS_STEADY, RUMBLE_STEADIER_DB = 0.12, 0.17, -6.6
"""…and it does not follow the playing: for each dB of 50…200 Hz rumble rises by no more than the first, or than the
second where the quarter is so little under the loudest moment (made takes: planted 0.05 nearly always, else up to 0.15
with −5.5 dB; what dense playing wakes under 45 Hz 0.15 to 1.1, with −7 dB and less)."""
LOW_CUT_SHARE = 0.7
"""Of the drum's lowest partial."""
PARTIALS_HZ = {"tom": (50.0, 220.0), "snare": (120.0, 320.0)}
LOW_CUT_HZ = {"hat": 150.0, "cymbal": 120.0, "overhead": 40.0, "room": 35.0, "front": 35.0}
"""Where there is no own partial to go by: well under what the mic is there for."""
CAUTION_PLUG = "Mute the monitors and switch phantom power off before re-plugging, above all with ribbon mics."
NO_PAD = ("dynamic", "ribbon")
SHOWN = 3
"""Moments that an advice names."""


@dataclass(frozen=True, kw_only=True)
class Heard:
    """One track with what was measured of it.

    Attributes
    ----------
    track : Track
    sr : int
    table : ndarray
        Of the feature `levels`, from the track's first to its last sample.
    figures : LevelFigures
    start_s : float
        Time of the table's first row.
    own_hits : ndarray
        Hits of its own drum, seconds on the take's timeline.
    played : bool
        Whether the drum of this mic (for overheads and rooms: any drum) was hit for sure.
    """

    track: Track
    sr: int
    table: NDArray[Any]
    figures: LevelFigures
    start_s: float
    own_hits: NDArray[np.float64]
    played: bool

    @classmethod
    def of(cls, track: Track, sr: int, table: NDArray[Any], own_hits: NDArray[np.float64], played: bool) -> Heard:
        """Cut the table to the track's own span and sum it up."""
        hop = frame_hop(sr)
        a, b = -(-track.start // hop), max(track.stop // hop, -(-track.start // hop) + 1)
        own = table[a:b] if b - a < len(table) else table
        return cls(
            track=track,
            sr=sr,
            table=own,
            figures=level_figures(own),
            start_s=(a if b - a < len(table) else 0) * hop / sr,
            own_hits=own_hits,
            played=played,
        )

    @property
    def power(self) -> NDArray[np.float64]:
        """Mean square of each frame without offset."""
        return clear_power(self.table, self.figures.offset)

    @property
    def is_live(self) -> bool:
        """Whether there is anything but silence in it."""
        return self.figures.peak_db > SILENT_DBFS

    @property
    def usual_db(self) -> float:
        """Level that half of the frames exceed, without digital silence; mostly bleed. dBFS."""
        power = self.power[self.power > 0.0]
        return 10.0 * math.log10(float(np.median(power))) if len(power) else -200.0


@dataclass(frozen=True, kw_only=True)
class Kit:
    """What the tracks of a kit have in common.

    Attributes
    ----------
    hits : ndarray
        Of all drums, seconds.
    range_db : float
        Loudest 10 ms over noise floor, median over the tracks.
    usual_db : float
        `Heard.usual_db`, median over the close mics, dBFS.
    """

    hits: NDArray[np.float64]
    range_db: float
    usual_db: float

    @classmethod
    def of(cls, heard: Sequence[Heard], hits: NDArray[np.float64]) -> Kit:
        """Sum the tracks up."""
        live = [h for h in heard if h.is_live]
        spans = [h.figures.loud_db - h.figures.noise_db for h in live]
        close = [h.usual_db for h in live if h.track.is_close]
        return cls(
            hits=hits,
            range_db=float(np.median(spans)) if spans else 0.0,
            usual_db=float(np.median(close)) if close else -200.0,
        )


def clear_power(table: NDArray[Any], offset: float) -> NDArray[np.float64]:
    """Mean square of each frame without offset."""
    power = column(table, "power") - 2.0 * offset * column(table, "mean") + offset * offset
    return np.asarray(np.where(column(table, "power") > 0.0, np.maximum(power, 0.0), 0.0), np.float64)


def finding(
    code: str,
    severity: Severity,
    track: str,
    value: float | None,
    unit: str,
    limit: float | None,
    advice: str,
) -> Finding:
    """Make a finding with its figure rounded to what is worth saying."""
    return Finding(
        code=code,
        severity=severity,
        track=track,
        value=None if value is None else round(float(value), 2),
        unit=unit,
        limit=limit,
        advice=advice,
    )


def _at(times: Sequence[float]) -> str:
    """Name some moments."""
    shown = [_clock(t) for t in times[:SHOWN]]
    more = len(times) - len(shown)
    return ", ".join(shown) + (f" and {more} more" if more > 0 else "")


def _clock(t: float) -> str:
    minutes, seconds = divmod(t, 60.0)
    return f"{int(minutes)}:{seconds:05.2f}"


def _times(n: int, word: str) -> str:
    return f"{n} {word}" + ("" if n == 1 else "s")


def track_findings(heard: Heard, kind: str, kit: Kit) -> tuple[Finding, ...]:
    """Hold one track against the limits.

    Parameters
    ----------
    heard : Heard
    kind : {'line', 'take'}
    kit : Kit

    Returns
    -------
    findings : tuple of Finding
        The gravest first within each matter; those the input list calls intended are still in it.
    """
    t, f = heard.track.id, heard.figures
    if not heard.is_live:
        advice = f"Nothing arrives: look at mute, patch, cable and phantom power. {CAUTION_PLUG}"
        return (finding("silent", "mend", t, f.peak_db, "dBFS", SILENT_DBFS, advice),)
    if is_dead(f.loud_db, f.noise_db, kit.range_db):
        advice = (
            f"Only noise at {f.noise_db:.0f} dBFS, no drum: dead mic, wrong patch or no phantom power. {CAUTION_PLUG}"
        )
        return (finding("dead", "mend", t, f.loud_db - f.noise_db, "dB", 6.0, advice),)
    out: list[Finding] = []
    clipped = _clipped(heard, kind)
    out += clipped if any(f.code == "clipped" for f in clipped) else clipped + _level(heard, kind, kit)
    out += _steady(heard, kind)
    out += _broken(heard, kit.hits)
    out += _low_cut(heard)
    if kind == "take":
        out += _end(heard)
    return tuple(out)


def _level(heard: Heard, kind: str, kit: Kit) -> list[Finding]:
    t, f = heard.track.id, heard.figures
    peak = max(f.peak_db, f.true_peak_db)
    floating = heard.track.file.subtype in ("FLOAT", "DOUBLE")
    if floating and f.peak_db > 0.0:
        advice = (
            f"Peaks {f.peak_db:.1f} dB over full scale. The floating-point file still holds them; the next integer "
            f"file will not: turn down by {math.ceil(f.peak_db + 1.0)} dB."
        )
        return [finding("over_full_scale", "mend", t, f.peak_db, "dBFS", 0.0, advice)]
    if peak > HOT_DBFS[kind]:
        down = math.ceil(f.peak_db - AIM_DBFS[kind])
        harder = ", and drummers hit 3 to 6 dB harder in the take" if kind == "line" else ""
        advice = (
            f"Peaks at {f.peak_db:.1f} dBFS (true peak {f.true_peak_db:.1f} dBTP){harder}: "
            f"turn the gain down by about {max(down, 1)} dB."
        )
        return [finding("hot", "advise", t, f.peak_db, "dBFS", HOT_DBFS[kind], advice)]
    if f.peak_db > QUIET_DBFS:
        return []
    if not heard.played:
        far_under = heard.track.is_close and heard.usual_db < kit.usual_db - UNDER_OTHERS_DB
        if f.peak_db > VERY_QUIET_DBFS or not far_under:
            return []
    up = math.floor(AIM_DBFS[kind] - f.peak_db)
    if f.peak_db <= VERY_QUIET_DBFS:
        advice = f"Peaks only at {f.peak_db:.1f} dBFS: turn the gain up by about {up} dB, or look for a pad left in."
        return [finding("very_quiet", "mend", t, f.peak_db, "dBFS", VERY_QUIET_DBFS, advice)]
    advice = f"Peaks at {f.peak_db:.1f} dBFS: the gain can go up by about {up} dB."
    return [finding("quiet", "advise", t, f.peak_db, "dBFS", QUIET_DBFS, advice)]


def _clipped(heard: Heard, kind: str) -> list[Finding]:
    clip = clipping(heard.table, heard.sr)
    if clip is None:
        return []
    where = _at([heard.start_s + m for m in clip.moments])
    over = max(1, math.ceil(clip.over_db))
    if not clip.full_scale:
        advice = (
            f"Flat tops at {clip.level_db:.1f} dBFS in {_times(len(clip.moments), 'moment')} ({where}): limiter or "
            "drive, intended? If not, the stage before the converter clips: turn that one down."
        )
        return [finding("flat_tops", "advise", heard.track.id, clip.level_db, "dBFS", None, advice)]
    room = over + round(-AIM_DBFS[kind])
    words = " ".join(str(v).lower() for v in heard.track.recall.values())
    pad = "" if any(w in words for w in NO_PAD) else " If the gain is at its minimum already, use a pad."
    advice = (
        f"Clips in {_times(len(clip.moments), 'moment')} ({where}): turn down at least {over} dB, "
        f"better {room} dB.{pad}"
    )
    return [finding("clipped", "mend", heard.track.id, clip.over_db, "dB over", 0.0, advice)]


def _steady(heard: Heard, kind: str) -> list[Finding]:
    t, f = heard.track.id, heard.figures
    out = []
    found = hum(heard.table, heard.sr)
    if found is not None and found.level_db >= HUM_DBFS:
        lines = ", ".join(f"{found.mains_hz * h:.0f}" for h in sorted(found.lines_db))
        loud = found.level_db >= HUM_HEARD_DBFS
        advice = (
            f"Mains hum of {found.mains_hz:.0f} Hz at {found.level_db:.0f} dBFS ({lines} Hz): look for a ground loop, "
            "a power supply or dimmer beside the cable, an unbalanced line; try another cable and input. "
            f"{CAUTION_PLUG}"
        )
        out.append(finding("hum", "mend" if loud else "advise", t, found.level_db, "dBFS", HUM_HEARD_DBFS, advice))
    if abs(f.offset) >= OFFSET and _offset_stays(heard):
        advice = (
            f"DC offset of {100 * f.offset:+.2f} % of full scale: harmless by itself, but edits may click; the low cut "
            "or the converter's calibration takes it away."
        )
        out.append(finding("dc_offset", "note", t, f.offset, "of full scale", OFFSET, advice))
    if kind == "line" and f.noise_db > NOISE_DBFS:
        advice = (
            f"Noise floor at {f.noise_db:.0f} dBFS between the hits: fan, air conditioning, amplifier, or gain too "
            "high?"
        )
        out.append(finding("noise", "advise", t, f.noise_db, "dBFS", NOISE_DBFS, advice))
    return out


def _offset_stays(heard: Heard) -> bool:
    whole = heard.figures.offset
    parts = [level_figures(x).offset for x in np.array_split(heard.table, 4) if len(x)]
    return all(abs(v - whole) <= OFFSET_STEADY * abs(whole) for v in parts)


def _broken(heard: Heard, all_hits: NDArray[np.float64]) -> list[Finding]:
    t, f = heard.track.id, heard.figures
    out = []
    holes = dropouts(heard.table, heard.sr, f.noise_db)
    if holes:
        longest = max(h.length_ms for h in holes)
        advice = (
            f"{_times(len(holes), 'hole')} in the sound, up to {longest:.1f} ms "
            f"({_at([heard.start_s + h.time_s for h in holes])}): cable, wireless link, buffer size or "
            "disk; record again."
        )
        out.append(finding("dropout", "mend", t, longest, "ms", 0.0, advice))
    found = clicks(heard.table, heard.sr, all_hits - heard.start_s, holes)
    if len(found):
        where = _at([heard.start_s + float(c) for c in found])
        many = len(found) >= CRACKLE
        advice = (
            f"Crackles {len(found)} times ({where}): wiggle the cable and its plugs; exchange it. {CAUTION_PLUG}"
            if many
            else f"{_times(len(found), 'click')} that belongs to no hit ({where}): listen to it; cable or clock?"
        )
        out.append(finding("crackle" if many else "click", "mend" if many else "advise", t, len(found), "", 0, advice))
    return out


def _low_cut(heard: Heard) -> list[Finding]:
    role = heard.track.role
    cut, why = LOW_CUT_HZ.get(role, RUMBLE_BELOW_HZ), "nothing this mic is there for lies under it"
    if role in PARTIALS_HZ:
        partial = lowest_partial(heard.table, heard.sr, heard.own_hits - heard.start_s, *PARTIALS_HZ[role])
        if partial > 0.0:
            cut, why = LOW_CUT_SHARE * partial, f"the drum's lowest partial is at {partial:.0f} Hz"
    elif role not in LOW_CUT_HZ:
        return []
    for hz in (min(cut, RUMBLE_TO_HZ), min(cut, RUMBLE_BELOW_HZ)):
        level, steady, share, follows = low_cut_gain(heard.table, heard.sr, hz)
        is_steady = any(steady >= a and share >= b for a, b in RUMBLE_STEADY_DB)
        most = RUMBLE_FOLLOWS_STEADY if share >= RUMBLE_STEADIER_DB else RUMBLE_FOLLOWS
        if level >= RUMBLE_DBFS and is_steady and follows <= most:
            break
    else:
        return []
    advice = f"Rumble under {cut:.0f} Hz at {level:.0f} dBFS: a low cut not above {cut:.0f} Hz helps ({why})."
    return [finding("rumble", "advise", heard.track.id, level, "dBFS", RUMBLE_DBFS, advice)]


def _end(heard: Heard) -> list[Finding]:
    if heard.track.role not in ("overhead", "room", "cymbal", "tom", "kick", "snare"):
        return []
    cut = cut_at_end(heard.table, heard.sr, heard.figures.noise_db, heard.figures.loud_db)
    if cut is None:
        return []
    advice = (
        f"The recording ends while it still rings at {cut.level_db:.0f} dBFS, {cut.over_noise_db:.0f} dB over the "
        "noise: let the last ring die before stopping."
    )
    return [finding("cut_end", "advise", heard.track.id, cut.level_db, "dBFS", None, advice)]
