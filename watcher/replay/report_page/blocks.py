"""Detection and false alarms by month and by station, with their counts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from watcher.pictures.sheet import NARROW_PX, chart, pair
from watcher.pictures.svg import Svg, element, joined, text
from watcher.replay.report_page.words import grouped, share_text
from watcher.replay.scores.estimate import LEAST_CASES
from watcher.replay.scores.model import BlockScore

_WIDE_PX, _PHONE_PX = 960, 340
_ROW_PX, _TOP = 24, 10


class _Share(NamedTuple):
    counted: int
    of: int

    @property
    def value(self) -> float | None:
        return self.counted / self.of if self.of >= LEAST_CASES else None


def blocks_picture(rows: Sequence[BlockScore], *, what: str) -> str:
    """Return for each month or station how much was detected (a disc) and what was told in vain (a lozenge).

    Parameters
    ----------
    rows
        In the order in which they stand; those without weather or alerts are left out.
    what
        ``month`` or ``station``, for those who do not see it.
    """
    shown = [row for row in rows if row.counts.came or row.counts.warned]
    return pair(_drawn(shown, what, _WIDE_PX), _drawn(shown, what, _PHONE_PX)) if shown else ""


def _drawn(rows: Sequence[BlockScore], what: str, width: int) -> str:
    narrow = width < NARROW_PX
    left, right = (66, width - 22) if narrow else (110, width - 330)
    bottom = _TOP + _ROW_PX * len(rows)
    found = [_scale(left, right, bottom)]
    for number, row in enumerate(rows):
        y = _TOP + _ROW_PX * number + _ROW_PX // 2
        found.append(element("text", text(row.name), x=0, y=y + 4, class_="bold"))
        found.append(element("path", d=f"M{left} {y}H{right}", class_="grid"))
        found.append(_marks(row, left, right, y))
        if not narrow:
            detected, in_vain = _shares(row)
            words = f"{_text(detected)} detected, {_text(in_vain)} in vain"
            found.append(element("text", text(words), x=right + 24, y=y + 4, class_="soft"))
    return chart("blocks", found, width=width, height=bottom + 26, said=_said(rows, what))


def _shares(row: BlockScore) -> tuple[_Share, _Share]:
    counts = row.counts
    return _Share(counts.hits, counts.came), _Share(counts.in_vain, counts.warned)


def _text(share: _Share) -> str:
    return f"{grouped(share.counted)} of {grouped(share.of)}"


def blocks_legend() -> str:
    """Return what disc and lozenge mean, once for both pictures."""
    drawn = joined(
        [
            element("circle", cx=8, cy=12, r=6, class_="point"),
            element("text", text("detected"), x=20, y=16),
            element("path", d="M90 12l8-8 8 8-8 8z", class_="lozenge"),
            element("text", text("in vain"), x=112, y=16),
            element("text", text(f"no mark: fewer than {LEAST_CASES} h"), x=164, y=16, class_="soft"),
        ]
    )
    return chart("legend-of-blocks", [drawn], width=_PHONE_PX, height=24, said="Disc: detected. Lozenge: in vain.")


def _scale(left: int, right: int, bottom: int) -> Svg:
    found = []
    for share in (0.0, 0.5, 1.0):
        x = round(left + share * (right - left))
        found.append(element("path", d=f"M{x} {_TOP}V{bottom}", class_="base"))
        found.append(
            element("text", text(f"{100 * share:.0f} %"), x=x, y=bottom + 16, text_anchor="middle", class_="soft")
        )
    return joined(found)


def _marks(row: BlockScore, left: int, right: int, y: int) -> Svg:
    detected, in_vain = _shares(row)
    found = [element("title", text(f"{row.name}: {_text(detected)} h detected, {_text(in_vain)} h in vain"))]
    if in_vain.value is not None:
        x = round(left + in_vain.value * (right - left))
        found.append(element("path", d=f"M{x - 8} {y}l8-8 8 8-8 8z", class_="lozenge"))
    if detected.value is not None:
        x = round(left + detected.value * (right - left))
        found.append(element("circle", cx=x, cy=y, r=6, class_="point"))
    return element("g", *found)


def _said(rows: Sequence[BlockScore], what: str) -> str:
    told = []
    for row in rows:
        detected, in_vain = _shares(row)
        shares = [
            f"{_text(share)} {words}{f', {share_text(share.value)}' if share.value is not None else ''}"
            for share, words in ((detected, "detected"), (in_vain, "in vain"))
        ]
        told.append(f"{row.name}: {'; '.join(shares)}")
    return f"Hours detected and told in vain by {what}. {'. '.join(told)}."
