"""The one tree of errors, and the `Problem` that every message about wrong input is made of.

HoarlineError
├── InputError            something a person wrote is wrong: carries every Problem found
│   ├── SettingsError     hoarline.toml, environment, secret files
│   ├── RulesError        the rules folder
│   └── UsageError        words on the command line, or a station that is not known
├── FeedError             a feed answered wrongly or not at all
│   ├── FeedBusy          the feed asked for fewer requests; carries the time to wait
│   └── WrongForm         a whole answer that is not reports; another form of it may be
├── NotIwxxm              a document is not XML with reports, or must not be read
├── GuardError            an address that outgoing traffic may not reach
├── NetError              an HTTP exchange failed: no connection, too slow, broken off, too large
├── PictureError          a picture could not be turned into pixels
├── DeliveryError         a message could not be handed over; says whether trying again helps
├── PartitionError        a part of a replay gave no answer; says which
├── DiskFull              the disk of a replay's work folder is full
└── StoreError            the database
    ├── StoreConflict     somebody else changed the same station; load and judge again
    ├── NotLeader         another process judges by now; stand by
    └── SchemaError       the database has another schema than this program
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Literal, TypeVar

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong in something a person wrote.

    Parameters
    ----------
    where
        File and place inside it, such as ``rules/icing.toml: rule "cold-and-moist"``.
    what
        What is wrong, in one clause.
    remedy
        What is allowed or what to do next. Empty when `what` says it.
    """

    where: str
    what: str
    remedy: str = ""

    def __str__(self) -> str:
        tail = f"; {self.remedy}" if self.remedy else ""
        return f"{self.where}: {self.what}{tail}"


def nearest(word: str, allowed: Iterable[str]) -> str:
    """Return "did you mean X?" for the closest allowed word, else the list of allowed words."""
    words = sorted(set(allowed))
    matches = get_close_matches(word.casefold(), words, n=1, cutoff=0.6)
    return f"did you mean {matches[0]}?" if matches else "allowed: " + ", ".join(words)


class HoarlineError(Exception):
    """Whatever this program raises on purpose."""


def cannot_listen(section: str, bind: str, error: OSError) -> HoarlineError:
    """Return the error of an address in the settings at which this process cannot listen."""
    # A name that has no address has a number of its own, below 0.
    why = os.strerror(error.errno).lower() if error.errno is not None and error.errno > 0 else str(error)
    return HoarlineError(f"[{section}] bind = {bind}: this process cannot listen there ({why})")


class InputError(HoarlineError):
    """Something a person wrote is wrong. `problems` holds all that was found, not only the first."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class SettingsError(InputError):
    """The settings cannot be used as written."""


class RulesError(InputError):
    """The rules cannot be used as written."""


class UsageError(InputError):
    """A command was called with words it cannot use."""


class Gathered:
    """Reads one thing after another that a person wrote, and keeps all that is wrong until the end."""

    def __init__(self) -> None:
        self.problems: list[Problem] = []

    def take(self, read: Callable[[], T]) -> T | None:
        """Return what is read; None where that raises an InputError, whose problems are kept."""
        try:
            return read()
        except InputError as error:
            self.problems += error.problems
            return None

    def check(self) -> None:
        """Raise a UsageError with everything that was wrong, if anything was."""
        if self.problems:
            raise UsageError(self.problems)


class FeedError(HoarlineError):
    """A feed answered wrongly or not at all."""


class FeedBusy(FeedError):
    """The feed asked for fewer requests.

    `retry_after_s` is what it asked for in seconds, None when it named no time.
    """

    def __init__(self, message: str, retry_after_s: float | None) -> None:
        super().__init__(message)
        self.retry_after_s = retry_after_s


class WrongForm(FeedError):
    """A feed gave a whole answer that is not reports: a web page, or a refusal of the form that was asked for."""


class NotIwxxm(HoarlineError):
    """A document is not XML with weather reports, or holds what could harm the reader; it says which."""


class GuardError(HoarlineError):
    """An outgoing connection to an address that is not allowed."""


NetErrorKind = Literal["no-name", "no-connection", "tls", "timeout", "broken", "too-large"]


class NetError(HoarlineError):
    """An HTTP exchange failed before a whole answer was there.

    `kind`: the name has no address; nobody accepted the connection; the certificate or handshake failed; too slow;
    the exchange broke off or was no HTTP; the answer is larger than the bound.
    """

    def __init__(self, message: str, kind: NetErrorKind) -> None:
        super().__init__(message)
        self.kind: NetErrorKind = kind


class PictureError(HoarlineError):
    """A drawing could not be turned into pixels."""


class DeliveryError(HoarlineError):
    """A message could not be handed over.

    `permanent`: trying again cannot help. `gone`: the receiver wants no more (HTTP 410).
    `retry_after_s`: the receiver named a time to wait, in seconds.
    """

    def __init__(
        self,
        message: str,
        *,
        permanent: bool = False,
        gone: bool = False,
        retry_after_s: float | None = None,
    ) -> None:
        super().__init__(message)
        self.permanent = permanent or gone
        self.gone = gone
        self.retry_after_s = retry_after_s


class PartitionError(HoarlineError):
    """A part of a replay gave no answer. The message names it."""


class DiskFull(HoarlineError):
    """The disk of a replay's work folder is full. Only what is written into that folder says so."""


class StoreError(HoarlineError):
    """The database refused or failed."""


class StoreConflict(StoreError):
    """Somebody else changed the same station since it was loaded."""


class NotLeader(StoreError):
    """Another process has been elected to judge; what this one made was not written."""


class SchemaError(StoreError):
    """The database has another schema than this program."""
