"""The page of a treated aircraft on a phone: from the first fluid to the take-off, with and without connection."""

from __future__ import annotations

import asyncio
import json
from contextlib import asynccontextmanager, suppress
from datetime import UTC, datetime, timedelta

import pytest
from playwright.async_api import BrowserContext, Request, expect

from tests.web.board_scenes import Morning
from tests.web.browsing import DESK, PHONE, PROGRAM, WALL, Seen, Size, sign_in, window
from tests.web.scenes import MINUTE, NOW
from tests.web.treated import begin, kept, phone
from watcher.treatment.protection import Ending

pytestmark = [
    pytest.mark.anyio,
    pytest.mark.slow,
    pytest.mark.skipif(PROGRAM is None, reason="there is no browser here"),
]
LANDSCAPE = Size("landscape", 740, 360)
TRADE = ("acknowledge", "read")
# A phone that shakes: what it was told is kept for the test.
SHAKES = "window.shaken = []; Navigator.prototype.vibrate = (how) => { window.shaken.push(how); return true; };"
TARGETS = """
[...document.querySelectorAll("button, summary, input:not([type=hidden]), select, a.button")]
  .filter((each) => each.offsetParent && !each.matches("[type=checkbox], [type=radio]"))
  .map((each) => [each.textContent.trim() || each.name, each.getBoundingClientRect().height])
"""
LOOK_MS = 12_000
# Some tests leave a question open.
ANSWERED_WITHIN_S = 3


class Crew:
    """A phone in somebody's hand, whose time stands still but for `later`."""

    def __init__(self, opened: Morning, context: BrowserContext, seen: Seen) -> None:
        self.opened, self.context, self.seen, self.page = opened, context, seen, seen.page
        self.asked: set[Request] = set()
        self.page.on("request", self._asks)
        self.page.on("requestfinished", self._has_answer)
        self.page.on("requestfailed", self._has_answer)

    def _asks(self, request: Request) -> None:
        self.asked.add(request)

    def _has_answer(self, request: Request) -> None:
        self.asked.discard(request)

    async def open(self, address: str) -> None:
        await self.page.add_init_script(SHAKES)
        await self.page.clock.install(time=self.opened.clock[0])
        await self.page.goto(address)
        await self._stand_still()

    async def later(self, seconds: float) -> None:
        """Let time pass here and at the server; what the page asks meanwhile is answered.

        Time stands still while a question is on its way: the page takes the server's time from it.
        """
        await self._answered()
        self.opened.clock[0] += timedelta(seconds=seconds)
        await self.page.clock.fast_forward(round(seconds * 1000))
        await self._answered()

    async def _answered(self) -> None:
        with suppress(TimeoutError):
            async with asyncio.timeout(ANSWERED_WITHIN_S):
                await self.page.evaluate("0")
                while self.asked:
                    await asyncio.sleep(0.01)

    async def _stand_still(self) -> None:
        shown = datetime.fromtimestamp(await self.page.evaluate("Date.now()") / 1000, UTC)
        self.opened.clock[0] = max(shown, self.opened.clock[0]).replace(microsecond=0) + timedelta(seconds=2)
        await self.page.clock.pause_at(self.opened.clock[0])
        await self.later(LOOK_MS / 1000)

    async def is_well(self) -> None:
        """Fail where anything is wrong; axe-core waits by the clock of the page, which must run meanwhile."""
        await self.page.clock.resume()
        await self.seen.is_well()
        await self._stand_still()

    async def hold(self, name: str, seconds: float = 1.1) -> None:
        button = self.page.get_by_role("button", name=name)
        await button.hover()
        await self.page.mouse.down()
        await self.later(seconds)
        await self.page.mouse.up()

    async def says(self, selector: str, words: str) -> None:
        await expect(self.page.locator(selector)).to_contain_text(words)

    async def shaken(self) -> list[object]:
        return json.loads(await self.page.evaluate("JSON.stringify(window.shaken)"))


@asynccontextmanager
async def crew_at(opened: Morning, chromium, link: str, size: Size = PHONE, **options):
    async with window(chromium, opened.origin, size, **options) as (context, seen):
        crew = Crew(opened, context, seen)
        await crew.open(link)
        yield crew


async def begun_by_hand(opened: Morning, chromium) -> str:
    """Begin a protection at a desk, and return the link that its page hands to the phone."""
    async with window(chromium, opened.origin, DESK) as (_, seen):
        await sign_in(seen, opened.origin, opened.token(*TRADE), "/protections/new")
        page = seen.page
        await page.fill("[name=station]", "XNOR")
        await page.fill("[name=aircraft]", "HL-101")
        await page.select_option("[name=profile]", "medium-jet")
        await page.select_option("[name=place]", "pad")
        await page.select_option("[name=fluid]", "Type IV")
        await page.select_option("[name=mix]", "100/0")
        await page.check("[name=training]")
        await seen.is_well()
        await page.get_by_role("button", name="Begin the clocks").click()
        await page.wait_for_url("**/protections/XNOR-P1?begun=yes")
        await expect(page.locator(".share svg.qr")).to_be_visible()
        link = await page.locator(".share code").inner_text()
        await seen.keep("protection-begun-desk")
        await seen.is_well()
        return link


async def test_a_protection_from_the_first_fluid_to_the_take_off(opened, chromium):
    link = await begun_by_hand(opened, chromium)
    assert link == opened.links.protection("XNOR-P1")
    async with crew_at(opened, chromium, link, has_touch=True) as crew:
        await crew.says(".clock", "to the lower end 0620Z")
        assert (await crew.page.locator("[data-left]").inner_text()).startswith("19:")
        await crew.later(179)
        # A short press ends nothing; it asks.
        await crew.hold("Treatment has ended", 0.3)
        await crew.says(".hold .sure:visible", "Has the last fluid gone on?")
        await crew.page.get_by_role("button", name="No", exact=True).click()
        assert kept(opened, "XNOR-P1").treatment_ended_at is None
        await crew.hold("Treatment has ended")
        await expect(crew.page.get_by_role("button", name="Treatment has ended")).to_be_hidden()
        await expect(crew.page.locator("[data-part=undo] button")).to_contain_text("treatment ended 0603Z")
        ended = kept(opened, "XNOR-P1").treatment_ended_at
        assert timedelta() <= opened.clock[0] - ended < timedelta(seconds=3)
        engine, apu = crew.page.locator(".wait").nth(0), crew.page.locator(".wait").nth(1)
        await expect(engine).to_contain_text("wait ends 0605Z")
        await expect(apu).to_contain_text("wait ends 0609Z")
        await crew.seen.keep("protection-waits-phone")
        await crew.later(120)
        await expect(engine.locator(".after")).to_be_visible()
        await expect(apu.locator(".before")).to_be_visible()
        await crew.is_well()

        opened.report("XNOR", "34004KT 4000 -FZRA OVC006 M04/M05 Q1008")
        await crew.later(LOOK_MS / 1000)
        await expect(crew.page.locator(".told")).to_be_visible(timeout=2_000)
        await crew.says(".told", "Protection shortened to 0610Z")
        assert [400, 200, 400, 200, 800] in await crew.shaken()
        await crew.seen.keep("protection-shortened-phone")
        await crew.is_well()
        shakes = len(await crew.shaken())
        await crew.later(LOOK_MS / 1000)
        assert len(await crew.shaken()) == shakes

        await crew.hold("Aircraft has taken off")
        await crew.says(".clock", "ENDED")
        await crew.seen.keep("protection-ended-phone")
        await crew.is_well()
        assert kept(opened, "XNOR-P1").ending is Ending.TOOK_OFF


async def test_without_connection_the_clocks_run_on_and_say_so_and_presses_are_kept(opened, chromium):
    await opened.sign_in(*TRADE)
    on_phone, name = await phone(opened, place="pad", ended="0559Z")
    async with crew_at(opened, chromium, on_phone.link) as crew:
        await crew.page.wait_for_function(
            "async () => (await caches.keys()).length && (await (await caches.open('hoarline-protection-1')).keys()).length > 5"
        )
        await crew.later(40)
        await crew.context.set_offline(True)
        await crew.later(LOOK_MS / 1000)
        await crew.says("#line", "No connection since 0600Z: the clocks run on with what was known then")
        left = await crew.page.locator("[data-left]").inner_text()
        await crew.later(60)
        minutes, seconds = (int(part) for part in left.split(":"))
        now_left = await crew.page.locator("[data-left]").inner_text()
        assert now_left == f"{minutes - 1}:{seconds:02d}"
        pressed_at = opened.clock[0]
        step = await crew.page.locator(".list .now").get_attribute("data-step")
        await crew.page.locator(".list .now button").click()
        await crew.says("#untold", "Not yet told: Done:")
        assert await crew.page.locator(".list .now").get_attribute("data-step") != step
        assert kept(opened, name).presses == ()
        await crew.seen.keep("protection-offline-phone")

        # Loaded again without connection: the clocks as they were kept, marked as such, and the press is not lost.
        await crew.page.reload()
        await crew.later(1)
        assert await crew.page.evaluate("document.documentElement.dataset.kept") == "yes"
        await crew.says("#line", "No connection since 0600Z")
        await crew.says("#untold", "Not yet told: Done:")
        seconds_left = [int(part) for part in (await crew.page.locator("[data-left]").inner_text()).split(":")]
        assert abs((60 * minutes + seconds - 60) - (60 * seconds_left[0] + seconds_left[1])) <= 3
        await crew.seen.keep("protection-reloaded-offline-phone")

        await crew.later(120)
        opened.report("XNOR", "34004KT 4000 -FZRA OVC006 M04/M05 Q1008")
        # The browser says that it is back; nobody waits for the next look.
        await crew.context.set_offline(False)
        await expect(crew.page.locator("#line")).to_be_hidden()
        await expect(crew.page.locator("#untold")).to_be_hidden()
        await expect(crew.page.locator(".told")).to_be_visible()
    (press,) = kept(opened, name).presses
    assert press.step == step
    assert abs(press.at - pressed_at) < timedelta(seconds=2)


async def test_a_clock_that_is_wrong_is_corrected_and_told(opened, chromium):
    await opened.sign_in(*TRADE)
    on_phone, _ = await phone(opened)
    async with window(chromium, opened.origin, PHONE) as (_, seen):
        await seen.page.clock.install(time=opened.clock[0] - timedelta(seconds=90))
        await seen.page.goto(on_phone.link)
        await expect(seen.page.locator("#off")).to_contain_text("s slow; the times here are corrected")
        assert (await seen.page.locator("[data-left]").inner_text()).startswith(("9:", "10:"))
        await seen.is_well()


async def test_the_lower_end_passes_on_the_phone_by_itself(opened, chromium):
    await opened.sign_in(*TRADE)
    on_phone, _ = await phone(opened, started="0545Z")
    async with crew_at(opened, chromium, on_phone.link) as crew:
        await crew.says(".clock .before", "to the lower end 0605Z")
        await crew.context.set_offline(True)
        await crew.later(299)
        await crew.says(".clock .after", "OVER")
        await expect(crew.page.locator(".clock .before")).to_be_hidden()
        await expect(crew.page.locator("[data-part=next] .after")).to_contain_text("Contamination check")
        assert await crew.page.locator("svg.fuse").get_attribute("class") == "chart fuse narrow past"
        assert [400, 200, 400, 200, 800] in await crew.shaken()


async def test_what_somebody_else_presses_is_seen_and_a_press_that_came_too_late_is_told(opened, chromium):
    await opened.sign_in(*TRADE)
    on_phone, name = await phone(opened, place="pad", ended="0559Z")
    async with crew_at(opened, chromium, on_phone.link) as crew:
        step = await crew.page.locator(".list .now").get_attribute("data-step")
        assert (await on_phone.press("step", step=step)).status_code == 200
        await crew.later(LOOK_MS / 1000)
        await expect(crew.page.locator(f"[data-step={step}]")).to_have_class("done")
        await on_phone.press("took-off")
        await crew.page.locator(".list .now button").click()
        await crew.says("#refused", "it had ended before; nothing was changed")
        await crew.later(LOOK_MS / 1000)
        await crew.says(".clock", "ENDED")
    assert len(kept(opened, name).presses) == 2


async def test_everything_can_be_done_with_keys(opened, chromium):
    await opened.sign_in(*TRADE)
    on_phone, name = await phone(opened)
    async with crew_at(opened, chromium, on_phone.link) as crew:
        await crew.page.locator("#press-treated").focus()
        await crew.page.keyboard.down("Enter")
        await crew.later(0.2)
        await crew.page.keyboard.up("Enter")
        await crew.says(".sure:visible", "Has the last fluid gone on?")
        assert await crew.page.evaluate("document.activeElement.value") == "yes"
        await crew.page.keyboard.press("Enter")
        await expect(crew.page.locator("#press-undo")).to_be_visible()
        assert kept(opened, name).treatment_ended_at is not None
        await crew.page.locator("#press-took-off").focus()
        await crew.page.keyboard.down("Space")
        await crew.later(1.1)
        await crew.page.keyboard.up("Space")
        await crew.says(".clock", "ENDED")


async def test_the_screen_stays_on_while_that_is_wished(opened, chromium):
    await opened.sign_in(*TRADE)
    on_phone, _ = await phone(opened)
    async with window(chromium, opened.origin, PHONE, permissions=["screen-wake-lock"]) as (context, seen):
        crew = Crew(opened, context, seen)
        await crew.open(on_phone.link)
        awake = crew.page.locator("#awake")
        await awake.click()
        await expect(awake).to_have_text("Screen stays on")
        await expect(awake).to_have_attribute("aria-pressed", "true")
        await awake.click()
        await expect(awake).to_have_text("Keep the screen on")
        loud = crew.page.locator("#sound")
        await loud.click()
        await expect(loud).to_have_text("Sound is on")


async def test_without_script_the_page_says_the_times_and_its_buttons_are_forms(opened, chromium):
    name = "XNOR-P1"
    await opened.sign_in(*TRADE)
    on_phone, _ = await phone(opened, place="pad")
    async with window(chromium, opened.origin, PHONE, java_script_enabled=False) as (_, seen):
        page = seen.page
        await page.goto(on_phone.link)
        await expect(page.locator(".clock .before")).to_contain_text("to the lower end 0610Z")
        assert await page.locator("noscript meta").count() == 1
        await seen.keep("protection-no-script-phone")
        await page.get_by_role("button", name="Treatment has ended").click()
        await expect(page.locator(".question")).to_contain_text("Has the last fluid gone on?")
        await seen.keep("protection-sure-phone")
        await page.get_by_role("button", name="Yes, the treatment has ended").click()
        await page.wait_for_url(on_phone.link)
        await expect(page.locator(".wait").nth(0)).to_contain_text("wait ends 0601Z")
        await page.locator(".list .now button").click()
        await expect(page.locator("[data-part=undo] button")).to_contain_text("Undo the last: step done")
    assert len(kept(opened, name).presses) == 2


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [PHONE, LANDSCAPE, DESK], ids=lambda size: size.name)
async def test_every_standing_can_be_read_and_pressed(opened, chromium, size, scheme):
    """axe-core; buttons of 56 px for gloves (common practice, no source; WCAG 2.2 asks for 44 at its highest level)."""
    await opened.sign_in(*TRADE)
    names = {
        "running": await begin(opened, take_off="0607", ended="0556Z"),
        "over": await begin(opened, fluid="Type I", mix="", started="0540Z"),
        "none": await begin(opened, station="XFEL"),
        "no-limit": await begin(opened, station="XTAR"),
        "blind": await begin(opened, station="XMOR"),
        "out-of-season": await begin(opened, training=""),
    }
    opened.report("XNOR", "34004KT 4000 -PL OVC010 M04/M05 Q1008")
    names["allowance"] = await begin(opened, begins="now", started="")
    opened.report("XTAR", "34004KT 0900 +SN OVC006 M04/M05 Q1008")
    names["special"] = names["no-limit"]
    opened.report("XLOW", "34004KT //// -SN OVC010 M01/M02 Q1008")
    names["unknown"] = await begin(opened, station="XLOW", begins="now", started="", profile="", place="")
    async with window(chromium, opened.origin, size, scheme=scheme) as (_, seen):
        await seen.page.clock.install(time=NOW)
        for standing, name in names.items():
            await seen.page.goto(opened.links.protection(name))
            await expect(seen.page.locator("html.scripted")).to_be_attached()
            await seen.keep(f"protection-{standing}-{size.name}-{scheme}")
            await seen.is_well()
            small = [each for each in await seen.page.evaluate(TARGETS) if each[1] < 56]
            assert not small, (standing, small)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [PHONE, DESK, WALL], ids=lambda size: size.name)
async def test_the_list_and_the_form_on_every_screen(opened, chromium, size, scheme):
    await opened.sign_in(*TRADE)
    crew, _ = await phone(opened, station="XTAR", aircraft="HL-gone")
    await crew.press("took-off")
    for given in ({}, {"fluid": "Type I", "mix": "", "started": "0540Z"}, {"station": "XFEL"}, {"station": "XMOR"}):
        await begin(opened, **given)
    async with window(chromium, opened.origin, size, scheme=scheme) as (_, seen):
        await seen.page.clock.install(time=NOW)
        await sign_in(seen, opened.origin, opened.token(*TRADE, name="board"), "/protections?ended=yes")
        await expect(seen.page.locator(".treated li")).to_have_count(4)
        await seen.keep(f"protections-{size.name}-{scheme}")
        await seen.is_well()
        await seen.page.goto(f"{opened.origin}/protections/new?station=XNOR")
        await seen.keep(f"protection-new-{size.name}-{scheme}")
        await seen.is_well()
        await seen.page.fill("[name=aircraft]", "HL-1")
        await seen.page.select_option("[name=fluid]", "Type IV")
        await seen.page.get_by_role("button", name="Begin the clocks").click()
        await expect(seen.page.locator("#mix-wrong")).to_be_visible()
        assert not await seen.violations()
        assert all(" 422 " in each for each in seen.complaints)


async def test_the_page_prints_as_a_record(opened, chromium):
    await opened.sign_in(*TRADE)
    on_phone, _ = await phone(opened, ended="0556Z")
    await on_phone.press("took-off")
    async with window(chromium, opened.origin, DESK) as (_, seen):
        await seen.page.goto(on_phone.link)
        await seen.page.emulate_media(media="print")
        for part in ("Final application began: Type IV 100/0", "Treatment ended", "Took off"):
            await expect(seen.page.locator(".record")).to_contain_text(part)
        shown = await seen.page.evaluate(
            "[...document.querySelectorAll('button')].filter((e) => e.offsetParent).length"
        )
        assert shown == 0
        # On paper the colours are the light ones.
        assert await seen.page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(247, 246, 243)"
        await seen.keep("protection-print")


async def test_the_list_moves_on_while_it_is_open(opened, chromium):
    await opened.sign_in(*TRADE)
    name = await begin(opened, started="0545Z")
    async with window(chromium, opened.origin, DESK) as (context, seen):
        await sign_in(seen, opened.origin, opened.token(*TRADE, name="board"), "/protections")
        crew = Crew(opened, context, seen)
        await crew.open(f"{opened.origin}/protections")
        await crew.says(".treated", "to the lower end 0605Z")
        opened.report("XNOR", "34004KT 0900 +SN OVC006 M04/M05 Q1008")
        await crew.later(LOOK_MS / 1000)
        await crew.says(".treated", "LOST")
        await crew.is_well()
    assert kept(opened, name).live
    assert opened.clock[0] < NOW + MINUTE
