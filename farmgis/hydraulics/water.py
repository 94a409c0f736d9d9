"""Water as a fluid: viscosity and density by temperature."""

from __future__ import annotations

from dataclasses import dataclass

STANDARD_GRAVITY_M_S2 = 9.80665


@dataclass(frozen=True)
class Water:
    """What the pipe formulas need to know of water."""

    viscosity_m2_s: float
    density_kg_m3: float
    gravity_m_s2: float = STANDARD_GRAVITY_M_S2


def dynamic_viscosity_pa_s(temperature_c: float) -> float:
    """Dynamic viscosity of liquid water at 0.1 MPa. [Pa s]

    The simplified equation of IAPWS (2008) for -20 to 110 degrees C.
    """
    t = (temperature_c + 273.15) / 300.0
    return 1e-6 * float(280.68 * t**-1.9 + 511.45 * t**-7.7 + 61.131 * t**-19.6 + 0.45903 * t**-40.0)


def density_kg_m3(temperature_c: float) -> float:
    """Density of air-free water at 1 atm, 0 to 40 degrees C. [kg/m3]

    The formula of Tanaka et al. (2001), Metrologia 38:301 (constants from memory).
    """
    t = temperature_c
    return 999.974950 * (1.0 - (t - 3.983035) ** 2 * (t + 301.797) / (522528.9 * (t + 69.34881)))


def water_at(temperature_c: float = 20.0) -> Water:
    """Water at a temperature between 0 and 50 degrees C.

    >>> round(water_at(20.0).viscosity_m2_s * 1e6, 3)
    1.003
    """
    if not 0.0 <= temperature_c <= 50.0:
        raise ValueError(f"water temperature {temperature_c} degrees C: give 0 to 50")
    density = density_kg_m3(temperature_c)
    return Water(dynamic_viscosity_pa_s(temperature_c) / density, density)
