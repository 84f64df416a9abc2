"""The sample of a list of departures: what one downloads, fills in and uploads."""

from __future__ import annotations

import csv
import io
from datetime import datetime, timedelta

from watcher.service.planning import Treatments

COLUMNS = ("station", "flight", "aircraft", "off_block", "tsat", "ctot", "arrived", "fuel_c", "report")


def sample_csv(now: datetime, treatments: Treatments) -> str:
    """Return three invented departures of the coming hours as CSV, of stations and aircraft that there are."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    fleet, stations = list(treatments.fleet.profiles), list(treatments.operations)
    begin = now.replace(minute=0, second=0, microsecond=0) + timedelta(hours=2)
    for number, minutes in enumerate((0, 20, 45)):
        off_block = begin + timedelta(minutes=minutes)
        slot = f"{off_block + timedelta(minutes=35):%H%MZ}" if number == 1 else ""
        row = (
            stations[0] if stations else "",
            f"HL{101 + number}",
            fleet[number % len(fleet)],
            f"{off_block:%H%MZ}",
            "",
            slot,
            "2130Z" if number == 0 else "",
            "-4" if number == 0 else "",
            "",
        )
        writer.writerow(row)
    return out.getvalue()
