"""How each onset was told, as a bar for each flag: ahead, by its own report, never; and how long ahead."""

from __future__ import annotations

from collections.abc import Sequence

from watcher.pictures.labels import cut_to, width_of
from watcher.pictures.sheet import NARROW_PX, chart, pair
from watcher.pictures.svg import Svg, element, joined, text
from watcher.replay.report_page.words import flag_words, grouped, level_words, minutes_text, share_text
from watcher.replay.scores.model import OnsetScore
from watcher.replay.scores.score import LEAD_CLASSES

WIDE_PX, PHONE_PX = 960, 340
_BAR_PX, _ROW_PX = 24, 40
_PARTS = (("ahead", "told ahead"), ("with", "by its own report"), ("never", "never"))
_LEAD_PX, _LEAD_ROW_PX = 36, 68
_SHORT = ("<½ h", "½-1", "1-2", "2-3", "3-6", "6-12", "12-18", ">18 h")


def patterns() -> str:
    """Return the stripes that the bars are filled with, once for the page, hidden."""
    stripe = element("path", d="M0 6L6 0M-1 1L1 -1M5 7L7 5", class_="stripe")
    box = element("pattern", element("rect", width=6, height=6, class_="stripe-ground"), stripe, id="stripes", width=6,
                  height=6, patternUnits="userSpaceOnUse")  # fmt: skip
    return element("svg", element("defs", box), class_="marks", width=0, height=0, aria_hidden="true")


def told_picture(rows: Sequence[OnsetScore]) -> str:
    """Return how the onsets of each flag were told, each bar as long as all of its onsets.

    Parameters
    ----------
    rows
        One for each flag; those without an onset say so.
    """
    return pair(_told(rows, WIDE_PX), _told(rows, PHONE_PX))


def _told(rows: Sequence[OnsetScore], width: int) -> str:
    narrow = width < NARROW_PX
    left, right = (0, width) if narrow else (230, width - 90)
    row_px = _ROW_PX + (20 if narrow else 0)
    found: list[Svg] = [_legend(width)]
    top = 34
    for number, row in enumerate(rows):
        y = top + number * row_px
        name, level = flag_words(row.subject.flag), level_words(row.subject)
        count = f"{grouped(row.onsets)} {'onset' if row.onsets == 1 else 'onsets'}"
        if narrow:
            found.append(element("text", text(cut_to(name, width - 90, 12, bold=True)), x=0, y=y + 12, class_="bold"))
            found.append(element("text", text(count), x=width, y=y + 12, text_anchor="end", class_="soft"))
            y += 18
        else:
            found.append(element("text", text(name), x=0, y=y + 11, class_="bold"))
            found.append(element("text", text(level), x=0, y=y + 25, class_="soft"))
            found.append(element("text", text(count), x=right + 10, y=y + 17))
        found.append(_bar(row, left, right, y))
    height = top + len(rows) * row_px
    return chart("told", found, width=width, height=height, said=_said(rows))


def _legend(width: int) -> Svg:
    found, x = [], 0.0
    for part, words in _PARTS:
        found.append(element("rect", x=x, y=4, width=16, height=12, class_=f"told-{part}"))
        found.append(element("text", text(words), x=x + 22, y=14))
        x += 22 + width_of(words, 12) + (10 if width < NARROW_PX else 22)
    return joined(found)


def _bar(row: OnsetScore, left: int, right: int, y: int) -> Svg:
    if row.onsets == 0:
        return element("text", text("no onset was seen"), x=left, y=y + 16, class_="soft")
    counts = (row.onsets - row.with_report - row.never, row.with_report, row.never)
    found, x = [], float(left)
    for (part, _), count in zip(_PARTS, counts, strict=True):
        size = (right - left) * count / row.onsets
        if count:
            found.append(
                element("rect", x=round(x, 1), y=y, width=round(size, 1), height=_BAR_PX, class_=f"told-{part}")
            )
            words = f"{grouped(count)}, {share_text(count / row.onsets)}"
            # A share of few cases is not told.
            words = words if row.ahead.is_firm and width_of(words, 12) + 10 <= size else grouped(count)
            if width_of(words, 12) + 6 <= size:
                if part == "with":
                    ground = {"x": round(x + 3, 1), "y": y + 4, "width": round(width_of(words, 12, bold=True) + 4)}
                    found.append(element("rect", **ground, height=_BAR_PX - 8, class_="ground"))
                found.append(element("text", text(words), x=round(x + 6, 1), y=y + 16, class_=f"bold on-{part}"))
        x += size
    return joined(found)


def _said(rows: Sequence[OnsetScore]) -> str:
    told = [
        f"{flag_words(row.subject.flag)}: {row.onsets} onsets, {row.onsets - row.with_report - row.never} told ahead, "
        f"{row.with_report} by their own report, {row.never} never"
        for row in rows
    ]
    return f"How the onsets were told. {'; '.join(told)}."


def lead_picture(rows: Sequence[OnsetScore]) -> str:
    """Return how long ahead the onsets of each flag were told, those told ahead; rows without any are left out."""
    shown = [row for row in rows if sum(row.lead_classes)]
    return pair(_leads(shown, WIDE_PX), _leads(shown, PHONE_PX)) if shown else ""


def _leads(rows: Sequence[OnsetScore], width: int) -> str:
    narrow = width < NARROW_PX
    left = 0 if narrow else 230
    step = (width - left) / len(LEAD_CLASSES)
    row_px = _LEAD_ROW_PX + (34 if narrow else 0)
    found: list[Svg] = []
    for number, row in enumerate(rows):
        top = 8 + number * row_px
        name, median = flag_words(row.subject.flag), _median(row)
        found.append(element("text", text(name), x=0, y=top + 14, class_="bold"))
        found.append(element("text", text(median), x=0, y=top + 29, class_="soft"))
        bottom = top + (34 if narrow else 0) + 20 + _LEAD_PX
        most = max(row.lead_classes)
        for place, count in enumerate(row.lead_classes):
            x, tall = left + place * step, round(_LEAD_PX * count / most)
            box = {"x": round(x + 3, 1), "y": bottom - tall, "width": round(step - 6, 1), "height": max(tall, 1)}
            found.append(element("rect", **box, class_="told-ahead" if count else "none"))
            middle = round(x + step / 2, 1)
            if count:
                found.append(
                    element(
                        "text", text(grouped(count)), x=middle, y=bottom - tall - 5, text_anchor="middle", class_="bold"
                    )
                )
        found.append(element("path", d=f"M{left} {bottom}H{width}", class_="base"))
    bottom = 8 + len(rows) * row_px
    for place, words in enumerate(_SHORT if narrow else LEAD_CLASSES):
        x = round(left + (place + 0.5) * step, 1)
        found.append(
            element(
                "text", text(words), x=x, y=bottom + 8, text_anchor="middle", class_="small soft" if narrow else "soft"
            )
        )
    return chart("leads", found, width=width, height=bottom + 16, said=_leads_said(rows))


def _median(row: OnsetScore) -> str:
    told = sum(row.lead_classes)
    if row.leads is None:
        return f"{grouped(told)} told ahead"
    return f"half of {grouped(told)} at least {minutes_text(row.leads.median)} ahead"


def _leads_said(rows: Sequence[OnsetScore]) -> str:
    told = []
    for row in rows:
        classes = [f"{count} {words}" for words, count in zip(LEAD_CLASSES, row.lead_classes, strict=True) if count]
        told.append(f"{flag_words(row.subject.flag)}: {', '.join(classes)}")
    return f"How long ahead onsets were told. {'; '.join(told)}."
