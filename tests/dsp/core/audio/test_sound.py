"""Speed of sound against published figures."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spillgate.dsp.core.audio.sound import comb_notch_hz, speed_of_sound

CRAMER = [  # °C, % relative humidity, m/s at 101.325 kPa and 400 ppm CO2
    (0, 0, 331.448), (0, 50, 331.604), (0, 100, 331.759),
    (10, 0, 337.459), (10, 50, 337.781), (10, 100, 338.103),
    (20, 0, 343.359), (20, 50, 343.987), (20, 100, 344.614),
    (25, 0, 346.268), (25, 50, 347.127), (25, 100, 347.985),
    (30, 0, 349.148), (30, 50, 350.310), (30, 100, 351.470),
]  # fmt: skip
"""Computed from Cramer (1993), equation 15, by another hand than the code's."""


@pytest.mark.parametrize(("temperature_c", "humidity", "c"), CRAMER)
def test_cramer_1993(temperature_c: float, humidity: float, c: float) -> None:
    assert speed_of_sound(temperature_c, humidity) == pytest.approx(c, abs=0.001)  # the table's last digit


@given(st.floats(0, 30))
def test_iso_9613_1_in_dry_air(temperature_c: float) -> None:
    # ISO 9613-1:1993 gives 343.2 m/s * sqrt(T / 293.15 K) (from memory) for one nominal mixture of air; Cramer's own
    # bound is 300 ppm (0.1 m/s) and the nominal mixture another 0.05 m/s
    iso = 343.2 * ((temperature_c + 273.15) / 293.15) ** 0.5
    assert speed_of_sound(temperature_c, 0.0) == pytest.approx(iso, abs=0.17)


@given(st.floats(0, 29), st.floats(0, 99))
def test_warmer_and_moister_air_is_faster(temperature_c: float, humidity: float) -> None:
    here = speed_of_sound(temperature_c, humidity)
    assert speed_of_sound(temperature_c + 1.0, humidity) > here
    assert speed_of_sound(temperature_c, humidity + 1.0) > here


@pytest.mark.parametrize(("metres", "hz"), [(0.0254, 6755.9), (0.0508, 3378.0), (0.1, 1716.0), (1.0, 171.6)])
def test_comb_notch(metres: float, hz: float) -> None:
    # closed form: the first zero of 1 + exp(-i 2 pi f t) is at f = 1/(2t); t = metres / 343.2
    assert comb_notch_hz(metres / 343.2) == pytest.approx(hz, abs=0.05)
