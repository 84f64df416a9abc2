"""Makes the icons of the installed pages from their drawing, `watcher/web/static/mark.svg`. Needs the extra `pictures`.

python deploy/make_icons.py
"""

from __future__ import annotations

from pathlib import Path

from watcher.raster import png_of

_FOLDER = Path(__file__).parents[1] / "watcher" / "web" / "static"
_SIDES_PX = (192, 512)


def main() -> None:
    """Write each icon beside the drawing. Corners are filled, as phones cut icons to shapes of their own."""
    drawing = (_FOLDER / "mark.svg").read_text(encoding="utf-8").replace(' rx="5"', "")
    for side_px in _SIDES_PX:
        (_FOLDER / f"icon-{side_px}.png").write_bytes(png_of(drawing, width_px=side_px))


if __name__ == "__main__":
    main()
