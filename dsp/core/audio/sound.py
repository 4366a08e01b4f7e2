"""Speed of sound in moist air, and what a distance means in time."""

from __future__ import annotations

import math

__all__ = ["comb_notch_hz", "speed_of_sound"]

A = (
    331.5024,
    0.603055,
    -0.000528,
    51.471935,
    0.1495874,
    -0.000782,
    -1.82e-7,
    3.73e-8,
    -2.93e-10,
    -85.20931,
    -0.228525,
    5.91e-5,
    -2.835149,
    -2.15e-13,
    29.179762,
    0.000486,
)
"""Coefficients a0…a15 of Cramer (1993), equation 15 and table III."""

NORMAL_PRESSURE_PA = 101_325.0
"""Standard atmosphere."""

CO2_FRACTION = 400e-6
"""Mole fraction of carbon dioxide; each further 100 ppm slow the sound by 0.009 m/s."""

ZERO_CELSIUS_K = 273.15


def speed_of_sound(
    temperature_c: float, humidity_percent: float = 50.0, pressure_pa: float = NORMAL_PRESSURE_PA
) -> float:
    """Speed of sound in moist air.

    Parameters
    ----------
    temperature_c : float
        °C; the equation holds from 0 to 30.
    humidity_percent : float
        Relative humidity, 0 to 100.
    pressure_pa : float
        Air pressure, 75 to 102 kPa.

    Returns
    -------
    c : float
        Metres per second, uncertain by less than 300 ppm.

    References
    ----------
    Cramer, "The variation of the specific heat ratio and the speed of sound in air with temperature, pressure,
    humidity, and CO2 concentration", J. Acoust. Soc. Am. 93(5), 1993, equation 15.  Saturation pressure and enhancement
    factor: Davis, "Equation for the determination of the density of moist air (1981/91)", Metrologia 29, 1992.

    Examples
    --------
    >>> round(speed_of_sound(20.0, 50.0), 2)
    343.99
    """
    t, p = temperature_c, pressure_pa
    kelvin = t + ZERO_CELSIUS_K
    saturation_pa = math.exp(1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin)
    enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * t**2
    water = humidity_percent / 100.0 * enhancement * saturation_pa / p
    co2 = CO2_FRACTION
    return (
        A[0]
        + A[1] * t
        + A[2] * t**2
        + (A[3] + A[4] * t + A[5] * t**2) * water
        + (A[6] + A[7] * t + A[8] * t**2) * p
        + (A[9] + A[10] * t + A[11] * t**2) * co2
        + A[12] * water**2
        + A[13] * p**2
        + A[14] * co2**2
        + A[15] * water * p * co2
    )


def comb_notch_hz(delay_s: float) -> float:
    """First notch of two equal signals of the same polarity summed with a delay between them.

    Parameters
    ----------
    delay_s : float
        Seconds; positive.

    Returns
    -------
    notch_hz : float
        ``1 / (2 × delay_s)``.

    Examples
    --------
    >>> comb_notch_hz(0.001)
    500.0
    """
    return 1.0 / (2.0 * delay_s)
