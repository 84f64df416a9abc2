"""Unpacking within a bound. The reference is the standard library's gzip."""

from __future__ import annotations

import gzip
import zlib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.net import InflateError, gunzip, inflate
from watcher.net.inflate import MOST_MEMBERS, SLICE_BYTES, Inflater


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


def copied_by(monkeypatch: pytest.MonkeyPatch, packed: bytes) -> int:
    """Unpack, and return how many bytes the unpacker got and gave back."""
    copied = 0

    class Counting:
        """The unpacker of the standard library, counted."""

        def __init__(self, window: int) -> None:
            self._stream = zlib.decompressobj(window)

        def __getattr__(self, name: str) -> Any:
            return getattr(self._stream, name)

        def decompress(self, data: bytes, max_length: int) -> bytes:
            nonlocal copied
            part = self._stream.decompress(data, max_length)
            copied += len(data) + len(self._stream.unused_data) + len(self._stream.unconsumed_tail)
            return part

    class Counted:
        """What the module takes from zlib."""

        MAX_WBITS, error, decompressobj = zlib.MAX_WBITS, zlib.error, Counting

    with monkeypatch.context() as patch:
        patch.setattr(inflate, "zlib", Counted)
        assert gunzip(packed, 1 << 20) == gzip.decompress(packed)
    return copied


@pytest.mark.parametrize("zeros", [0, 500])
def test_what_many_members_cost_grows_with_their_number(monkeypatch: pytest.MonkeyPatch, zeros: int) -> None:
    member = gzip.compress(b"", mtime=0) + bytes(zeros)
    for count in (MOST_MEMBERS // 4, MOST_MEMBERS):
        packed = member * count
        assert copied_by(monkeypatch, packed) <= len(packed) + 2 * SLICE_BYTES * count


def test_large_members_are_copied_once(monkeypatch: pytest.MonkeyPatch) -> None:
    noise = b"".join(number.to_bytes(8, "big") for number in range(1 << 15))
    member = gzip.compress(noise, 0, mtime=0)
    assert copied_by(monkeypatch, member * 3) <= 3 * len(member) + 4 * SLICE_BYTES


def test_a_file_of_more_members_than_any_real_one_is_refused() -> None:
    member = gzip.compress(b"x", mtime=0)
    assert gunzip(member * MOST_MEMBERS, 10_000) == b"x" * MOST_MEMBERS
    inflater = Inflater(10_000)
    inflater.feed(member * (MOST_MEMBERS - 1))
    inflater.feed(member)
    with pytest.raises(InflateError, match=f"more than {MOST_MEMBERS} members") as caught:
        inflater.feed(member)
    assert caught.value.kind == "broken"


def test_a_file_packed_in_blocks_of_64_kib_is_taken_up_to_the_largest_bound() -> None:
    block = gzip.compress(bytes(64 << 10), mtime=0)
    assert len(gunzip(block * 1024 + gzip.compress(b"", mtime=0), 64 << 20)) == 64 << 20
