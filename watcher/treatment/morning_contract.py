"""The morning list as plain values for JSON, and as rows for CSV."""

from __future__ import annotations

import csv
import io
from datetime import datetime
from typing import Any

from watcher.treatment.listed import Data, HalfHour, Line, Morning, Range, to_treat
from watcher.treatment.planned import Moments
from watcher.units import iso_z

_FORMULA = frozenset("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20")
CSV_COLUMNS = (
    "order",
    "station",
    "flight",
    "aircraft",
    "off_block",
    "ctot",
    "report",
    "p_treatment",
    "kind",
    "call_by",
    "place",
    "site",
    "fluid",
    "commences",
    "take_off_p10",
    "take_off_p50",
    "take_off_p90",
    "p_slot",
    "holdover_lower_min",
    "holdover_upper_min",
    "p_within_lower",
    "verdict",
    "table",
    "season",
    "in_season",
    "authority",
    "training",
    "wait_min_p50",
    "litres_p50",
    "litres_p90",
    "why",
)


def as_contract(morning: Morning, caution: str) -> dict[str, Any]:
    """Return the list for JSON: times as ISO 8601 with Z, probabilities to 3 decimals, unknown as None."""
    return {
        "made_at": iso_z(morning.made_at),
        "members": morning.members,
        "training": morning.training,
        "departures": [_line(line) for line in morning.lines],
        "load": [_half_hour(half) for half in morning.load],
        "litres": [
            {"station": station, "size": size, **_range(amount)} for (station, size), amount in morning.litres.items()
        ],
        "stations": [_data(data, morning.made_at) for data in morning.data],
        "notes": list(morning.notes),
        "caution": caution,
    }


def as_rows(morning: Morning) -> list[dict[str, Any]]:
    """Return one row for each departure, by the names of CSV_COLUMNS; unknown is empty."""
    return [{name: "" if value is None else value for name, value in _row(line).items()} for line in morning.lines]


def as_csv(morning: Morning) -> str:
    """Return the rows as CSV with a head line; no cell is taken for a formula by a table program.

    OWASP, CSV Injection: cells that begin with ``=``, ``+``, ``-``, ``@`` or a control character, in full width too.
    """
    out = io.StringIO()
    writer = csv.DictWriter(out, CSV_COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows({name: _no_formula(value) for name, value in row.items()} for row in as_rows(morning))
    return out.getvalue()


def _no_formula(value: object) -> object:
    if not isinstance(value, str) or _FORMULA.isdisjoint({value[:1], value.lstrip()[:1]}):
        return value
    return f"'{value}"


def _line(line: Line) -> dict[str, Any]:
    departure, option = line.listed.departure, line.option
    row = _row(line)
    return {
        **{name: row[name] for name in ("order", "station", "flight", "aircraft", "off_block", "ctot", "report")},
        "tsat": None if departure.tsat is None else iso_z(departure.tsat),
        "reported_at": None if line.listed.progress_at is None else iso_z(line.listed.progress_at),
        "treat": to_treat(line),
        "need": None
        if line.need is None
        else {
            "p_any": round(line.need.p_any, 3),
            "p_protection": round(line.need.p_protection, 3),
            "kinds": {kind.value: round(p, 3) for kind, p in line.need.kinds.items()},
        },
        **{name: row[name] for name in ("kind", "call_by", "place", "site", "fluid", "verdict")},
        "take_off": None if option is None or option.take_off is None else _moments(option.take_off),
        **{name: row[name] for name in ("p_slot", "holdover_lower_min", "holdover_upper_min", "p_within_lower")},
        "p_within_upper": None if option is None else _chance(option.p_within_upper),
        **{name: row[name] for name in ("table", "season", "in_season", "authority", "training")},
        "wait_min": None if line.wait_min is None else _range(line.wait_min),
        "litres": None if line.litres is None else _range(line.litres),
        "why": line.why,
    }


def _row(line: Line) -> dict[str, Any]:
    departure, option, need = line.listed.departure, line.option, line.need
    times = option.times if option is not None else None
    answer = option.holdover if option is not None else None
    return {
        "order": line.number,
        "station": departure.station,
        "flight": departure.name,
        "aircraft": departure.aircraft,
        "off_block": iso_z(departure.off_block),
        "ctot": _time(departure.ctot),
        "report": line.listed.progress.value,
        "p_treatment": None if need is None else round(need.p_any, 3),
        "kind": None if need is None or need.likeliest is None else need.likeliest.value,
        "call_by": None if option is None else _time(option.call_by),
        "place": None if option is None else option.place.value,
        "site": None if option is None else option.site,
        "fluid": None if option is None or option.fluid is None else option.fluid.name,
        "commences": None if times is None else iso_z(times["ECZT"].p50),
        "take_off_p10": None if times is None else iso_z(times["TTOT"].p10),
        "take_off_p50": None if times is None else iso_z(times["TTOT"].p50),
        "take_off_p90": None if times is None else iso_z(times["TTOT"].p90),
        "p_slot": None if option is None else _chance(option.p_slot),
        "holdover_lower_min": None if answer is None else answer.lower_min,
        "holdover_upper_min": None if answer is None else answer.upper_min,
        "p_within_lower": None if option is None else _chance(option.p_within_lower),
        "verdict": None if option is None or option.verdict is None else option.verdict.value,
        "table": None if answer is None else answer.table,
        "season": None if answer is None else answer.season,
        "in_season": None if answer is None else answer.current,
        "authority": None if answer is None else answer.authority,
        "training": answer is not None and answer.training,
        "wait_min_p50": None if line.wait_min is None else line.wait_min.p50,
        "litres_p50": None if line.litres is None else line.litres.p50,
        "litres_p90": None if line.litres is None else line.litres.p90,
        "why": line.why,
    }


def _data(data: Data, made_at: datetime) -> dict[str, Any]:
    seen = data.observed_at
    return {
        "station": data.station,
        "zone": data.zone,
        "observed_at": _time(seen),
        "report_age_min": None if seen is None else round((made_at - seen).total_seconds() / 60),
        "forecast_issued_at": _time(data.forecast_issued_at),
    }


def _half_hour(half: HalfHour) -> dict[str, Any]:
    return {
        "station": half.station,
        "site": half.site,
        "place": half.place.value,
        "from": iso_z(half.begins_at),
        "bays": half.bays,
        "rigs": half.rigs,
        "aircraft": _range(half.aircraft),
        "bays_busy": _range(half.bays_busy),
        "rigs_busy": _range(half.rigs_busy),
        "wait_min": _range(half.wait_min),
        "p_broken": _chance(half.p_broken),
    }


def _range(values: Range) -> dict[str, float]:
    return {"p10": values.p10, "p50": values.p50, "p90": values.p90}


def _moments(moments: Moments) -> dict[str, str]:
    return {"p10": iso_z(moments.p10), "p50": iso_z(moments.p50), "p90": iso_z(moments.p90)}


def _time(when: datetime | None) -> str | None:
    return None if when is None else iso_z(when)


def _chance(p: float | None) -> float | None:
    return None if p is None else round(p, 3)
