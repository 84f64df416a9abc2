"""What a rule asks, in plain lines."""

from __future__ import annotations

from watcher.errors import Problem
from watcher.rulebook.describe import described
from watcher.rulebook.parse_condition import parse_condition


def lines(raw: object) -> tuple[str, ...]:
    problems: list[Problem] = []
    node = parse_condition(raw, "test", problems)
    assert node is not None, problems
    return described(node)


def test_a_tree_is_indented_as_it_is_nested():
    raw = {
        "all": [
            {"field": "temp_c", "op": "<=", "value": 3.0, "off": 4.0},
            {"any": [
                {"field": "weather", "op": "has", "value": ["FZRA", "FZDZ"], "intensity": ["moderate", "heavy"]},
                {"not": {"field": "wind_kt", "op": "between", "value": [5, 10], "off": [3, 12], "sure": True}},
            ]},
            {"field": "is_night", "op": "==", "value": False},
            {"field": "snow_intensity", "op": "==", "value": ["very_light", "light"]},
        ]
    }  # fmt: skip
    assert lines(raw) == (
        "all of",
        "  temperature <= 3 °C, lets go past 4 °C",
        "  any of",
        "    present weather has FZRA or FZDZ, moderate or heavy",
        "    not",
        "      wind from 5 to 10 kt, lets go outside 3 to 12 kt, whatever rounding leaves",
        "  it is day",
        "  snowfall by visibility, temperature and daylight is very light or light",
    )


def test_a_leaf_alone_is_one_line():
    assert lines({"field": "recent_weather", "op": "lacks", "value": "SN"}) == ("recent weather lacks SN",)
    assert lines({"field": "p_deposit", "op": ">", "value": 0.25}) == ("probability of a deposit > 0.25",)
