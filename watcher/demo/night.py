"""The invented night: five invented stations, their reports and TAFs, and what goes wrong with the feed meanwhile.

Everything here is made up. The codes are not assigned to any place.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Literal

from watcher.reports.station import Station

BEGINS_AT = datetime(2026, 1, 11, 21, 0, tzinfo=UTC)
ENDS_AT = datetime(2026, 1, 12, 9, 30, tzinfo=UTC)

STATIONS: tuple[Station, ...] = (
    Station("XNOR", "Northby", None, 60.20, 11.10, 210.0, "Europe/Oslo"),
    Station("XBAY", "Bayhaven", None, 58.40, 6.30, 12.0, "Europe/Oslo"),
    Station("XFEL", "Fellmark", None, 61.70, 9.40, 640.0, "Europe/Oslo"),
    Station("XMOR", "Moorland", None, 59.10, 8.20, 330.0, "Europe/Oslo"),
    Station("XTAR", "Tarnside", None, 57.90, 7.10, 25.0, "Europe/Oslo"),
)

Fault = Literal["outage"]


@dataclass(frozen=True, slots=True)
class Moment:
    """One moment of the night: what the feed holds from then on."""

    at: datetime
    metars: tuple[str, ...]
    tafs: tuple[str, ...]
    fault: Fault | None = None
    caption: str = ""


_TAFS = {
    "2040": (
        "TAF XNOR 112040Z 1121/1221 00000KT CAVOK TNM06/1204Z BECMG 1202/1204 4000 -SN BKN012 BECMG 1208/1210 CAVOK",
        "TAF XBAY 112040Z 1121/1221 16006KT 9999 BKN025 PROB40 TEMPO 1202/1206 2500 -FZDZ BR OVC006",
        "TAF XFEL 112040Z 1121/1221 12008KT 8000 BKN020 TEMPO 1203/1207 3000 -RA OVC008",
        "TAF XTAR 112040Z 1121/1221 20008KT 9999 SCT040",
    ),
    "0240": ("TAF AMD XFEL 120240Z 1203/1221 12006KT 5000 -RA OVC008 TEMPO 1203/1207 2000 FZRA OVC004",),
}

_METARS = {
    "2120": ("XNOR 112120Z 00000KT CAVOK M01/M03 Q1024", "XBAY 112120Z 16005KT 9999 BKN025 01/M01 Q1016"),
    "2150": (
        "XNOR 112150Z 00000KT CAVOK M02/M03 Q1024",
        "XBAY 112150Z 16005KT 9999 BKN022 01/M01 Q1016",
        "XFEL 112150Z AUTO 12008KT 9999 BKN020 02/00 Q1012",
        "XMOR 112150Z 09004KT 7000 SCT010 BKN018 00/M01 Q1018",
        "XTAR 112150Z 20008KT 9999 SCT040 06/02 Q1015",
    ),
    "2220": ("XNOR 112220Z 00000KT CAVOK M02/M03 Q1024", "XMOR 112220Z 09004KT 5000 BR BKN012 M00/M01 Q1018"),
    "2250": (
        "XNOR 112250Z 00000KT CAVOK M03/M04 Q1024",
        "XBAY 112250Z 15005KT 9999 BKN016 00/M01 Q1015",
        "XFEL 112250Z AUTO 12008KT 9000 OVC016 01/00 Q1011",
        "XMOR 112250Z 09003KT 3000 BR BKN008 M01/M01 Q1018",
        "XTAR 112250Z 20008KT 9999 SCT040 06/02 Q1014",
    ),
    "2320": ("XNOR 112320Z 00000KT CAVOK M04/M05 Q1024", "XMOR 112320Z 09002KT 0800 FZFG VV002 M01/M01 Q1018"),
    "2350": (
        "XNOR 112350Z 00000KT CAVOK M04/M05 Q1023",
        "XBAY 112350Z 15005KT 8000 BKN012 00/M01 Q1014",
        "XFEL 112350Z AUTO 12007KT 8000 OVC012 01/00 Q1010",
        "XMOR 112350Z 09002KT 0600 FZFG VV002 M02/M02 Q1018",
        "XTAR 112350Z 20008KT 9999 SCT040 05/02 Q1014",
    ),
    "0020": ("XNOR 120020Z 00000KT CAVOK M05/M06 Q1023", "XMOR 120020Z 00000KT 0400 FZFG VV001 M02/M02 Q1018"),
    "0050": (
        "XNOR 120050Z 00000KT 9999 FEW040 M05/M06 Q1022",
        "XBAY 120050Z 15005KT 6000 BR OVC010 M01/M02 Q1013",
        "XFEL 120050Z AUTO 12007KT 7000 OVC010 01/00 Q1009",
        "XMOR 120050Z 00000KT 0400 FZFG VV001 M02/M02 Q1017",
        "XTAR 120050Z 20008KT 9999 SCT040 05/02 Q1013",
    ),
    "0150": (
        "XNOR 120150Z 00000KT 9999 BKN030 M05/M06 Q1021",
        "XBAY 120150Z 15006KT 5000 BR OVC008 M01/M02 Q1012",
        "XFEL 120150Z AUTO 12006KT 6000 RA OVC009 01/00 Q1008",
        "XMOR 120150Z 00000KT 0500 FZFG VV001 M02/M02 Q1017",
        "XTAR 120150Z 20007KT 9999 SCT040 05/02 Q1013",
    ),
    "0248": ("SPECI XBAY 120248Z 15006KT 3000 FZDZ BR OVC006 M01/M02 Q1011",),
    "0250": (
        "XNOR 120250Z 04004KT 9000 BKN020 M05/M06 Q1020",
        "XFEL 120250Z AUTO 12006KT 5000 RA OVC008 00/M00 Q1007",
        "XMOR 120250Z 00000KT 0600 FZFG VV002 M02/M02 Q1016",
        "XTAR 120250Z 20007KT 9999 SCT040 04/01 Q1012",
    ),
    "0320": (
        "XNOR 120320Z 04005KT 4000 -SN OVC014 M04/M05 Q1020",
        "XBAY 120320Z 15006KT 2500 FZDZ BR OVC006 M01/M02 Q1011",
        "XMOR 120320Z 00000KT 0800 FZFG VV002 M02/M02 Q1016",
    ),
    "0350": (
        "XNOR 120350Z 04006KT 3000 -SN OVC012 M04/M05 Q1019",
        "XBAY 120350Z 15006KT 2500 +FZDZ BR OVC005 M01/M02 Q1010",
        "XFEL 120350Z AUTO 12006KT 4000 RA OVC006 00/M00 Q1006",
        "XTAR 120350Z 20007KT 9999 SCT040 04/01 Q1012",
    ),
    "0358": ("XBAY 120350Z COR 15006KT 2500 -FZDZ BR OVC005 M01/M02 Q1010",),
    "0431": ("SPECI XFEL 120431Z AUTO 12005KT 3000 FZRA OVC004 M01/M02 Q1006",),
    "0450": (
        "XNOR 120450Z 04006KT 1200 SN OVC008 M04/M05 Q1018",
        "XBAY 120450Z 15006KT 3000 -FZDZ BR OVC006 M01/M02 Q1010",
        "XFEL 120450Z AUTO 12005KT 2500 FZRA OVC004 M01/M02 Q1005",
        "XTAR 120450Z 20006KT 9999 SCT040 04/01 Q1011",
    ),
    "0550": (
        "XNOR 120550Z 04007KT 0900 SN OVC006 M03/M04 Q1017",
        "XBAY 120550Z 16006KT 5000 BR OVC008 00/M01 Q1010",
        "XFEL 120550Z AUTO 12004KT 2500 FZRA OVC004 M01/M02 Q1005",
        "XTAR 120550Z 20006KT 9999 SCT040 04/01 Q1011",
    ),
    "0620": ("XBAY 120620Z 17007KT 7000 BKN010 01/M00 Q1010", "XMOR 120620Z 24006KT 9999 BKN020 02/M02 Q1015"),
    "0650": (
        "XNOR 120650Z 03006KT 3000 -SN OVC010 M03/M04 Q1017",
        "XBAY 120650Z 18008KT 9999 BKN014 03/00 Q1010",
        "XFEL 120650Z AUTO 15006KT 6000 RA OVC010 02/01 Q1006",
        "XMOR 120650Z 24007KT 9999 SCT025 03/M02 Q1015",
        "XTAR 120650Z 21007KT 9999 SCT040 05/01 Q1011",
    ),
    "0750": (
        "XNOR 120750Z 02005KT 9000 BKN020 M02/M05 Q1018",
        "XBAY 120750Z 19009KT 9999 SCT018 05/00 Q1011",
        "XFEL 120750Z AUTO 16008KT 9999 BKN018 04/00 Q1007",
        "XMOR 120750Z 25008KT 9999 SCT030 04/M02 Q1016",
        "XTAR 120750Z 21008KT 9999 SCT040 06/01 Q1012",
    ),
    "0850": (
        "XNOR 120850Z 01004KT CAVOK 01/M04 Q1019",
        "XBAY 120850Z 20010KT 9999 SCT020 06/M01 Q1012",
        "XFEL 120850Z AUTO 17010KT 9999 SCT025 06/M01 Q1008",
        "XMOR 120850Z 25009KT 9999 SCT030 05/M02 Q1016",
        "XTAR 120850Z 21008KT 9999 SCT040 07/01 Q1012",
    ),
    "0920": (
        "XNOR 120920Z 01004KT CAVOK 03/M04 Q1019",
        "XBAY 120920Z 20010KT 9999 SCT020 07/M01 Q1012",
        "XFEL 120920Z AUTO 17010KT 9999 SCT025 07/M01 Q1008",
    ),
}

_OUTAGES = ("0120",)
_TIME = re.compile(r"\b\d{6}Z")
_CAPTIONS = {
    "0120": "the feed answers 503",
    "0358": "a correction from XBAY",
    "0450": "no word from XMOR since 0320Z",
    "0620": "XMOR is back",
}


def moments() -> Iterator[Moment]:
    """Yield the night in order. A moment holds the newest report of each station, as the bulk feed does."""
    latest: dict[str, str] = {}
    forecasts: dict[str, str] = {}
    for label in sorted({*_METARS, *_TAFS, *_OUTAGES, *_routine_labels()}, key=_time_of):
        written = {_station_of(text): text for text in _METARS.get(label, ())}
        if label[2:] in {"20", "50"}:
            latest.update(_unchanged(latest, written, label))
        latest.update(written)
        for text in _TAFS.get(label, ()):
            forecasts[_station_of(text)] = text
        yield Moment(
            at=_time_of(label) + timedelta(minutes=4),
            metars=tuple(latest.values()),
            tafs=tuple(forecasts.values()),
            fault="outage" if label in _OUTAGES else None,
            caption=_CAPTIONS.get(label, ""),
        )


def _routine_labels() -> Iterator[str]:
    moment = BEGINS_AT + timedelta(minutes=20)
    while moment < ENDS_AT:
        yield f"{moment:%H%M}"
        moment += timedelta(minutes=30)


def _unchanged(latest: dict[str, str], written: dict[str, str], label: str) -> dict[str, str]:
    """Return the half-hourly reports of the stations at which nothing changed: the last one with a new time."""
    stamp = f"{_time_of(label):%d%H%M}Z"
    return {
        code: _TIME.sub(stamp, text, count=1).replace("SPECI ", "").replace(" COR", "")
        for code, text in latest.items()
        if code not in written and not (code == _SILENT and _SILENT_FROM <= _time_of(label) < _SILENT_UNTIL)
    }


def _time_of(label: str) -> datetime:
    time = datetime.strptime(label, "%H%M").time()  # noqa: DTZ007 - the zone is put on below
    day = BEGINS_AT if time.hour >= 12 else ENDS_AT
    return datetime.combine(day.date(), time, tzinfo=UTC)


_SILENT, _SILENT_FROM, _SILENT_UNTIL = "XMOR", _time_of("0350"), _time_of("0620")


def _station_of(text: str) -> str:
    return next(word for word in text.split() if word not in {"METAR", "SPECI", "TAF", "AMD"})
