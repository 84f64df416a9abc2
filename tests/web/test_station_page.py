"""The page of a station: what stands, why, and what to do; live, by keyboard, without script, and never by hostile text.

Accessibility is judged by axe-core (tests/web/browsing.py). Words of weather codes: WMO-No. 306, code table 4678.
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta

import pytest
from lxml import html
from playwright.async_api import Browser

from tests.web.board_scenes import SETTINGS, Morning, morning, read_report
from tests.web.browsing import DESK, PHONE, WALL, Size, sign_in, window
from tests.web.scenes import settings_of
from watcher.links import Feed, read_feed
from watcher.rulebook.facts import FACTS
from watcher.rulebook.words import Kind
from watcher.store.store import Store
from watcher.web.stations_sheet import sheet_of

pytestmark = pytest.mark.anyio

FREEZING_RAIN = "VRB03KT 1200 FZRA BR OVC004 M01/M02 Q1006"


async def page_of(opened: Morning, code: str, *, status: int = 200) -> html.HtmlElement:
    """Return the page of a station, read."""
    answer = await opened.client.get(f"{opened.origin}/stations/{code}")
    assert answer.status_code == status, answer.text[:300]
    return html.fromstring(answer.text)


def text_of(element: html.HtmlElement) -> str:
    return " ".join(" ".join(element.itertext()).split())


def section(page: html.HtmlElement, name: str) -> str:
    return text_of(page.xpath(f'//section[@aria-labelledby="{name}"]')[0])


class TestWhatItSays:
    async def test_stands_behind_the_entrance(self, opened: Morning) -> None:
        answer = await opened.client.get(f"{opened.origin}/stations/XNOR")
        assert answer.status_code == 401
        assert "Sign in" in answer.text
        assert "METAR" not in answer.text

    async def test_leads_with_level_word_and_what_to_do_now_and_later(self, opened: Morning) -> None:
        await opened.sign_in("read")
        head = text_of((await page_of(opened, "XFEL")).xpath('//div[@class="head"]')[0])
        assert "no-time" in head
        assert "XFEL Fellmark" in head
        assert "Next step" in head
        assert "Plan no take-off on the tables until this ends" in head
        both = text_of((await page_of(opened, "XNOR")).xpath('//div[@class="head"]')[0])
        assert "now treat" in both
        assert "Next step now Call treatment for departures now" in both
        assert re.search(r"For 0700Z to \d{4}Z No take-off without", both)

    async def test_tells_the_report_in_words_with_what_rounding_leaves(self, opened: Morning) -> None:
        await opened.sign_in("read")
        report = section(await page_of(opened, "XNOR"), "report")
        assert "METAR XNOR 120550Z 34004KT 2500 -SN BR OVC010 M04/M05 Q1008" in report
        assert "Temperature -4 °C -4.5 to -3.5 °C by rounding" in report
        assert "Weather light snow (-SN), mist (BR)" in report
        assert "Wind 340°, 4 kt" in report
        assert "Cloud overcast at 1000 ft" in report
        assert "0550Z 06:50 , 10 min old" in report

    async def test_marks_the_groups_that_speak_of_ice_and_no_others(self, opened: Morning) -> None:
        await opened.sign_in("read")
        page = await page_of(opened, "XNOR")
        marked = page.xpath('//section[@aria-labelledby="report"]//code/mark')
        assert [(mark.text, mark.get("title")) for mark in marked] == [
            ("-SN", "light snow"),
            ("M04/M05", "temperature and dew point"),
        ]

    async def test_lists_every_fact_and_says_what_is_not_known(self, opened: Morning) -> None:
        await opened.sign_in("read")
        page = await page_of(opened, "XNOR")
        rows = page.xpath('//section[@aria-labelledby="facts"]//tbody/tr')
        assert len(rows) == len(FACTS)
        facts = section(page, "facts")
        assert "temperature -4 °C -4.5 to -3.5 °C report or TAF" in facts
        assert "gusts not known" in facts

    async def test_puts_rules_that_are_met_first_and_then_the_nearest(self, opened: Morning) -> None:
        await opened.sign_in("read")
        page = await page_of(opened, "XNOR")
        verdicts = page.xpath('//ul[@class="rules"]/li//b[@class="verdict"]/text()')
        order = {"met": 0, "cannot be told": 1, "not met": 2}
        assert [order[each] for each in verdicts] == sorted(order[each] for each in verdicts)
        assert verdicts[0] == "met"
        assert len(verdicts) == len(opened.house.watch.rulebook.of_kind(Kind.OBSERVED))
        rules = section(page, "rules")
        assert "temperature at most 4 °C -4 °C 8 K from release met" in rules

    async def test_gives_no_minutes_from_tables_that_are_not_in_force(self, opened: Morning) -> None:
        await opened.sign_in("read")
        page = await page_of(opened, "XNOR")
        holdover = section(page, "holdover")
        assert "No tables of this season are installed, so no minutes are given." in holdover
        assert not re.search(r"\d+ min", holdover)
        assert [each.text for each in page.xpath('//table[@class="fluids"]//th[@scope="row"]')] == [
            "Type I",
            "Type II",
            "Type III",
            "Type IV",
        ]

    async def test_names_days_where_midnight_passes(self, opened: Morning) -> None:
        await opened.sign_in("read")
        page = await page_of(opened, "XNOR")
        days = page.xpath('//table[@class="hours"]//tr[@class="day"]/th/text()')
        assert days == ["11 Jan 2026 (Z)", "12 Jan 2026 (Z)", "13 Jan 2026 (Z)"]
        before = page.xpath('//table[@class="hours"]//tr[@class="day"][2]/following-sibling::tr[1]//time/@datetime')[0]
        assert before.startswith("2026-01-12T00:")
        drawn = " ".join(page.xpath('//*[contains(@class,"outlook-picture")]//text()'))
        assert "11 Jan" in drawn
        assert "13 Jan" in drawn

    async def test_links_to_what_one_does_next_with_the_station_filled_in(self, opened: Morning) -> None:
        await opened.sign_in("read", "acknowledge")
        links = (await page_of(opened, "XNOR")).xpath('//ul[contains(@class,"ways")]//a/@href')
        assert links == [
            "/depart?station=XNOR",
            "/protections/new?station=XNOR",
            "/night?station=XNOR",
            "/holdover?station=XNOR",
            "/subscriptions/new?stations=XNOR",
        ]

    async def test_shows_blindness_and_what_stood_before(self, opened: Morning) -> None:
        await opened.sign_in("read")
        head = text_of((await page_of(opened, "XMOR")).xpath('//div[@class="head"]')[0])
        assert "blind last known note" in head
        assert "no usable report after 12 Jan 0350Z (04:50 Europe/Stockholm)" in head
        assert "Check the station by other means" in head

    async def test_gives_feed_addresses_where_the_service_has_a_public_one(self, opened: Morning) -> None:
        await opened.sign_in("read")
        assert not (await page_of(opened, "XNOR")).xpath('//section[@aria-labelledby="feeds"]')
        public = settings_of(f'{SETTINGS}\n[service]\npublic_url = "https://ice.example.org/board"\n')
        house = replace(opened.house, settings=public)
        feeds = sheet_of(house, house.views()["XNOR"], "").feeds
        assert feeds is not None
        assert feeds.alerts.startswith("https://ice.example.org/board/feed/")
        assert read_feed(house.key, feeds.expected.split("/")[-2]) == Feed("XNOR")

    async def test_a_station_without_reports_says_so(self, store: Store) -> None:
        async with morning(store, {}) as empty:
            await empty.sign_in("read")
            page = await page_of(empty, "XTAR")
            assert "No report has come in yet" in text_of(page)
            assert "No report of XTAR has come in. It is watched" in section(page, "report")
            assert "Not known without a report." in section(page, "holdover")

    async def test_an_unknown_station_is_answered_with_the_nearest_ones(self, opened: Morning) -> None:
        await opened.sign_in("read")
        page = await page_of(opened, "xnoor", status=404)
        assert "XNOOR is not watched here" in text_of(page)
        assert page.xpath('//a[contains(@href,"/stations/")]/@href')[0] == "/stations/XNOR"
        by_name = await page_of(opened, "fellmrk", status=404)
        assert by_name.xpath('//a[contains(@href,"/stations/")]/@href')[0] == "/stations/XFEL"


class TestWhatCameIn:
    async def test_marks_speci_corrections_and_what_was_replaced(self, opened: Morning) -> None:
        await opened.sign_in("read")
        at = opened.clock[0] - timedelta(minutes=10)
        corrected = f"METAR COR XNOR {at:%d%H%MZ} 34004KT 2000 -SN BR OVC010 M04/M05 Q1008"
        opened.turn([read_report(corrected, received_at=opened.clock[0])])
        opened.report("XNOR", FREEZING_RAIN)
        listed = section(await page_of(opened, "XNOR"), "received")
        assert "SPECI" in listed
        assert "corrected" in listed
        assert "replaced by another of the same time" in listed

    async def test_shows_what_could_not_be_read_with_the_reason(self, opened: Morning) -> None:
        await opened.sign_in("read")
        opened.turn([read_report("METAR XNOR 999999Z <b>what</b>", received_at=opened.clock[0])])
        page = await page_of(opened, "XNOR")
        listed = section(page, "received")
        assert "Could not be read: METAR XNOR 999999Z <b>what</b>" in listed
        assert not page.xpath("//b[text()='what']")

    async def test_hostile_text_stays_text(self, opened: Morning) -> None:
        await opened.sign_in("read")
        rest = '34004KT 2500 -SN BR OVC010 M04/M05 Q1008 RMK <script>alert(1)</script> "onload=x \x07\u202e'
        opened.report("XNOR", rest)
        answer = await opened.client.get(f"{opened.origin}/stations/XNOR")
        assert "<script>alert(1)" not in answer.text
        assert "&lt;script&gt;alert(1)&lt;/script&gt;" in answer.text
        assert "\u202e" not in answer.text
        assert "\x07" not in answer.text


@pytest.mark.slow
class TestInTheBrowser:
    @pytest.mark.parametrize("size", [DESK, WALL, PHONE], ids=lambda size: size.name)
    @pytest.mark.parametrize("scheme", ["light", "dark"])
    async def test_is_well_on_every_screen(self, opened: Morning, chromium: Browser, size: Size, scheme: str) -> None:
        async with window(chromium, opened.origin, size, scheme=scheme) as (_, seen):
            await sign_in(seen, opened.origin, opened.token("read", "acknowledge"), "/stations/XNOR")
            for code in ("XNOR", "XFEL", "XMOR", "XTAR"):
                await seen.page.goto(f"{opened.origin}/stations/{code}")
                await seen.page.evaluate("document.querySelectorAll('details').forEach(each => { each.open = true })")
                await seen.keep(f"station-{code}-{size.name}-{scheme}")
                await seen.is_well()

    async def test_is_true_again_within_two_seconds_and_keeps_what_was_open(
        self, opened: Morning, chromium: Browser
    ) -> None:
        async with window(chromium, opened.origin, DESK) as (_, seen):
            await sign_in(seen, opened.origin, opened.token("read"), "/stations/XTAR")
            await seen.page.click("#hours > summary")
            await seen.page.focus("#all-facts > summary")
            await seen.page.wait_for_timeout(400)
            opened.report("XTAR", FREEZING_RAIN)
            await seen.page.wait_for_selector(".head .level.no-time", timeout=2000)
            assert await seen.page.evaluate("document.querySelector('#hours').open")
            focused = "document.activeElement.closest('details')?.id"
            assert await seen.page.evaluate(focused) == "all-facts"
            assert "no-time" in await seen.page.title()
            assert "XTAR no-time" in await seen.page.inner_text("#news")
            assert await seen.page.locator(".head.changed").count() == 1
            await seen.is_well()

    async def test_another_stations_news_changes_nothing(self, opened: Morning, chromium: Browser) -> None:
        async with window(chromium, opened.origin, DESK) as (_, seen):
            await sign_in(seen, opened.origin, opened.token("read"), "/stations/XTAR")
            asked: list[str] = []
            seen.page.on("request", lambda request: asked.append(request.url))
            await seen.page.wait_for_timeout(300)
            opened.report("XBAY", FREEZING_RAIN)
            await seen.page.wait_for_timeout(800)
            assert not [url for url in asked if url.endswith("/stations/XTAR")]

    async def test_says_when_it_is_no_longer_true(self, opened: Morning, chromium: Browser) -> None:
        async with window(chromium, opened.origin, DESK) as (context, seen):
            await sign_in(seen, opened.origin, opened.token("read"), "/stations/XTAR")
            assert await seen.page.locator("#lost").is_hidden()
            await context.set_offline(True)
            await seen.page.evaluate("window.dispatchEvent(new Event('offline'))")
            await seen.page.wait_for_selector("#lost", state="visible")
            await context.set_offline(False)
            await seen.page.wait_for_selector("#lost", state="hidden", timeout=15_000)

    async def test_the_figures_of_the_picture_are_reached_by_keyboard(self, opened: Morning, chromium: Browser) -> None:
        for size in (DESK, PHONE):
            async with window(chromium, opened.origin, size) as (_, seen):
                await sign_in(seen, opened.origin, opened.token("read", name=size.name), "/stations/XNOR")
                await seen.page.focus("figure[data-values]")
                await seen.page.keyboard.press("Home")
                first = await seen.page.inner_text("[data-readout]")
                assert re.match(r"\d{4}Z \(\d\d:\d\d Europe/Oslo\), report: air -\d\.\d °C, frost point", first)
                await seen.page.keyboard.press("ArrowRight")
                assert await seen.page.inner_text("[data-readout]") != first
                await seen.page.keyboard.press("End")
                last = await seen.page.inner_text("[data-readout]")
                assert "frost forecast" in last or "TAF" in last
                assert await seen.page.locator(".hit.here").count() == 1

    async def test_works_without_script(self, opened: Morning, chromium: Browser) -> None:
        async with window(chromium, opened.origin, PHONE, java_script_enabled=False) as (_, seen):
            await seen.page.goto(f"{opened.origin}/enter?to=/stations/XNOR")
            await seen.page.fill("input[name=token]", opened.token("read"))
            await seen.page.click("button")
            assert await seen.page.locator("[data-readout]").is_hidden()
            titles = await seen.page.locator(".outlook-picture.narrow .hit").count()
            assert titles > 20
            await seen.page.click("#hours > summary")
            assert await seen.page.locator("table.hours").is_visible()
