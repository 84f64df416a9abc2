"""Weather groups and clouds in words, for people who do not read the code.

Source: WMO-No. 306, Manual on Codes, code table 4678 (w'w') and FM 15 (clouds).
"""

from __future__ import annotations

from collections.abc import Iterable

from watcher.reports.model import CloudLayer
from watcher.reports.weather import WeatherGroup, parse_weather

_PHENOMENA = {
    "DZ": "drizzle",
    "RA": "rain",
    "SN": "snow",
    "SG": "snow grains",
    "IC": "ice crystals",
    "PL": "ice pellets",
    "GR": "hail",
    "GS": "small hail or snow pellets",
    "UP": "unknown precipitation",
    "BR": "mist",
    "FG": "fog",
    "FU": "smoke",
    "VA": "volcanic ash",
    "DU": "dust",
    "SA": "sand",
    "HZ": "haze",
    "PO": "dust whirls",
    "SQ": "squalls",
    "FC": "funnel cloud",
    "SS": "sandstorm",
    "DS": "duststorm",
}
_BEFORE = {
    "MI": "shallow",
    "PR": "partial",
    "BC": "patches of",
    "DR": "low drifting",
    "BL": "blowing",
    "FZ": "freezing",
}
_STRENGTH = {"-": "light", "+": "heavy"}
_AMOUNTS = {
    "FEW": "few",
    "SCT": "scattered",
    "BKN": "broken",
    "OVC": "overcast",
    "NSC": "no significant cloud",
    "NCD": "no cloud detected",
    "SKC": "sky clear",
    "CLR": "clear below 12000 ft",
}
_KINDS = {"CB": "cumulonimbus", "TCU": "towering cumulus"}


def weather_words(code: str) -> str | None:
    """Return a weather group in words: ``-SHSN`` is "light snow showers"; None where it is no group of the table."""
    group = parse_weather(code)
    return None if group is None else _words(group)


def cloud_words(clouds: Iterable[CloudLayer] | None) -> str:
    """Return cloud layers in words, bases in feet; "not reported" for None."""
    if clouds is None:
        return "not reported"
    return "; ".join(map(_layer, clouds)) or "none"


def _words(group: WeatherGroup) -> str:
    # Thunder has no strength; what falls with it has.
    strength = [_STRENGTH[group.sign]] if group.sign in _STRENGTH and group.phenomena else []
    before = [word for code, word in _BEFORE.items() if code in group.descriptors]
    what = " and ".join(_PHENOMENA[code] for code in group.phenomena)
    showers = "SH" in group.descriptors
    said = [*strength, *before, *([what] if what else []), *(["showers"] if showers else [])]
    if "TS" in group.descriptors:
        said = ["thunderstorm", *(["with", *said] if said else [])]
    return " ".join([*said, *(["in the vicinity"] if group.vicinity else [])])


def _layer(layer: CloudLayer) -> str:
    amount = "amount not known" if layer.amount is None else _AMOUNTS.get(layer.amount, layer.amount)
    base = f" at {layer.base_ft} ft" if layer.base_ft is not None else ""
    kind = f", {_KINDS[layer.type]}" if layer.type in _KINDS else ""
    return f"{amount}{base}{kind}"
