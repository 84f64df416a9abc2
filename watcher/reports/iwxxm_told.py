"""What the XML of one report says: a text that our one text reader decodes, and what that text cannot carry."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from lxml import etree

from watcher.reports.iwxxm_groups import Exact
from watcher.reports.iwxxm_values import inner, time_of
from watcher.reports.xml_entries import local_name


@dataclass(frozen=True, slots=True)
class Told:
    """One report out of XML.

    `text`: the report as text, without any mark. `at`: when it was observed or issued, with its year. `exact`: values
    by the field of the decoded report, `periods` by the field of each period of a forecast: where the text says
    something else, these are right. `may_freeze`: weather in it could not be read and may mean something freezing.
    `as_received`: the text was in the XML itself, for it could not be translated. `usage`: None, or why it must raise
    no alert, such as TEST. `error`: why it is no report that can be read, None when it is one.
    """

    kind: str
    text: str
    station: str | None
    at: datetime | None
    exact: Exact
    periods: tuple[Exact, ...] = ()
    may_freeze: bool = False
    doubts: tuple[str, ...] = ()
    as_received: bool = False
    usage: str | None = None
    error: str | None = None


def instant(node: etree._Element | None) -> datetime | None:
    """Return the time of a `TimeInstant`, or of the element that holds one."""
    return time_of(inner(_itself_or_inner(node, "TimeInstant"), "timePosition"))


def period(node: etree._Element | None) -> tuple[datetime | None, datetime | None]:
    """Return the two ends of a `TimePeriod`, or of the element that holds one."""
    span = _itself_or_inner(node, "TimePeriod")
    return time_of(inner(span, "beginPosition")), time_of(inner(span, "endPosition"))


def _itself_or_inner(node: etree._Element | None, name: str) -> etree._Element | None:
    return node if node is not None and local_name(node) == name else inner(node, name)
