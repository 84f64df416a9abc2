"""What a station API answers: report texts, a JSON list of entries with a report text in each, or IWXXM.

Only the raw text is taken. The decoded fields lose signs, intensities and remarks (`01/M00` becomes 0, `-UP` becomes
UP), and a rule about ice needs just those.
"""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from watcher.errors import FeedError, WrongForm
from watcher.feeds.iwxxm import read_iwxxm
from watcher.feeds.model import RawReport, What
from watcher.feeds.rows import KINDS, LEAST_YIELD, shown
from watcher.reports.dating import WrongTime, nearest_date, report_date
from watcher.reports.identity import normalise
from watcher.reports.split import split_reports
from watcher.reports.weather import parse_weather

_WORDS = r"(?:(?:METAR|SPECI|TAF|COR|AMD|RTD) )"
_CODE = r"[A-Z][A-Z0-9]{3}"
# After the station stands a group with a digit, or one of the few words that may stand there. Prose has neither.
_REPORT = re.compile(rf"{_WORDS}*(?P<station>{_CODE}) (?:(?P<time>\d{{6}})Z?\b|(?=\S*\d|(?:NIL|AUTO|COR|AMD|CNL)\b))")
_ANY_STATION = re.compile(rf"{_WORDS}+{_CODE}\b|{_CODE} \d{{6}}Z\b")
_FIRST_CODE = re.compile(rf"{_WORDS}*(?P<station>{_CODE})\b")
_END_OF_LINE_MARK = re.compile(r"=[ \t]*\r?$", re.MULTILINE)
_VISIBILITY = re.compile(r"\d{4}=?")
_GROUPS_OF_LETTERS = frozenset({"AUTO", "CAVOK", "NSC", "NCD", "SKC", "CLR", "NSW", "NOSIG", "TEMPO", "BECMG", "RMK"})
_AHEAD = timedelta(days=1)
_SAME = timedelta(hours=1)
_FIELDS: Mapping[What, tuple[str, str]] = {"metar": ("rawOb", "obsTime"), "taf": ("rawTAF", "issueTime")}


@dataclass(frozen=True, slots=True)
class Answers:
    """What was read from one answer: the reports of all stations in it, and what is no report, fit to be shown."""

    reports: tuple[RawReport, ...]
    odd: tuple[str, ...]

    @property
    def text_count(self) -> int:
        """How many texts there were, reports or not."""
        return len(self.reports) + len(self.odd)


def read_answer(body: bytes, what: What, stations: Collection[str], now: datetime) -> Answers:
    """Return the reports in an answer, as text, as JSON or as IWXXM, whichever it is.

    Parameters
    ----------
    body
        The unpacked answer, UTF-8.
    what
        What was asked for: a report without a word for its type is one of these.
    stations
        The codes that were asked for. They tell a wrapped line from a report whose time cannot be read.
    now
        The present, aware UTC: report texts carry a day and no month.

    Raises
    ------
    WrongForm
        It is none of them, or less than half of it is reports.
    """
    text = body.decode("utf-8", "replace").lstrip("\ufeff \r\n\t")
    if text.startswith("<"):
        return _of_iwxxm(body, now)
    answers = _of_json(text, what, now) if text.startswith(("[", "{")) else _of_text(text, what, stations, now)
    if len(answers.reports) < LEAST_YIELD * answers.text_count:
        counts = f"{len(answers.reports)} of {answers.text_count}"
        raise WrongForm(f'only {counts} texts in the answer are reports: "{answers.odd[0]}"')
    return answers


def _of_iwxxm(body: bytes, now: datetime) -> Answers:
    try:
        rows = read_iwxxm(body, now)
    except FeedError as error:
        raise WrongForm(f"the answer is neither reports nor JSON; {error}") from error
    return Answers(rows.reports, rows.left_out)


def _of_text(text: str, what: What, stations: Collection[str], now: datetime) -> Answers:
    reports: list[RawReport] = []
    odd: list[str] = []
    last = ""
    for piece, word in split_reports(_with_wraps_indented(text, stations)):
        report = _report(piece, word or ("TAF" if what == "taf" else None), None, now)
        if report is None:
            odd.append(shown(piece))
        else:
            reports.append(report)
            last = piece
    if _is_cut(text, last, len(reports)):
        odd.append(f"the answer ends inside: {shown(reports.pop().text)}")
    return Answers(tuple(reports), tuple(odd))


def _with_wraps_indented(text: str, stations: Collection[str]) -> str:
    """Return the text with an indent before each line that goes on with the report before it.

    A line that is wrongly taken for a new text would leave the report before it without its weather. One that is
    wrongly joined would give a station another's weather: what begins with a station that was asked for stands alone.
    """
    marked = _END_OF_LINE_MARK.search(text) is not None
    lines: list[list[str]] = []
    in_report = False
    for line in text.splitlines():
        plain = " ".join(line.split())
        begins = _begins(plain, stations)
        goes_on = not begins and _may_go_on(plain, marked)
        if in_report and _VISIBILITY.fullmatch(plain):
            lines[-1].append(plain)  # alone on its line it would be taken for the number of a bulletin
        else:
            lines.append([f" {line}" if goes_on else line])
        in_report = not plain.endswith("=") and (begins or (in_report and goes_on))
    return "\n".join(map(" ".join, lines))


def _begins(plain: str, stations: Collection[str]) -> bool:
    first = _FIRST_CODE.match(plain)
    return _ANY_STATION.match(plain) is not None or (first is not None and first["station"] in stations)


def _may_go_on(plain: str, marked: bool) -> bool:
    """Return whether a line that begins nothing can belong to a report. Prose has no groups; it follows an end mark."""
    return marked or (plain == plain.upper() and any(map(_is_group, plain.split())))


def _is_group(word: str) -> bool:
    return word in _GROUPS_OF_LETTERS or any(map(str.isdigit, word)) or parse_weather(word) is not None


def _is_cut(text: str, last: str, count: int) -> bool:
    """Return whether all reports have an end mark except the last."""
    if count < 2 or text.count("=") < count - 1:
        return False
    word = last.rsplit(" ", 1)[-1]
    return not text[text.rfind(word) + len(word) :].lstrip().startswith("=")


def _of_json(text: str, what: What, now: datetime) -> Answers:
    try:
        entries = json.loads(text)
    except (ValueError, RecursionError) as error:
        told = "is no JSON that can be read" if text.rstrip().endswith(("]", "}")) else "ends early, inside its JSON"
        raise WrongForm(f"the answer {told}") from error
    if not isinstance(entries, list):
        said = entries.get("error") if isinstance(entries, dict) else None
        raise WrongForm(f'the host says "{shown(said)}"' if isinstance(said, str) else "the JSON is not a list")
    reports: list[RawReport] = []
    odd: list[str] = []
    for number, entry in enumerate(entries, 1):
        report = _of_entry(entry, what, now)
        if report is None:
            odd.append(f"entry {number} has no {_FIELDS[what][0]} that is a report")
        else:
            reports.append(report)
    return Answers(tuple(reports), tuple(odd))


def _of_entry(entry: object, what: What, now: datetime) -> RawReport | None:
    if not isinstance(entry, dict):
        return None
    text_field, time_field = _FIELDS[what]
    text, kind = entry.get(text_field), entry.get("metarType")
    if not isinstance(text, str):
        return None
    given = "TAF" if what == "taf" else kind if isinstance(kind, str) and kind in KINDS else None
    # JSON can carry letters that no database takes, such as halves of a pair.
    plain = " ".join("".join(letter if letter.isprintable() else " " for letter in text).split())
    report = _report(plain, given, _time(entry.get(time_field)), now)
    if report is None or entry.get("icaoId") not in (report.station, None):
        return None
    return report


def _time(value: object) -> datetime | None:
    """Return a time as the API writes it: UNIX seconds, ISO 8601 with Z, or with a blank and no zone, which is UTC."""
    try:
        if isinstance(value, str):
            time = datetime.fromisoformat(value)
            return time.replace(tzinfo=UTC) if time.tzinfo is None else time.astimezone(UTC)
        if isinstance(value, int | float) and not isinstance(value, bool):
            return datetime.fromtimestamp(value, UTC)
    except (ValueError, OverflowError, OSError):
        pass  # a time that cannot be is none; the text has its own
    return None


def _report(text: str, kind: str | None, given: datetime | None, now: datetime) -> RawReport | None:
    """Return a report text with its station and time; `given` is the feed's own time of it."""
    match = _REPORT.match(f"{normalise(text)} ")
    if match is None:
        return None
    if given is not None and given - now > _AHEAD:
        given = None
    time = given if match["time"] is None else _dated(match["time"], given, now)
    return RawReport(text, kind, match["station"], time)


def _dated(digits: str, given: datetime | None, now: datetime) -> datetime | None:
    """Return the time of a text: of the month that the feed gives when its time is that of the text, else the nearest.

    A wrong month would hide a station behind one report that seems to come from the future, or make an old one new.
    """
    day, hour, minute = (int(digits[at : at + 2]) for at in (0, 2, 4))
    try:
        if given is not None and abs(nearest_date(day, hour, minute, given) - given) <= _SAME:
            return nearest_date(day, hour, minute, given)
        return report_date(digits, now)
    except WrongTime:
        return None
