"""The night page: whether, when and what to do first; local and Z times; every part, hour and doubt behind it.

Local times are checked against the IANA zones by the standard library (zoneinfo); accessibility by axe-core.
"""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import httpx
import pytest
from lxml import html
from playwright.async_api import Browser

from tests.web.board_scenes import SETTINGS, Morning, morning
from tests.web.browsing import DESK, PHONE, WALL, Size, sign_in, window
from watcher.errors import UsageError
from watcher.notify.message import CAUTION
from watcher.outlook.night.model import Night
from watcher.service.night_answers import Asked, answers
from watcher.service.night_asking import Parked, craft_of, departure_at, with_local_times
from watcher.service.night_words import headline
from watcher.store.store import Store

pytestmark = pytest.mark.anyio

NOW = datetime(2026, 1, 12, 6, 0, tzinfo=UTC)
PARKED = """
[[parked]]
name = "Grey Heron"
station = "XBAY"
departs = "05:40"
fuel_c = -4
[[parked]]
name = "Tern <b>2</b>"
station = "XTAR"
departs = "07:00"
"""


@pytest.fixture
async def with_parked(opened: Morning, judged_morning: tuple[Path, dict[str, Night]]) -> AsyncIterator[Morning]:
    """The same morning where two aircraft of the settings stand outside."""
    async with morning(opened.store, judged_morning[1], SETTINGS + PARKED) as board:
        yield board


async def asked(opened: Morning, **given: object) -> httpx.Response:
    return await opened.client.get(f"{opened.origin}/night", params={k: str(v) for k, v in given.items()})


def text_of(element: html.HtmlElement) -> str:
    return " ".join(" ".join(element.itertext()).split())


class TestTimes:
    def test_a_local_departure_is_the_next_time_that_the_wall_clock_reads_so(self) -> None:
        for zone in ("Europe/Oslo", "America/St_Johns", "Asia/Kathmandu"):
            found = departure_at("until", "06:00", zone, NOW)
            local = found.astimezone(ZoneInfo(zone))
            assert (local.hour, local.minute) == (6, 0)
            assert timedelta(0) < found - NOW <= timedelta(hours=24)

    def test_times_in_z_and_from_now_stay_what_they_are(self) -> None:
        assert departure_at("until", "0540Z", "Europe/Oslo", NOW) == datetime(2026, 1, 13, 5, 40, tzinfo=UTC)
        assert departure_at("until", "6h", None, NOW) == NOW + timedelta(hours=6)

    def test_a_local_time_without_a_zone_is_refused_with_what_to_write(self) -> None:
        with pytest.raises(UsageError, match="write it in Z"):
            departure_at("until", "06:00", None, NOW)

    def test_local_times_of_the_aircraft_lie_before_the_departure(self) -> None:
        until = datetime(2026, 1, 13, 5, 0, tzinfo=UTC)
        given = Parked(treated="03:00", arrived="22:30", hangar_exit="0300Z")
        craft = craft_of(with_local_times(given, "Europe/Oslo", NOW, until), NOW, until)
        assert craft.treated_at == datetime(2026, 1, 13, 2, 0, tzinfo=UTC)
        assert craft.arrived_at == datetime(2026, 1, 12, 21, 30, tzinfo=UTC)
        assert craft.hangar_exit_at == datetime(2026, 1, 13, 3, 0, tzinfo=UTC)
        soon = NOW + timedelta(hours=2)
        past = with_local_times(Parked(arrived="22:30"), "Europe/Oslo", NOW, soon)
        assert craft_of(past, NOW, soon).arrived_at == datetime(2026, 1, 11, 21, 30, tzinfo=UTC)


class TestOneStation:
    async def test_answers_with_the_sentence_of_the_command_first(self, opened: Morning) -> None:
        await opened.sign_in("read")
        page = html.fromstring((await asked(opened, station="XBAY")).text)
        departs = datetime(2026, 1, 13, 5, 0, tzinfo=UTC)
        view = opened.house.views()["XBAY"]
        [answer] = answers([view], Asked(NOW, departs, departs), craft_of(Parked(), NOW, departs), 200)
        assert text_of(page.xpath("//h1")[0]) == headline(answer)
        assert "departs 13 Jan 0500Z (06:00 Europe/Oslo)" in text_of(page)
        assert "Next step" in text_of(page.xpath('//p[@class="next"]')[0])
        assert CAUTION in text_of(page)
        assert "No measurement of an aircraft's wing stands behind this" in text_of(page)
        assert "METAR 0550Z 06:50 , 10 min old" in text_of(page)

    async def test_compares_the_parts_and_has_every_half_hour_behind_it(self, opened: Morning) -> None:
        await opened.sign_in("read")
        page = html.fromstring((await asked(opened, station="XBAY", until="05:40")).text)
        parts = [text_of(each) for each in page.xpath('//table[@class="parts"]//th[@scope="row"]')]
        assert {part.removesuffix(" worst") for part in parts} == {"dry bay", "tank, full", "tank, part full"}
        assert sum(part.endswith(" worst") for part in parts) == 1
        times = page.xpath('//table[@class="hours"]//tr[th[@scope="row"]]//time/@datetime')
        assert times[0] == "2026-01-12T06:00:00Z"
        assert times[-1] == "2026-01-13T04:40:00Z"
        assert times == sorted(times)
        days = page.xpath('//table[@class="hours"]//tr[@class="day"]/th/text()')
        assert days == ["12 Jan 2026 (Z)", "13 Jan 2026 (Z)"]

    async def test_what_is_known_of_the_aircraft_changes_the_answer(self, opened: Morning) -> None:
        await opened.sign_in("read")

        def deposits(answer: httpx.Response) -> list[str]:
            page = html.fromstring(answer.text)
            return [text_of(each) for each in page.xpath('//table[@class="parts"]//td[2]')]

        plain = deposits(await asked(opened, station="XBAY"))
        roofed = deposits(await asked(opened, station="XBAY", sky="0,1", treated="05:30"))
        assert plain != roofed
        hangar = await asked(opened, station="XBAY", hangar_exit="04:00", hangar_c="12")
        assert "in the hangar" in hangar.text
        assert 'value="12"' in hangar.text

    async def test_says_why_where_it_cannot_be_computed(self, store: Store) -> None:
        async with morning(store, {}) as empty:
            await empty.sign_in("read")
            page = html.fromstring((await asked(empty, station="XTAR")).text)
            assert "It cannot be computed how likely frost is." in text_of(page)
            assert "No temperature of XTAR is known" in text_of(page)
            assert "nothing here rules frost out" in text_of(page)


class TestTheForm:
    async def test_all_that_is_wrong_stands_beside_its_field_with_what_was_written(self, opened: Morning) -> None:
        await opened.sign_in("read")
        answer = await asked(
            opened, station="XBAZ", until="25:00", fuel_c="warm", sky="7", hangar_c="4", treated="soon"
        )
        assert answer.status_code == 422
        page = html.fromstring(answer.text)
        wrong = {each.get("id").removesuffix("-amiss"): text_of(each) for each in page.xpath('//*[@class="amiss"]')}
        assert wrong.keys() == {"station", "until", "fuel_c", "sky", "hangar_c", "treated"}
        assert "did you mean XBAY" in wrong["station"]
        assert "give when it leaves the hangar too" in wrong["hangar_c"]
        assert page.xpath('//input[@name="fuel_c"]/@value') == ["warm"]
        assert page.xpath('//input[@name="fuel_c"]/@aria-invalid') == ["true"]

    async def test_too_many_stations_are_refused(self, opened: Morning) -> None:
        await opened.sign_in("read")
        answer = await asked(opened, station=" ".join(f"XA{number:02d}" for number in range(20)))
        assert answer.status_code == 422
        assert "name at most 12" in answer.text

    async def test_hostile_fields_stay_text(self, opened: Morning) -> None:
        await opened.sign_in("read")
        answer = await asked(opened, station='"><script>x</script>', until="<b>", fuel_c="nan")
        assert "<script>x" not in answer.text
        assert answer.status_code == 422


class TestSeveral:
    async def test_stations_stand_in_the_order_in_which_they_want_attention(self, opened: Morning) -> None:
        await opened.sign_in("read")
        url = f"{opened.origin}/night?station=XTAR&station=XNOR&station=XBAY"
        page = html.fromstring((await opened.client.get(url)).text)
        codes = [text_of(each).split()[0] for each in page.xpath('//ol[@class="many"]//h2')]
        assert codes == ["XNOR", "XBAY", "XTAR"]
        assert len(page.xpath('//ol[@class="many"]//*[contains(@class,"night-picture")]')) == 3
        assert "departs 13 Jan 0600Z (06:00 Europe/London)" in text_of(page)
        assert "departs 13 Jan 0500Z (06:00 Europe/Oslo)" in text_of(page)


class TestParked:
    async def test_aircraft_of_the_settings_stand_first_with_their_answer(self, with_parked: Morning) -> None:
        await with_parked.sign_in("read")
        page = html.fromstring((await asked(with_parked)).text)
        names = [text_of(each) for each in page.xpath('//ul[@class="parked"]//b[@class="name"]')]
        assert names == ["Grey Heron", "Tern <b>2</b>"]
        first = text_of(page.xpath('//ul[@class="parked"]/li')[0])
        assert "departs 13/0440Z (05:40 Europe/Oslo)" in first
        assert re.search(r"\d+ % frosted", first)
        link = page.xpath('//ul[@class="parked"]/li[1]//a[contains(@href,"/night")]/@href')[0]
        behind = await with_parked.client.get(f"{with_parked.origin}{link}")
        assert behind.status_code == 200
        assert "fuel_c=-4" in link
        assert "departs 13 Jan 0440Z" in behind.text

    async def test_watched_stations_are_listed_the_likeliest_first(self, opened: Morning) -> None:
        await opened.sign_in("read")
        page = html.fromstring((await asked(opened)).text)
        first = text_of(page.xpath('//table[@class="tonight"]//tbody/tr')[0])
        assert first.startswith("XBAY Bayhaven")


def test_the_application_does_not_load_the_ensemble_before_it_is_asked() -> None:
    code = "import sys, watcher.web.app; sys.exit('numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@pytest.mark.slow
class TestInTheBrowser:
    @pytest.mark.parametrize("size", [DESK, WALL, PHONE], ids=lambda size: size.name)
    @pytest.mark.parametrize("scheme", ["light", "dark"])
    async def test_is_well_on_every_screen(
        self, with_parked: Morning, chromium: Browser, size: Size, scheme: str
    ) -> None:
        opened = with_parked
        async with window(chromium, opened.origin, size, scheme=scheme) as (_, seen):
            await sign_in(seen, opened.origin, opened.token("read"), "/night")
            for name, query in (("form", ""), ("one", "?station=XBAY"), ("several", "?station=XBAY+XNOR+XTAR")):
                await seen.page.goto(f"{opened.origin}/night{query}")
                await seen.page.evaluate("document.querySelectorAll('details').forEach(each => { each.open = true })")
                await seen.keep(f"night-{name}-{size.name}-{scheme}")
                await seen.is_well()

    async def test_a_question_is_asked_and_its_figures_are_read_by_keyboard_alone(
        self, opened: Morning, chromium: Browser
    ) -> None:
        async with window(chromium, opened.origin, DESK) as (_, seen):
            await sign_in(seen, opened.origin, opened.token("read"), "/night")
            await seen.page.focus("input[name=station]")
            await seen.page.keyboard.type("xbay")
            await seen.page.keyboard.press("Enter")
            await seen.page.wait_for_selector("h1.whether")
            await seen.page.focus("figure[data-values]")
            await seen.page.keyboard.press("ArrowRight")
            told = await seen.page.inner_text("[data-readout]")
            assert told.startswith("0600Z (07:00 Europe/Oslo): frost forms")
            await seen.page.keyboard.press("End")
            assert await seen.page.inner_text("[data-readout]") != told

    async def test_works_without_script(self, opened: Morning, chromium: Browser) -> None:
        async with window(chromium, opened.origin, PHONE, java_script_enabled=False) as (_, seen):
            await seen.page.goto(f"{opened.origin}/enter?to=/night")
            await seen.page.fill("input[name=token]", opened.token("read"))
            await seen.page.click("button")
            await seen.page.fill("input[name=station]", "XBAY")
            await seen.page.click("text=Compute the night")
            assert "deposit on the wing" in await seen.page.inner_text("h1")
            await seen.page.click("#hours > summary")
            assert await seen.page.locator("table.hours").is_visible()
            assert await seen.page.locator(".night-picture.narrow .hit").count() > 20
