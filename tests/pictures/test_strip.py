"""A strip shows what its band says, harmlessly, whatever the band says, and at any minute of the next hour."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree

from tests.pictures.scenes import NOW, Scene, clear_night, freezing_rain, varied, went_blind
from watcher.pictures import marks
from watcher.pictures.band_model import Band, ExpectedPoint, LevelSpan, Point, Source, Span, Weather
from watcher.pictures.strip import Strip, axis, css, key, strip_of
from watcher.pictures.strip_frame import FOOT, HEIGHT, SHOWN, UNIT, frame_of, thinned
from watcher.pictures.strip_lanes import width_of
from watcher.reports.station import Station
from watcher.rulebook.words import Certainty, Flag, Kind, Level

HOUR = timedelta(hours=1)


def at(clock: str, day: int = 12) -> datetime:
    return datetime(2026, 1, day, int(clock[:2]), int(clock[2:]), tzinfo=UTC)


def drawn(strip: Strip, now: datetime = NOW) -> etree._Element:
    return etree.fromstring(strip.inline(now))


def texts(root: etree._Element) -> list[str]:
    return [node.text or "" for node in root.iter("text")]


def points(d: str) -> list[tuple[int, int]]:
    """Return the points of a path, read by the grammar of SVG 1.1, section 8.3, for M, m, h, v, l and z."""
    found, x, y, command = [], 0, 0, ""
    figures = re.findall(r"[MmHhVvLlz]|-?\d+", d)
    while figures:
        if figures[0].isalpha():
            command = figures.pop(0)
            if command == "z":
                continue
        first = int(figures.pop(0))
        if command == "M":
            x, y = first, int(figures.pop(0))
        elif command == "h":
            x += first
        elif command == "v":
            y += first
        else:
            x, y = x + first, y + int(figures.pop(0))
        found.append((x, y))
    return found


def ways(root: etree._Element, name: str) -> list[list[tuple[int, int]]]:
    """Return the separate pieces of the paths of a class."""
    return [
        points(f"M{piece}")
        for node in root.iter("path")
        if node.get("class") == name
        for piece in node.get("d").split("M")[1:]
    ]


def test_the_present_stands_at_twelve_thirtieths_of_the_width_at_any_minute_of_the_hour():
    strip = strip_of(clear_night().band())
    for minutes in (0, 17, 59):
        now = NOW + timedelta(minutes=minutes)
        left, top, width, height = map(int, drawn(strip, now).get("viewBox").split())
        assert (top, width, height) == (0, SHOWN, HEIGHT)
        assert strip.frame.x(now) - left == pytest.approx(width * 12 / 30, abs=1)
        line = etree.fromstring(axis(now)).find(".//g[@id='tb-n']/path")
        assert points(line.get("d").replace("V", " v"))[0][0] == width * 12 // 30


def test_a_speci_stands_at_its_minute():
    scene = Scene().metar(at("0350"), "14006KT 9999 OVC008 M01/M02 Q1002")
    scene.metar(at("0407"), "14006KT 3000 -FZRA OVC008 M01/M02 Q1002", "SPECI")
    strip = strip_of(scene.band())
    root = drawn(strip)
    (line,) = [node for node in root.find("g[@class='w']") if node.tag == "path"]
    assert points(line.get("d"))[0][0] * UNIT == pytest.approx(at("0407") - strip.band.begins_at, abs=UNIT / 2)
    assert "-FZRA" in texts(root)


def test_an_unknown_temperature_leaves_a_gap_in_the_line():
    scene = Scene()
    for clock, air in (("0120", "M01"), ("0150", "M02"), ("0220", "//"), ("0250", "M02"), ("0320", "M03")):
        scene.metar(at(clock), f"14006KT 9999 OVC008 {air}/M04 Q1002")
    strip = strip_of(scene.band())
    before, after = ways(drawn(strip), "a")
    assert before[-1][0] == strip.frame.x(at("0150"))
    assert after[0][0] == strip.frame.x(at("0250"))


def test_a_temperature_between_two_unknown_ones_is_a_dot():
    scene = Scene()
    for clock, air in (("0220", "//"), ("0250", "M02"), ("0320", "//")):
        scene.metar(at(clock), f"14006KT 9999 OVC008 {air}/M04 Q1002")
    (path,) = [node for node in drawn(strip_of(scene.band())).iter("path") if node.get("class") == "a"]
    assert path.get("d").endswith("h0")


def test_blind_time_is_hatched_and_no_line_leads_through_it():
    strip = strip_of(went_blind().band())
    root = drawn(strip)
    (hatched,) = [node for node in root.iter("path") if node.get("fill") == "url(#tb-b)"]
    boxes = [points(f"M{piece}") for piece in hatched.get("d").split("M")[1:]]
    spans = [(min(x for x, _ in box), max(x for x, _ in box)) for box in boxes]
    x = strip.frame.x
    assert spans == [(x(at("1950", 11)), x(at("2250", 11))), (x(at("0320")), x(NOW))]
    for line in ways(root, "a"):
        xs = [place for place, _ in line]
        assert not any(min(xs) < (left + right) / 2 < max(xs) for left, right in spans)
    assert [node.get("class") for node in root.iter("path") if (node.get("class") or "").startswith("s")] == ["s3"]


def test_what_is_expected_stands_after_the_present_and_looks_otherwise_than_what_was_observed():
    strip = strip_of(freezing_rain().band())
    for minutes in (0, 40):
        now = NOW + timedelta(minutes=minutes)
        row = drawn(strip, now).find("g[@class='l']")
        blocks = [(node.get("class"), points(node.get("d"))) for node in row if node.tag == "path"]
        for name, corners in blocks:
            left, right = min(x for x, _ in corners), max(x for x, _ in corners)
            if name.startswith("o"):
                assert right <= strip.frame.x(now)
            else:
                assert left >= strip.frame.x(now)
        assert {"o4", "x3"} <= {name for name, _ in blocks}


def test_what_falls_goes_on_until_the_present_and_what_the_taf_gives_begins_there():
    strip = strip_of(freezing_rain().band())
    for minutes in (0, 30):
        now = NOW + timedelta(minutes=minutes)
        lines = [node for node in drawn(strip, now).find("g[@class='w']") if node.tag == "path"]
        observed = [points(node.get("d")) for node in lines if node.get("class") is None]
        expected = [points(node.get("d")) for node in lines if node.get("class") == "x"]
        assert observed[-1][-1][0] == expected[0][0][0] == strip.frame.x(now)


def _band(**changes: object) -> Band:
    band = Band("XNOR", "Northby", NOW, at("1600", 11), at("0100", 13), (), (), False, (), (), (), (), ())
    return replace(band, **changes)


def _weather(*items: tuple[str, str, str, Certainty | None]) -> tuple[Weather, ...]:
    return tuple(Weather((code,), at(begin), at(end), how) for code, begin, end, how in items)


def test_temporary_and_probable_weather_has_its_word_and_its_own_line():
    weather = _weather(
        ("-SN", "0509", "2000", Certainty.PREVAILING),
        ("SN", "0600", "1000", Certainty.TEMPORARY),
        ("+SN", "1200", "1600", Certainty.PROBABILITY_40),
    )
    root = drawn(strip_of(_band(weather=weather)))
    group = root.find("g[@class='w']")
    assert [node.get("class") for node in group if node.tag == "path"] == ["x", "t", "p"]
    assert texts(group) == ["-SN", "TEMPO SN", "PROB40 +SN"]


def test_codes_never_stand_on_one_another():
    turns = [("-SN", "SN")[step % 2] for step in range(20)]
    weather = [
        Weather((code,), at("1700", 11) + step * timedelta(minutes=20), at("1720", 11) + step * timedelta(minutes=20))
        for step, code in enumerate(turns)
    ]
    group = drawn(strip_of(_band(weather=tuple(weather)))).find("g[@class='w']")
    assert set(texts(group)) == {"SN"}
    places = [int(node.get("x")) for node in group if node.tag == "text"]
    assert all(after - before >= width_of("SN") for before, after in pairwise(places))


def test_what_began_before_the_strip_is_named_in_it():
    weather = _weather(("IC", "0000", "0509", None))
    weather = (replace(weather[0], begins_at=at("1600", 11)),)
    (label,) = [node for node in drawn(strip_of(_band(weather=weather))).iter("text") if node.text == "IC"]
    assert SHOWN * 0.3 < int(label.get("x")) - 55 <= SHOWN * 0.4


def _level(
    level: Level, begin: str, end: str | None, kind: Kind = Kind.OBSERVED, how: Certainty | None = None
) -> LevelSpan:
    return LevelSpan(level, Flag.SNOW, kind, at(begin), at(end) if end else None, how)


def test_of_several_levels_the_highest_is_shown():
    levels = (_level(Level.PREPARE, "0000", None), _level(Level.TREAT, "0200", "0400"))
    row = drawn(strip_of(_band(levels=levels))).find("g[@class='l']")
    assert [node.get("class") for node in row if node.tag == "path"] == ["o2", "o3", "o2"]


def test_a_block_too_narrow_for_its_word_has_its_mark_and_a_sliver_has_none():
    levels = (
        _level(Level.TREAT, "0000", "0040"),
        _level(Level.NO_TIME, "0200", "0210"),
        _level(Level.NOTE, "0300", None),
    )
    row = drawn(strip_of(_band(levels=levels))).find("g[@class='l']")
    assert [node.get("href") for node in row if node.tag == "use"] == ["#mark-treat"]
    assert texts(row) == ["note"]


def test_the_words_of_blocks_stand_on_the_side_of_the_present():
    levels = (_level(Level.TREAT, "0000", "0400"), _level(Level.NOTE, "0600", "1200", Kind.EXPECTED))
    strip = strip_of(_band(levels=levels))
    past, ahead = drawn(strip).find("g[@class='l']").iter("text")
    assert ("e" in past.get("class").split(), ahead.get("class")) == (True, None)
    assert strip.frame.x(at("0400")) - 12 < int(past.get("x")) < strip.frame.x(at("0400"))
    assert strip.frame.x(at("0600")) < int(ahead.get("x")) < strip.frame.x(at("0600")) + 12


def test_probable_levels_are_hatched_and_temporary_ones_are_not():
    levels = (
        _level(Level.TREAT, "0600", "1000", Kind.EXPECTED, Certainty.TEMPORARY),
        _level(Level.TREAT, "1000", "1400", Kind.EXPECTED, Certainty.PROBABILITY_30),
    )
    row = drawn(strip_of(_band(levels=levels))).find("g[@class='l']")
    assert [(node.get("class"), node.get("fill")) for node in row if node.tag == "path"] == [
        ("t3", None),
        ("p3", "url(#tb-3)"),
    ]


def _expected(step: int, temp_c: float = -3.0, p: float | None = None) -> ExpectedPoint:
    return ExpectedPoint(NOW + step * HOUR / 2, temp_c, temp_c - 2, Source.NIGHT, temp_c - 3, temp_c - 1, p)


def test_the_two_temperatures_stand_where_their_lines_end():
    band = _band(expected=tuple(_expected(step, -step / 10) for step in range(30)))
    shown = [words for words in texts(drawn(strip_of(band))) if words.endswith("°C")]
    assert shown == ["-3 °C", "-5 °C"]


def test_a_figure_stands_over_or_under_a_line_that_goes_on_behind_it_never_on_it():
    night = tuple(_expected(step, -3.0) for step in range(32))
    beyond = tuple(ExpectedPoint(NOW + step * HOUR, -3.0, -5.0, Source.TAF) for step in range(17, 20))
    band = _band(expected=(*night, *beyond))
    root, frame = drawn(strip_of(band)), frame_of(band)
    height = {node.text: int(node.get("y")) for node in root.iter("text") if node.text in {"-3 °C", "-5 °C"}}
    letters = 15
    assert height["-3 °C"] < frame.y(-3.0)
    assert height["-5 °C"] - letters > frame.y(-5.0)


def test_the_hill_stands_on_its_foot_and_says_how_probable_frost_is():
    band = _band(expected=tuple(_expected(step, p=0.78 if step == 8 else 0.3) for step in range(20)))
    root = drawn(strip_of(band))
    (hill,) = ways(root, "h")
    assert max(y for _, y in hill) == FOOT
    assert "78 %" in texts(root)


def test_without_a_chance_of_frost_there_is_no_hill():
    band = _band(expected=tuple(_expected(step, p=0.001) for step in range(20)))
    assert ways(drawn(strip_of(band)), "h") == []


def test_zero_is_at_the_same_height_at_every_usual_station():
    heights = {frame_of(_band(past=(Point(at("0450"), temp, temp - 2),))).y(0) for temp in (-7.0, 0.0, 4.5)}
    assert len(heights) == 1


@given(st.floats(-70, 55), st.floats(0, 60))
def test_no_temperature_is_cut_off(temp_c, below):
    frame = frame_of(_band(past=(Point(at("0450"), temp_c, temp_c - below),)))
    for value in (temp_c, temp_c - below, frame.reference_c):
        assert 0 <= frame.y(value) <= FOOT
    assert frame.reference_c % 10 == 0


def test_where_zero_is_far_away_another_line_is_named():
    root = drawn(strip_of(_band(past=(Point(at("0450"), -31.0, -33.0),))))
    assert "-20 °C" in texts(root)
    assert not [node for node in root.iter("use") if node.get("href") == "#tb-z"]


@given(st.lists(st.tuples(st.integers(0, 1500), st.integers(0, 120)), min_size=1, max_size=60))
def test_a_thinned_line_keeps_its_ends_and_stays_near(line):
    line = sorted(dict(line).items())
    kept = thinned(line)
    assert (kept[0], kept[-1]) == (line[0], line[-1])
    assert set(kept) <= set(line)
    for x, y in line:
        before = max((point for point in kept if point[0] <= x), key=lambda point: point[0])
        after = min((point for point in kept if point[0] >= x), key=lambda point: point[0])
        if before != after:
            (x0, y0), (x1, y1) = before, after
            distance = abs((y1 - y0) * (x - x0) - (x1 - x0) * (y - y0)) / ((x1 - x0) ** 2 + (y1 - y0) ** 2) ** 0.5
            assert distance <= 1.0 + 1e-9


HOSTILE = "</text><script>alert(1)</script>\"'&\x00\u202e"


def test_hostile_names_and_reports_are_harmless():
    band = replace(freezing_rain().band(), station=HOSTILE, name=HOSTILE)
    band = replace(band, weather=(Weather((HOSTILE,), at("0100"), at("0400")),))
    strip = strip_of(band)
    for markup in (strip.inline(NOW), strip.alone(NOW), strip.alone(NOW, theme="light")):
        root = etree.fromstring(markup)
        assert not [node for node in root.iter() if etree.QName(node).localname == "script"]
        assert not [name for node in root.iter() for name in node.attrib if name.startswith("on")]
        assert "\u202e" not in markup


times = st.integers(-13 * 60, 19 * 60).map(lambda minutes: NOW + timedelta(minutes=minutes))
celsius = st.none() | st.floats(-60, 45)
certainties = st.sampled_from(list(Certainty))


def _sorted_pair(values):
    return st.tuples(times, times).map(sorted).flatmap(values)


past_points = st.lists(times.filter(lambda when: when <= NOW), unique=True, max_size=12).flatmap(
    lambda found: st.tuples(*[st.builds(Point, st.just(when), celsius, celsius) for when in sorted(found)])
)
expected_points = st.lists(times.filter(lambda when: when > NOW), unique=True, max_size=12).flatmap(
    lambda found: st.tuples(
        *[
            st.builds(
                ExpectedPoint,
                st.just(when),
                st.floats(-60, 45),
                celsius,
                st.sampled_from(Source),
                celsius,
                celsius,
                st.none() | st.floats(0, 1),
            )
            for when in sorted(found)
        ]
    )
)
weathers = st.lists(
    _sorted_pair(
        lambda pair: st.builds(
            Weather,
            st.lists(st.sampled_from(["-SN", "SN", "+SN", "-FZRA", "RASN", "//"]), min_size=1, max_size=3).map(tuple),
            st.just(pair[0]),
            st.just(pair[1]),
            st.none() | certainties,
        )
    ),
    max_size=6,
).map(lambda items: tuple(sorted(items, key=lambda item: item.begins_at)))
level_items = st.lists(
    _sorted_pair(
        lambda pair: st.sampled_from(Kind).flatmap(
            lambda kind: st.builds(
                LevelSpan,
                st.sampled_from(Level),
                st.sampled_from(Flag),
                st.just(kind),
                st.just(pair[0]),
                st.just(pair[1]) | (st.none() if kind is Kind.OBSERVED else st.just(pair[1])),
                st.none() | certainties,
            )
        )
    ),
    max_size=6,
).map(tuple)
spans = st.lists(_sorted_pair(lambda pair: st.just(Span(*pair))), max_size=3).map(tuple)
bands = st.builds(
    Band,
    station=st.text(max_size=6), name=st.none() | st.text(max_size=12), now=st.just(NOW), begins_at=st.just(at("1600", 11)),
    ends_at=st.just(at("0100", 13)), past=past_points, expected=expected_points, joined=st.booleans(), weather=weathers,
    levels=level_items, nights=st.none() | spans,
    reported_at=st.lists(times.filter(lambda when: when <= NOW), max_size=8).map(lambda found: tuple(sorted(found))),
    blind=spans | spans.map(lambda found: (*found, Span(at("0400"), None))),
)  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(bands, st.integers(0, 60))
def test_any_band_gives_a_drawing_that_is_well_formed_and_stays_within_its_bounds(band, minutes):
    strip = strip_of(band)
    root = drawn(strip, NOW + timedelta(minutes=minutes))
    left = int(root.get("viewBox").split()[0])
    assert 0 <= left <= strip.frame.width - SHOWN
    for node in root.iter("path"):
        for x, y in points(node.get("d").replace("H", "h").replace("V", "v")):
            assert 0 <= x <= strip.frame.width, node.attrib
            assert 0 <= y <= HEIGHT, node.attrib
    for node in root.iter("text"):
        assert left <= int(node.get("x")) <= left + SHOWN, node.text
        assert 0 < int(node.get("y")) <= HEIGHT, node.text
    assert not re.search(r"nan|inf|None|-0\b", " ".join(node.get("d") for node in root.iter("path")))


def test_a_strip_asks_only_for_what_the_page_has():
    page = etree.fromstring(f"<body>{marks.symbols()}{axis(NOW)}</body>")
    there = {f"#{node.get('id')}" for node in page.iter() if node.get("id")}
    rules = css()
    for scene in (freezing_rain(), clear_night(), went_blind(), *(varied(seed) for seed in range(5))):
        root = drawn(strip_of(scene.band()))
        used = {node.get("href") for node in root.iter("use")}
        filled = {node.get("fill")[4:-1] for node in root.iter() if (node.get("fill") or "").startswith("url(")}
        assert used | filled <= there
        for node in root.iter():
            assert node.get("style") is None
            for name in (node.get("class") or "").split():
                assert re.search(rf"\.{name}\b", rules), name


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_a_strip_that_stands_alone_needs_nothing_else(theme):
    root = etree.fromstring(strip_of(freezing_rain().band()).alone(NOW, theme=theme, width_px=720))
    ids = [node.get("id") for node in root.iter() if node.get("id")]
    assert len(ids) == len(set(ids))
    whole = etree.tostring(root, encoding="unicode")
    assert "var(" not in whole
    assert "@media" not in whole
    assert "http" not in whole.replace("http://www.w3.org/2000/svg", "")
    wanted = set(re.findall(r'(?:href="|url\()#([\w-]+)', whole))
    assert wanted <= set(ids)
    assert root.get("width") == "720"
    assert "XFEL Fellmark" in whole


def test_the_picture_says_in_words_what_it_shows():
    strip = strip_of(freezing_rain().band())
    root = drawn(strip)
    assert root.get("role") == "img"
    assert "no-time since 0420Z" in root.get("aria-label")
    assert "Dashed: frost point" in etree.fromstring(key()).get("aria-label")


def test_the_axis_names_every_third_hour_and_the_day():
    names = texts(etree.fromstring(axis(NOW)))
    assert "now 0509Z" in names
    assert "12 Jan" in names
    assert {"18Z", "21Z", "03Z", "09Z", "12Z", "15Z"} <= set(names)


def test_the_axis_says_the_minute_while_strips_are_shown_for_a_full_step():
    names = texts(etree.fromstring(axis(NOW, said=NOW + timedelta(minutes=3))))
    assert "now 0512Z" in names
    assert "now 0509Z" not in names


def test_a_station_of_which_nothing_is_known_has_a_strip_too():
    root = drawn(strip_of(Scene(Station("XQQQ")).band()))
    assert "nothing known" in root.get("aria-label")
    assert ways(root, "a") == []
