"""Makes dashboard.json: what the service tells of itself, drawn in the order in which somebody on call asks.

`python deploy/make_dashboard.py`. The file is of the JSON form (schema 39) that common dashboard servers import; it
names no data source: whoever imports it chooses theirs. Every query is tried against a real Prometheus by the tests.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

FILE = Path(__file__).with_name("dashboard.json")
_SOURCE = {"type": "prometheus", "uid": "${source}"}
_CHOICE = {"name": "source", "label": "Data source", "type": "datasource", "query": "prometheus"}
_LEADS = "and on (job, instance) hoarline_leader == 1"
_FIRING = 'count(ALERTS{alertname=~"Hoarline.*",alertstate="firing"}) or vector(0)'
_NIGHTS = "sum(rate(hoarline_nights_total[$__rate_interval])) * 60"
_ROW_HEIGHT, _ACROSS = 7, 24


@dataclass(frozen=True, slots=True)
class Panel:
    """One drawing.

    `lines`: each query with what its lines are called. `across`: the width in 24ths. `bad_from`, `bad_below`: where
    red begins.
    """

    title: str
    meaning: str
    lines: tuple[tuple[str, str], ...]
    unit: str = "short"
    across: int = 12
    number: bool = False
    bad_from: float | None = None
    bad_below: float | None = None


@dataclass(frozen=True, slots=True)
class Row:
    """What belongs to one question."""

    question: str
    panels: tuple[Panel, ...]


def _p95(metric: str, by: str = "") -> str:
    return f"histogram_quantile(0.95, sum by (le{by}) (rate({metric}_bucket[$__rate_interval])))"


def _rate(metric: str, by: str) -> str:
    return f"sum by ({by}) (rate({metric}_total[$__rate_interval])) * 60"


ROWS = (
    Row(
        "Does it work, and who leads?",
        (
            Panel("Leading", "processes that poll and judge: one", (("sum(hoarline_leader)", ""),),
                  across=4, number=True, bad_below=1),
            Panel("Processes", "that answer", (('sum(up{job="hoarline"})', ""),), across=4, number=True, bad_below=1),
            Panel("Alerts", "that fire now", ((_FIRING, ""),),
                  across=4, number=True, bad_from=1),
            Panel("Turns a minute", "committed, and failed", ((_rate("hoarline_turns", "outcome"), "{{outcome}}"),),
                  across=6),
            Panel("Time of a turn", "95 of 100 take less", ((_p95("hoarline_turn_seconds"), "judge and commit"),),
                  unit="s", across=6, bad_from=30),
        ),
    ),
    Row(
        "Is the data fresh?",
        (
            Panel("Age of the newest report", "of each feed, when it came",
                  ((f"hoarline_feed_newest_age_seconds {_LEADS}", "{{feed}} {{what}}"),), unit="s", bad_from=4500),
            Panel("Answers of feeds a minute", "failures included",
                  ((_rate("hoarline_feed_answers", "feed, outcome"), "{{feed}} {{outcome}}"),)),
            Panel("Reports a minute", "read, doubtful, unreadable",
                  ((_rate("hoarline_reports", "outcome"), "{{outcome}}"),)),
            Panel("Messages of listening feeds a minute", "by what became of them",
                  ((_rate("hoarline_feed_messages", "feed, outcome"), "{{feed}} {{outcome}}"),)),
            Panel("Lag of listening feeds", "from the publication of a message until it came here",
                  ((f"hoarline_feed_lag_seconds {_LEADS}", "{{feed}}"),), unit="s"),
            Panel("Stations", "seeing and blind", ((f"hoarline_stations {_LEADS}", "{{state}}"),)),
        ),
    ),
    Row(
        "What is the weather doing?",
        (
            Panel("Open episodes", "by level", ((f"sum by (level) (hoarline_open_episodes {_LEADS})", "{{level}}"),)),
            Panel("Events a minute", "by type", ((_rate("hoarline_events", "type"), "{{type}}"),)),
            Panel("Frost forecasts a minute", "computed", ((_NIGHTS, "nights"),)),
            Panel("Time of a portion of frost forecasts", "95 of 100 take less",
                  ((_p95("hoarline_night_seconds"), "portion"),), unit="s"),
        ),
    ),
    Row(
        "Does every message arrive?",
        (
            Panel("In the outbox", "by state", ((f"sum by (state) (hoarline_outbox {_LEADS})", "{{state}}"),)),
            Panel("Attempts a minute", "by channel and how they ended",
                  ((_rate("hoarline_deliveries", "channel, outcome"), "{{channel}} {{outcome}}"),)),
            Panel("Time of an attempt", "95 of 100 take less",
                  ((_p95("hoarline_delivery_seconds", ", channel"), "{{channel}}"),), unit="s"),
            Panel("Handed on to fallbacks a minute", "by reason",
                  ((_rate("hoarline_handed_on", "why"), "{{why}}"),)),
            Panel("Heartbeats a minute", "calls of the heartbeat address",
                  ((_rate("hoarline_heartbeats", "outcome"), "{{outcome}}"),)),
            Panel("Open event streams", "boards, and programs that listen", (("sum(hoarline_event_streams)", "open"),)),
        ),
    ),
)  # fmt: skip


def dashboard() -> dict[str, object]:
    """Return the whole file."""
    panels: list[dict[str, object]] = []
    top = 0
    for row in ROWS:
        panels.append({
            "id": len(panels) + 1, "type": "row", "title": row.question, "collapsed": False, "panels": [],
            "gridPos": {"x": 0, "y": top, "w": _ACROSS, "h": 1},
        })  # fmt: skip
        top, left = top + 1, 0
        for panel in row.panels:
            if left + panel.across > _ACROSS:
                top, left = top + _ROW_HEIGHT, 0
            place = {"x": left, "y": top, "w": panel.across, "h": _ROW_HEIGHT}
            panels.append({"id": len(panels) + 1, "gridPos": place, **_drawn(panel)})
            left += panel.across
        top += _ROW_HEIGHT
    return {
        "title": "Hoarline", "uid": "hoarline", "schemaVersion": 39, "version": 1, "editable": True,
        "tags": ["hoarline"], "timezone": "utc", "refresh": "30s", "time": {"from": "now-12h", "to": "now"},
        "annotations": {"list": []},
        "templating": {"list": [_CHOICE]},
        "panels": panels,
    }  # fmt: skip


def _drawn(panel: Panel) -> dict[str, object]:
    steps: list[dict[str, object]] = [{"color": "red" if panel.bad_below is not None else "text", "value": None}]
    if panel.bad_below is not None:
        steps.append({"color": "green", "value": panel.bad_below})
    if panel.bad_from is not None:
        steps.append({"color": "red", "value": panel.bad_from})
    custom = {} if panel.number else {"custom": {"thresholdsStyle": {"mode": "line" if len(steps) > 1 else "off"}}}
    return {
        "type": "stat" if panel.number else "timeseries",
        "title": panel.title,
        "description": panel.meaning,
        "datasource": _SOURCE,
        "fieldConfig": {
            "defaults": {"unit": panel.unit, "min": 0, "thresholds": {"mode": "absolute", "steps": steps}, **custom},
            "overrides": [],
        },
        "targets": [
            {
                "refId": chr(ord("A") + number),
                "datasource": _SOURCE,
                "expr": query,
                "legendFormat": words or panel.title,
            }
            for number, (query, words) in enumerate(panel.lines)
        ],
    }


def main() -> None:
    """Write the file."""
    FILE.write_text(json.dumps(dashboard(), indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
