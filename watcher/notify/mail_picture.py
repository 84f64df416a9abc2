"""The small picture in a mail about frost to come: drawn from the event alone, and the same for all who are told of it.

It never carries a fact alone: the mail says in words what it shows. A picture that cannot be made is left out.
"""

from __future__ import annotations

import base64
from dataclasses import dataclass
from functools import lru_cache

import structlog

from watcher.notify.message import Message, Part
from watcher.pictures.colours import Theme
from watcher.pictures.period_plot import Period, period_picture, said
from watcher.pictures.sheet import alone
from watcher.raster import png_of

# Half as many again as the 432 px at which it is shown at most, twice what a phone shows: sharp, and soon drawn.
_WIDTH_PX = 648
# Of the events that are being told at one time; each picture is some 25 KB of text.
_MOST_KEPT = 64

_log = structlog.get_logger()


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture as a mail carries it: in words, and as the base64 lines of a PNG (RFC 2045, 6.8)."""

    words: str
    encoded: str


def picture_of(message: Message) -> Picture | None:
    """Return the picture of what a message tells, None where there is nothing to draw.

    Parameters
    ----------
    message
        About one event: several together are read as a list.
    """
    period = _period(message.first) if not message.several else None
    return None if period is None else _drawn(period)


def _period(part: Part) -> Period | None:
    """Return the period that an event expects, None where it is not computed or over."""
    body = part.body
    if body.odds is None or body.begins_at is None or body.level is None or body.flag is None or part.ending:
        return None
    return Period(
        station=body.station,
        what=body.flag.value.replace("-", " "),
        level=body.level,
        begins_at=body.begins_at,
        until=body.until,
        odds=body.odds,
        zone=body.zone,
    )


@lru_cache(maxsize=_MOST_KEPT)
def _drawn(period: Period) -> Picture | None:
    try:
        png = png_of(alone(period_picture(period), Theme.LIGHT), width_px=_WIDTH_PX)
    except Exception:  # noqa: BLE001 - logged with its trace; an alert without a picture is worth more than none
        _log.exception("picture", station=period.station)
        return None
    return Picture(said(period), base64.encodebytes(png).decode("ascii"))
