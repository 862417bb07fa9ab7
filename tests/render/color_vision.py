"""Color arithmetic for the tests: contrast of WCAG 2.2, dichromats of two published models, distance in CIELAB."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

# F. Viénot, H. Brettel and J. D. Mollon, "Digital video colourmaps for checking the legibility of displays by
# dichromats", Color Research & Application 24(4), 243-252, 1999. The matrix from linear RGB to cone responses and the
# projections are their equations 4 to 6, written down from memory (not looked up); `test_theme` checks what must hold
# of them: white stays white, and each projection keeps two cone responses.
RGB_TO_LMS = np.array(
    [
        [17.8824, 43.5161, 4.11935],
        [3.45565, 27.1554, 3.86714],
        [0.0299566, 0.184309, 1.46709],
    ]
)
PROTANOPE = np.array([[0.0, 2.02344, -2.52581], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
DEUTERANOPE = np.array([[1.0, 0.0, 0.0], [0.494207, 0.0, 1.24827], [0.0, 0.0, 1.0]])

# G. M. Machado, M. M. Oliveira and L. A. F. Fernandes, "A physiologically-based model for simulation of color vision
# deficiency", IEEE Transactions on Visualization and Computer Graphics 15(6), 1291-1298, 2009: matrices on linear RGB
# at severity 1.0, written down from memory (not looked up); `test_theme` checks that each keeps every gray.
SIGHTS = {
    "usual": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritanopia": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}

# IEC 61966-2-1 (sRGB) to CIE XYZ under D65.
RGB_TO_XYZ = np.array(
    [
        [0.4124, 0.3576, 0.1805],
        [0.2126, 0.7152, 0.0722],
        [0.0193, 0.1192, 0.9505],
    ]
)


def linear(color: str) -> NDArray[np.float64]:
    """``#rrggbb`` as linear light, by the sRGB curve as WCAG 2.2 writes it."""
    encoded = np.array([int(color[start : start + 2], 16) for start in (1, 3, 5)]) / 255.0
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


def luminance(color: str) -> float:
    """Relative luminance of WCAG 2.2."""
    return float(np.array([0.2126, 0.7152, 0.0722]) @ linear(color))


def contrast(one: str, other: str) -> float:
    """Contrast ratio of WCAG 2.2: (L1 + 0.05) / (L2 + 0.05), 1 to 21."""
    high, low = sorted([luminance(one), luminance(other)], reverse=True)
    return (high + 0.05) / (low + 0.05)


def as_seen_by(projection: NDArray[np.float64], color: str) -> NDArray[np.float64]:
    """Linear RGB of what a dichromat sees."""
    seen = np.linalg.inv(RGB_TO_LMS) @ projection @ RGB_TO_LMS @ linear(color)
    return np.clip(seen, 0.0, 1.0)


def lab(rgb: NDArray[np.float64]) -> NDArray[np.float64]:
    """CIELAB of linear RGB, white of D65 (CIE 15)."""
    white = RGB_TO_XYZ @ np.ones(3)
    ratio = RGB_TO_XYZ @ rgb / white
    edge = (6.0 / 29.0) ** 3
    f = np.where(ratio > edge, np.cbrt(ratio), ratio / (3.0 * (6.0 / 29.0) ** 2) + 4.0 / 29.0)
    return np.array([116.0 * f[1] - 16.0, 500.0 * (f[0] - f[1]), 200.0 * (f[1] - f[2])])


def distance(one: NDArray[np.float64], other: NDArray[np.float64]) -> float:
    """CIE 1976 color difference of two linear RGB values."""
    return float(np.linalg.norm(lab(one) - lab(other)))
