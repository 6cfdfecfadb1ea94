"""Viscosity of the oil over temperature."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from diffbench.physics.arguments import Floats, floats, positive, within

KELVIN = 273.15
"""Thermodynamic temperature of 0 °C [K]. Some worksheets take 273, which moves the constants by 0.05 %."""

MM2_PER_M2 = 1e6


@dataclass(frozen=True)
class Walther:
    """The straight line of an oil on the viscosity-temperature chart: log log Z = A − B log T.

    Attributes
    ----------
    a : float
        Constant A [-].
    b : float
        Slope B [-].
    """

    a: float
    b: float


def walther(
    viscosity_40: float, viscosity_100: float, *, temperatures: tuple[float, float] = (40.0, 100.0)
) -> Walther:
    """Constants of an oil's viscosity-temperature line from two viscosities.

    log10 log10 Z = A − B log10 T, with Z = nu + 0.7 + exp(−1.47 − 1.84 nu − 0.51 nu²), nu in mm²/s, T in K

    Parameters
    ----------
    viscosity_40 : float
        Kinematic viscosity at the first temperature [m²/s], positive.
    viscosity_100 : float
        Kinematic viscosity at the second temperature [m²/s], positive, below `viscosity_40`.
    temperatures : tuple of two floats
        The two temperatures [°C], rising, where they are not 40 and 100.

    Returns
    -------
    The constants.

    Raises
    ------
    ValueError
        A viscosity is out of range, or does not fall with temperature.

    Notes
    -----
    Validity: liquid petroleum and hydrocarbon oils, 0.21 to 2e7 mm²/s, where they are Newtonian.

    Examples
    --------
    >>> line = walther(190e-6, 17.5e-6)
    >>> print(f"{line.a:.3f} {line.b:.3f}")
    8.803 3.384

    References
    ----------
    ASTM D341, equations of the annex for 0.21 mm²/s and above (from memory, checked on its worksheet).
    """
    low, high = (float(within("temperature", t, -200.0, 1000.0, unit=" degC")) for t in temperatures)
    thick, thin = (float(_log_log(v)) for v in (viscosity_40, viscosity_100))
    if not high > low:
        raise ValueError(f"the two temperatures must rise, got {low:.6g} and {high:.6g} degC")
    if not thick > thin:
        raise ValueError("an oil gets thinner as it warms: the second viscosity must be below the first")
    log_low, log_high = np.log10(low + KELVIN), np.log10(high + KELVIN)
    b = (thick - thin) / (log_high - log_low)
    return Walther(a=float(thick + b * log_low), b=float(b))


def kinematic_viscosity(temperature: ArrayLike, oil: Walther) -> Floats:
    """Kinematic viscosity of an oil at a temperature.

    nu = Z' − exp(−0.7487 − 3.295 Z' + 0.6119 Z'² − 0.3193 Z'³), Z' = Z − 0.7, Z = 10^(10^(A − B log10 T))

    Parameters
    ----------
    temperature : array_like
        Oil temperature [°C], any shape; NaN passes through.
    oil : Walther
        The constants of the oil.

    Returns
    -------
    Kinematic viscosity [m²/s].

    Raises
    ------
    ValueError
        A temperature lies at or below absolute zero.

    Notes
    -----
    Validity: as `walther`; do not go beyond the cloud point or where the oil boils.

    Examples
    --------
    >>> nu = kinematic_viscosity([40.0, 60.0, 100.0], walther(190e-6, 17.5e-6))
    >>> (nu * 1e6).round(2).tolist()
    [190.0, 69.99, 17.5]

    References
    ----------
    ASTM D341 (from memory, checked on its worksheet).
    """
    kelvin = floats(temperature) + KELVIN
    if np.any(kelvin <= 0.0):
        raise ValueError("oil temperature must lie above absolute zero")
    z = 10.0 ** (10.0 ** (oil.a - oil.b * np.log10(kelvin))) - 0.7
    # The cubic in the exponent is meant for thin liquids; beyond 5 mm²/s it stands for zero.
    x = np.minimum(z, 5.0)
    correction = np.exp(-0.7487 + x * (-3.295 + x * (0.6119 - 0.3193 * x)))
    return (z - correction) / MM2_PER_M2


def viscosity_exponent(temperature: float, oil: Walther) -> float:
    """Relative fall of an oil's viscosity per kelvin, as `viscous_factor` takes it.

    b = ln[nu(Theta − 10 K)/nu(Theta + 10 K)]/(20 K)

    Parameters
    ----------
    temperature : float
        Temperature Theta of the oil [°C].
    oil : Walther
        The constants of the oil.

    Returns
    -------
    Relative fall [1/K].

    Examples
    --------
    >>> print(f"{viscosity_exponent(60.0, walther(190e-6, 17.5e-6)):.4f}")
    0.0438

    References
    ----------
    Chord of the line of `walther`.
    """
    nu = kinematic_viscosity([temperature - 10, temperature + 10], oil)
    return float(np.log(nu[0] / nu[1]) / 20.0)


def _log_log(viscosity: float) -> Floats:
    """Ordinate of the viscosity-temperature chart."""
    nu = within("viscosity", positive("viscosity", viscosity) * MM2_PER_M2, 0.21, 2e7, unit=" mm^2/s")
    z = nu + 0.7 + np.exp(-1.47 - 1.84 * nu - 0.51 * nu**2)
    ordinate: Floats = np.log10(np.log10(z))
    return ordinate


def viscous_factor(temperature: ArrayLike, exponent: ArrayLike, reference: ArrayLike) -> Floats:
    """Drag of the oil film relative to that at the reference temperature.

    c(Theta)/c_ref = exp[−b (Theta − Theta_ref)]

    Parameters
    ----------
    temperature : array_like
        Temperature Theta of the oil [°C]; NaN passes through.
    exponent : array_like
        Relative fall b per kelvin [1/K].
    reference : array_like
        Reference temperature Theta_ref [°C]. All broadcast.

    Returns
    -------
    Factor [-].

    Notes
    -----
    Validity: the tested range of temperatures, over which an oil's viscosity line is close to it.

    Examples
    --------
    >>> print(f"{viscous_factor(80.0, 0.03, 60.0):.4f}")
    0.5488

    References
    ----------
    Reynolds' exponential law of viscosity; common practice, no source.
    """
    return np.exp(-floats(exponent) * (floats(temperature) - floats(reference)))
