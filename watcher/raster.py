"""Turns a drawing into pixels, for what takes no SVG: mails and files. Needs the extra `pictures`.

The fonts that it draws with come along (`watcher/pictures/fonts`), so that a picture is the same on every machine.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import as_file, files
from importlib.util import find_spec

from watcher.errors import PictureError

_FAMILY = "Hoarline Sans"
_WEIGHTS = ("regular", "bold")
# Wider than any screen; more is a mistake, and memory grows with its square.
WIDEST_PX = 8_192


def can_raster() -> bool:
    """Return whether pictures can be made on this machine."""
    return find_spec("resvg_py") is not None


def png_of(svg: str, *, width_px: int) -> bytes:
    """Return a drawing as a PNG.

    Parameters
    ----------
    svg
        A drawing that stands alone, with its colours resolved: see `watcher.pictures.sheet.alone`.
    width_px
        Width of the picture, 1 to 8192; its height follows from the drawing.

    Raises
    ------
    PictureError
        The extra `pictures` is not installed, the width is out of bounds, or the text is no drawing.
    """
    if not 1 <= width_px <= WIDEST_PX:
        raise PictureError(f"a picture is 1 to {WIDEST_PX} px wide, not {width_px}")
    try:
        from resvg_py import svg_to_bytes  # noqa: PLC0415 - optional, and a megabyte of library
    except ImportError as error:
        raise PictureError('PNG needs the extra "pictures": pip install "hoarline[pictures]"; SVG does not') from error
    try:
        return bytes(
            svg_to_bytes(
                svg_string=svg,
                width=width_px,
                skip_system_fonts=True,
                font_files=list(_font_files()),
                font_family=_FAMILY,
                sans_serif_family=_FAMILY,
            )
        )
    except ValueError as error:
        raise PictureError(f"the drawing cannot be turned into pixels: {error}") from error


@cache
def _font_files() -> tuple[str, ...]:
    folder = files("watcher.pictures").joinpath("fonts")
    paths = []
    for weight in _WEIGHTS:
        with as_file(folder.joinpath(f"hoarline-sans-{weight}.ttf")) as path:
            paths.append(str(path))
    return tuple(paths)
