"""Makes watcher/stations.csv from the package `airportsdata` (MIT). Run it after updating that package.

Its elevations are feet. Zero stands there for "at sea level" as well as for "not known" (1,405 rows, many of them
wrong), so a zero becomes unknown: whoever needs it writes an override in the settings.
"""

from __future__ import annotations

import csv
import re
from pathlib import Path

import airportsdata

from watcher.units import METRES_PER_FOOT

_CODE = re.compile(r"[A-Z][A-Z0-9]{3}")
_TARGET = Path(__file__).parent.parent / "watcher" / "stations.csv"


def main() -> None:
    """Write the table."""
    rows = []
    for code, airport in sorted(airportsdata.load("ICAO").items()):
        if _CODE.fullmatch(code) is None:
            continue
        elevation_ft = airport["elevation"]
        rows.append(
            (
                code,
                airport["name"],
                airport["country"],
                f"{airport['lat']:.4f}",
                f"{airport['lon']:.4f}",
                f"{elevation_ft * METRES_PER_FOOT:.0f}" if elevation_ft else "",
                airport["tz"],
            )
        )
    with _TARGET.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(("code", "name", "country", "latitude_deg", "longitude_deg", "elevation_m", "zone"))
        writer.writerows(rows)


if __name__ == "__main__":
    main()
