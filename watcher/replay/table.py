"""The columns in which an archive's reports are kept (Parquet): what the decoder says, and nothing that a rule thinks.

A partition is one Parquet file that holds whole stations, sorted by `station`, `observed_at`, `order`. All the paths of
a replay read this table: the judgement decodes `raw` again, or its `source`, the columns are compared by polars
expressions.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl
from polars.datatypes import DataType

UTC_US = pl.Datetime("us", "UTC")

# fmt: off
OBSERVED: Mapping[str, DataType | type[DataType]] = {
    "station": pl.String,
    "observed_at": UTC_US,
    "received_at": UTC_US,              # null: the archive does not say
    "order": pl.UInt64,                 # place in the archive, counted over all files: what came first
    "kind": pl.Enum(["METAR", "SPECI"]),
    "auto": pl.Boolean,
    "correction": pl.String,
    "nil": pl.Boolean,
    "in_force": pl.Boolean,             # false: superseded by a correction or by a later text of the same time
    "passed_over": pl.Boolean,          # stored, but moves nothing: NIL, heard after a newer one, or dated far ahead
    "temp_c": pl.Float64, "temp_c_low": pl.Float64, "temp_c_high": pl.Float64,
    "dew_point_c": pl.Float64, "dew_point_c_low": pl.Float64, "dew_point_c_high": pl.Float64,
    "wind_from_deg": pl.Int16,
    "wind_variable": pl.Boolean,
    "wind_kt": pl.Float64,
    "gust_kt": pl.Float64,
    "visibility_m": pl.Float64,
    "visibility_bound": pl.Enum(["exact", "at_least", "below"]),
    "vertical_visibility_ft": pl.Int32,
    "cavok": pl.Boolean,
    "weather": pl.String,               # groups joined by a blank, in the order reported; "" for none
    "weather_observable": pl.Boolean,
    "recent_weather": pl.String,        # the fact of that name, sorted: RE groups and what ended within the hour
    "ceiling_ft": pl.Int32,             # derive.cloud_facts
    "cloud_cover": pl.Enum(["CLR", "FEW", "SCT", "BKN", "OVC", "VV"]),
    "pressure_hpa": pl.Float64,
    "freezing_or_frozen": pl.Boolean,   # null: cannot be ruled out
    "weather_unread_may_freeze": pl.Boolean,
    "ice_accretion": pl.Boolean,
    "freezing_rain_sensor_off": pl.Boolean,
    "present_weather_sensor_off": pl.Boolean,
    "precipitation_sensor": pl.Enum(["AO1", "AO2"]),
    "snow_depth_cm": pl.Float64,
    "doubts": pl.String,                # joined by "; ", "" for none
    "raw": pl.String,
    "source": pl.String,                # the XML that raw was made from, where it is finer; null: raw says it all
}

FORECAST: Mapping[str, DataType | type[DataType]] = {
    "station": pl.String,
    "issued_at": UTC_US,
    "received_at": UTC_US,
    "order": pl.UInt64,
    "begins_at": UTC_US,
    "ends_at": UTC_US,
    "cancelled": pl.Boolean,
    "raw": pl.String,
    "source": pl.String,                # the XML that raw was made from, where it is finer; null: raw says it all
}
# fmt: on
