"""Unpacking gzip within a bound, telling a body that ends early from one that is no gzip."""

from __future__ import annotations

import zlib

GZIP_MAGIC = b"\x1f\x8b"

_GZIP_WINDOW = 16 + zlib.MAX_WBITS


class InflateError(Exception):
    """The data cannot be unpacked. `kind`: "too-large", "ends-early" or "broken"."""

    def __init__(self, kind: str, message: str) -> None:
        super().__init__(message)
        self.kind = kind


class Inflater:
    """Unpacks a gzip stream part by part and never holds more than the bound.

    Parameters
    ----------
    limit_bytes
        The most bytes that the unpacked data may have.
    """

    def __init__(self, limit_bytes: int) -> None:
        self._left = limit_bytes
        self._limit = limit_bytes
        self._stream = zlib.decompressobj(_GZIP_WINDOW)
        self._begun = False

    def feed(self, data: bytes) -> bytes:
        """Return what one more part of the packed data gives.

        Raises
        ------
        InflateError
            The data is no gzip, or unpacks to more than the bound.
        """
        parts: list[bytes] = []
        while data:
            if self._stream.eof:
                # A gzip file may hold several members (RFC 1952, 2.2); some writers pad the last one with zeros.
                data = data.lstrip(b"\0")
                if not data:
                    break
                self._stream = zlib.decompressobj(_GZIP_WINDOW)
            self._begun = True
            try:
                part = self._stream.decompress(data, self._left + 1)
            except zlib.error as error:
                raise InflateError("broken", f"the gzip data is damaged ({error})") from error
            if len(part) > self._left:
                raise InflateError("too-large", f"unpacks to more than {self._limit} bytes")
            self._left -= len(part)
            parts.append(part)
            data = self._stream.unused_data if self._stream.eof else self._stream.unconsumed_tail
        return b"".join(parts)

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
        The data is no gzip, ends early, or unpacks to more than the bound.
    """
    inflater = Inflater(limit_bytes)
    unpacked = inflater.feed(data)
    inflater.finish()
    return unpacked
