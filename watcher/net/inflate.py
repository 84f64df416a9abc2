"""Unpacking gzip within a bound, telling a body that ends early from one that is no gzip."""

from __future__ import annotations

import zlib

GZIP_MAGIC = b"\x1f\x8b"

# A file may be made of others: bulletins put behind one another, several hundred of them, and some packers begin a
# member each 64 KiB, which makes 1,025 of the largest file that is read here (64 MiB). Members cost time of their own,
# however small they are; this many cost some hundredths of a second.
MOST_MEMBERS = 4096
# What stands behind the end of a member is copied, so the packed data goes in by slices of this size.
SLICE_BYTES = 16 << 10

_GZIP_WINDOW = 16 + zlib.MAX_WBITS


class InflateError(Exception):
    """The data cannot be unpacked. `kind`: "too-large", "ends-early" or "broken"."""

    def __init__(self, kind: str, message: str) -> None:
        super().__init__(message)
        self.kind = kind


class Inflater:
    """Unpacks a gzip stream part by part and never holds more than the bound. Its time grows with the packed data.

    Parameters
    ----------
    limit_bytes
        The most bytes that the unpacked data may have.
    """

    def __init__(self, limit_bytes: int) -> None:
        self._left = limit_bytes
        self._limit = limit_bytes
        self._stream = zlib.decompressobj(_GZIP_WINDOW)
        self._members = 1
        self._begun = False

    def feed(self, data: bytes) -> bytes:
        """Return what one more part of the packed data gives.

        Raises
        ------
        InflateError
            The data is no gzip, unpacks to more than the bound, or has more members than any real file.
        """
        parts: list[bytes] = []
        for begin in range(0, len(data), SLICE_BYTES):
            piece = data[begin : begin + SLICE_BYTES]
            while piece:
                if self._stream.eof:
                    # A gzip file may hold several members (RFC 1952, 2.2); some writers pad the last one with zeros.
                    piece = piece.lstrip(b"\0")
                    if not piece:
                        break
                    self._next_member()
                part, piece = self._step(piece)
                parts.append(part)
        return b"".join(parts)

    def _next_member(self) -> None:
        if self._members == MOST_MEMBERS:
            raise InflateError("broken", f"the gzip data has more than {MOST_MEMBERS} members")
        self._members += 1
        self._stream = zlib.decompressobj(_GZIP_WINDOW)

    def _step(self, piece: bytes) -> tuple[bytes, bytes]:
        """Return what a slice gives, up to the end of the member, and what of the slice is left."""
        self._begun = True
        try:
            part = self._stream.decompress(piece, self._left + 1)
        except zlib.error as error:
            raise InflateError("broken", f"the gzip data is damaged ({error})") from error
        if len(part) > self._left:
            raise InflateError("too-large", f"unpacks to more than {self._limit} bytes")
        self._left -= len(part)
        return part, self._stream.unused_data if self._stream.eof else self._stream.unconsumed_tail

    def finish(self) -> None:
        """Make sure that the packed data was whole.

        Raises
        ------
        InflateError
            It ended before its own end mark.
        """
        if self._begun and not self._stream.eof:
            raise InflateError("ends-early", "the gzip data ends early")


def gunzip(data: bytes, limit_bytes: int) -> bytes:
    """Return gzip data unpacked, at most `limit_bytes` of it.

    Raises
    ------
    InflateError
        The data is no gzip, ends early, unpacks to more than the bound, or has more members than any real file.
    """
    inflater = Inflater(limit_bytes)
    unpacked = inflater.feed(data)
    inflater.finish()
    return unpacked
