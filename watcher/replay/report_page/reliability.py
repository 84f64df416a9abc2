"""The reliability diagram: how often what was told alike came, with intervals and counts."""

from __future__ import annotations

from collections.abc import Sequence

from watcher.pictures.sheet import NARROW_PX, chart, pair
from watcher.pictures.svg import Svg, element, joined, text
from watcher.replay.report_page.words import grouped, share_text
from watcher.replay.scores.reliability import CertaintyClass

_WIDE_PX, _PHONE_PX = 640, 340
_PLOT_PX, _TOP = 230, 24
# TAFs state no other probabilities than 30 and 40 %: the axis ends where there is nothing more to see.
_MOST_STATED = 0.6
_STATED_WORDS = ((0.3, "30"), (0.4, "40 %"))
# The words of a TAF itself where there is little room.
_SHORT = {"prevailing": "prevail", "becoming": "BECMG", "temporary": "TEMPO"}


def reliability_picture(classes: Sequence[CertaintyClass]) -> str:
    """Return the diagram. Left, what states a probability, against the line on which it would be kept; right, the rest.

    Parameters
    ----------
    classes
        As `reliability.certainty_classes` gives them; those of few cases are told by their counts alone.
    """
    return pair(_drawn(classes, _WIDE_PX), _drawn(classes, _PHONE_PX)) if classes else ""


def _drawn(classes: Sequence[CertaintyClass], width: int) -> str:
    narrow = width < NARROW_PX
    left, bottom = 44, _TOP + _PLOT_PX
    stated = [row for row in classes if row.stated is not None]
    plain = [row for row in classes if row.stated is None]
    # Without anything that states a probability there is nothing to hold against the line.
    plot = 0 if not stated else 150 if narrow else 300
    found = [_scale(left, width, bottom)]
    if stated:
        found += [_diagonal(left, plot, bottom), _labels_of_plot(left, plot, bottom)]
    by_p: dict[float, list[CertaintyClass]] = {}
    for row in stated:
        assert row.stated is not None
        by_p.setdefault(row.stated, []).append(row)
    for p, rows in by_p.items():
        for beside, row in enumerate(rows):
            # A TEMPO with the same probability stands beside the plain one.
            x = left + plot * p / _MOST_STATED + (11 if narrow else 22) * beside
            found.append(_point(row, x, bottom, hollow="temporary" in row.certainty, named=not narrow))
    begin = left + plot + ((24 if narrow else 60) if stated else 0)
    step = (width - begin) / max(1, len(plain))
    for place, row in enumerate(plain):
        x = begin + step * (place + 0.5)
        found.append(_point(row, x, bottom, hollow=False, named=True))
        name = _SHORT.get(row.certainty, row.certainty) if narrow else row.certainty
        found.append(_beneath(name, x, bottom + 16, "small" if narrow else None))
        found.append(_beneath(f"n {grouped(row.came.of)}", x, bottom + 32, "soft"))
    if plain and stated:
        found.append(element("path", d=f"M{begin - 12} {_TOP}V{bottom}", class_="lead"))
    if plain:
        words = "none stated" if narrow else "no probability stated"
        found.append(_beneath(words, (begin + width) / 2, bottom + 50, "soft"))
    return chart("reliability", found, width=width, height=bottom + 58, said=_said(classes))


def _scale(left: int, width: int, bottom: int) -> Svg:
    found = []
    for share in (0.0, 0.25, 0.5, 0.75, 1.0):
        y = round(bottom - share * _PLOT_PX)
        found.append(element("path", d=f"M{left} {y}H{width}", class_="base" if share == 0 else "grid"))
        found.append(
            element("text", text(f"{100 * share:.0f} %"), x=left - 6, y=y + 4, text_anchor="end", class_="soft")
        )
    return joined(found)


def _diagonal(left: int, plot: int, bottom: int) -> Svg:
    top = bottom - round(_PLOT_PX * _MOST_STATED)
    line = element("path", d=f"M{left} {bottom}L{left + plot} {top}", class_="zero")
    words = element("text", text("as stated"), x=left + plot, y=top - 8, text_anchor="end", class_="soft halo")
    return joined([line, words])


def _labels_of_plot(left: int, plot: int, bottom: int) -> Svg:
    found = [_beneath(words, left + plot * p / _MOST_STATED, bottom + 16, "small") for p, words in _STATED_WORDS]
    return joined([*found, _beneath("probability stated", left + plot / 2, bottom + 50, "soft")])


def _beneath(words: str, x: float, y: int, shown: str | None) -> Svg:
    return element("text", text(words), x=round(x), y=y, text_anchor="middle", class_=shown)


def _point(row: CertaintyClass, x: float, bottom: int, *, hollow: bool, named: bool) -> Svg:
    """Return the share that came with its interval; of few cases only how many there were."""
    place, estimate = round(x), row.came
    counts = f"{grouped(estimate.counted)} of {grouped(estimate.of)}"
    if estimate.value is None:
        mark = element("text", text(counts), x=place, y=bottom - 6, text_anchor="middle", class_="small soft halo")
        return element("g", element("title", text(f"{row.certainty}: {counts}, too few for a share")), mark)
    y = round(bottom - estimate.value * _PLOT_PX)
    found = [element("title", text(f"{row.certainty}: {counts} came, {share_text(estimate.value)}"))]
    above = y - 12
    if estimate.interval is not None:
        low, high = (round(bottom - end * _PLOT_PX) for end in (estimate.interval.low, estimate.interval.high))
        above = high - 6
        found.append(
            element("path", d=f"M{place} {low}V{high}M{place - 5} {low}h10M{place - 5} {high}h10", class_="whisker")
        )
    found.append(element("circle", cx=place, cy=y, r=6, class_="ring" if hollow else "point"))
    if named:
        shown = text(share_text(estimate.value))
        found.append(element("text", shown, x=place, y=above, text_anchor="middle", class_="bold halo"))
    return element("g", *found)


def _said(classes: Sequence[CertaintyClass]) -> str:
    told = []
    for row in classes:
        value = "too few for a share" if row.came.value is None else share_text(row.came.value)
        told.append(f"{row.certainty}: {row.came.counted} of {row.came.of} came, {value}")
    return f"How often what was expected came. {'; '.join(told)}."
