"""What a database says against a request, in plain words."""

from __future__ import annotations

from watcher.errors import StoreConflict, StoreError

_PLAIN_WORDS = (
    ("locked", "another program is writing to the database and did not finish in time"),
    ("full", "no room is left on the disk for the database"),
    ("readonly", "the database may not be written to by this user"),
    ("unable to open", "the database cannot be opened; does its folder exist, and may this user write there?"),
    ("not a database", "this file is no database"),
    ("malformed", "the database is damaged; restore it from a copy"),
    ("disk I/O", "the disk failed while the database was in use"),
)


# PostgreSQL's codes of errors: PostgreSQL documentation, appendix A.
_CODES = {
    "55P03": "another program is writing to the database and did not finish in time",
    "25P03": "the database server ended a transaction in which nothing happened for too long",
    "53100": "no room is left on the disk for the database",
    "53300": "the database server has no connection left to give",
    "42501": "the database may not be written to by this user",
    "25006": "the database may only be read",
    "57P01": "the database server is being stopped",
    "57P03": "the database server is starting or stopping",
}
_AT_THE_SAME_TIME = frozenset({"40001", "40P01"})


def in_plain_words(name: str, error: BaseException) -> StoreError:
    """Return what to raise for an error of the driver's; StoreConflict where to begin again is all that helps.

    Parameters
    ----------
    name
        The database, as it may be shown.
    error
        What SQLite or PostgreSQL raised.
    """
    code, message = getattr(error, "sqlstate", None), str(error).strip()
    if code in _AT_THE_SAME_TIME:
        return StoreConflict(f"{name}: another program wrote the same at the same time ({message})")
    if code in _CODES:
        return StoreError(f"{name}: {_CODES[code]} ({message})")
    return StoreError(f"{name}: {_in_words(message)}")


def _in_words(message: str) -> str:
    for sign, words in _PLAIN_WORDS:
        if sign in message:
            return f"{words} ({message})"
    return f"the database failed ({message})"
