"""The holdover page and the checklists: minutes only of tables in force or for training, with all that goes with them."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from tests.treatment.at_hand import HEAD, SNOW, TYPE_4
from tests.web.board_scenes import SETTINGS, Morning, morning
from tests.web.browsing import DESK, PHONE, Size, sign_in, window
from tests.web.reading import amiss, fields, page_of, words
from tests.web.scenes import NOW
from watcher.notify.message import CAUTION
from watcher.service.holdover_asking import answer_as_contract, of_view
from watcher.store.store import Store
from watcher.treatment.holdover import look_up
from watcher.treatment.words import FluidType

pytestmark = pytest.mark.anyio


async def ask(opened: Morning, **query: str):
    return await opened.client.get(f"{opened.origin}/holdover", params=query)


def told(answer) -> str:
    return words(page_of(answer).xpath("//*[contains(@class,'told')]")[0])


async def test_a_station_is_looked_up_by_its_latest_report_as_the_command_does(opened):
    await opened.sign_in("read")
    seen = await ask(opened, station="xnor", fluid="Type IV", mix="100/0", training="1")
    view = opened.house.views()["XNOR"]
    asked = of_view(view, None, FluidType.IV, "100/0", NOW)
    answer = look_up(asked.question, opened.house.treatments.tables, NOW, training=True)
    contract = answer_as_contract(answer, asked)
    shown = words(seen)
    assert (contract["lower_min"], contract["upper_min"]) == (20, 40)
    assert f"{contract['lower_min']} to {contract['upper_min']} min" in told(seen)
    assert contract["raw"] in shown
    assert "Report of 0550Z 06:50, 10 min old" in shown
    assert contract["why"] in shown
    assert f"{answer.table}; {answer.authority}, season {answer.season}" in shown
    assert answer.caution in shown
    assert CAUTION in shown


async def test_without_training_old_tables_give_no_minutes_anywhere(opened):
    await opened.sign_in("read")
    for query in ({"fluid": "Type IV", "mix": "100/0"}, {}):
        seen = await ask(opened, station="XNOR", **query)
        main = words(page_of(seen).get_element_by_id("main"))
        assert "no minutes" in main
        for minutes in ("20 to 40", "20-40", "15 to 30", "2 to 5"):
            assert minutes not in main
    assert "No holdover table of this season is installed" in main


async def test_training_marks_every_figure(opened):
    await opened.sign_in("read")
    one = await ask(opened, station="XNOR", fluid="Type IV", mix="100/0", training="1")
    assert "Training: a figure of tables that are not in force" in told(one)
    every = await ask(opened, station="XNOR", training="1")
    rows = page_of(every).xpath("//table[contains(@class,'answers')]/tbody/tr")
    assert len(rows) == 10
    for row in rows:
        figure = words(row.findall("td")[0])
        assert "training" in figure or not any(letter.isdigit() for letter in figure), figure


async def test_a_table_of_ones_own_in_force_gives_minutes_without_training(tmp_path: Path, judged_morning):
    # HEAD, TYPE_4: an invented set, valid in the winter of the scene; -2 °C, light snow by the chart: 30 to 50.
    folder = tmp_path / "rules" / "holdover" / "own-2025-26"
    folder.mkdir(parents=True)
    for name, text in (("head.toml", HEAD), ("type-4.csv", TYPE_4), ("snow.csv", SNOW)):
        (folder / name).write_text(text)
    source, by_station = judged_morning
    path = tmp_path / "morning.db"
    path.write_bytes(source.read_bytes())
    store = Store.open(f"sqlite:///{path}")
    try:
        async with morning(store, by_station, f'{SETTINGS}\n[rules]\nfolder = "{tmp_path / "rules"}"\n') as opened:
            await opened.sign_in("read")
            query = {"temp": "-2", "weather": "-SN", "visibility": "2500", "light": "night"}
            seen = await ask(opened, fluid="Type IV", mix="100/0", **query)
            assert "30 to 50 min" in told(seen)
            assert "training" not in told(seen).casefold()
            assert "in force; " in words(seen)
            assert "NOT in force" not in words(seen)
    finally:
        store.close()


async def test_weather_without_a_holdover_time_says_so_in_the_strongest_words(opened):
    await opened.sign_in("read")
    seen = await ask(opened, station="XFEL", fluid="Type IV", mix="100/0", training="1")
    assert "no holdover time" in told(seen)
    assert "Do not take a time from another row." in words(seen)
    assert page_of(seen).xpath("//*[contains(@class,'told') and contains(@class,'none')]")


async def test_the_weather_of_a_report_can_be_changed_by_hand_and_is_the_same_until_it_is(opened):
    await opened.sign_in("read")
    seen = await ask(opened, station="XNOR", fluid="Type IV", mix="100/0", training="1")
    link = page_of(seen).xpath("//a[contains(.,'by hand')]/@href")[0]
    by_hand = await opened.client.get(opened.origin + link)
    found = fields(by_hand, "/holdover")
    wanted = {"temp": "M04", "weather": "-SN BR", "visibility": "2500", "light": "night", "station": ""}
    assert {name: found[name] for name in wanted} == wanted
    assert told(by_hand) == told(seen)
    assert "Report of" not in words(by_hand)


@pytest.mark.parametrize(
    ("rest", "written"),
    [
        ("00000KT 9999 -SN OVC012 M00/M02 Q1003", "M00"),
        ("00000KT 9999 -SN OVC012 00/M02 Q1003", "00"),
        ("00000KT 9999 -SN OVC012 01/M02 Q1003", "01"),
        ("00000KT 9999 -SN OVC012 M11/M13 Q1003", "M11"),
        ("00000KT 9999 -SN OVC012 M03/M05 Q1003 RMK T10321052", "-3.2"),
    ],
)
async def test_a_temperature_taken_over_by_hand_leaves_what_rounding_left(opened, rest, written):
    await opened.sign_in("read")
    opened.report("XNOR", rest)
    seen = await ask(opened, station="XNOR", fluid="Type I", training="1")
    link = page_of(seen).xpath("//a[contains(.,'by hand')]/@href")[0]
    by_hand = await opened.client.get(opened.origin + link)
    assert fields(by_hand, "/holdover")["temp"] == written
    assert told(by_hand) == told(seen)


async def test_an_old_report_does_not_say_what_falls_now(opened):
    await opened.sign_in("read")
    opened.clock[0] = NOW + timedelta(hours=2)
    seen = await ask(opened, station="XNOR", fluid="Type IV", mix="100/0", training="1")
    assert "no answer" in told(seen)
    assert "The report is 2 h 10 min old: what falls now is not known." in words(seen)


@pytest.mark.parametrize(
    ("query", "field", "said"),
    [
        ({"temp": "cold", "weather": "SN"}, "temp", '"cold" is no air temperature'),
        ({"temp": "-2", "weather": "SNOW"}, "weather", '"SNOW" is no weather group'),
        ({"temp": "-2", "weather": "SN", "visibility": "far"}, "visibility", '"far" is none'),
        ({"temp": "-2"}, "weather", "Is not given"),
        ({"temp": "-2", "weather": "SN", "fluid": "Type V"}, "fluid", "allowed: Type I, Type II"),
        ({"temp": "-2", "weather": "SN", "fluid": "Type IV", "mix": "60/60"}, "mix", "parts of fluid and water"),
        ({"temp": "-2", "weather": "SN", "mix": "75/25"}, "mix", "without a fluid"),
        ({"temp": "-2", "weather": "SN", "fluid": "Type I", "mix": "75/25"}, "mix", "Type I has no mix"),
        ({"temp": "-2", "weather": "SN", "surface": "wood"}, "surface", '"wood" is not known'),
        ({"temp": "-2", "weather": "SN", "light": "dusk"}, "light", '"dusk" is not known'),
        ({"temp": "-2", "weather": "SN", "authority": "Nobody"}, "authority", "has no tables here"),
        ({"station": "XNOR", "temp": "-2"}, "station", "by hand and of a station"),
        ({"station": "XXXX"}, "station", "XXXX has no report"),
        ({"station": "nowhere"}, "station", '"NOWHERE" is no station code'),
    ],
)
async def test_a_wrong_field_says_so_itself_and_nothing_is_lost(opened, query, field, said):
    await opened.sign_in("read")
    seen = await ask(opened, **query)
    assert seen.status_code == 422
    assert said in amiss(seen)[field]
    kept = fields(seen, "/holdover")
    assert all(kept[name].casefold() == text.casefold() for name, text in query.items())


async def test_all_wrong_fields_are_said_at_once(opened):
    await opened.sign_in("read")
    seen = await ask(opened, temp="cold", weather="SNOW", fluid="Type V", surface="wood")
    assert amiss(seen).keys() == {"temp", "weather", "fluid", "surface"}


@pytest.mark.parametrize("place", ["stand", "after-push", "pad"])
async def test_a_checklist_goes_from_the_manual_through_the_steps_to_the_caution(opened, place):
    await opened.sign_in("read")
    seen = await opened.client.get(f"{opened.origin}/procedures/{place}?aircraft=medium-jet&station=XNOR")
    shown = words(seen)
    heads = [words(head) for head in page_of(seen).xpath("//main//h2")]
    assert heads[0].startswith("Local procedure at XNOR")
    assert heads[1:5] == ["Before", "During", "After", "Stop the treatment when"]
    parts = ["The aircraft's own manual goes first", "Local procedure at XNOR", "Stop the treatment when", CAUTION]
    assert [shown.index(part) for part in parts] == sorted(shown.index(part) for part in parts)
    assert shown.count("Not a permission.") == 2
    numbers = [int(item.get("value")) for item in page_of(seen).xpath("//ol[@class='items']/li")]
    assert numbers == list(range(1, len(numbers) + 1))


async def test_a_checklist_is_narrowed_to_a_party_and_wrong_words_are_said(opened):
    await opened.sign_in("read")
    every = await opened.client.get(f"{opened.origin}/procedures/pad")
    crew = await opened.client.get(f"{opened.origin}/procedures/pad?who=crew")
    assert 0 < len(page_of(crew).xpath("//ol/li")) < len(page_of(every).xpath("//ol/li"))
    assert "ground crew" not in {one.text for one in page_of(crew).xpath("//*[@class='who']")}
    wrong = await opened.client.get(f"{opened.origin}/procedures/pad?aircraft=medium-jett&who=tower&engines=on")
    assert wrong.status_code == 422
    assert "did you mean medium-jet?" in amiss(wrong)["aircraft"]
    assert "is not known" in amiss(wrong)["engines"]
    assert (await opened.client.get(f"{opened.origin}/procedures/gate")).status_code == 404


@pytest.mark.slow
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [DESK, PHONE])
async def test_they_are_well_on_every_screen(opened, chromium, size: Size, scheme: str):
    token = opened.token("read")
    async with window(chromium, opened.origin, size, scheme=scheme) as (_, seen):
        await sign_in(seen, opened.origin, token, "/holdover")
        await seen.is_well()
        for name, path in (
            ("holdover-all", "/holdover?station=XNOR&training=1"),
            ("holdover-one", "/holdover?station=XNOR&training=1&fluid=Type+IV&mix=100/0"),
            ("holdover-none", "/holdover?station=XFEL&training=1&fluid=Type+I"),
            ("checklist", "/procedures/after-push?aircraft=medium-jet&station=XNOR"),
        ):
            await seen.page.goto(opened.origin + path)
            await seen.is_well()
            await seen.keep(f"{name}-{size.name}-{scheme}")


@pytest.mark.slow
async def test_a_fluid_is_chosen_by_keyboard_without_script(opened, chromium):
    token = opened.token("read")
    async with window(chromium, opened.origin, PHONE, java_script_enabled=False) as (_, seen):
        page = seen.page
        await page.goto(f"{opened.origin}/enter?to=/holdover%3Fstation%3DXNOR%26training%3D1")
        await page.fill("input[name=token]", token)
        await page.press("input[name=token]", "Enter")
        await page.wait_for_url("**/holdover**")
        await page.focus("table a >> nth=7")
        await page.keyboard.press("Enter")
        await page.wait_for_url("**fluid=Type+IV**")
        assert "20 to 40 min" in await page.inner_text(".told")
        assert await page.title() == "Holdover, XNOR: Type IV 100/0 - Hoarline"
