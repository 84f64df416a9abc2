"""The texts and columns of invented reports, from drawn numbers, as expressions over whole columns."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from watcher.replay.table import UTC_US

WEATHER = (
    "",
    "-RA",
    "RA",
    "-DZ",
    "RASN",
    "-SN",
    "SN",
    "+SN",
    "-FZRA",
    "FZRA",
    "-FZDZ",
    "-PL",
    "BR",
    "FG",
    "FZFG",
    "//",
)
_FREEZES = frozenset({"RASN", "-SN", "SN", "+SN", "-FZRA", "FZRA", "-FZDZ", "-PL", "FZFG"})


@dataclass(frozen=True, slots=True)
class Cloud:
    text: str
    cover: str
    ceiling_ft: int | None
    vertical_visibility_ft: int | None = None


CLOUDS = (
    Cloud("NSC", "CLR", None),
    Cloud("FEW035", "FEW", None),
    Cloud("SCT020 BKN045", "BKN", 4500),
    Cloud("BKN018", "BKN", 1800),
    Cloud("FEW008 OVC014", "OVC", 1400),
    Cloud("OVC006", "OVC", 600),
    Cloud("VV002", "VV", 200, 200),
)


def with_text(frame: pl.DataFrame, code: str, *, tenths: bool) -> pl.DataFrame:
    """The drawn numbers with all the columns of the table but the order and the time of receipt."""
    frame = frame.with_columns(
        at=pl.col("at_us").cast(UTC_US),
        cloud_text=_looked_up("cloud_place", [cloud.text for cloud in CLOUDS]),
        weather_text=_looked_up("weather_place", list(WEATHER)),
    )
    whole_temp, whole_dew = ((pl.col(name).round(0, mode="half_away_from_zero")) for name in ("temp", "dew"))
    kind = pl.when("special").then(pl.lit("SPECI")).otherwise(pl.lit("METAR"))
    head = pl.concat_str(
        kind,
        pl.when("again").then(pl.lit(" COR ")).otherwise(pl.lit(" ")),
        pl.lit(code + " "),
        pl.col("at").dt.strftime("%d%H%MZ"),
        pl.lit(" AUTO" if tenths else ""),
    )
    body = pl.concat_str(
        pl.lit(" "),
        _wind(),
        pl.lit(" "),
        pl.when(pl.col("visibility") == 10000).then(pl.lit("9999")).otherwise(_padded("visibility", 4)),
        pl.when(pl.col("weather_text") == "").then(pl.lit("")).otherwise(pl.lit(" ") + pl.col("weather_text")),
        pl.lit(" "),
        pl.col("cloud_text"),
        pl.lit(" "),
        _degrees(whole_temp, pl.col("temp")),
        pl.lit("/"),
        _degrees(whole_dew, pl.col("dew")),
        pl.lit(" Q"),
        _padded("pressure", 4),
        *([pl.lit(" RMK AO2 T"), _tenths("temp"), _tenths("dew")] if tenths else []),
    )
    raw = pl.concat_str(head, pl.when("nil").then(pl.lit(" NIL")).otherwise(body))
    said = _said(code, kind, raw, tenths=tenths)
    return frame.with_columns(**said)


def _said(code: str, kind: pl.Expr, raw: pl.Expr, *, tenths: bool) -> dict[str, pl.Expr]:
    seen = ~pl.col("nil")

    def when_seen(value: pl.Expr) -> pl.Expr:
        return pl.when(seen).then(value)

    observable = (pl.col("weather_text") != "//") & seen
    freezes = pl.col("weather_text").is_in(sorted(_FREEZES))
    doubt = pl.when(observable | (pl.col("temp") > 3)).then(freezes)
    calm = pl.col("speed") == 0
    variable = (pl.col("speed") > 0) & (pl.col("speed") < 3)
    return {
        "station": pl.lit(code),
        "observed_at": pl.col("at"),
        "kind": kind,
        "auto": pl.lit(tenths),
        "correction": pl.when("again").then(pl.lit("COR")),
        "in_force": ~pl.col("superseded"),
        "passed_over": pl.col("nil"),
        **{
            f"{name}{end}": when_seen(value)
            for name in ("temp_c", "dew_point_c")
            for end, value in _band(name, tenths=tenths)
        },
        "wind_from_deg": when_seen(pl.when(~calm & ~variable).then(_from_deg())),
        "wind_variable": variable & seen,
        "wind_kt": when_seen(pl.col("speed").cast(pl.Float64)),
        "gust_kt": when_seen(pl.when(pl.col("speed") > 17).then(pl.col("speed") + 12.0)),
        "visibility_m": when_seen(pl.col("visibility").cast(pl.Float64)),
        "visibility_bound": when_seen(
            pl.when(pl.col("visibility") == 10000).then(pl.lit("at_least")).otherwise(pl.lit("exact"))
        ),
        "vertical_visibility_ft": when_seen(
            _looked_up("cloud_place", [cloud.vertical_visibility_ft for cloud in CLOUDS])
        ),
        "cavok": pl.lit(value=False),
        "weather": pl.when(observable).then(pl.col("weather_text")).otherwise(pl.lit("")),
        "weather_observable": observable,
        "recent_weather": pl.lit(""),
        "ceiling_ft": when_seen(_looked_up("cloud_place", [cloud.ceiling_ft for cloud in CLOUDS])),
        "cloud_cover": when_seen(_looked_up("cloud_place", [cloud.cover for cloud in CLOUDS])),
        "pressure_hpa": when_seen(pl.col("pressure").cast(pl.Float64)),
        "freezing_or_frozen": when_seen(doubt),
        "weather_unread_may_freeze": pl.lit(value=False),
        "ice_accretion": pl.lit(value=False),
        "freezing_rain_sensor_off": pl.lit(value=False),
        "present_weather_sensor_off": pl.lit(value=False),
        "precipitation_sensor": when_seen(pl.lit("AO2" if tenths else None, dtype=pl.String)),
        "snow_depth_cm": pl.lit(None),
        "doubts": pl.lit(""),
        "raw": raw,
    }


def with_forecast_text(frame: pl.DataFrame, code: str) -> pl.DataFrame:
    """The drawn numbers of TAFs with all the columns of FORECAST but the order and the time of receipt."""
    begins = pl.col("at").dt.truncate("1h") + pl.duration(hours=1)
    ends = begins + pl.duration(hours=24)
    frame = frame.with_columns(
        at=pl.col("at_us").cast(UTC_US), turn_at=pl.col("turn_us").cast(UTC_US).dt.truncate("1h")
    )
    turn = pl.max_horizontal(begins, pl.min_horizontal("turn_at", ends - pl.duration(hours=2)))
    day_hour = "%d%H"
    raw = pl.concat_str(
        pl.lit(f"TAF {code} "),
        pl.col("at").dt.strftime("%d%H%MZ "),
        begins.dt.strftime(day_hour),
        pl.lit("/"),
        ends.dt.strftime(day_hour),
        pl.lit(" "),
        _wind(),
        pl.lit(" "),
        _forecast_weather("first"),
        pl.when(pl.col("first") != pl.col("then"))
        .then(
            pl.concat_str(
                pl.lit(" BECMG "),
                turn.dt.strftime(day_hour),
                pl.lit("/"),
                (turn + pl.duration(hours=2)).dt.strftime(day_hour),
                pl.lit(" "),
                _forecast_weather("then"),
            )
        )
        .otherwise(pl.lit("")),
    )
    return frame.with_columns(station=pl.lit(code), issued_at=pl.col("at"), begins_at=begins, ends_at=ends, raw=raw)


_AHEAD = {
    "": "9999 NSW FEW040",
    "BR": "4000 BR BKN008",
    "FG": "0400 FG VV002",
    "FZFG": "0300 FZFG VV001",
    "//": "9999 NSW SCT025",
}


def _forecast_weather(place: str) -> pl.Expr:
    return _looked_up(place, [_AHEAD.get(name, f"4000 {name} OVC012") for name in WEATHER])


def _looked_up(place: str, values: list[str] | list[int | None] | list[str | None]) -> pl.Expr:
    return pl.lit(pl.Series(values)).gather(pl.col(place))


def _from_deg() -> pl.Expr:
    return pl.when(pl.col("from_deg") == 0).then(360).otherwise(pl.col("from_deg"))


def _wind() -> pl.Expr:
    speed = pl.col("speed")
    gust = pl.when(speed > 17).then(pl.concat_str(pl.lit("G"), (speed + 12).cast(pl.String))).otherwise(pl.lit(""))
    direction = (
        pl.when(speed == 0).then(pl.lit("000"))
        .when(speed < 3).then(pl.lit("VRB"))
        .otherwise(_from_deg().cast(pl.String).str.zfill(3))
    )  # fmt: skip
    return pl.concat_str(direction, _padded("speed", 2), gust, pl.lit("KT"))


def _padded(name: str, width: int) -> pl.Expr:
    return pl.col(name).cast(pl.String).str.zfill(width)


def _degrees(whole: pl.Expr, value: pl.Expr) -> pl.Expr:
    """Whole degrees; M00 where the air was below zero."""
    mark = pl.when(value < 0).then(pl.lit("M")).otherwise(pl.lit(""))
    return pl.concat_str(mark, whole.abs().cast(pl.Int64).cast(pl.String).str.zfill(2))


def _tenths(name: str) -> pl.Expr:
    value = (pl.col(name) * 10).round(0)
    sign = pl.when(value < 0).then(pl.lit("1")).otherwise(pl.lit("0"))
    return pl.concat_str(sign, value.abs().cast(pl.Int64).cast(pl.String).str.zfill(3))


def _band(name: str, *, tenths: bool) -> tuple[tuple[str, pl.Expr], ...]:
    """The value and what rounding leaves of it, as the decoder has them."""
    value = pl.col("temp" if name == "temp_c" else "dew") + 0.0
    if tenths:
        return ("", value), ("_low", (value - 0.05).round(2)), ("_high", (value + 0.05).round(2))
    low = pl.when(value == 0).then(0.0).otherwise(value - 0.5)
    return ("", value), ("_low", low), ("_high", value + 0.5)
