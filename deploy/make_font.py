"""Makes the fonts that pictures are rastered with: DejaVu Sans, cut down to the characters that pictures may hold.

python deploy/make_font.py FOLDER        the folder with DejaVuSans.ttf and DejaVuSans-Bold.ttf, version 2.37
"""

from __future__ import annotations

import sys
from pathlib import Path

from fontTools.subset import Options, Subsetter
from fontTools.ttLib import TTFont

_TARGET = Path(__file__).parents[1] / "watcher" / "pictures" / "fonts"
# The licence asks for another name where the fonts are altered.
FAMILY = "Hoarline Sans"
_CUTS = {"DejaVuSans.ttf": "regular", "DejaVuSans-Bold.ttf": "bold"}
# Latin with its European letters, Greek, Cyrillic, punctuation, arrows and the signs of figures; names of stations and
# aircraft are free text, the rest is ours.
_RANGES = ((0x20, 0x7E), (0xA0, 0x17F), (0x386, 0x3CE), (0x400, 0x45F), (0x2010, 0x2026), (0x2190, 0x2193))
_SIGNS = "‰′″₂−≤≥≈√∞€№◆◇○●■□▲▼✓"
_NAME, _FULL_NAME, _PLAIN_NAME, _UNIQUE = 1, 4, 6, 3


def cut(source: Path, weight: str) -> TTFont:
    """Return a font cut down, under its own name and with the notices of the original.

    Parameters
    ----------
    source
        The whole font.
    weight
        ``regular`` or ``bold``.
    """
    # Without the time of making, the same source gives the same bytes.
    font = TTFont(source, recalcTimestamp=False)
    options = Options()
    options.hinting = False
    options.layout_features = ["kern", "mark", "mkmk", "ccmp"]
    options.name_IDs = [0, 1, 2, 3, 4, 5, 6, 13, 14]
    options.notdef_outline = True
    subsetter = Subsetter(options)
    letters = {code for first, last in _RANGES for code in range(first, last + 1)}
    subsetter.populate(unicodes=letters | {ord(sign) for sign in _SIGNS})
    subsetter.subset(font)
    full = FAMILY if weight == "regular" else f"{FAMILY} Bold"
    for record in font["name"].names:
        named = {_NAME: FAMILY, _UNIQUE: full, _FULL_NAME: full, _PLAIN_NAME: full.replace(" ", "")}
        if record.nameID in named:
            record.string = named[record.nameID]
    return font


def main() -> None:
    """Make both weights."""
    folder = Path(sys.argv[1])
    for file, weight in _CUTS.items():
        cut(folder / file, weight).save(_TARGET / f"hoarline-sans-{weight}.ttf")


if __name__ == "__main__":
    main()
