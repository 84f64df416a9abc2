"""How colours look: contrast, distance, and what readers see who lack one kind of cone. Independent of the drawings.

References
----------
.. [1] W3C, Web Content Accessibility Guidelines 2.2, definitions of relative luminance and contrast ratio.
.. [2] G. Machado, M. Oliveira, L. Fernandes, A physiologically-based model for simulation of color vision deficiency,
   IEEE Transactions on Visualization and Computer Graphics 15 (2009), matrices of severity 1.0, applied to linear RGB.
.. [3] IEC 61966-2-1 (sRGB), CIE 1976 L*a*b* with white D65.
.. [4] G. Sharma, W. Wu, E. Dalal, The CIEDE2000 color-difference formula: implementation notes, supplementary test
   data, and mathematical observations, Color Research and Application 30 (2005).
"""

from __future__ import annotations

from math import atan2, cos, degrees, exp, hypot, radians, sin, sqrt

Triple = tuple[float, float, float]

SIMULATIONS: dict[str, tuple[Triple, Triple, Triple]] = {
    "protanopia": ((0.152286, 1.052583, -0.204868), (0.114503, 0.786281, 0.099216), (-0.003882, -0.048116, 1.051998)),
    "deuteranopia": ((0.367322, 0.860646, -0.227968), (0.280085, 0.672501, 0.047413), (-0.011820, 0.042940, 0.968881)),
    "tritanopia": ((1.255528, -0.076749, -0.178779), (-0.078411, 0.930809, 0.147602), (0.004733, 0.691367, 0.303900)),
}


def linear(colour: str) -> Triple:
    """Return linear red, green and blue, 0 to 1, of a colour such as ``#0072b2``."""
    parts = [int(colour[index : index + 2], 16) / 255 for index in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return red, green, blue


def luminance(colour: str) -> float:
    red, green, blue = linear(colour)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours [1]_, 1 to 21."""
    darker, lighter = sorted((luminance(one), luminance(other)))
    return (lighter + 0.05) / (darker + 0.05)


def seen(colour: str, sight: str | None) -> Triple:
    """Return linear RGB as a reader of this sight sees it [2]_; None: as it is."""
    rgb = linear(colour)
    if sight is None:
        return rgb
    red, green, blue = (
        min(1.0, max(0.0, sum(w * part for w, part in zip(row, rgb, strict=True)))) for row in SIMULATIONS[sight]
    )
    return red, green, blue


def lab(rgb: Triple) -> Triple:
    """Return L*, a*, b* of linear RGB [3]_."""
    matrix = ((0.4124564, 0.3575761, 0.1804375), (0.2126729, 0.7151522, 0.0721750), (0.0193339, 0.1191920, 0.9503041))
    white = (0.95047, 1.0, 1.08883)
    x, y, z = (
        sum(w * part for w, part in zip(row, rgb, strict=True)) / n for row, n in zip(matrix, white, strict=True)
    )
    fx, fy, fz = (part ** (1 / 3) if part > 216 / 24389 else (24389 / 27 * part + 16) / 116 for part in (x, y, z))
    return 116 * fy - 16, 500 * (fx - fy), 200 * (fy - fz)


def distance(one: Triple, other: Triple) -> float:
    """Return the CIEDE2000 difference of two L*a*b* colours [4]_."""
    l1, a1, b1 = one
    l2, a2, b2 = other
    mean = (hypot(a1, b1) + hypot(a2, b2)) / 2
    g = 0.5 * (1 - sqrt(mean**7 / (mean**7 + 25**7)))
    a1, a2 = (1 + g) * a1, (1 + g) * a2
    c1, c2 = hypot(a1, b1), hypot(a2, b2)
    h1 = degrees(atan2(b1, a1)) % 360 if c1 else 0.0
    h2 = degrees(atan2(b2, a2)) % 360 if c2 else 0.0
    turn = 0.0 if c1 * c2 == 0 else (h2 - h1 + 180) % 360 - 180
    dl, dc, dh = l2 - l1, c2 - c1, 2 * sqrt(c1 * c2) * sin(radians(turn / 2))
    lm, cm = (l1 + l2) / 2, (c1 + c2) / 2
    if c1 * c2 == 0:
        hm = h1 + h2
    elif abs(h1 - h2) <= 180:
        hm = (h1 + h2) / 2
    else:
        hm = (h1 + h2 + 360) / 2 if h1 + h2 < 360 else (h1 + h2 - 360) / 2
    t = (
        1
        - 0.17 * cos(radians(hm - 30))
        + 0.24 * cos(radians(2 * hm))
        + 0.32 * cos(radians(3 * hm + 6))
        - 0.20 * cos(radians(4 * hm - 63))
    )
    sl = 1 + 0.015 * (lm - 50) ** 2 / sqrt(20 + (lm - 50) ** 2)
    sc, sh = 1 + 0.045 * cm, 1 + 0.015 * cm * t
    rt = -2 * sqrt(cm**7 / (cm**7 + 25**7)) * sin(radians(60 * exp(-(((hm - 275) / 25) ** 2))))
    return sqrt((dl / sl) ** 2 + (dc / sc) ** 2 + (dh / sh) ** 2 + rt * (dc / sc) * (dh / sh))
