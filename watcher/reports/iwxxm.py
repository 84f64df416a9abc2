"""IWXXM documents and reports, decoded: the text in them by the one text reader, finer values laid over it.

The text that is made from a report is what people see. Where it says all that the XML says, it is also what is kept,
and reads as any other text ever after; where the XML is finer (tenths beside whole degrees, a wind of 2.6 m/s, a zero
whose sign is not known), the XML itself is kept.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from copy import deepcopy
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import islice

from lxml import etree

from watcher.errors import NotIwxxm
from watcher.reports.identity import marked
from watcher.reports.iwxxm_document import namespace, report_elements
from watcher.reports.iwxxm_metar import told_by_observation
from watcher.reports.iwxxm_taf import told_by_forecast
from watcher.reports.iwxxm_told import Told
from watcher.reports.iwxxm_values import GML_ID, XLINK_HREF, code_of
from watcher.reports.model import Decoded, Forecast, Observation, Unreadable
from watcher.reports.text import decode_text
from watcher.reports.xml_entries import local_name

# The longest of the 78 official and translated examples, a forecast with five changes, has 11 kB.
LONGEST_XML = 256 << 10
_LONGEST_SHOWN = 1000
_OLDEST = 3
# Other signs are digits too, of which int() takes no superscript; and no number of more than 4,300 digits.
_NUMBER = re.compile(r"([0-9]{1,4})(?![^.-])")
_SCHEMA_LOCATION = "{http://www.w3.org/2001/XMLSchema-instance}schemaLocation"


@dataclass(frozen=True, slots=True)
class XmlReport:
    """One report of an IWXXM document.

    `decoded`: what it says; its `raw` is the text made from it, or the text inside it that could not be translated.
    `kept`: from which `decode_report` gives the same: that text, or the report's XML where the text says less.
    `usage`: None, or why it must raise no alert: TEST, EXERCISE, or NON-OPERATIONAL for no reason that is given.
    `observed_at` of a TAF is its time of issue.
    """

    decoded: Decoded
    kept: str
    kind: str
    station: str | None
    observed_at: datetime | None
    usage: str | None = None


def read_document(body: bytes, *, received_at: datetime, second_reader: bool = False) -> Iterator[XmlReport]:
    """Yield the reports of an IWXXM document: one report, a bulletin of many, or either inside something else.

    Parameters
    ----------
    body
        The whole document, unpacked. Its size is the caller's to bound.
    received_at
        When it came in, aware UTC. Dates only a report that was left as text.
    second_reader
        Compare with an independent decoder, as `decode_report` does.

    Raises
    ------
    NotIwxxm
        It is no IWXXM document, or one that must not be read. What was yielded before may be kept or not.
    """
    for node in report_elements(body):
        yield _read(node, received_at, second_reader=second_reader)


def decode_xml(text: str, *, received_at: datetime, second_reader: bool = True) -> Decoded:
    """Return what the XML of one report says; Unreadable for anything else, and for what must raise no alert."""
    if len(text) > LONGEST_XML:
        return Unreadable(text[:_LONGEST_SHOWN], f"longer than any report ({len(text)} characters)")
    try:
        found = list(read_document(text.encode(), received_at=received_at, second_reader=second_reader))
    except (NotIwxxm, UnicodeEncodeError) as error:
        return Unreadable(text[:_LONGEST_SHOWN], str(error))
    if len(found) != 1:
        return Unreadable(text[:_LONGEST_SHOWN], f"{len(found)} reports in XML where one should be")
    report = found[0]
    if report.usage is not None:
        return Unreadable(report.decoded.raw, f"not operational ({report.usage})", report.station)
    return report.decoded


def _read(node: etree._Element, received_at: datetime, *, second_reader: bool) -> XmlReport:
    told, usage = _told(node), _usage(node)
    decoded, kept = _decoded(node, told, received_at, second_reader=second_reader)
    if usage is not None and not isinstance(decoded, Unreadable):
        decoded = _changed(decoded, doubts=(*decoded.doubts, f"marked {usage}: it must raise no alert"))
    return XmlReport(decoded, kept, told.kind, decoded.station or told.station, _time_of(decoded) or told.at, usage)


def _decoded(
    node: etree._Element, told: Told, received_at: datetime, *, second_reader: bool
) -> tuple[Observation | Forecast | Unreadable, str]:
    """Return what a report says, and what to keep of it."""
    if told.error is not None:
        return _unread(node, told.error, told.station)
    text = told.text if told.as_received else marked(told.text, rounded=False)
    decoded = decode_text(text, received_at=told.at or received_at, kind=told.kind, second_reader=second_reader)
    if isinstance(decoded, Unreadable) or told.as_received:
        return decoded, text
    exact = _exact_observation(decoded, told) if isinstance(decoded, Observation) else _exact_forecast(decoded, told)
    if exact == decoded:
        return decoded, text
    xml = _xml(node)
    if len(xml) > LONGEST_XML:
        return _unread(node, f"longer than any report ({len(xml)} characters)", told.station)
    return _changed(exact, raw=marked(told.text, rounded=True), source=xml), xml


def _unread(node: etree._Element, error: str, station: str | None) -> tuple[Unreadable, str]:
    return Unreadable(_gist(node), error, station), _xml(node)[: LONGEST_XML + 1]


def _gist(node: etree._Element) -> str:
    """Return what stands in a report that cannot be read, for people: its texts and codes without the XML."""
    parts = ((each.text or "")[:_LONGEST_SHOWN].split() or [code_of(each) or ""] for each in islice(node.iter(), 300))
    words = [word for part in parts for word in part if word]
    return " ".join([local_name(node), *words])[:_LONGEST_SHOWN]


def _changed(decoded: Observation | Forecast, **values: object) -> Observation | Forecast:
    if isinstance(decoded, Observation):
        return decoded._replace(**values)  # type: ignore[arg-type]
    return replace(decoded, **values)  # type: ignore[arg-type]


def _time_of(decoded: Decoded) -> datetime | None:
    if isinstance(decoded, Unreadable):
        return None
    return decoded.observed_at if isinstance(decoded, Observation) else decoded.issued_at


def _told(node: etree._Element) -> Told:
    kind = local_name(node)
    version = _version(node)
    if version is not None:
        return Told(kind, "", None, None, {}, error=version)
    left = node.get("translationFailedTAC", "").strip()
    told = told_by_forecast(node) if kind == "TAF" else told_by_observation(node, kind)
    if not left:
        return told
    return Told(kind, left, told.station, told.at, {}, as_received=True)


def _version(node: etree._Element) -> str | None:
    """Return why a report of this version cannot be read; None when it can."""
    above, found, version = namespace(node).rpartition("icao.int/iwxxm/")
    if not found or not above.endswith("://"):
        return f"{local_name(node)} of another namespace than IWXXM"
    number = _NUMBER.match(version)
    if number is None or int(number[1]) < _OLDEST:
        return f"IWXXM {version[:20]} has another layout; 3.0 and later are read"
    return None


def _usage(node: etree._Element) -> str | None:
    usage = node.get("permissibleUsage", "OPERATIONAL").strip()
    if usage == "OPERATIONAL":
        return None
    reason = node.get("permissibleUsageReason", "").strip()
    return reason if reason in {"TEST", "EXERCISE"} else "NON-OPERATIONAL"


def _exact_observation(read: Observation, told: Told) -> Observation:
    finer: dict[str, object] = _finer(read, told.exact)
    if told.may_freeze:
        finer["weather_unread_may_freeze"] = True
        if read.freezing_or_frozen is not True:
            finer["freezing_or_frozen"] = None
    if told.doubts:
        finer["doubts"] = (*read.doubts, *told.doubts)
    return read._replace(**finer) if finer else read  # type: ignore[arg-type]


def _exact_forecast(read: Forecast, told: Told) -> Forecast:
    finer: dict[str, object] = _finer(read, told.exact)
    ends_at = finer.get("ends_at", read.ends_at)
    doubts = (*read.doubts, *told.doubts)
    if len(read.periods) == len(told.periods):
        periods = []
        for period, exact in zip(read.periods, told.periods, strict=True):
            # What lasts to the end of the forecast lasts to its exact end.
            lasts = {"ends_at": ends_at} if period.ends_at == read.ends_at and "ends_at" not in exact else {}
            periods.append(replace(period, **_finer(period, lasts | exact)))  # type: ignore[arg-type]
        finer["periods"] = tuple(periods)
    elif not read.nil and not read.cancelled:
        doubts = (*doubts, "its periods as text and as XML are not the same ones")
    return replace(read, **finer, doubts=doubts)  # type: ignore[arg-type]


def _finer(read: object, exact: Mapping[str, object]) -> dict[str, object]:
    """Return the exact values that the text says otherwise. What the text reader left out stays out."""
    return {
        name: value for name, value in exact.items() if getattr(read, name) is not None and getattr(read, name) != value
    }


def _xml(node: etree._Element) -> str:
    """Return the XML of one report by itself, without blanks between its elements and names that nothing refers to."""
    alone = deepcopy(node)
    referred = {reference[1:] for each in alone.iter() if (reference := each.get(XLINK_HREF, "")).startswith("#")}
    for each in alone.iter():
        if each.text is not None and not each.text.strip():
            each.text = None
        each.tail = None
        for name in (_SCHEMA_LOCATION, GML_ID):
            if name in each.attrib and each.attrib[name] not in referred:
                del each.attrib[name]
    etree.cleanup_namespaces(alone)
    return etree.tostring(alone, encoding="unicode")
