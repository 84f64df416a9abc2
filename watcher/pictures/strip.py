"""A timeband as a drawing: drawn once for a station's version, shown at any minute of the next hour."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from watcher.pictures.band_model import BEHIND, Band
from watcher.pictures.band_words import sentence
from watcher.pictures.colours import Theme, resolved, tokens_css
from watcher.pictures.marks import symbols
from watcher.pictures.strip_blocks import blocks, blocks_of
from watcher.pictures.strip_ends import ends, reference, summit
from watcher.pictures.strip_frame import BLOCK_BOTTOM, HEIGHT, SHOWN, Frame, frame_of
from watcher.pictures.strip_lanes import Piece, lanes, pieces_of
from watcher.pictures.strip_lines import box, ground, lines
from watcher.pictures.strip_sheet import AXIS_HEIGHT, hours, key_of_lines, page_rules, rules, shared
from watcher.pictures.svg import Svg, document, element, joined, style, text
from watcher.units import clock_z

_HEADING, _FOOTING = 48, 56


@dataclass(frozen=True, slots=True)
class Strip:
    """A drawn timeband.

    `drawn`: the nights; the lines. `weather`: in its lanes. What moves with the present is drawn when it is shown.
    """

    band: Band
    frame: Frame
    drawn: tuple[Svg, Svg]
    weather: tuple[Piece, ...]

    def inline(self, now: datetime) -> str:
        """Return the strip for a row of a page on which :func:`axis` and the marks' symbols stand once.

        It shows 12 hours back and 18 ahead of `now`; the line of the present stands at 12/30 of its width.
        """
        left = self._left(now)
        return element(
            "svg",
            self._inside(now, left),
            class_="tb",
            viewBox=f"{left} 0 {SHOWN} {HEIGHT}",
            preserveAspectRatio="xMidYMid slice",
            role="img",
            aria_label=sentence(self.band, now),
        )

    def alone(self, now: datetime, *, theme: Literal["light", "dark", "auto"] = "auto", width_px: int = 960) -> str:
        """Return the strip as a document of its own, with its hours, key and style. Only `auto` needs a browser."""
        height = _HEADING + AXIS_HEIGHT + HEIGHT + _FOOTING
        axis_at, strip_at, key_at = _HEADING, _HEADING + AXIS_HEIGHT, _HEADING + AXIS_HEIGHT + HEIGHT + 10
        left = self._left(now)
        whole = document(
            joined(
                (
                    style(f"{tokens_css() if theme == 'auto' else ''}{rules()}.marks{{display:none}}"),
                    Svg(symbols()),
                    shared(now),
                    element("rect", fill="var(--paper)", width=SHOWN, height=height),
                    _moved(_heading(self.band, now), 12, 0, "tbx"),
                    _moved(hours(now, axis_at), 0, 0, "tbx"),
                    _moved(self._inside(now, left), -left, strip_at, "tb"),
                    _moved(key_of_lines(), 12, key_at, "tbx"),
                )
            ),
            view=(0, 0, SHOWN, height),
            width_px=width_px,
            title=_title(self.band, now),
            desc=sentence(self.band, now),
        )
        return whole if theme == "auto" else resolved(whole, Theme(theme))

    def _left(self, now: datetime) -> int:
        return self.frame.x(now - BEHIND)

    def _inside(self, now: datetime, left: int) -> Svg:
        nights, drawn = self.drawn
        blind_since = self.band.blind[-1].begins_at if self.band.is_blind else None
        standing = blocks_of(self.band.levels, now, self.band.ends_at, blind_since)
        return joined(
            (
                nights,
                element("use", href="#tb-g", x=left),
                _blind(self.band, self.frame, now),
                drawn,
                lanes(self.weather, left, self.frame.x(self.band.now), self.frame.x(now)),
                reference(self.frame, left),
                ends(self.band, self.frame, left, now),
                summit(self.band, self.frame, left, now),
                blocks(standing, self.frame, now, left),
                element("use", href="#tb-n", x=left),
            )
        )


def strip_of(band: Band) -> Strip:
    """Draw a band. What is returned may be kept until the station's view changes, for an hour at most."""
    frame = frame_of(band)
    return Strip(band, frame, (ground(band, frame), lines(band, frame)), pieces_of(band.weather, frame))


def axis(now: datetime, *, said: datetime | None = None) -> str:
    """Return the axis of hours above the rows. It carries what all strips share, so a page must have it once.

    Parameters
    ----------
    now
        The time that the rows' strips are shown for.
    said
        The present as the axis names it, where the strips are shown for a full step of some minutes; None: `now`.
    """
    return element(
        "svg",
        shared(now),
        hours(now, 0, said),
        class_="tbx",
        viewBox=f"0 0 {SHOWN} {AXIS_HEIGHT}",
        preserveAspectRatio="xMidYMid slice",
        aria_hidden="true",
    )


def key() -> str:
    """Return what the lines mean, for the foot of a page."""
    label = "Solid: air temperature. Dashed: frost point. Band: skin temperature. Hill: chance of frost."
    view = {"viewBox": f"0 0 {SHOWN} 40"}
    return element("svg", key_of_lines(), class_="tbx", role="img", aria_label=label, **view)


def css() -> str:
    """Return the style rules of inline strips; they need the colours' rules, too."""
    return rules() + page_rules()


def _moved(part: Svg, x: int, y: int, name: str) -> Svg:
    """Return a part in its place and under its rules."""
    return element("g", element("g", part, transform=f"translate({x} {y})"), class_=name)


def _heading(band: Band, now: datetime) -> Svg:
    name = f"{band.station} {band.name}" if band.name else band.station
    return joined(
        (
            element("text", text(name), class_="y", x=0, y=30),
            element("text", text(f"{now:%d %b %Y} {clock_z(now)}"), class_="s e", x=SHOWN - 24, y=30),
        )
    )


def _title(band: Band, now: datetime) -> str:
    name = f"{band.station} {band.name}" if band.name else band.station
    return f"Timeband of {name} at {clock_z(now)}"


def _blind(band: Band, frame: Frame, now: datetime) -> Svg:
    boxes = (box(frame.x(span.begins_at), frame.x(span.ends_at or now), 0, BLOCK_BOTTOM) for span in band.blind)
    d = "".join(boxes)
    return element("path", class_="b", fill="url(#tb-b)", d=d) if d else Svg("")
