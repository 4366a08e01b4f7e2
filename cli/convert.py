"""``spillgate convert``: a distance or a time as every figure a recording engineer needs of it."""

from __future__ import annotations

import json
import re

import click

from spillgate.cli.options import between, common
from spillgate.dsp.core.audio.sound import comb_notch_hz, speed_of_sound
from spillgate.dsp.errors import ParameterError, nearest

__all__ = ["command"]

RATES = (44_100, 48_000, 96_000)
"""Sample rates of the table when none is asked for, Hz."""

METRES = {
    "mm": 0.001,
    "cm": 0.01,
    "m": 1.0,
    "in": 0.0254,
    "inch": 0.0254,
    "inches": 0.0254,
    '"': 0.0254,
    "ft": 0.3048,
    "foot": 0.3048,
    "feet": 0.3048,
    "'": 0.3048,
}
"""International inch and foot (exact since 1959)."""

SECONDS = {"ms": 0.001, "s": 1.0}
SAMPLES = ("samples", "sample", "smp")
HERTZ = {"hz": 1.0, "khz": 1000.0}
WORDS = ("mm", "cm", "m", "in", "inch", "inches", "ft", "feet", "ms", "s", "samples", "hz", "khz")
"""Units as an error names them."""

AMOUNT = re.compile(r"\s*([+-]?\d*[.,]?\d+(?:[eE][+-]?\d+)?)\s*([a-zA-Z'\"]*)\s*")
FEET_INCHES = re.compile(r"\s*(\d+)\s*(?:'|ft|feet)\s*(\d*[.,]?\d+)\s*(?:\"|in|inch|inches)\s*", re.IGNORECASE)


SMALLEST, LARGEST = 1e-9, 1e9
"""Amounts that are believed, in any unit."""

RATE = re.compile(r"(\d+(?:[.,]\d+)?)\s*(k|hz|khz)?", re.IGNORECASE)
RATES_ALLOWED = (8_000, 768_000)
"""Sample rates that are believed, Hz."""


def rate_of(context: click.Context, parameter: click.Parameter, text: str | None) -> int | None:
    """Read a sample rate: ``48000``, ``48k``, ``44.1 kHz``."""
    if text is None:
        return None
    found = RATE.fullmatch(text.strip())
    if not found:
        raise click.UsageError(f"--sr {text}: is no sample rate; write e.g. 48000 or 48k", context)
    sr = round(float(found[1].replace(",", ".")) * (1000 if (found[2] or "").lower().startswith("k") else 1))
    low, high = RATES_ALLOWED
    if not low <= sr <= high:
        raise click.UsageError(f"--sr {text}: must be {low} to {high}", context)
    return sr


def seconds_of(text: str, sr: int, c: float) -> float:
    """Read a distance, a time or a number of samples.

    Parameters
    ----------
    text : str
        ``"12cm"``, ``"4.5 ft"``, ``"3'6in"``, ``"2ms"``, ``"96 samples"``; ``"1400 Hz"`` is a first comb notch.
    sr : int
        Hz, for samples.
    c : float
        Speed of sound, m/s.

    Returns
    -------
    seconds : float

    Raises
    ------
    ParameterError
        If it is none of these.
    """
    both = FEET_INCHES.fullmatch(text)
    if both:
        return (float(both[1]) * METRES["ft"] + float(both[2].replace(",", ".")) * METRES["in"]) / c
    found = AMOUNT.fullmatch(text)
    if not found:
        raise ParameterError(f"{text}: is no amount; write e.g. 12cm, 4.5ft, 2ms or 96samples")
    amount, unit = float(found[1].replace(",", ".")), found[2].lower()
    if not unit:
        raise ParameterError(f"{text}: has no unit; write e.g. {found[1]}cm, {found[1]}ms or {found[1]}samples")
    if amount <= 0:
        raise ParameterError(f"{text}: must be more than 0")
    if not SMALLEST <= amount <= LARGEST:
        raise ParameterError(f"{text}: must lie between {SMALLEST:g} and {LARGEST:g}")
    if unit in METRES:
        return amount * METRES[unit] / c
    if unit in SECONDS:
        return amount * SECONDS[unit]
    if unit in SAMPLES:
        return amount / sr
    if unit in HERTZ:
        return 0.5 / (amount * HERTZ[unit])  # the first notch is where the delay is half a period
    raise ParameterError(f"{text}: unknown unit '{unit}'; {nearest(unit, WORDS)}")


@click.command(
    short_help="Distances and times: cm, inches, ms, samples, comb notch.",
    epilog="\b\nExample:\n  spillgate convert 12cm --sr 48000 --temperature 24\n",
)
@click.argument("amount", nargs=-1, required=True)
@click.option("--sr", metavar="HZ", callback=rate_of, help="Sample rate, e.g. 48k; default: the usual three.")
@click.option(
    "--temperature", metavar="C", type=float, callback=between(0, 30), default=21.0, help="Of the air; default 21."
)
@click.option(
    "--humidity", metavar="PERCENT", type=float, callback=between(0, 100), default=50.0, help="Relative; default 50."
)
@common("json", "debug")
def command(
    amount: tuple[str, ...], sr: int | None, temperature: float, humidity: float, as_json: bool, debug: bool
) -> None:
    """Show a distance or a time in cm, inches, ms and samples.

    AMOUNT is a number with a unit: mm, cm, m, in, ft, ms, s, samples, or Hz
    for a comb notch: the lowest frequency that two mics that far apart take
    from one another when they are summed at the same level.
    """
    text = " ".join(amount)
    if sr is None and text.rstrip().lower().endswith(SAMPLES):
        raise ParameterError(f"{text}: samples of which rate? add e.g. --sr 48000")
    c = speed_of_sound(temperature, humidity)
    seconds = seconds_of(text, sr or RATES[0], c)
    metres = seconds * c
    rates = (sr,) if sr else RATES
    notch_hz = comb_notch_hz(seconds)
    if as_json:
        figures = {
            "metres": metres,
            "inches": metres / METRES["in"],
            "feet": metres / METRES["ft"],
            "ms": seconds * 1000.0,
            "samples": {str(r): seconds * r for r in rates},
            "comb_notch_hz": notch_hz,
            "speed_of_sound_m_per_s": c,
        }
        click.echo(json.dumps(figures, indent=2))
        return
    rows = [
        ("centimetres", f"{metres * 100:.2f}"),
        ("metres", f"{metres:.4f}"),
        ("inches", f"{metres / METRES['in']:.2f}"),
        ("feet", f"{metres / METRES['ft']:.3f}"),
        ("milliseconds", f"{seconds * 1000:.3f}"),
        *((f"samples at {r / 1000:g} kHz", f"{seconds * r:.2f}") for r in rates),
        ("first comb notch", f"{notch_hz:,.0f} Hz"),
    ]
    click.echo(f"{text} in air of {temperature:g} C, {humidity:g} % humidity (sound travels {c:.1f} m/s)\n")
    for label, value in rows:
        click.echo(f"  {label:<20} {value:>10}")
