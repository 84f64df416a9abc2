"""Unpacking within a bound. The reference is the standard library's gzip."""

from __future__ import annotations

import gzip

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.net import InflateError, gunzip
from watcher.net.inflate import Inflater


@given(st.lists(st.binary(max_size=300), min_size=1, max_size=4), st.integers(1, 50))
def test_files_of_several_members_unpack_as_the_standard_library_does(members: list[bytes], step: int) -> None:
    packed = b"".join(gzip.compress(member) for member in members) + b"\0" * 7
    inflater = Inflater(10_000)
    unpacked = b"".join(inflater.feed(packed[i : i + step]) for i in range(0, len(packed), step))
    inflater.finish()
    assert unpacked == gzip.decompress(packed) == b"".join(members)


@given(st.binary(min_size=1, max_size=500), st.data())
def test_a_file_cut_anywhere_is_told_to_end_early(content: bytes, data: st.DataObject) -> None:
    packed = gzip.compress(content)
    cut = data.draw(st.integers(1, len(packed) - 1))
    with pytest.raises(InflateError) as caught:
        gunzip(packed[:cut], 10_000)
    assert caught.value.kind == "ends-early"


def test_a_small_file_that_unpacks_to_a_giant_stops_at_the_bound() -> None:
    bomb = gzip.compress(bytes(50 << 20))
    assert len(bomb) < 60_000
    with pytest.raises(InflateError, match="unpacks to more than 1000000 bytes") as caught:
        gunzip(bomb, 1_000_000)
    assert caught.value.kind == "too-large"


def test_a_file_of_exactly_the_bound_is_taken() -> None:
    assert len(gunzip(gzip.compress(bytes(1000)), 1000)) == 1000


@given(st.binary(min_size=1, max_size=200))
def test_damage_is_an_error_of_our_own(noise: bytes) -> None:
    packed = bytearray(gzip.compress(b"XNOR 120550Z" * 40))
    packed[10 : 10 + len(noise)] = noise
    try:
        kind = "none" if len(gunzip(bytes(packed), 10_000)) <= 10_000 else "over the bound"
    except InflateError as error:
        kind = error.kind
    assert kind in {"none", "broken", "ends-early", "too-large"}
