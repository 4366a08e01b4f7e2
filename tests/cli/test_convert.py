"""Distances and times."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from spillgate.cli.convert import seconds_of
from spillgate.cli.main import main
from spillgate.dsp.errors import ParameterError

C = 343.2
"""Speed at which the table below was computed, m/s."""

TABLE = [  # distance; ms; samples at 44.1, 48 and 96 kHz: distance / 343.2 m/s, closed form
    ("2.54cm", 0.07401, 3.2638, 3.5524, 7.1049),
    ("5.08 cm", 0.14802, 6.5276, 7.1049, 14.2098),
    ("10cm", 0.29138, 12.8497, 13.9860, 27.9720),
    ("30cm", 0.87413, 38.5490, 41.9580, 83.9161),
    ("1m", 2.91375, 128.4965, 139.8601, 279.7203),
    ("1,20 m", 3.49650, 154.1958, 167.8322, 335.6643),
]


@pytest.mark.parametrize(("text", "ms", "at_44", "at_48", "at_96"), TABLE)
def test_distances(text: str, ms: float, at_44: float, at_48: float, at_96: float) -> None:
    seconds = seconds_of(text, 48_000, C)
    assert seconds * 1000 == pytest.approx(ms, abs=5e-6)
    for sr, samples in ((44_100, at_44), (48_000, at_48), (96_000, at_96)):
        assert seconds * sr == pytest.approx(samples, abs=5e-5)


@pytest.mark.parametrize(
    ("text", "metres"),  # inch = 25.4 mm, foot = 0.3048 m exactly (international yard and pound agreement, 1959)
    [("1in", 0.0254), ("1 inch", 0.0254), ("2inches", 0.0508), ('3"', 0.0762), ("1ft", 0.3048), ("2 feet", 0.6096),
     ("3'", 0.9144), ("3'6\"", 1.0668), ("3ft 6in", 1.0668), ("250mm", 0.25), ("1.5m", 1.5), (".5m", 0.5)],
)  # fmt: skip
def test_units_of_length(text: str, metres: float) -> None:
    assert seconds_of(text, 48_000, C) * C == pytest.approx(metres, rel=1e-12)


@pytest.mark.parametrize(("text", "seconds"), [("2ms", 0.002), ("0.5 s", 0.5), ("96samples", 0.002), ("48 smp", 0.001)])
def test_units_of_time(text: str, seconds: float) -> None:
    assert seconds_of(text, 48_000, C) == pytest.approx(seconds, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("12", "12: has no unit; write e.g. 12cm, 12ms or 12samples"),
        ("12inchs", "12inchs: unknown unit 'inchs'; did you mean 'inches'?"),
        (
            "12cn",
            "12cn: unknown unit 'cn'; known: cm, feet, ft, hz, in, inch, inches, khz, m, mm, ms, s, samples",
        ),
        ("far", "far: is no amount; write e.g. 12cm, 4.5ft, 2ms or 96samples"),
        ("0cm", "0cm: must be more than 0"),
        ("-3cm", "-3cm: must be more than 0"),
        ("1e-320cm", "1e-320cm: must lie between 1e-09 and 1e+09"),
        ("1e999cm", "1e999cm: must lie between 1e-09 and 1e+09"),
    ],
)
def test_what_is_no_amount(text: str, line: str) -> None:
    with pytest.raises(ParameterError) as caught:
        seconds_of(text, 48_000, C)
    assert str(caught.value) == line


def test_command() -> None:
    result = CliRunner().invoke(
        main, ["convert", "12", "cm", "--sr", "48000", "--temperature", "20", "--humidity", "0"]
    )
    assert result.exit_code == 0
    # 0.12 m / 343.359 m/s (Cramer 1993 at 20 degrees, dry) = 0.34949 ms = 16.7755 samples; 1 / (2 t) = 1430.7 Hz
    rows = dict(line.strip().rsplit(None, 1) for line in result.output.splitlines()[2:] if "Hz" not in line[-2:])
    assert rows["milliseconds"] == "0.349"
    assert rows["samples at 48 kHz"] == "16.78"
    assert rows["inches"] == "4.72"
    assert "1,431 Hz" in result.output


@pytest.mark.parametrize(("text", "hz"), [("1433Hz", 1433.0), ("1.4 kHz", 1400.0), ("500 hz", 500.0)])
def test_a_comb_notch(text: str, hz: float) -> None:
    # two equal signals cancel first where the delay is half a period: f = 1 / (2 t)
    assert 1 / (2 * seconds_of(text, 48_000, C)) == pytest.approx(hz, rel=1e-12)


@pytest.mark.parametrize("rate", ["48000", "48k", "48 kHz", "48000Hz", "48K"])
def test_ways_to_write_a_rate(rate: str) -> None:
    result = CliRunner().invoke(main, ["convert", "1ms", "--sr", rate, "--json"])
    assert json.loads(result.output)["samples"] == {"48000": pytest.approx(48.0)}


def test_what_is_no_rate() -> None:
    assert (
        "--sr 48x: is no sample rate; write e.g. 48000 or 48k"
        in CliRunner().invoke(main, ["convert", "1ms", "--sr", "48x"]).stderr
    )
    assert "--sr 44.1: must be 8000 to 768000" in CliRunner().invoke(main, ["convert", "1ms", "--sr", "44.1"]).stderr


def test_json() -> None:
    result = CliRunner().invoke(main, ["convert", "1ms", "--json"])
    told = json.loads(result.output)
    assert told["comb_notch_hz"] == pytest.approx(500.0)
    assert told["samples"] == {"44100": pytest.approx(44.1), "48000": pytest.approx(48.0), "96000": pytest.approx(96.0)}
    assert told["metres"] == pytest.approx(told["speed_of_sound_m_per_s"] / 1000.0)


def test_samples_need_a_rate() -> None:
    result = CliRunner().invoke(main, ["convert", "96samples"])
    assert (result.exit_code, result.stderr) == (
        2,
        "spillgate: 96samples: samples of which rate? add e.g. --sr 48000\n",
    )
