"""Which distinct values a column has, and the place of each row's value among them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

import numpy as np
import numpy.typing as npt

Places = npt.NDArray[np.uint32]
Rows = npt.NDArray[np.intp]

_Number = TypeVar("_Number", np.float64, np.int64)

# A table has sixteen slots for a value, so that few share one, and at most a million.
_SPARE_BITS, _WIDEST = 4, 20
# 2^64 by the golden ratio, odd: a product with it spreads what differs in a few bits (D. E. Knuth, The Art of Computer
# Programming, volume 3, section 6.4).
_SPREAD = np.uint64(0x9E3779B97F4A7C15)
_MOST = 2**62


def distinct_values(values: npt.NDArray[_Number]) -> npt.NDArray[_Number]:
    """Return the distinct numbers, ascending; none may be NaN."""
    ordered = np.sort(values)
    first = np.ones(len(ordered), dtype=np.bool_)
    np.not_equal(ordered[1:], ordered[:-1], out=first[1:])
    return ordered[first]


def places_among(distinct: npt.NDArray[_Number], values: npt.NDArray[_Number]) -> Places:
    """Return the place of each value among the distinct ones, all of which are there.

    A table answers by the slot that the bits of a value choose. Where several values share a slot, a search does.
    """
    width = min(_WIDEST, len(distinct).bit_length() + _SPARE_BITS)
    held, asked = _slots(distinct, width), _slots(values, width)
    table = np.zeros(1 << width, dtype=np.uint32)
    table[held] = np.arange(len(distinct))
    shared = np.bincount(held, minlength=1 << width) > 1
    places: Places = table[asked]
    if shared.any():
        rows = np.flatnonzero(shared[asked])
        places[rows] = np.searchsorted(distinct, values[rows])
    return places


def distinct_cases(columns: Sequence[npt.NDArray[np.float64]]) -> tuple[Rows, Places]:
    """Return one row of each distinct case of some columns, and for each row the number of its case.

    Parameters
    ----------
    columns
        Numbers of the same length; none may be NaN.
    """
    number = np.zeros(len(columns[0]), dtype=np.int64)
    count = 1
    for column in columns:
        distinct = distinct_values(column)
        if count * len(distinct) > _MOST:
            cases = distinct_values(number)
            number, count = places_among(cases, number).astype(np.int64), len(cases)
        number = number * len(distinct) + places_among(distinct, column)
        count *= max(1, len(distinct))
    cases = distinct_values(number)
    case = places_among(cases, number)
    example = np.zeros(len(cases), dtype=np.intp)
    example[case] = np.arange(len(case))
    return example, case


def _slots(values: npt.NDArray[_Number], width: int) -> Rows:
    # 0.0 and -0.0 are the same number.
    bits = np.ascontiguousarray(values + values.dtype.type(0)).view(np.uint64)
    return (((bits ^ bits >> np.uint64(32)) * _SPREAD) >> np.uint64(64 - width)).view(np.intp)
