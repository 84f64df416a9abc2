"""IWXXM reports read in a second on one core: bulletins of real observations that do not repeat. Prints one JSON object.

The observations are those of the open report sets (tests/data/SOURCES.md), written as IWXXM by the tests' own writer.
`read`: from bytes to decoded values. `feed`: as the feed reads them. `kept`: from the feed to what is judged, decoded
again from what is kept and cross-checked by a second reader. Rates are for a second of one core's time (the best of
three rounds), so that whatever else runs on the machine counts little.
"""

from __future__ import annotations

import json
import resource
import time
from collections.abc import Callable
from datetime import UTC, datetime

from tests.benchmarks.machine import machine
from tests.iwxxm_writer import VERSIONS, bulletin, forecast_xml, observation_xml
from tests.reports.open_data import common_reports, common_tafs
from watcher.feeds.iwxxm import read_iwxxm
from watcher.reports.decode import decode_report
from watcher.reports.iwxxm import read_document
from watcher.reports.model import Forecast, Observation
from watcher.service.receiving import report_of

AT_ONCE = 500
ROUNDS = 3
NOW = datetime(2014, 12, 18, 8, 0, tzinfo=UTC)


def observations() -> list[str]:
    """The XML of every readable report of the sets, all dated to one hour so that none is left out as long past."""
    found = []
    for index, sent in enumerate(common_reports()):
        seen = decode_report(sent.text, received_at=sent.received_at, second_reader=False)
        if isinstance(seen, Observation):
            at = NOW.replace(hour=7, minute=index % 60)
            found.append(observation_xml(seen._replace(observed_at=at), VERSIONS[index % len(VERSIONS)]))
    return found


def forecasts() -> list[str]:
    """The XML of every readable forecast of the set; the texts have a day and no month, so the nearest of one is taken."""
    found = []
    for text in common_tafs():
        days = (datetime(2026, 1, day, 12, tzinfo=UTC) for day in range(1, 32, 10))
        decoded = [decode_report(text, received_at=day, kind="TAF") for day in days]
        found += [forecast_xml(each) for each in decoded if isinstance(each, Forecast)][:1]
    return found


def portions(xmls: list[str]) -> list[bytes]:
    """Return bulletins of so many reports each."""
    return [bulletin(xmls[start : start + AT_ONCE]) for start in range(0, len(xmls), AT_ONCE)]


def rate(work: Callable[[], None], count: int) -> float:
    """Return so many in a second of processor time."""
    found = []
    for _ in range(ROUNDS):
        began = time.process_time()
        work()
        found.append(time.process_time() - began)
    return count / min(found)


def main() -> None:
    """Measure and print."""
    xmls, tafs = observations(), forecasts()
    bulletins, singles = portions(xmls), [xml.encode() for xml in xmls]
    whole = bulletin(xmls)
    rows = [read_iwxxm(body, NOW) for body in bulletins]

    def read(bodies: list[bytes]) -> None:
        for body in bodies:
            for _ in read_document(body, received_at=NOW):
                pass

    def kept() -> None:
        for each in rows:
            for raw in each.reports:
                report_of(raw, "bench", NOW)

    def feed() -> None:
        for body in bulletins:
            read_iwxxm(body, NOW)

    found = {
        "reports": len(xmls),
        "different_bodies": len(set(xmls)),
        "bytes_each": round(len(whole) / len(xmls)),
        "read_from_bulletins_per_s": round(rate(lambda: read(bulletins), len(xmls))),
        "read_one_by_one_per_s": round(rate(lambda: read(singles), len(xmls))),
        "forecasts": len(tafs),
        "read_forecasts_per_s": round(rate(lambda: read([bulletin(tafs)]), len(tafs))),
        "feed_per_s": round(rate(feed, len(xmls))),
        "kept_and_cross_checked_per_s": round(rate(kept, len(xmls))),
        "kept_as_xml": sum(raw.text.startswith("<") for each in rows for raw in each.reports),
    }
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    read([whole])
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    found |= {
        "one_bulletin_mib": round(len(whole) / 2**20, 1),
        "it_grew_memory_by_mib": round((after - before) / 1024, 1),
    }
    print(json.dumps(found | machine()))


if __name__ == "__main__":
    main()
