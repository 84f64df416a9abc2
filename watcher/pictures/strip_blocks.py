"""The levels of a strip: at each time the highest one, as a block with its word, filled where it was observed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

from watcher.pictures.band_model import LevelSpan
from watcher.pictures.strip_frame import BLOCK_BOTTOM, BLOCK_TOP, LETTERS, SHOWN, Frame
from watcher.pictures.strip_lines import box
from watcher.pictures.svg import Svg, element, joined, text
from watcher.rulebook.words import Certainty, Flag, Kind, Level

_LETTERS_AT = BLOCK_BOTTOM - 6
_PADDING = 7
_MARK = 18
# Width of a small letter of a system font at most, as a part of its size (memory).
_WIDE = 0.6
_PROBABLE = frozenset(
    {
        Certainty.PROBABILITY_40,
        Certainty.PROBABILITY_30,
        Certainty.PROBABILITY_40_TEMPORARY,
        Certainty.PROBABILITY_30_TEMPORARY,
    }
)


@dataclass(frozen=True, slots=True)
class Block:
    """One piece of the row of levels. `sure`: o observed, s as last seen, x expected, t temporary, p only probable."""

    level: Level
    flag: Flag
    sure: str
    begins_at: datetime
    ends_at: datetime


def blocks_of(
    levels: Iterable[LevelSpan], now: datetime, ends_at: datetime, blind_since: datetime | None
) -> list[Block]:
    """Return the highest level at each time; what is observed goes on until now, what is expected begins there.

    `blind_since`: since then what goes on is only as it was last seen; None while the station is seeing.
    """
    open_ends = (block for span in levels for block in _ended(span, now, ends_at, blind_since))
    spans = [block for block in open_ends if block.begins_at < block.ends_at]
    edges = sorted({edge for span in spans for edge in (span.begins_at, span.ends_at)})
    found: list[Block] = []
    for first, last in pairwise(edges):
        here = [span for span in spans if span.begins_at <= first and last <= span.ends_at]
        if not here:
            continue
        best = max(here, key=_rank)
        before = found[-1] if found else None
        if before is not None and before.ends_at == first and _same(before, best):
            found[-1] = Block(before.level, before.flag, before.sure, before.begins_at, last)
        else:
            found.append(Block(best.level, best.flag, best.sure, first, last))
    return found


def blocks(row: Iterable[Block], frame: Frame, now: datetime, left: int) -> Svg:
    """Return the drawn row. `left`: where the part that is shown at this time begins."""
    now_x = frame.x(now)
    drawn = []
    for block in row:
        first, last = max(frame.x(block.begins_at), left), min(frame.x(block.ends_at), left + SHOWN)
        if first < last:
            drawn.append(_drawn(block, first, last, past=last <= now_x))
    return element("g", joined(drawn), class_="l") if drawn else Svg("")


def _ended(span: LevelSpan, now: datetime, ends_at: datetime, blind_since: datetime | None) -> Iterator[Block]:
    if span.kind is Kind.OBSERVED:
        seen_until = span.ends_at or blind_since or now
        yield Block(span.level, span.flag, "o", span.begins_at, seen_until)
        if span.ends_at is None and blind_since is not None:
            yield Block(span.level, span.flag, "s", max(span.begins_at, blind_since), now)
        return
    sure = "t" if span.certainty is Certainty.TEMPORARY else "p" if span.certainty in _PROBABLE else "x"
    # An expectation that has ended is past; one that stands says nothing of the time that reports tell of.
    last = span.ends_at or ends_at
    yield Block(span.level, span.flag, sure, span.begins_at if last <= now else max(span.begins_at, now), last)


def _rank(block: Block) -> tuple[int, int, str]:
    return block.level, -"osxtp".index(block.sure), block.flag.value


def _same(one: Block, other: Block) -> bool:
    return (one.level, one.flag, one.sure) == (other.level, other.flag, other.sure)


def _drawn(block: Block, left: int, right: int, *, past: bool) -> Svg:
    number = block.level.value
    fill = f"url(#tb-{number})" if block.sure == "p" else None
    shape = element("path", class_=f"{block.sure}{number}", fill=fill, d=box(left, right, BLOCK_TOP, BLOCK_BOTTOM))
    room = right - left - 2 * _PADDING
    words = next((words for words in _words(block) if _width(words) <= room), None)
    solid = block.sure == "o" and block.level is Level.NO_TIME
    if words is not None:
        # Words stand on the side of the present: of a strip too wide for its screen the middle is shown.
        x = right - _PADDING if past else left + _PADDING
        name = (
            " ".join(filter(None, ("e" if past else "", "i" if solid else "", "o" if block.sure == "o" else "")))
            or None
        )
        return joined((shape, element("text", text(words), class_=name, x=x, y=_LETTERS_AT)))
    if right - left < _MARK + 2:
        return shape
    mark = element(
        "use",
        href=f"#mark-{block.level.word}",
        class_="i" if solid else f"m{number}",
        x=(left + right - _MARK) // 2,
        y=(BLOCK_TOP + BLOCK_BOTTOM - _MARK) // 2,
        width=_MARK,
        height=_MARK,
    )
    return joined((shape, mark))


def _words(block: Block) -> tuple[str, str]:
    return f"{block.level.word}, {block.flag.value}", block.level.word


def _width(words: str) -> int:
    return round(len(words) * LETTERS * _WIDE)
