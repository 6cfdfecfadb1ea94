"""How colours look to others: the three dichromacies simulated, and grey print."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

# G. M. Machado, M. M. Oliveira, L. A. F. Fernandes, A physiologically-based model for simulation of color
# vision deficiency, IEEE Trans. Vis. Comput. Graph. 15 (2009) 1291, severity 1.0, on linear RGB (from
# memory; each row adds up to one, so that white stays white).
DEFICIENCIES = {
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritanopia": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}

# IEC 61966-2-1 (sRGB): linear RGB to CIE XYZ, D65
XYZ = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)
WHITE = np.array([0.95047, 1.0, 1.08883])

Array = NDArray[np.float64]


def linear(colour: str) -> Array:
    """Linear RGB of a colour such as '#157299' (IEC 61966-2-1)."""
    share = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0
    return np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)


def seen(colour: str, deficiency: str | None) -> Array:
    """Linear RGB as seen with a deficiency, or with none."""
    rgb = linear(colour)
    return rgb if deficiency is None else np.clip(np.array(DEFICIENCIES[deficiency]) @ rgb, 0.0, 1.0)


def lab(rgb: Array) -> Array:
    """CIE 1976 L*a*b* of linear RGB (ISO/CIE 11664-4)."""
    ratio = (XYZ @ rgb) / WHITE
    delta = 6.0 / 29.0
    f = np.where(ratio > delta**3, np.cbrt(ratio), ratio / (3 * delta**2) + 4.0 / 29.0)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def distance(one: str, other: str, deficiency: str | None) -> float:
    """Colour difference ΔE*ab (ISO/CIE 11664-4); about 2.3 is just noticed."""
    return float(np.linalg.norm(lab(seen(one, deficiency)) - lab(seen(other, deficiency))))


def lightness(colour: str, deficiency: str | None = None) -> float:
    """Lightness L*, which is what grey print shows."""
    return float(lab(seen(colour, deficiency))[0])


def contrast(one: str, other: str) -> float:
    """Contrast ratio of WCAG 2.2, 1 to 21."""
    first, second = (float(np.array([0.2126, 0.7152, 0.0722]) @ linear(c)) for c in (one, other))
    return (max(first, second) + 0.05) / (min(first, second) + 0.05)
