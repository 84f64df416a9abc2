"""The facts that rules may use: one table, from which documentation, JSON Schema and error messages are made."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

from watcher.rulebook.words import Kind

FactType = Literal["number", "flag", "word", "weather"]
Value = float | int | bool | str | frozenset[str] | None


@dataclass(frozen=True, slots=True)
class FactSpec:
    """One row of the table.

    `words`: the allowed values of a word fact. `noun`: how a sentence calls the fact. `says`: how a sentence tells that
    a flag is true, and that it is false.
    """

    name: str
    type: FactType
    unit: str
    meaning: str
    origin: str
    words: tuple[str, ...] = ()
    noun: str = ""
    says: tuple[str, str] = ("", "")


@dataclass(frozen=True, slots=True)
class Facts:
    """The named values for one station and one time. A name that is absent is unknown, as is None.

    `at`: the time the values hold for. `reported_at`: when the report or TAF they come from was made.
    `intervals`: (low, high) of the values that rounding or doubt leaves wide.
    """

    station: str
    at: datetime
    kind: Kind
    values: Mapping[str, Value]
    intervals: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    reported_at: datetime | None = None


def _number(name: str, unit: str, noun: str, meaning: str, origin: str) -> FactSpec:
    return FactSpec(name, "number", unit, meaning, origin, noun=noun)


def _flag(name: str, meaning: str, origin: str, yes: str, no: str) -> FactSpec:
    return FactSpec(name, "flag", "", meaning, origin, noun=f"whether {yes}", says=(yes, no))


def _word(name: str, noun: str, meaning: str, origin: str, *words: str) -> FactSpec:
    return FactSpec(name, "word", "", meaning, origin, words, noun)


def _weather(name: str, noun: str, meaning: str, origin: str) -> FactSpec:
    return FactSpec(name, "weather", "", meaning, origin, noun=noun)


_REPORT = "report or TAF"
_MODEL = "frost model"

# fmt: off
FACTS: tuple[FactSpec, ...] = (
    _number("temp_c", "°C", "temperature", "air temperature", _REPORT),
    _flag("temperature_known", "there is an air temperature: every comparison with an absent one is unknown", _REPORT,
          "the temperature is known", "the temperature is not known"),
    _number("dew_point_c", "°C", "dew point", "dew point over water", _REPORT),
    _number("frost_point_c", "°C", "frost point",
            "temperature at which air at this dew point is saturated over ice", "dew point"),
    _number("spread_c", "K", "spread", "temperature minus dew point", _REPORT),
    _number("relative_humidity_pct", "%", "relative humidity", "relative humidity over water", _REPORT),
    _number("wind_kt", "kt", "wind", "mean wind speed", _REPORT),
    _number("gust_kt", "kt", "gusts", "gust speed; unknown when none is reported", _REPORT),
    _number("visibility_m", "m", "visibility", "prevailing visibility; 10000 means 10 km or more", _REPORT),
    _number("vertical_visibility_ft", "ft", "vertical visibility", "vertical visibility", _REPORT),
    _number("ceiling_ft", "ft", "ceiling",
            "base of the lowest broken or overcast layer, or the vertical visibility; unknown when there is none",
            _REPORT),
    _word("cloud_cover", "cloud cover", "the largest reported cloud amount", _REPORT,
          "CLR", "FEW", "SCT", "BKN", "OVC", "VV"),
    _weather("weather", "present weather",
             "present weather groups, such as -SN; "
             "// among them: precipitation may be unseen, FZ//: freezing rain may be", _REPORT),
    _weather("recent_weather", "recent weather",
             "recent weather groups without RE, and weather that ended in the past hour by the remarks", "report"),
    _flag("freezing_precipitation", "freezing rain, drizzle or unknown freezing precipitation is falling", _REPORT,
          "freezing precipitation is falling", "no freezing precipitation is falling"),
    _flag("frozen_precipitation", "snow, pellets, hail or ice crystals are falling", _REPORT,
          "frozen precipitation is falling", "no frozen precipitation is falling"),
    _flag("freezing_or_frozen", "anything freezing or frozen is in the air, blowing snow included", _REPORT,
          "something freezing or frozen is in the air", "nothing freezing or frozen is in the air"),
    _word("snow_intensity", "snowfall by visibility, temperature and daylight",
          "snowfall by visibility, temperature and daylight, the heavier of two published charts", "visibility charts",
          "none", "very_light", "light", "moderate", "heavy"),
    _flag("is_night", "the sun is below the horizon (upper limb, -0.833 degrees)", "position and time",
          "it is night", "it is day"),
    _number("sun_elevation_deg", "°", "elevation of the sun", "geometric elevation of the sun's centre",
            "position and time"),
    _number("skin_temp_c", "°C", "wing skin", "median temperature of the upper wing skin", _MODEL),
    _number("p_active_frost", "", "probability that frost is forming",
            "probability that frost is forming, 0 to 1", _MODEL),
    _number("p_deposit", "", "probability of a deposit",
            "probability that ice lies on the wing, fallen snow included, 0 to 1", _MODEL),
    _number("p_frozen_residual", "", "probability of frozen water on the wing",
            "probability that water left on the wing is frozen, 0 to 1", _MODEL),
    _number("p_precipitation", "", "probability of fallen snow or ice on the wing",
            "probability that snow or freezing precipitation has fallen on the wing and lies there, 0 to 1", _MODEL),
    _flag("precipitation_last_h",
          "precipitation was reported within the past 75 minutes, or fell within the past hour by recent weather",
          "reports of the past 75 minutes",
          "precipitation was reported within the past hour", "no precipitation was reported within the past hour"),
    _flag("wet_since_freezing",
          "rain, drizzle or melting snow was reported within 3 hours, as recent weather too, "
          "and the air is now at or below 0",
          "reports of the past 3 hours",
          "it was wet within the past 3 hours and the air is now at or below 0 °C",
          "it was dry for the past 3 hours, or the air is above 0 °C"),
    _number("hours_below_zero", "h", "time at or below 0 °C",
            "how long the air has been at or below 0, by the reports kept", "reports of the past 12 hours"),
    _number("report_age_min", "min", "age of the report", "age of the report when it was judged", "time"),
    _flag("doubtful", "the report was read with doubts", "decoding",
          "the report was read with doubts", "the report was read without a doubt"),
    _flag("weather_unread_may_freeze", "a group that could not be read may be freezing or frozen, or cold rain",
          "decoding",
          "weather that may be freezing could not be read", "no weather that may be freezing was left unread"),
    _flag("ice_accretion", "the remarks report ice building up", "remarks",
          "the remarks report ice building up", "the remarks report no ice building up"),
    _flag("freezing_rain_sensor_off", "the freezing-rain sensor is off (FZRANO)", "remarks",
          "the freezing-rain sensor is off", "the freezing-rain sensor is not reported off"),
    _flag("present_weather_sensor_off", "the present-weather sensor is off (PWINO)", "remarks",
          "the present-weather sensor is off", "the present-weather sensor is not reported off"),
    _flag("weather_observable", "the station can tell the weather now", _REPORT,
          "the station can tell the weather", "the station cannot tell the weather"),
    _flag("auto", "the report is automatic, without an observer", "report",
          "the report is automatic", "an observer made the report"),
    _word("precipitation_sensor", "kind of automatic station", "AO1: cannot tell rain from snow; AO2: can", "remarks",
          "AO1", "AO2"),
    _number("snow_depth_cm", "cm", "snow depth", "snow on the ground", "remarks"),
    _number("pressure_hpa", "hPa", "pressure", "pressure reduced to sea level (QNH)", "report"),
)
# fmt: on

FACTS_BY_NAME: Mapping[str, FactSpec] = {spec.name: spec for spec in FACTS}
