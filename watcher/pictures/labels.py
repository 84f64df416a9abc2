"""How wide words are, how labels keep out of each other's way, and how figures are written in a drawing."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from statistics import fmean

from watcher.units import percent

# Shares of the type size. Measured at DejaVu Sans, one of the widest: in the reader's own font words come out narrower.
_NARROW, _WIDE, _CAPITAL, _OTHER = 0.36, 0.95, 0.72, 0.62
_NARROW_LETTERS, _WIDE_LETTERS = frozenset("ijlIft.,:;'|!()[]/- "), frozenset("mwMW%@")
_BOLD = 1.1
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def width_of(words: str, size_px: float, *, bold: bool = False) -> float:
    """Return about how many px a text is wide at most.

    Parameters
    ----------
    words
        One line.
    size_px
        Of the type.
    bold
        Bold letters are wider.
    """
    ems = sum(_ems(letter) for letter in words)
    return ems * size_px * (_BOLD if bold else 1)


def _ems(letter: str) -> float:
    if letter in _NARROW_LETTERS:
        return _NARROW
    if letter in _WIDE_LETTERS:
        return _WIDE
    return _CAPITAL if letter.isupper() else _OTHER


def cut_to(words: str, room_px: float, size_px: float, *, bold: bool = False) -> str:
    """Return a text that fits, its end cut off where it does not; "" where not even three letters fit."""
    if width_of(words, size_px, bold=bold) <= room_px:
        return words
    while words and width_of(f"{words}…", size_px, bold=bold) > room_px:
        words = words[:-1]
    return f"{words.rstrip()}…" if len(words) >= 3 else ""


def apart(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Return where labels of one height stand so that none touches the next: each near the place that it wants.

    Parameters
    ----------
    wanted
        Places, in any order.
    gap
        The least distance between two.
    low, high
        The first and the last place there is. Where they do not all fit, they go on past the last one.

    Returns
    -------
    list of float
        In the order of `wanted`.
    """
    order = sorted(range(len(wanted)), key=lambda number: wanted[number])
    places = in_row([wanted[number] for number in order], [gap] * len(order), low - gap / 2, high + gap / 2)
    found = [0.0] * len(wanted)
    for place, number in zip(places, order, strict=True):
        found[number] = place
    return found


def in_row(wanted: Sequence[float], sizes: Sequence[float], low: float, high: float) -> list[float]:
    """Return the middles of things that stand in a row, in the order given, each as near to its wish as can be.

    Parameters
    ----------
    wanted
        Middles.
    sizes
        The room that each takes.
    low, high
        Where the row begins and ends. Where they do not all fit, they go on past the end.

    Notes
    -----
    The least squares of the ways from the wishes, by pooling neighbours that would touch (isotonic regression: Barlow,
    Bartholomew, Bremner, Brunk, Statistical inference under order restrictions, 1972, section 1.2).
    """
    before = [sum(sizes[:number]) + size / 2 for number, size in enumerate(sizes)]
    pools: list[list[float]] = []
    for wish, room in zip(wanted, before, strict=True):
        pools.append([wish - room])
        while len(pools) > 1 and fmean(pools[-2]) > fmean(pools[-1]):
            pools[-2:] = [pools[-2] + pools[-1]]
    shifts = [fmean(pool) for pool in pools for _ in pool]
    most = max(low, high - sum(sizes))
    return [min(max(shift, low), most) + room for shift, room in zip(shifts, before, strict=True)]


def day(moment: datetime) -> str:
    """Return the day of a time in its own zone: ``12 Jan``."""
    return f"{moment.day} {_MONTHS[moment.month - 1]}"


def degrees(value_c: float) -> str:
    """Return a temperature: ``-3.1 °C``; a negative zero loses its sign."""
    return f"{round(value_c, 1) + 0.0:.1f} °C"


def chance(p: float) -> str:
    """Return a probability in few letters: ``78 %``, ``<1 %``, ``>99 %``."""
    return percent(p).replace("under ", "<").replace("over ", ">")


def breakable(words: str, room_px: float, size_px: float, most: int = 3) -> list[str]:
    """Return a text in lines that fit; what does not fit into so many lines is cut off."""
    lines: list[str] = []
    for word in words.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and width_of(longer, size_px) <= room_px:
            lines[-1] = longer
        elif len(lines) < most:
            lines.append(word)
        else:
            lines[-1] = f"{longer}…"
            break
    return [cut_to(line, room_px, size_px) for line in lines]
