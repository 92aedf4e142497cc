"""Air: density, viscosity and speed of sound from temperature, pressure and humidity."""

import math
from dataclasses import dataclass

from halfvolley.constants import AIR_DENSITY_KGPM3
from halfvolley.errors import BadInput

GAS_CONSTANT_DRY_JPKGK = 287.05287  # ISO 2533, table 1
GAS_CONSTANT_VAPOUR_JPKGK = 461.495  # 8.31446 / 0.018016, from memory
HEAT_RATIO = 1.4  # ISO 2533
SEA_LEVEL_TEMPERATURE_K = 288.15
SEA_LEVEL_PRESSURE_PA = 101_325.0
LAPSE_RATE_KPM = 0.0065
PRESSURE_EXPONENT = 5.25588  # 9.80665 / (287.05287 * 0.0065)


@dataclass(frozen=True, slots=True)
class Air:
    """Air of a hall; the defaults are dry air at 20 C and sea level pressure.

    `density_sd_kgpm3` covers what a person does not know about the hall: 0.02 is 15 to 25 C, any
    humidity and the weather.

    Raises
    ------
    BadInput
        If a value lies outside 200-350 K, 10-120 kPa or a relative humidity of 0-1.
    """

    temperature_K: float = 293.15
    pressure_Pa: float = SEA_LEVEL_PRESSURE_PA
    relative_humidity: float = 0.0
    density_sd_kgpm3: float = AIR_DENSITY_KGPM3.sd

    def __post_init__(self) -> None:
        _check(self.temperature_K, self.pressure_Pa, self.relative_humidity)

    @property
    def density_kgpm3(self) -> float:
        """Density [kg/m^3]."""
        return air_density(self.temperature_K, self.pressure_Pa, self.relative_humidity)

    @property
    def viscosity_Pas(self) -> float:
        """Dynamic viscosity [Pa s] (Sutherland's law, U.S. Standard Atmosphere 1976, eq. 51)."""
        return 1.458e-6 * self.temperature_K**1.5 / (self.temperature_K + 110.4)

    @property
    def speed_of_sound_mps(self) -> float:
        """Speed of sound sqrt(1.4 p / rho) [m/s]; in damp air 1.4 is up to 0.2 % too high."""
        return math.sqrt(HEAT_RATIO * self.pressure_Pa / self.density_kgpm3)


def air_density(temperature_K: float, pressure_Pa: float, relative_humidity: float = 0.0) -> float:
    """Density of air [kg/m^3].

    Parameters
    ----------
    temperature_K : float
        Temperature [K].
    pressure_Pa : float
        Pressure at the place itself, not reduced to sea level [Pa].
    relative_humidity : float
        0 for dry air to 1 for saturated.

    Returns
    -------
    float
        Density of the ideal mixture of dry air and vapour [kg/m^3].

    Raises
    ------
    BadInput
        If a value lies outside 200-350 K, 10-120 kPa or a relative humidity of 0-1.

    Notes
    -----
    The saturation pressure over water is that of Buck; it matters by 1.5 % at most below 30 C.

    References
    ----------
    Buck A. L. (1981), J. Appl. Meteorol. 20, 1527, coefficients of 1996.
    """
    _check(temperature_K, pressure_Pa, relative_humidity)
    t_C = temperature_K - 273.15
    saturation_Pa = 611.21 * math.exp((18.678 - t_C / 234.5) * t_C / (257.14 + t_C))
    vapour_Pa = relative_humidity * saturation_Pa
    return (
        (pressure_Pa - vapour_Pa) / GAS_CONSTANT_DRY_JPKGK + vapour_Pa / GAS_CONSTANT_VAPOUR_JPKGK
    ) / temperature_K


def air_at_altitude(altitude_m: float) -> Air:
    """Air of the International Standard Atmosphere.

    Parameters
    ----------
    altitude_m : float
        Geopotential altitude above sea level, -1000 to 11000 [m].

    Returns
    -------
    Air
        Dry air with the temperature and pressure of that altitude.

    Raises
    ------
    BadInput
        If the altitude lies outside the range.

    References
    ----------
    ISO 2533:1975, layer with a lapse rate of 6.5 K/km.
    """
    if not -1000.0 <= altitude_m <= 11_000.0:
        raise BadInput(f"altitude must lie between -1000 and 11000 m, got {altitude_m}")
    temperature_K = SEA_LEVEL_TEMPERATURE_K - LAPSE_RATE_KPM * altitude_m
    ratio = temperature_K / SEA_LEVEL_TEMPERATURE_K
    return Air(temperature_K, SEA_LEVEL_PRESSURE_PA * ratio**PRESSURE_EXPONENT)


def _check(temperature_K: float, pressure_Pa: float, relative_humidity: float) -> None:
    if not 200.0 <= temperature_K <= 350.0:
        raise BadInput(f"air temperature must be given in kelvin, 200 to 350, got {temperature_K}")
    if not 10_000.0 <= pressure_Pa <= 120_000.0:
        raise BadInput(f"air pressure must be given in pascal, 10000 to 120000, got {pressure_Pa}")
    if not 0.0 <= relative_humidity <= 1.0:
        raise BadInput(f"relative humidity must lie between 0 and 1, got {relative_humidity}")
