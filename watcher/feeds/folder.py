"""A feed that is a folder: another program puts files of reports there, each is read once.

Any file is taken for what its content is: the bulk caches as CSV or XML, IWXXM documents, or text with reports and
bulletins; each also packed with gzip. Nothing in the folder is moved, changed or deleted.
"""

from __future__ import annotations

import asyncio
import hashlib
import stat
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from watcher.errors import FeedError
from watcher.feeds.cache_csv import parse_metar_csv
from watcher.feeds.cache_xml import parse_cache_xml
from watcher.feeds.iwxxm import read_iwxxm
from watcher.feeds.model import Fetched, Outcome, RawReport, What
from watcher.feeds.rows import Rows, shown
from watcher.feeds.texts import reports_of_text
from watcher.net import GZIP_MAGIC, InflateError, gunzip

LIMIT_BYTES = 32 << 20
# A file that was not touched for so long is no longer being written.
SETTLED_AFTER = timedelta(seconds=10)
# Report texts carry no month: an older file would be dated to this month.
OLDEST = timedelta(hours=24)

_UNFINISHED = (".part", ".tmp")
_FIRST, _LAST = datetime.min.replace(tzinfo=UTC), datetime.max.replace(tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class _Look:
    """How a file looked. The same look twice means that nobody wrote to it, replaced it or opened it to us."""

    size_bytes: int
    changed_ns: int
    status_changed_ns: int

    @property
    def changed_at(self) -> datetime:
        """When it was last changed; some file systems keep years that no date has, which count as the last or first."""
        try:
            return datetime.fromtimestamp(self.changed_ns / 1e9, UTC)
        except (ValueError, OverflowError, OSError):
            return _LAST if self.changed_ns > 0 else _FIRST


@dataclass(frozen=True, slots=True)
class _Scan:
    """What one walk through the folder found."""

    reports: tuple[RawReport, ...]
    problems: tuple[str, ...]
    left_out: tuple[str, ...]
    size_bytes: int
    read_count: int
    file_count: int
    newest_at: datetime | None


Reader = Callable[[bytes, datetime], Rows]


def read_any(body: bytes, now: datetime) -> Rows:
    """Return the reports of a file, whatever of the known forms it has; FeedError when it has none of them."""
    beginning = body[:4096].lstrip(b"\xef\xbb\xbf \r\n\t")
    if beginning.startswith(b"<"):
        if b"<response" not in beginning:
            return read_iwxxm(body, now)
        return parse_cache_xml(body)
    if any(line.startswith(b"raw_text,") for line in beginning.splitlines()):
        return parse_metar_csv(body)
    reports = reports_of_text(body.decode("utf-8", "replace"))
    return Rows(reports, len(reports))


class FolderFeed:
    """A watched folder.

    A file is read when two looks in a row found it the same, or when it was last changed more than 10 seconds ago; and
    again when its content changed. Names that begin with a dot or end in .part or .tmp are left alone, and so is what
    is older than 24 hours. What cannot be read is told once; a file that is of no known form rests until it changes,
    and whatever else went wrong may pass, so that it is tried again at each walk. No file costs another.

    Parameters
    ----------
    name
        As in the settings.
    folder
        Where the files are. Folders in it are not entered.
    limit_bytes
        The most bytes of a file, unpacked.
    read
        What the files are: takes an unpacked body and the present; FeedError when it is something else.
    """

    brings: tuple[What, ...] = ("metar", "taf")
    over_network = False

    def __init__(self, name: str, folder: Path, *, limit_bytes: int = LIMIT_BYTES, read: Reader = read_any) -> None:
        self.name = name
        self._folder = folder
        self._limit_bytes = limit_bytes
        self._read_file = read
        self._looks: dict[str, _Look] = {}
        self._read: dict[str, tuple[_Look, bytes]] = {}
        self._hindered: dict[str, _Look] = {}
        self._waiting: dict[What, list[RawReport]] = {"metar": [], "taf": []}
        self._one_walk = asyncio.Lock()

    async def fetch(self, what: What, *, now: datetime, everything: bool = False) -> Fetched:
        """Walk through the folder; parameters and errors are those of `Feed.fetch`.

        A file may hold both METARs and TAFs: those that were not asked for wait for their own question.
        """
        async with self._one_walk:
            if everything:
                self._read.clear()
                self._waiting[what].clear()
            scan = await asyncio.to_thread(self._walk, now)
            for report in scan.reports:
                self._waiting["taf" if _is_taf(report) else "metar"].append(report)
            reports = tuple(dict.fromkeys(self._waiting[what]))
            self._waiting[what].clear()
        outcome = Outcome.CHANGED if reports else Outcome.UNCHANGED if scan.file_count else Outcome.EMPTY
        tried = scan.read_count + len(scan.problems)
        return Fetched(
            self.name,
            what,
            outcome,
            now,
            reports,
            scan.size_bytes,
            scan.newest_at,
            scan.read_count / tried if tried else None,
            "; ".join((f"{scan.read_count} of {scan.file_count} files were new", *scan.left_out)),
            scan.problems + scan.left_out,
        )

    def _walk(self, now: datetime) -> _Scan:
        found = {path.name: (path, look) for path, look in self._files() if now - look.changed_at <= OLDEST}
        before, self._looks = self._looks, {name: look for name, (_, look) in found.items()}
        self._read = {name: read for name, read in self._read.items() if name in found}
        self._hindered = {name: look for name, look in self._hindered.items() if name in found}
        reports: list[RawReport] = []
        problems: list[str] = []
        left_out: list[str] = []
        size_bytes = read_count = 0
        for name, (path, look) in sorted(found.items()):
            settled = before.get(name) == look or now - look.changed_at > SETTLED_AFTER
            if not settled or (name in self._read and self._read[name][0] == look):
                continue
            try:
                body = self._body(path)
                digest = hashlib.blake2b(body, digest_size=16).digest()
                if name not in self._read or self._read[name][1] != digest:
                    rows = self._read_file(_unpacked(body, self._limit_bytes), now)
                    reports += rows.reports
                    left_out += [f"{shown(name)}: {told}" for told in rows.left_out]
                    read_count += 1
                size_bytes += len(body)
                self._read[name] = (look, digest)
            except FeedError as error:
                self._read[name] = (look, b"")
                problems.append(f"{shown(name)} could not be read: {error}")
            except Exception as error:  # noqa: BLE001 - told, and tried again
                if self._hindered.get(name) != look:
                    told = str(error) if isinstance(error, OSError) else shown(repr(error))
                    problems.append(f"{shown(name)} could not be read: {told}")
                self._hindered[name] = look
            else:
                self._hindered.pop(name, None)
        newest_at = max((min(look.changed_at, now) for _, look in found.values()), default=None)
        return _Scan(tuple(reports), tuple(problems), tuple(left_out), size_bytes, read_count, len(found), newest_at)

    def _files(self) -> Iterator[tuple[Path, _Look]]:
        try:
            paths = list(self._folder.iterdir())
        except OSError as error:
            raise FeedError(f"feed {self.name}: the folder {self._folder} cannot be read: {error.strerror}") from error
        for path in paths:
            if path.name.startswith(".") or path.name.lower().endswith(_UNFINISHED):
                continue
            try:
                status = path.stat()
            except OSError:
                continue  # it has just gone
            if stat.S_ISREG(status.st_mode):
                yield path, _Look(status.st_size, status.st_mtime_ns, status.st_ctime_ns)

    def _body(self, path: Path) -> bytes:
        with path.open("rb") as file:
            body = file.read(self._limit_bytes + 1)
        if len(body) > self._limit_bytes:
            raise FeedError(f"it is larger than {self._limit_bytes} bytes")
        return body


def _unpacked(body: bytes, limit_bytes: int) -> bytes:
    if not body.startswith(GZIP_MAGIC):
        return body
    try:
        return gunzip(body, limit_bytes)
    except InflateError as error:
        raise FeedError(str(error)) from error


def _is_taf(report: RawReport) -> bool:
    return report.kind == "TAF" or report.text.startswith("TAF ")
