"""The column types that both databases need: times that sort, and text from anywhere."""

from __future__ import annotations

from datetime import UTC, datetime

from sqlalchemy import DateTime, Dialect, String, Text
from sqlalchemy.types import TypeDecorator, TypeEngine

# Both are printed as blanks by the decoder, so nothing that a report says is lost by it.
_REPLACEMENT = "�"


class UtcTime(TypeDecorator[datetime]):
    """An aware UTC time.

    SQLite keeps it as text of one width, ``2026-01-12T05:50:00.000000Z``, so that the order of the texts is the order
    of the times; PostgreSQL as `timestamptz`. A time without zone is refused.
    """

    impl = String(27)
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[datetime] | TypeEngine[str]:
        """Return the type that the database has for it."""
        if dialect.name == "postgresql":
            return dialect.type_descriptor(DateTime(timezone=True))
        return dialect.type_descriptor(String(27))

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | str | None:
        """Return the form that is stored."""
        if value is None:
            return None
        if value.tzinfo is not UTC:
            if value.tzinfo is None:
                message = f"{value} has no time zone"
                raise ValueError(message)
            value = value.astimezone(UTC)
        if dialect.name == "postgresql":
            return value
        return value.isoformat(timespec="microseconds")[:26] + "Z"

    def process_result_value(self, value: datetime | str | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002
        """Return the time."""
        if value is None:
            return None
        return datetime.fromisoformat(value) if isinstance(value, str) else value.astimezone(UTC)


class ReceivedText(TypeDecorator[str]):
    """Text as received. What no database takes (NUL, halves of surrogate pairs) becomes the replacement character."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: Dialect) -> str | None:  # noqa: ARG002
        """Return the text that is stored."""
        if value is None or (value.isascii() and "\0" not in value):
            return value
        whole = "".join(_REPLACEMENT if "\ud800" <= letter <= "\udfff" else letter for letter in value)
        return whole.replace("\0", _REPLACEMENT)
