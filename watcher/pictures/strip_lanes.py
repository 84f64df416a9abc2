"""The weather of a strip: codes on top in two lanes, each over a line as long as it lasts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

from watcher.pictures.band_model import Weather
from watcher.pictures.band_weather import FIRM
from watcher.pictures.strip_frame import LETTERS, SHOWN, Frame
from watcher.pictures.svg import Svg, element, joined, text
from watcher.rulebook.words import Certainty

# Where the letters of the two lanes stand, and their lines.
_LETTERS_AT = (18, 50)
_LINES_AT = (24, 31)
# Width of a capital letter or figure of a system font at most, as a part of its size (memory).
_WIDE = 0.68
_APART = 6
_INDENT = 4


@dataclass(frozen=True, slots=True)
class Piece:
    """One span in its place. `lane`: 0 is the upper one."""

    weather: Weather
    left: int
    right: int
    lane: int = 0


def pieces_of(weather: Iterable[Weather], frame: Frame) -> tuple[Piece, ...]:
    """Return the spans in their lanes, by lane and time; what is too short for its code is joined with its like."""
    pieces = [Piece(item, frame.x(item.begins_at), frame.x(item.ends_at)) for item in weather]
    placed = _in_lanes([piece for piece in pieces if piece.left < piece.right])
    return tuple(
        piece for lane in (0, 1) for piece in _merged([piece for piece in placed if piece.lane == lane], frame.width)
    )


def lanes(pieces: Iterable[Piece], left: int, drawn_x: int, now_x: int) -> Svg:
    """Return the drawn spans as they stand at a time: a code where it finds room, else the line alone.

    `left`: where the part that is shown begins. `drawn_x`, `now_x`: the places of the present when the strip was drawn
    and when it is shown. What was observed goes on from one to the other, and what is expected begins there.
    """
    drawn: list[Svg] = []
    standing = (_standing(piece, drawn_x, now_x) for piece in pieces)
    for _, lane in groupby(standing, key=lambda piece: piece.lane):
        shown = [piece for piece in lane if max(piece.left, left) < piece.right]
        taken = left + _INDENT
        for piece, room_until in zip(shown, _room_ends(shown, left + SHOWN), strict=True):
            drawn.append(_line(piece))
            label = _label(piece, taken, room_until, now_x)
            if label is not None:
                drawn.append(label[0])
                taken = label[1] + _APART
    return element("g", joined(drawn), class_="w") if drawn else Svg("")


def width_of(words: str) -> int:
    """Return the most that some letters need, in units."""
    return round(len(words) * LETTERS * _WIDE)


def _in_lanes(pieces: Sequence[Piece]) -> list[Piece]:
    """Put what is temporary or only probable beneath what it overlaps."""
    firm = [piece for piece in pieces if _style(piece.weather) in {"", "x"}]
    placed = []
    for piece in pieces:
        loose = piece not in firm
        over = loose and any(under.left < piece.right and piece.left < under.right for under in firm)
        placed.append(replace(piece, lane=1) if over else piece)
    return placed


def _merged(pieces: Sequence[Piece], edge: int) -> list[Piece]:
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
            merged[index : index + 2] = [Piece(heavier, before.left, after.right, before.lane)]
            index = max(0, index - 1)
        else:
            index += 1
    return merged


def _rooms(pieces: Sequence[Piece], edge: int) -> list[int]:
    """Return how far the letters of each piece may reach: to the next one, or to the edge."""
    ends = _room_ends(pieces, edge)
    return [end - _INDENT - piece.left for piece, end in zip(pieces, ends, strict=True)]


def _room_ends(pieces: Sequence[Piece], edge: int) -> list[int]:
    return [*(piece.left - _APART for piece in pieces[1:]), edge][: len(pieces)]


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


def _line(piece: Piece) -> Svg:
    name = _style(piece.weather) or None
    return element("path", class_=name, d=f"M{piece.left} {_LINES_AT[piece.lane]}h{piece.right - piece.left}")


def _standing(piece: Piece, drawn_x: int, now_x: int) -> Piece:
    if piece.weather.certainty is not None:
        return replace(piece, left=max(piece.left, now_x))
    return replace(piece, right=now_x) if piece.right == drawn_x else piece


def _label(piece: Piece, taken: int, room_until: int, now_x: int) -> tuple[Svg, int] | None:
    """Return the fullest words that fit, with the place where they end; None where none do."""
    goes_on = piece.weather.certainty is None and piece.right == now_x
    begin = max(piece.left + _INDENT, taken)
    for words in _words(piece.weather):
        if goes_on and taken <= piece.right - _INDENT - width_of(words):
            return _letters(words, piece, piece.right - _INDENT, "e"), piece.right
        if begin + width_of(words) <= room_until:
            return _letters(words, piece, begin, ""), begin + width_of(words)
    return None


def _letters(words: str, piece: Piece, x: int, anchor: str) -> Svg:
    heavy = "z" if any(code.lstrip("+-").startswith("FZ") for code in piece.weather.codes) else ""
    name = " ".join(filter(None, (anchor, heavy))) or None
    return element("text", text(words), class_=name, x=x, y=_LETTERS_AT[piece.lane])
