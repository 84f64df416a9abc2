"""The bytes of a file, unpacked part by part: damaged gzip is read up to the damage, and on from the next member."""

from __future__ import annotations

import codecs
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

_READ_BYTES = 1 << 20
_WINDOW = 16 + zlib.MAX_WBITS
# RFC 1952, 2.3: the magic, then the only method there is, deflate; the upper flags are reserved and zero. Not taken
# from watcher.net, which would load its HTTP library into every process that decodes.
_MAGIC = b"\x1f\x8b"
_MEMBER = _MAGIC + b"\x08"
_RESERVED_FLAGS = 0xE0
_UTF16 = {codecs.BOM_UTF16_LE: "utf-16-le", codecs.BOM_UTF16_BE: "utf-16-be"}
_HEAD_BYTES = 4096
_STEP_BYTES = 16


@dataclass(frozen=True, slots=True)
class Damage:
    """A place after which bytes are missing. What stands before it may be cut inside a line."""

    what: str


Part = bytes | Damage


@dataclass(slots=True)
class Meter:
    """How many bytes of a file have been read, as it lies there."""

    bytes_read: int = 0


def unpacked(path: Path, meter: Meter) -> Iterator[Part]:
    """Yield the bytes of a file, unpacked if it is gzip, as UTF-8 if it is UTF-16, with a Damage where some are lost.

    Parameters
    ----------
    path
        The file.
    meter
        Is moved on with each part that is read.

    Raises
    ------
    OSError
        The file cannot be read.
    """
    with path.open("rb") as file:
        head = file.read(_HEAD_BYTES)
        parts = _metered(chain([head], iter(lambda: file.read(_READ_BYTES), b"")), meter)
        yield from _as_utf8(_gunzipped(parts) if head.startswith(_MAGIC) else parts)


def _metered(parts: Iterable[bytes], meter: Meter) -> Iterator[bytes]:
    for part in parts:
        meter.bytes_read += len(part)
        yield part


def _gunzipped(parts: Iterator[bytes]) -> Iterator[Part]:
    """Unpack members (RFC 1952, 2.2: a file may hold several), each part bounded, so that no bomb fills the memory."""
    stream = zlib.decompressobj(_WINDOW)
    begun = searching = False
    offset = 0
    held = b""
    for part in parts:
        data = held + part
        offset += len(part)
        held = b""
        while data:
            if searching:
                data, held = _next_member(data)
                if not data:
                    break
                searching, stream, begun = False, zlib.decompressobj(_WINDOW), False
            if stream.eof:
                data = data.lstrip(b"\0")  # some writers pad the last member with zeros
                if not data:
                    break
                stream, begun = zlib.decompressobj(_WINDOW), False
            before = stream.copy()
            try:
                unpacked_part = stream.decompress(data, _READ_BYTES)
            except zlib.error as error:
                saved, rest = _up_to_the_damage(before, data)
                yield saved
                yield Damage(f"the gzip data is damaged, noticed at byte {offset - len(rest)} ({error})")
                # The damaged member's own beginning must not be found again.
                data, searching = rest if begun or len(rest) < len(data) else data[len(_MEMBER) :], True
                continue
            begun = True
            if unpacked_part:
                yield unpacked_part
            data = stream.unused_data if stream.eof else stream.unconsumed_tail
    if not searching and begun and not stream.eof:
        yield Damage(f"the gzip data ends early, after byte {offset}")


def _up_to_the_damage(stream: zlib._Decompress, data: bytes) -> tuple[bytes, bytes]:
    """Return what still unpacks, a little at a time, and the packed rest. A step that fails is lost whole."""
    saved: list[bytes] = []
    for at in range(0, len(data), _STEP_BYTES):
        try:
            saved.append(stream.decompress(data[at : at + _STEP_BYTES]))
        except zlib.error:
            return b"".join(saved), data[at:]
    return b"".join(saved), b""


def _next_member(data: bytes) -> tuple[bytes, bytes]:
    """Return what begins with the next member, and what must be held because a beginning may be cut at its end."""
    at = data.find(_MEMBER)
    while at >= 0 and at + len(_MEMBER) < len(data) and data[at + len(_MEMBER)] & _RESERVED_FLAGS:
        at = data.find(_MEMBER, at + 1)
    if at >= 0:
        return (data[at:], b"") if at + len(_MEMBER) < len(data) else (b"", data[at:])
    return b"", data[-len(_MEMBER) + 1 :]


def _as_utf8(parts: Iterator[Part]) -> Iterator[Part]:
    """Turn UTF-16 into UTF-8, by its mark or by the zeros that stand in every other byte; drop the mark of UTF-8."""
    reader: codecs.IncrementalDecoder | None = None
    first = True
    for part in parts:
        if isinstance(part, Damage):
            yield part
            continue
        data = part
        if first:
            first = False
            name = _UTF16.get(data[:2]) or _unmarked_utf16(data[:_HEAD_BYTES])
            data = data[2:] if data[:2] in _UTF16 else data.removeprefix(codecs.BOM_UTF8)
            reader = codecs.getincrementaldecoder(name)("replace") if name is not None else None
        yield data if reader is None else reader.decode(data).encode("utf-8", "replace")
    if reader is not None:
        yield reader.decode(b"", final=True).encode("utf-8", "replace")


def _unmarked_utf16(head: bytes) -> str | None:
    half = len(head) // 2
    if half < 4:
        return None
    if head[1::2].count(0) > 0.8 * half and head[0::2].count(0) < 0.1 * half:
        return "utf-16-le"
    if head[0::2].count(0) > 0.8 * half and head[1::2].count(0) < 0.1 * half:
        return "utf-16-be"
    return None
