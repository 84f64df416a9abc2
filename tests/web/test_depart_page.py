"""The departure page: the choice and the next step first, places side by side, and every wrong field says why."""

from __future__ import annotations

import asyncio
import csv
import threading
from datetime import timedelta
from urllib.parse import parse_qs, urlsplit

import pytest

from tests.web.board_scenes import Morning
from tests.web.browsing import DESK, PHONE, WALL, Size, sign_in, window
from tests.web.reading import amiss, fields, page_of, words
from tests.web.scenes import NOW
from watcher.notify.message import CAUTION
from watcher.service.planning import plan_departure
from watcher.service.rules_folder import rules_dir
from watcher.treatment.parse_departures import read_departure
from watcher.treatment.plan_words import DEFER
from watcher.treatment.usable import lowest_use_c
from watcher.units import clock_z
from watcher.web.problems import Refusal

pytestmark = pytest.mark.anyio

ASKED = {"station": "XNOR", "aircraft": "medium-jet", "off_block": "0720Z", "flight": "HL101"}


async def ask(opened: Morning, **more: str):
    return await opened.client.get(f"{opened.origin}/depart", params=ASKED | more)


def cells(answer, label: str) -> list[str]:
    """Return a row of the comparison."""
    row = page_of(answer).xpath(f"//table[contains(@class,'sides')]//tr[th[normalize-space()='{label}']]")[0]
    return [words(cell) for cell in row.findall("td")]


async def test_nobody_sees_it_without_signing_in(opened):
    assert (await opened.client.get(f"{opened.origin}/depart")).status_code == 401


async def test_the_empty_form_offers_the_stations_aircraft_fluids_and_runways_that_there_are(opened):
    await opened.sign_in("read")
    seen = await opened.client.get(f"{opened.origin}/depart")
    assert seen.status_code == 200
    tree = page_of(seen)
    offered = {
        name: tree.xpath(f"//select[@name='{name}']/option/@value") for name in ("station", "aircraft", "runway")
    }
    treatments = opened.house.treatments
    assert [each for each in offered["station"] if each] == list(treatments.operations)
    assert [each for each in offered["aircraft"] if each] == list(treatments.fleet.profiles)
    assert [each for each in offered["runway"] if each] == ["01", "19"]
    # The only station that has operations is taken.
    assert fields(seen, "/depart")["station"] == "XNOR"


async def test_choice_why_call_and_next_step_come_first_and_are_those_of_the_plan(opened):
    await opened.sign_in("read")
    seen = await ask(opened, training="1", ctot="0755Z")
    listed = read_departure(ASKED | {"ctot": "0755Z"}, now=NOW, zones=opened.house.treatments.zones)
    made = plan_departure(listed.departure, opened.house.views()["XNOR"], opened.house.treatments, NOW, training=True)
    assert made.choice is not None
    assert made.choice.call_by is not None
    shown = words(page_of(seen).get_element_by_id("main"))
    order = [
        "Treat at the pad (pad 19)",
        made.why,
        clock_z(made.choice.call_by),
        "Next step",
        "The places side by side",
    ]
    assert [shown.index(part) for part in order] == sorted(shown.index(part) for part in order)
    assert "Call pad crew, pad 19 by then. Ask for Type IV 100/0." in shown
    assert DEFER in shown
    assert CAUTION in shown
    offered = [option for option in made.options if option.not_offered is None]
    assert [cell[:5] for cell in cells(seen, "Call by")] == [clock_z(each.call_by) for each in offered]
    assert [cell[:5] for cell in cells(seen, "Take-off (TTOT)")] == [clock_z(each.take_off.p50) for each in offered]
    assert len(page_of(seen).xpath("//svg[contains(@class,'plan-picture')]")) == 2


async def test_minutes_are_those_of_the_published_table_and_say_training(opened):
    # Transport Canada TP 10643E (7th edition, 2004), table 3, Type IV 100/0, below -3 to -14 °C, snow, as it was read
    # into the shipped folder: the look-up code has no part in this reading.
    path = rules_dir() / "holdover" / "canada-2003-04" / "type-4.csv"
    rows = list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))
    cell = next(row["snow"] for row in rows if (row["oat_c"], row["mix"]) == ("below -3 to -14", "100/0"))
    low, high = cell.split("-")
    await opened.sign_in("read")
    seen = await ask(opened, training="1")
    for label, minutes in (("Holdover, lower", low), ("Holdover, upper", high)):
        for cell in cells(seen, label):
            assert cell.startswith(f"{minutes} min training, until"), cell
    for label in ("Off within the lower", "Off within the upper", "No holdover time"):
        assert all(cell.endswith("training") for cell in cells(seen, label))
    assert "Training: figures of tables that are not in force." in words(seen)
    assert "Type IV, generic; 2003-04; Transport Canada; training, not in force" in words(seen)


async def test_without_training_old_tables_give_no_minutes_no_verdict_and_no_call(opened):
    await opened.sign_in("read")
    seen = await ask(opened)
    shown = words(seen)
    assert "No place is recommended" in shown
    assert "Decide by hand with this season's official tables" in shown
    assert cells(seen, "Holdover, lower") == ["no minutes: tables out of season"] * 3
    assert "Off within" not in shown
    assert not page_of(seen).xpath("//*[contains(@class,'call')][@data-call]")
    assert {verdict.text for verdict in page_of(seen).xpath("//thead//*[contains(@class,'verdict')]")} == {"no answer"}


async def test_a_link_keeps_the_day_so_that_it_means_the_same_tomorrow(opened):
    await opened.sign_in("read")
    seen = await ask(opened, training="1", arrived="2130Z", fuel_c="-4")
    link = page_of(seen).xpath("//a[contains(.,'newest reports')]/@href")[-1]
    query = {name: values[0] for name, values in parse_qs(urlsplit(link).query).items()}
    assert query["off_block"] == "2026-01-12T07:20:00Z"
    assert query["arrived"] == "2026-01-11T21:30:00Z"
    again = await opened.client.get(opened.origin + link)
    assert cells(again, "Take-off (TTOT)") == cells(seen, "Take-off (TTOT)")
    opened.clock[0] = NOW + timedelta(hours=2)
    past = await opened.client.get(opened.origin + link)
    assert past.status_code == 422
    assert "is not ahead" in words(past)


async def test_a_new_report_changes_the_plan_when_it_is_asked_for_again(opened):
    await opened.sign_in("read")
    before = await ask(opened, training="1")
    opened.report("XNOR", "34004KT 1200 SN BR OVC006 M04/M05 Q1008")
    after = await ask(opened, training="1")
    assert "Treat at the pad" in words(before)
    assert "No place is recommended" in words(after)
    assert "report of 0559Z, 1 min old" in words(after)


@pytest.mark.parametrize(
    ("given", "field", "said"),
    [
        ({"off_block": "soon"}, "off_block", '"soon" is no time'),
        ({"off_block": "0720"}, "off_block", "does not say whether it is Z or local"),
        ({"aircraft": "medium-jett"}, "aircraft", "did you mean medium-jet?"),
        ({"fuel_c": "99"}, "fuel_c", "no number from -60 to 60"),
        ({"station": "XBAY"}, "station", '"XBAY" has no operations'),
        ({"ctot": "later"}, "ctot", '"later" is no time'),
        ({"place": "gate"}, "place", '"gate" is not known'),
        ({"contamination": "slush"}, "contamination", '"slush" is not known'),
    ],
)
async def test_a_wrong_field_says_so_itself_and_nothing_that_was_given_is_lost(opened, given, field, said):
    await opened.sign_in("read")
    seen = await ask(opened, **given)
    assert seen.status_code == 422
    assert said in amiss(seen)[field]
    kept = fields(seen, "/depart")
    assert {name: kept[name] for name in ASKED | given} == ASKED | given


async def test_all_wrong_fields_are_said_at_once(opened):
    await opened.sign_in("read")
    seen = await ask(opened, off_block="soon", aircraft="medium-jett", fuel_c="x")
    assert amiss(seen).keys() == {"off_block", "aircraft"}
    assert "0540Z" in amiss(seen)["off_block"]


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"tsat": "0700Z"}, "is before TOBT"),
        ({"ctot": "0650Z"}, "ends before off-block"),
        ({"runway": "36"}, 'runway "36" is not known'),
        ({"fluid": "Type IV 100"}, "did you mean Type IV 100/0?"),
        ({"off_block": "2026-01-14T07:20Z"}, "too far ahead"),
    ],
)
async def test_what_contradicts_is_said_above_the_form(opened, given, said):
    await opened.sign_in("read")
    seen = await ask(opened, **given)
    assert seen.status_code == 422
    assert said in words(page_of(seen).get_element_by_id("amiss"))


async def test_names_are_hostile_and_stay_text_on_page_and_picture(opened):
    await opened.sign_in("read")
    name = '"><script>x</script>'
    seen = await ask(opened, training="1", flight=name)
    assert seen.status_code == 200
    assert "<script>x" not in seen.text
    assert not [one for one in page_of(seen).xpath("//script") if one.get("src") is None]
    assert name in words(seen)
    long = await ask(opened, flight="H" * 500)
    assert "H" * 61 not in long.text


async def test_a_call_that_is_past_is_said_to_be_late(opened):
    await opened.sign_in("read")
    seen = await ask(opened, off_block="0602Z", training="1", place="stand")
    assert "late: call now" in words(seen)
    assert "late: call now" in cells(seen, "Call by")[0]


async def test_only_who_may_press_is_led_to_begin_a_protection_and_finds_it_filled_in(opened):
    await opened.sign_in("read", name="reader")
    assert "Begin protection" not in words(await ask(opened, training="1"))
    await opened.sign_in("read", "acknowledge", name="ramp")
    seen = await ask(opened, training="1")
    links = page_of(seen).xpath("//a[contains(.,'Begin protection')]/@href")
    assert len(links) == 3
    form = await opened.client.get(opened.origin + links[-1])
    assert form.status_code == 200
    found = fields(form, "/protections/new")
    wanted = {"station": "XNOR", "aircraft": "HL101", "profile": "medium-jet", "place": "pad", "fluid": "Type IV"}
    assert {name: found[name] for name in wanted} == wanted
    assert (found["mix"], found["training"]) == ("100/0", "yes")
    treatments = opened.house.treatments
    (fluid,) = [each for each in treatments.operations["XNOR"].fluids if each.name == "Type IV 100/0"]
    lowest_c = lowest_use_c(fluid, treatments.fluids)
    assert lowest_c is not None
    assert float(found["lout"]) == lowest_c


async def test_each_place_leads_to_its_checklist(opened):
    await opened.sign_in("read")
    seen = await ask(opened, training="1")
    links = page_of(seen).xpath("//table[contains(@class,'sides')]//a[contains(.,'Checklist')]/@href")
    for place, link in zip(("stand", "after-push", "pad"), links, strict=True):
        sheet = await opened.client.get(opened.origin + link)
        assert sheet.status_code == 200
        assert f"/procedures/{place}?" in link
        assert "Local procedure at XNOR" in words(sheet)


async def test_who_comes_when_too_many_plans_are_made_is_told_to_come_again(opened):
    heavy, hold = opened.house.heavy, threading.Event()
    waiting = [asyncio.create_task(heavy.run(hold.wait)) for _ in range(14)]
    await asyncio.sleep(0)
    try:
        await opened.sign_in("read")
        seen = await opened.client.get(f"{opened.origin}/depart", params=ASKED, headers={"Accept": "text/html"})
        assert (seen.status_code, seen.headers["Retry-After"]) == (503, "5")
        with pytest.raises(Refusal):
            await heavy.run(lambda: None)
    finally:
        hold.set()
        await asyncio.gather(*waiting)
    assert (await ask(opened)).status_code == 200


@pytest.mark.slow
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [DESK, PHONE, WALL])
async def test_it_is_well_on_every_screen(opened, chromium, size: Size, scheme: str):
    token = opened.token("read", "acknowledge")
    async with window(chromium, opened.origin, size, scheme=scheme) as (_, seen):
        await sign_in(seen, opened.origin, token, "/depart")
        await seen.is_well()
        await seen.keep(f"depart-form-{size.name}-{scheme}")
        query = "&".join(f"{name}={text}" for name, text in ASKED.items())
        await seen.page.goto(f"{opened.origin}/depart?{query}&training=1&ctot=0755Z")
        await seen.is_well()
        await seen.keep(f"depart-{size.name}-{scheme}")


@pytest.mark.slow
@pytest.mark.parametrize("script", [True, False])
async def test_it_is_planned_by_keyboard_alone_with_and_without_script(opened, chromium, script):
    token = opened.token("read")
    async with window(chromium, opened.origin, DESK, java_script_enabled=script) as (_, seen):
        page = seen.page
        await page.goto(f"{opened.origin}/enter?to=/depart")
        await page.fill("input[name=token]", token)
        await page.press("input[name=token]", "Enter")
        await page.wait_for_url("**/depart")
        await page.focus("#station")
        await page.keyboard.press("Tab")
        await page.keyboard.type("medium-jet")
        await page.keyboard.press("Tab")
        await page.keyboard.type("0720Z")
        await page.keyboard.press("Enter")
        await page.wait_for_url("**/depart?**")
        assert await page.inner_text("h1") == "No place is recommended"
        assert not seen.complaints


@pytest.mark.slow
async def test_minutes_to_the_call_run_on_and_an_old_plan_says_that_it_is_old(opened, chromium):
    token = opened.token("read")
    async with window(chromium, opened.origin, DESK) as (_, seen):
        await sign_in(seen, opened.origin, token, "/depart")
        await seen.page.clock.install(time=NOW)
        query = "&".join(f"{name}={text}" for name, text in ASKED.items())
        await seen.page.goto(f"{opened.origin}/depart?{query}&training=1")
        gap = seen.page.locator(".call [data-until]")
        assert await gap.inner_text() == "in 1 h 32 min"
        assert not await seen.page.locator("[data-old-after]").is_visible()
        await seen.page.clock.fast_forward("30:00")
        await seen.page.clock.run_for(6000)
        assert await gap.inner_text() == "in 1 h 01 min"
        assert await seen.page.locator("[data-old-after]").is_visible()
        await seen.page.clock.fast_forward("01:10:00")
        await seen.page.clock.run_for(6000)
        assert await gap.inner_text() == "late: call now"
        assert await seen.page.locator(".call.late").count() == 1
