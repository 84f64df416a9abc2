"""Logs without secrets, and metrics. The metrics are one table, from which the documentation is made."""

from __future__ import annotations

import logging
import re
import sys
from collections.abc import Iterable, MutableMapping
from dataclasses import dataclass
from typing import Any, Literal

import structlog
from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest

_SECRET_SHAPE = re.compile(r"whsec_[A-Za-z0-9+/=]+")
_HIDDEN = "***"


@dataclass(frozen=True, slots=True)
class MetricSpec:
    """One row of the table."""

    name: str
    type: Literal["counter", "gauge", "histogram"]
    labels: tuple[str, ...]
    meaning: str


METRICS: tuple[MetricSpec, ...] = (
    MetricSpec("hoarline_runs", "counter", ("job", "outcome"), "scheduled runs: done, failed, missed, overlapping"),
    MetricSpec("hoarline_turn_seconds", "histogram", (), "time of one turn: judge and commit"),
    MetricSpec("hoarline_turns", "counter", ("outcome",), "turns committed or failed"),
    MetricSpec("hoarline_nights", "counter", (), "frost forecasts computed"),
    MetricSpec("hoarline_night_seconds", "histogram", (), "time of one portion of frost forecasts"),
    MetricSpec("hoarline_reports", "counter", ("feed", "outcome"), "reports: read, doubtful, unreadable"),
    MetricSpec("hoarline_feed_answers", "counter", ("feed", "what", "outcome"), "answers of feeds, failures included"),
    MetricSpec("hoarline_feed_messages", "counter", ("feed", "outcome"), "messages of listening feeds, by their fate"),
    MetricSpec("hoarline_feed_lag_seconds", "gauge", ("feed",), "publication of a message until it came here"),
    MetricSpec("hoarline_feed_newest_age_seconds", "gauge", ("feed", "what"), "age of the newest report of a feed"),
    MetricSpec("hoarline_stations", "gauge", ("state",), "stations seeing and blind"),
    MetricSpec("hoarline_open_episodes", "gauge", ("flag", "level"), "open episodes"),
    MetricSpec("hoarline_events", "counter", ("type",), "events written"),
    MetricSpec("hoarline_deliveries", "counter", ("channel", "outcome"), "attempts to deliver, by how they ended"),
    MetricSpec("hoarline_delivery_seconds", "histogram", ("channel",), "time of one attempt"),
    MetricSpec("hoarline_outbox", "gauge", ("state",), "deliveries in the outbox, by state"),
    MetricSpec("hoarline_handed_on", "counter", ("why",), "lines handed on to a fallback: silent, refused, off"),
    MetricSpec("hoarline_event_streams", "gauge", (), "event streams that are open: boards, and programs that listen"),
    MetricSpec("hoarline_leader", "gauge", (), "1 in the process that polls and judges, 0 in those that stand by"),
    MetricSpec("hoarline_heartbeats", "counter", ("outcome",), "calls of the heartbeat address"),
)


class Metrics:
    """The metrics of one service, in a registry of its own."""

    content_type = CONTENT_TYPE_LATEST

    def __init__(self) -> None:
        self._registry = CollectorRegistry()
        makers = {"counter": Counter, "gauge": Gauge, "histogram": Histogram}
        self._metrics: dict[str, Any] = {
            spec.name: makers[spec.type](spec.name, spec.meaning, spec.labels, registry=self._registry)
            for spec in METRICS
        }

    def count(self, name: str, by: float = 1, **labels: str) -> None:
        """Add to a counter."""
        self._of(name, labels).inc(by)

    def set(self, name: str, value: float, **labels: str) -> None:
        """Set a gauge."""
        self._of(name, labels).set(value)

    def observe(self, name: str, value: float, **labels: str) -> None:
        """Put a value into a histogram."""
        self._of(name, labels).observe(value)

    def clear(self, name: str) -> None:
        """Forget all labels of a gauge, so that what is no longer there is not shown as it was."""
        self._metrics[name].clear()

    def exposition(self) -> bytes:
        """Return all metrics in the OpenMetrics text format."""
        text: bytes = generate_latest(self._registry)  # type: ignore[no-untyped-call]
        return text

    def _of(self, name: str, labels: dict[str, str]) -> Any:  # noqa: ANN401 - the library's own types
        metric = self._metrics[name]
        return metric.labels(**labels) if labels else metric


def set_up_logs(form: Literal["text", "json", "quiet"], secrets: Iterable[str] = ()) -> None:
    """Send structured logs to standard error.

    Parameters
    ----------
    form
        text for people, json for machines, quiet for nothing but what breaks.
    secrets
        Texts that must never appear; they, and whatever looks like a webhook secret, are replaced.
    """
    known = tuple(secret for secret in secrets if secret)
    last = structlog.processors.JSONRenderer() if form == "json" else structlog.dev.ConsoleRenderer(colors=False)
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            _Scrub(known),
            last,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL if form == "quiet" else logging.INFO),
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
        cache_logger_on_first_use=False,
    )


class _Scrub:
    """Takes secrets out of everything that is logged."""

    def __init__(self, secrets: tuple[str, ...]) -> None:
        self._secrets = secrets

    def __call__(self, _logger: object, _method: str, event: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
        for key, value in event.items():
            if isinstance(value, str | Exception):
                event[key] = self._clean(str(value))
        return event

    def _clean(self, text: str) -> str:
        for secret in self._secrets:
            text = text.replace(secret, _HIDDEN)
        return _SECRET_SHAPE.sub(_HIDDEN, text)
