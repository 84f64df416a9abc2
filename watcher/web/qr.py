"""QR codes (ISO/IEC 18004) as drawings for a page, so that a phone takes a link from a screen."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby

from watcher.pictures.svg import Svg, element

# ISO/IEC 18004: four modules of quiet zone on each side.
_QUIET = 4


def qr_picture(content: str, *, said: str) -> Svg:
    """Return a text as a QR code with error correction M: dark on light whatever the theme, as readers need it.

    Parameters
    ----------
    content
        What the phone reads.
    said
        What it is, for those who do not see it.
    """
    import segno  # noqa: PLC0415 - a twentieth of a second that only this drawing needs

    rows = [bytes(row) for row in segno.make(content, error="m", micro=False).matrix]
    side = len(rows) + 2 * _QUIET
    return element(
        "svg",
        element("rect", width=side, height=side, class_="qr-ground"),
        element("path", d="".join(_runs(rows)), class_="qr-dark"),
        xmlns="http://www.w3.org/2000/svg",
        class_="qr",
        viewBox=f"0 0 {side} {side}",
        shape_rendering="crispEdges",
        role="img",
        **{"aria-label": said},
    )


def _runs(rows: Sequence[bytes]) -> Iterator[str]:
    """Yield each run of dark modules as a closed strip."""
    for y, row in enumerate(rows, _QUIET):
        x = _QUIET
        for dark, modules in groupby(row):
            width = len(list(modules))
            if dark:
                yield f"M{x} {y}h{width}v1h-{width}z"
            x += width
