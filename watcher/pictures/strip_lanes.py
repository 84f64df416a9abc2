"""The weather of a strip: codes on top in two lanes, each over a line as long as it lasts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from watcher.pictures.band_model import Weather
from watcher.pictures.band_weather import FIRM
from watcher.pictures.strip_frame import LETTERS, Frame
from watcher.pictures.svg import Svg, element, joined, text
from watcher.rulebook.words import Certainty

# Where the letters of the two lanes stand, and their lines.
_LETTERS_AT = (18, 44)
_LINES_AT = (24, 50)
# Width of a capital letter or figure of a system font at most, as a part of its size (memory).
_WIDE = 0.68
_APART = 6
_INDENT = 4


@dataclass(frozen=True, slots=True)
class _Piece:
    """One span in its place. `lane`: 0 is the upper one."""

    weather: Weather
    left: int
    right: int
    lane: int = 0


def lanes(weather: Iterable[Weather], frame: Frame) -> Svg:
    """Return the codes and their lines. What is too short for its code is joined with its like, or has a line only."""
    pieces = [_Piece(item, frame.x(item.begins_at), frame.x(item.ends_at)) for item in weather]
    placed = _in_lanes([piece for piece in pieces if piece.left < piece.right])
    drawn: list[Svg] = []
    for lane in (0, 1):
        ours = _merged([piece for piece in placed if piece.lane == lane], frame.width)
        rooms = _rooms(ours, frame.width)
        drawn.extend(_drawn(piece, room) for piece, room in zip(ours, rooms, strict=True))
    return element("g", joined(drawn), class_="w") if drawn else Svg("")


def width_of(words: str) -> int:
    """Return the most that some letters need, in units."""
    return round(len(words) * LETTERS * _WIDE)


def _in_lanes(pieces: Sequence[_Piece]) -> list[_Piece]:
    """Put what is temporary or only probable beneath what it overlaps."""
    firm = [piece for piece in pieces if _style(piece.weather) in {"", "x"}]
    placed = []
    for piece in pieces:
        loose = piece not in firm
        over = loose and any(under.left < piece.right and piece.left < under.right for under in firm)
        placed.append(replace(piece, lane=1) if over else piece)
    return placed


def _merged(pieces: Sequence[_Piece], edge: int) -> list[_Piece]:
    """Join neighbours that differ in intensity only where a code would not fit; the heaviest speaks for both."""
    merged = list(pieces)
    index = 0
    while index + 1 < len(merged):
        before, after = merged[index], merged[index + 1]
        rooms = _rooms(merged, edge)
        crowded = any(
            width_of(_words(piece.weather)[-1]) > room
            for piece, room in ((before, rooms[index]), (after, rooms[index + 1]))
        )
        if crowded and before.right >= after.left and _alike(before.weather, after.weather):
            heavier = max(before.weather, after.weather, key=_weight)
            merged[index : index + 2] = [_Piece(heavier, before.left, after.right, before.lane)]
            index = max(0, index - 1)
        else:
            index += 1
    return merged


def _rooms(pieces: Sequence[_Piece], edge: int) -> list[int]:
    """Return how far the letters of each piece may reach: to the next one, or to the edge."""
    begins = [*(piece.left for piece in pieces[1:]), edge + _APART]
    return [begin - _APART - _INDENT - piece.left for piece, begin in zip(pieces, begins, strict=False)]


def _alike(one: Weather, other: Weather) -> bool:
    return one.certainty == other.certainty and _bare(one) == _bare(other)


def _bare(weather: Weather) -> tuple[str, ...]:
    return tuple(code.lstrip("+-") for code in weather.codes)


def _weight(weather: Weather) -> tuple[int, ...]:
    return tuple({"+": 2, "-": 0}.get(code[0], 1) for code in weather.codes)


def _words(weather: Weather) -> tuple[str, ...]:
    """Return what may be written, the fullest first: how probable it is, all codes, the first code."""
    codes = " ".join(weather.codes)
    word = {"": "", "x": "", "t": "TEMPO "}.get(_style(weather), "PROB30 ")
    if weather.certainty in {Certainty.PROBABILITY_40, Certainty.PROBABILITY_40_TEMPORARY}:
        word = "PROB40 "
    return tuple(dict.fromkeys((f"{word}{codes}", codes, weather.codes[0])))


def _style(weather: Weather) -> str:
    """Return the class of a piece: observed (none), expected (x), temporary (t), probable (p)."""
    if weather.certainty is None:
        return ""
    if weather.certainty in FIRM:
        return "x"
    return "t" if weather.certainty is Certainty.TEMPORARY else "p"


def _drawn(piece: _Piece, room: int) -> Svg:
    line = element(
        "path",
        class_=_style(piece.weather) or None,
        d=f"M{piece.left} {_LINES_AT[piece.lane]}h{piece.right - piece.left}",
    )
    words = next((words for words in _words(piece.weather) if width_of(words) <= room), None)
    if words is None:
        return line
    heavy = "z" if any(code.lstrip("+-").startswith("FZ") for code in piece.weather.codes) else None
    return joined((line, element("text", text(words), class_=heavy, x=piece.left + _INDENT, y=_LETTERS_AT[piece.lane])))
