"""Lamps and daylight as spectra: CIE daylight, hot filament, white LED, fluorescent tube, flash."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hueph._types import FloatArray
from hueph.synthetic.spectra import WAVELENGTHS_NM, gaussian

__all__ = ["Light", "daylight", "draw_light", "flash", "fluorescent", "planckian", "white_led"]

# CIE 15:2018 table of the daylight basis functions, 380 to 730 nm in steps of 10 nm.
_BASIS_NM = np.arange(380.0, 731.0, 10.0)
_S0 = np.array(
    [63.4, 65.8, 94.8, 104.8, 105.9, 96.8, 113.9, 125.6, 125.5, 121.3, 121.3, 113.5,
     113.1, 110.8, 106.5, 108.8, 105.3, 104.4, 100.0, 96.0, 95.1, 89.1, 90.5, 90.3,
     88.4, 84.0, 85.1, 81.9, 82.6, 84.9, 81.3, 71.9, 74.3, 76.4, 63.3, 71.7]
)  # fmt: skip
_S1 = np.array(
    [38.5, 35.0, 43.4, 46.3, 43.9, 37.1, 36.7, 35.9, 32.6, 27.9, 24.3, 20.1,
     16.2, 13.2, 8.6, 6.1, 4.2, 1.9, 0.0, -1.6, -3.5, -3.5, -5.8, -7.2,
     -8.6, -9.5, -10.9, -10.7, -12.0, -14.0, -13.6, -12.0, -13.3, -12.9, -10.6, -11.6]
)  # fmt: skip
_S2 = np.array(
    [3.0, 1.2, -1.1, -0.5, -0.7, -1.2, -2.6, -2.9, -2.8, -2.6, -2.6, -1.8,
     -1.5, -1.3, -1.2, -1.0, -0.5, -0.3, 0.0, 0.2, 0.5, 2.1, 3.2, 4.1,
     4.7, 5.1, 6.7, 7.3, 8.6, 9.8, 10.2, 8.3, 9.6, 8.5, 7.0, 7.6]
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Light:
    """One light: its name and relative spectral power on `WAVELENGTHS_NM`, mean 1."""

    name: str
    power: FloatArray


def _normalised(name: str, power: FloatArray) -> Light:
    return Light(name, power / power.mean())


def daylight(cct_k: float) -> Light:
    """Return a phase of daylight, 4000 to 25000 K (CIE 15:2018, section 4.1.2)."""
    t = cct_k
    if t <= 7000.0:
        x = -4.6070e9 / t**3 + 2.9678e6 / t**2 + 0.09911e3 / t + 0.244063
    else:
        x = -2.0064e9 / t**3 + 1.9018e6 / t**2 + 0.24748e3 / t + 0.237040
    y = -3.0 * x * x + 2.870 * x - 0.275
    m = 0.0241 + 0.2562 * x - 0.7341 * y
    m1 = (-1.3515 - 1.7703 * x + 5.9114 * y) / m
    m2 = (0.0300 - 31.4424 * x + 30.0717 * y) / m
    power = np.interp(WAVELENGTHS_NM, _BASIS_NM, _S0 + m1 * _S1 + m2 * _S2)
    return _normalised(f"daylight {cct_k:.0f} K", np.maximum(power, 1e-3))


def planckian(temperature_k: float) -> Light:
    """Return a black body (Planck's law, c2 = 1.4388e-2 m K)."""
    metres = WAVELENGTHS_NM * 1e-9
    power = metres**-5 / np.expm1(1.4388e-2 / (metres * temperature_k))
    return _normalised(f"filament {temperature_k:.0f} K", power)


def white_led(blue_nm: float, phosphor_nm: float, blue_share: float, red_share: float = 0.0) -> Light:
    """Return a phosphor-converted white LED: a blue die, a broad phosphor, optionally a red phosphor."""
    power = (
        blue_share * gaussian(blue_nm, 9.0, 13.0)
        + gaussian(phosphor_nm, 45.0, 62.0)
        + red_share * gaussian(628.0, 28.0, 40.0)
        + 0.004
    )
    return _normalised("white LED", power)


def fluorescent(rng: np.random.Generator) -> Light:
    """Return a mercury tube with a halophosphate or a three-band phosphor (CIE F-series in shape)."""
    mercury = (
        0.5 * gaussian(405.0, 2.5)
        + 1.3 * gaussian(436.0, 2.5)
        + 0.7 * gaussian(546.0, 2.5)
        + 0.25 * gaussian(578.0, 2.5)
    )
    if rng.random() < 0.5:
        power = (
            mercury * rng.uniform(0.6, 1.4)
            + rng.uniform(0.15, 0.75) * gaussian(485.0, 35.0, 45.0)
            + gaussian(rng.uniform(575.0, 595.0), 38.0, 45.0)
        )
        return _normalised("fluorescent, halophosphate", power)
    power = (
        mercury * rng.uniform(0.5, 1.0)
        + rng.uniform(0.1, 0.9) * gaussian(452.0, 22.0)
        + rng.uniform(0.2, 0.6) * gaussian(488.0, 5.0)
        + rng.uniform(1.6, 2.4) * gaussian(544.0, 4.0)
        + 0.45 * gaussian(587.0, 6.0)
        + rng.uniform(1.6, 3.0) * gaussian(611.0, 4.0)
        + 0.25 * gaussian(630.0, 10.0)
        + 0.1 * gaussian(708.0, 4.0)
        + 0.06
    )
    return _normalised("fluorescent, three-band", power)


def flash(cct_k: float) -> Light:
    """Return a xenon flash: a black body with a few broad xenon lines (memory values)."""
    power = (
        planckian(cct_k).power
        + 0.12 * gaussian(470.0, 6.0)
        + 0.08 * gaussian(485.0, 5.0)
        + 0.05 * gaussian(530.0, 15.0)
    )
    return _normalised(f"flash {cct_k:.0f} K", power)


def draw_light(rng: np.random.Generator) -> Light:
    """Return a random light of the kinds met on a bench."""
    kind = int(rng.choice(5, p=[0.33, 0.12, 0.30, 0.17, 0.08]))
    if kind == 0:
        return daylight(float(rng.uniform(4300.0, 8500.0)))
    if kind == 1:
        return planckian(float(rng.uniform(2600.0, 3400.0)))
    if kind == 2:
        warm = float(rng.uniform(0.0, 1.0))
        return white_led(
            float(rng.uniform(440.0, 462.0)),
            float(rng.uniform(545.0, 590.0)),
            float(rng.uniform(0.5, 1.0)) * (1.7 - 1.1 * warm),
            float(rng.uniform(0.0, 0.5)) + 0.5 * warm * float(rng.random()),
        )
    if kind == 3:
        return fluorescent(rng)
    return flash(float(rng.uniform(5000.0, 6800.0)))
