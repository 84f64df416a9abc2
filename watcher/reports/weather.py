"""Present weather by the grammar of code table 4678, also where it is sent against that grammar.

Source: WMO-No. 306, Manual on Codes, code table 4678 (w'w'): intensity or proximity, one descriptor, up to three
phenomena.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

DESCRIPTORS = ("MI", "PR", "BC", "DR", "BL", "SH", "TS", "FZ")
PRECIPITATION = ("DZ", "RA", "SN", "SG", "IC", "PL", "GR", "GS", "UP")
OBSCURATION = ("BR", "FG", "FU", "VA", "DU", "SA", "HZ")
OTHER = ("PO", "SQ", "FC", "SS", "DS")

FROZEN = frozenset({"SN", "SG", "IC", "PL", "GR", "GS"})
LIQUID = frozenset({"RA", "DZ"})
_FREEZE_MARKS = ("FZ", "SN", "PL", "GS", "GR", "IC", "SG", "UP")
# Rain and drizzle, wherever they stand.
_WET_MARKS = ("RA", "DZ")
# What older forms call ice pellets (PE, IP) and freezing rain (ZR), by itself: common practice, no source.
_OLD_FORMS = re.compile(r"[+-]?(?:PE|IP|ZR)[+-]?")

CODES = frozenset((*DESCRIPTORS, *PRECIPITATION, *OBSCURATION, *OTHER))
_ALONE = frozenset({"TS", "SH"})
_BLOWN = frozenset({"BL", "DR"})
_SHAPE = re.compile(r"(?P<sign>[+-]|VC)?(?P<codes>(?:[A-Z]{2}){1,5})")
_REGULAR = re.compile(
    rf"(?:[+-]|VC)?(?:{'|'.join(DESCRIPTORS)})?(?:{'|'.join((*PRECIPITATION, *OBSCURATION, *OTHER))}){{0,3}}"
)


@dataclass(frozen=True, slots=True)
class WeatherGroup:
    """One group. `sign`: "-", "+" or ""; `vicinity`: VC; `regular`: sent as the table allows."""

    text: str
    sign: str
    vicinity: bool
    descriptors: frozenset[str]
    phenomena: tuple[str, ...]
    regular: bool

    @property
    def freezes(self) -> bool:
        """Whether it is freezing or frozen in any way, blowing and drifting snow included, the vicinity not."""
        if self.vicinity:
            return False
        return "FZ" in self.descriptors or not FROZEN.isdisjoint(self.phenomena) or "UP" in self.phenomena

    @property
    def falls(self) -> bool:
        """Whether it is precipitation at the station: not in the vicinity, not blown or drifting."""
        if self.vicinity or not self.descriptors.isdisjoint(_BLOWN):
            return False
        return any(code in PRECIPITATION for code in self.phenomena)

    @property
    def is_freezing_precipitation(self) -> bool:
        """Freezing rain, drizzle or unknown precipitation."""
        return self.falls and "FZ" in self.descriptors and not {"RA", "DZ", "UP"}.isdisjoint(self.phenomena)

    @property
    def is_frozen_precipitation(self) -> bool:
        """Snow, pellets, hail, grains or crystals that fall."""
        return self.falls and not FROZEN.isdisjoint(self.phenomena)

    @property
    def is_liquid_precipitation(self) -> bool:
        """Rain or drizzle that falls, alone or in a mixture, and is not reported as freezing."""
        return self.falls and "FZ" not in self.descriptors and not LIQUID.isdisjoint(self.phenomena)


@lru_cache(maxsize=4096)
def parse_weather(token: str) -> WeatherGroup | None:
    """Return the weather group of a token, None when it is none.

    Codes in an order that the table does not know (freezing after another phenomenon, two descriptors) are taken, with
    `regular` false: what freezes must not vanish because it was sent against the grammar. What falls and what is blown
    are two groups, also where no blank is between them (``+SNBLSN``): that is none.
    """
    match = _SHAPE.fullmatch(token)
    if match is None:
        return None
    codes = _codes_of(match["codes"])
    if not CODES.issuperset(codes):
        return None
    if _first_of_blown(codes):
        return None
    descriptors = frozenset(code for code in codes if code in DESCRIPTORS)
    phenomena = tuple(code for code in codes if code not in descriptors)
    if not phenomena and descriptors.isdisjoint(_ALONE):
        return None
    sign = match["sign"] or ""
    return WeatherGroup(
        text=token,
        sign="" if sign == "VC" else sign,
        vicinity=sign == "VC",
        descriptors=descriptors,
        phenomena=phenomena,
        regular=_REGULAR.fullmatch(token) is not None,
    )


def _codes_of(pairs: str) -> list[str]:
    """Return the codes of two letters each that a group is written of."""
    return [pairs[index : index + 2] for index in range(0, len(pairs), 2)]


def _first_of_blown(codes: Sequence[str]) -> int:
    """Return the place of BL or DR after something that falls; 0 where there is none."""
    for place, code in enumerate(codes):
        if code in _BLOWN:
            return place if any(each in PRECIPITATION for each in codes[:place]) else 0
    return 0


def split_joined(token: str) -> tuple[WeatherGroup, ...]:
    """Return the groups of a token that is several (``-SN-RA``, ``-FZRA/SN``, ``+SNBLSN``) or has its sign at the end.

    A minus at the end is passed over, for it may also be the rest of something else: the stronger reading stands.
    Empty if it is no such token.
    """
    texts: list[str] = []
    for part in re.split(r"/|(?=[+-])", token):
        if part == "+":
            if not texts or texts[-1].startswith(("+", "-", "VC")):
                return ()
            texts[-1] = f"+{texts[-1]}"
        elif part not in {"", "-"}:
            texts.extend(_blown_apart(part))
    groups = [parse_weather(text) for text in texts]
    return tuple(group for group in groups if group is not None) if all(groups) else ()


def _blown_apart(part: str) -> tuple[str, ...]:
    """Return what falls and what is blown, where a text has both: +SN and BLSN of ``+SNBLSN``."""
    match = _SHAPE.fullmatch(part)
    if match is None:
        return (part,)
    pairs = match["codes"]
    place = 2 * _first_of_blown(_codes_of(pairs))
    return ((match["sign"] or "") + pairs[:place], pairs[place:]) if place else (part,)


def may_freeze(token: str) -> bool:
    """Return whether a token that could not be read may have meant something freezing or frozen."""
    return any(mark in token for mark in _FREEZE_MARKS)


def may_be_wet(token: str) -> bool:
    """Return whether a token that could not be read may have meant rain or drizzle, or something frozen of old."""
    return any(mark in token for mark in _WET_MARKS) or _OLD_FORMS.fullmatch(token) is not None


@lru_cache(maxsize=4096)
def matches(group_text: str, wanted: str) -> bool:
    """Return whether a reported group is what a rule asks for.

    A code without sign matches any intensity and every group that contains it (SN: -SN, SHSN, RASN). A written sign
    must match. The vicinity, and blown or drifting snow, match only where they are asked for by name.

    Raises
    ------
    ValueError
        `wanted` is no weather group.
    """
    asked = parse_weather(wanted)
    if asked is None:
        raise ValueError(f'"{wanted}" is no weather group of code table 4678')
    group = parse_weather(group_text)
    if group is None:
        return False
    return (
        group.vicinity == asked.vicinity
        and (not asked.sign or group.sign == asked.sign)
        and asked.descriptors <= group.descriptors
        and set(asked.phenomena) <= set(group.phenomena)
        and (group.descriptors & _BLOWN) == (asked.descriptors & _BLOWN)
    )
