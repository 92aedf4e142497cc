"""Air against standards and two independent packages."""

import ambiance
import fluids
import numpy as np
import pytest

from halfvolley.physics import Air, air_at_altitude, air_density

# ISO 2533:1975 / ICAO Doc 7488, geopotential altitude; from memory, recomputed with R = 287.05287.
# Tolerance: half the last printed digit.
ISA = [
    (0.0, 288.150, 101_325.0, 1.22500, 340.294),
    (500.0, 284.900, 95_460.8, 1.16727, 338.369),
    (1000.0, 281.650, 89_874.6, 1.11164, 336.434),
    (1500.0, 278.400, 84_556.0, 1.05807, 334.487),
    (2000.0, 275.150, 79_495.2, 1.00649, 332.529),
]


@pytest.mark.parametrize(("altitude_m", "t_K", "p_Pa", "rho_kgpm3", "sound_mps"), ISA)
def test_standard_atmosphere(altitude_m, t_K, p_Pa, rho_kgpm3, sound_mps):
    air = air_at_altitude(altitude_m)
    assert air.temperature_K == pytest.approx(t_K, abs=5e-4)
    assert air.pressure_Pa == pytest.approx(p_Pa, abs=0.06)
    assert air.density_kgpm3 == pytest.approx(rho_kgpm3, abs=6e-6)
    assert air.speed_of_sound_mps == pytest.approx(sound_mps, abs=6e-4)


# U.S. Standard Atmosphere 1976, Table I, geopotential. Tolerance: half the last printed digit,
# plus 2e-5 because the table was made with R = 8.31432 J/(mol K).
US76 = [(288.150, 101_325.0, 1.2250), (281.651, 89_876.0, 1.1117)]


@pytest.mark.parametrize(("t_K", "p_Pa", "rho_kgpm3"), US76)
def test_dry_air_density(t_K, p_Pa, rho_kgpm3):
    assert air_density(t_K, p_Pa) == pytest.approx(rho_kgpm3, abs=7e-5)


def test_that_check_would_notice_one_part_in_a_thousand():
    assert 1.001 * air_density(288.150, 101_325.0) != pytest.approx(1.2250, abs=7e-5)


# Dry air at 101325 Pa, computed from R = 287.05287 and 1.4 R T. Tolerance: the last digit.
@pytest.mark.parametrize(
    ("t_C", "rho_kgpm3", "sound_mps"),
    [(0, 1.29227, 331.32), (10, 1.24663, 337.33), (20, 1.20411, 343.23), (30, 1.16439, 349.04)],
)
def test_halls_from_freezing_to_hot(t_C, rho_kgpm3, sound_mps):
    air = Air(t_C + 273.15)
    assert air.density_kgpm3 == pytest.approx(rho_kgpm3, abs=1e-5)
    assert air.speed_of_sound_mps == pytest.approx(sound_mps, abs=0.01)


# Buck (1981/1996) vapour pressure, computed independently. Tolerance: the last digit.
@pytest.mark.parametrize(("t_C", "humidity", "rho"), [(20, 0.5, 1.19885), (25, 0.6, 1.17552)])
def test_damp_air_is_lighter(t_C, humidity, rho):
    damp = air_density(t_C + 273.15, 101_325.0, humidity)
    assert damp == pytest.approx(rho, abs=1e-5)
    assert damp < air_density(t_C + 273.15, 101_325.0)


# Both packages take geometric altitude; H = r h / (r + h), r = 6356766 m (ISO 2533).
@pytest.mark.parametrize("altitude_m", [0.0, 640.0, 1609.0, 2500.0])
def test_against_two_other_atmospheres(altitude_m):
    air = air_at_altitude(6_356_766.0 * altitude_m / (6_356_766.0 + altitude_m))
    other = ambiance.Atmosphere(altitude_m)
    assert air.density_kgpm3 == pytest.approx(float(other.density[0]), rel=4e-5)
    assert air.pressure_Pa == pytest.approx(float(other.pressure[0]), rel=4e-5)
    assert air.viscosity_Pas == pytest.approx(float(other.dynamic_viscosity[0]), rel=4e-5)
    third = fluids.ATMOSPHERE_1976(altitude_m)
    assert air.density_kgpm3 == pytest.approx(third.rho, rel=4e-5)
    assert air.speed_of_sound_mps == pytest.approx(third.v_sonic, rel=4e-5)
    assert air.viscosity_Pas == pytest.approx(third.mu, rel=4e-5)


# W. Sutherland as in U.S. Standard Atmosphere 1976, eq. 51; the value at 20 C from memory.
def test_viscosity_of_a_warm_hall():
    assert Air().viscosity_Pas == pytest.approx(1.8134e-5, abs=5e-10)


def test_air_thins_with_height_all_the_way():
    density = [air_at_altitude(h).density_kgpm3 for h in np.linspace(-1000, 11_000, 40)]
    assert np.all(np.diff(density) < 0)
