"""Treated aircraft on their pages: who runs out first, what is asked to begin one, and what a link in a phone may do."""

from __future__ import annotations

import asyncio
import io
import json
from datetime import timedelta

import httpx
import pytest
from lxml import html

from tests.web.scenes import MINUTE, NOW
from tests.web.test_take import field, words
from tests.web.treated import FORM, begin, detail, kept, ms, phone, reading, wait
from watcher.notify.message import CAUTION
from watcher.raster import can_raster, png_of
from watcher.treatment.protection import Ending
from watcher.web.qr import qr_picture

pytestmark = pytest.mark.anyio
TRADE = ("acknowledge", "read")


async def test_the_list_begins_with_what_is_lost_then_with_what_runs_out_first(opened):
    await opened.sign_in(*TRADE)
    await begin(opened, station="XTAR", aircraft="HL-mild")
    await begin(opened, aircraft="HL-long")
    await begin(opened, aircraft="HL-short", started="0545Z")
    await begin(opened, station="XFEL", aircraft="HL-lost")
    page = await opened.client.get(f"{opened.origin}/protections")
    names = html.fromstring(page.text).xpath("//ol[@class='treated']//h2/a/text()")
    assert names == ["HL-lost", "HL-short", "HL-long", "HL-mild"]
    shown = words(page)
    for part in ("LOST", "NO LIMIT", "to the lower end", "Next step", "TRAINING", "Report 10 min old", CAUTION):
        assert part in shown


async def test_those_that_ended_are_shown_on_demand(opened):
    await opened.sign_in(*TRADE)
    crew, _ = await phone(opened)
    await crew.press("took-off")
    assert "HL-101" not in words(await opened.client.get(f"{opened.origin}/protections"))
    assert "took off 0600Z" in words(await opened.client.get(f"{opened.origin}/protections?ended=yes"))


async def test_a_form_that_cannot_be_used_says_all_that_is_wrong_beside_its_fields_and_loses_nothing(opened):
    await opened.sign_in(*TRADE)
    given = FORM | {"aircraft": "  ", "fluid": "Type IV", "mix": "", "started": "2600Z", "lout": "5", "ended": "2460Z"}
    answer = await opened.post("/protections/new", **given)
    assert answer.status_code == 422
    tree = html.fromstring(answer.text)
    wrong = {item.get("id").removesuffix("-wrong") for item in tree.xpath("//span[@class='wrong']")}
    assert wrong == {"aircraft", "mix", "started", "lout", "ended"}
    for name in wrong:
        assert tree.xpath(f"//*[@name='{name}']/@aria-describedby") == [f"{name}-wrong"]
    assert field(answer, "started") == "2600Z"
    assert tree.xpath("//select[@name='profile']/option[@selected]/text()") == ["medium-jet"]
    assert opened.store.protections(live_only=True) == ()


async def test_what_cannot_be_is_refused_beside_its_field(opened):
    await opened.sign_in(*TRADE)
    for given, place, said in (
        ({"station": "XXXX"}, "station", "XXXX"),
        ({"started": "1700Z"}, "started", "more than 12 hours ago"),
        ({"begins": "at", "started": ""}, "started", "no time"),
        ({"profile": "small-prop"}, "profile", "did you mean small-propeller?"),
        ({"place": "ramp"}, "place", "allowed: after-push, pad, stand"),
    ):
        answer = await opened.post("/protections/new", **(FORM | given))
        assert answer.status_code == 422
        assert said in html.fromstring(answer.text).get_element_by_id(f"{place}-wrong").text_content()


async def test_a_plan_fills_the_form_and_a_profile_brings_its_waits(opened):
    await opened.sign_in(*TRADE)
    page = await opened.client.get(f"{opened.origin}/protections/new?station=XNOR&aircraft=HL-9&mix=75/25&place=pad")
    assert (field(page, "station"), field(page, "aircraft")) == ("XNOR", "HL-9")
    assert html.fromstring(page.text).xpath("//option[@selected]/text()") == ["pad", "75/25"]
    name = await begin(opened, begins="now", started="", take_off="0631")
    found = kept(opened, name)
    assert (found.started_at, found.take_off_at) == (NOW, NOW + 31 * MINUTE)
    assert (found.engine_wait_min, found.apu_wait_min) == (1, 5)


async def test_one_that_was_ended_by_mistake_is_begun_again_with_its_values(opened):
    await opened.sign_in(*TRADE)
    crew, name = await phone(opened, ended="0556Z", lout="-25", take_off="0620")
    await crew.press("returned")
    page = await opened.client.get(f"{opened.origin}/protections/{name}")
    (again,) = html.fromstring(page.text).xpath("//a[contains(@href, 'new?as=')]/@href")
    form = html.fromstring((await opened.client.get(f"{opened.origin}{again}")).text).forms[1]
    answer = await opened.post("/protections/new", **{key: value for key, value in form.form_values() if value})
    assert answer.status_code == 303, words(answer)
    second = kept(opened, "XNOR-P2")
    first = kept(opened, name)
    for what in (
        "aircraft", "fluid", "mix", "started_at", "treatment_ended_at", "lout_c", "place", "engine_wait_min", "take_off_at",
    ):  # fmt: skip
        assert getattr(second, what) == getattr(first, what), what


async def test_whoever_may_only_read_sees_no_button_and_no_link_and_changes_nothing(opened):
    await opened.sign_in(*TRADE)
    name = await begin(opened)
    full = await opened.client.get(f"{opened.origin}/protections/{name}")
    assert opened.links.protection(name) in words(full)
    opened.client.cookies.clear()
    await opened.sign_in("read", name="reader")
    page = await opened.client.get(f"{opened.origin}/protections/{name}")
    assert page.status_code == 200
    assert not html.fromstring(page.text).forms
    assert "/p/" not in page.text
    assert (
        await opened.post(f"/protections/{name}/press", id="phone-0001", kind="took-off", sure="yes")
    ).status_code == 403
    assert (await opened.client.get(f"{opened.origin}/protections/new")).status_code == 403
    opened.client.cookies.clear()
    for path in ("/protections", f"/protections/{name}", f"/protections/{name}/now", "/protections/now"):
        assert (await opened.client.get(f"{opened.origin}{path}")).status_code == 401
    assert kept(opened, name).live


async def test_the_link_shows_its_aircraft_and_no_other_page(opened):
    await opened.sign_in(*TRADE)
    crew, name = await phone(opened)
    async with httpx.AsyncClient() as alone:
        page = await alone.get(crew.link)
        assert page.status_code == 200
        shown = words(page)
        for part in (
            "HL-101",
            "XNOR Northby",
            "0610Z",
            "Type IV 100/0",
            "Transport Canada",
            "NOT in force",
            "TRAINING",
            CAUTION,
        ):
            assert part in shown, part
        assert not [link for link in html.fromstring(page.text).xpath("//a/@href") if not link.startswith("#")]
        assert (await alone.get(f"{opened.origin}/protections/{name}")).status_code == 401
        sealed = crew.link.rpartition("/")[2]
        for wrong in (sealed[:-2], "x", opened.links.stop("duty-desk").rpartition("/")[2]):
            assert (await alone.get(f"{opened.origin}/p/{wrong}")).status_code == 404
            assert (await alone.get(f"{opened.origin}/p/{wrong}/now")).status_code == 404
    policy = page.headers["content-security-policy"]
    # Content Security Policy Level 3: nothing runs but our own files, and a worker and a manifest may come from here.
    assert "default-src 'none'" in policy
    for part in ("script-src 'self'", "worker-src 'self'", "manifest-src 'self'", "connect-src 'self'"):
        assert part in policy
    assert page.headers["cache-control"] == "no-store"
    assert page.headers["x-robots-tag"] == "noindex, nofollow"


async def test_the_link_is_open_until_a_day_after_the_end(opened):
    await opened.sign_in(*TRADE)
    crew, _ = await phone(opened)
    assert (await crew.press("took-off")).status_code == 200
    opened.clock[0] += timedelta(hours=23)
    last = await opened.client.get(crew.link)
    assert "took off 0600Z" in words(last)
    assert not html.fromstring(last.text).forms
    opened.clock[0] += timedelta(hours=2)
    closed = await opened.client.get(crew.link, headers={"Accept": "text/html"})
    assert (closed.status_code, "the link is closed" in words(closed)) == (410, True)
    assert (await crew.look()).status_code == 410
    assert (await crew.press("took-off")).status_code == 410


async def test_no_page_of_somebody_else_presses(opened):
    await opened.sign_in(*TRADE)
    crew, name = await phone(opened)
    form = {"id": "phone-0001", "kind": "took-off", "sure": "yes"}
    for headers in ({}, {"Origin": "https://other.example.org"}):
        for page in (crew.link, f"{opened.origin}/protections/{name}"):
            assert (await opened.client.post(f"{page}/press", data=form, headers=headers)).status_code == 403
    assert kept(opened, name).live


async def test_a_press_counts_once_and_from_its_own_time(opened):
    await opened.sign_in(*TRADE)
    crew, name = await phone(opened)
    wait(opened, 5)
    pressed = {"id": "phone-offline", "at": ms(NOW - 2 * MINUTE)}
    first = await crew.press("treated", **pressed)
    assert first.status_code == 200
    assert (await crew.press("treated", **pressed)).json()["stamp"] == first.json()["stamp"]
    found = kept(opened, name)
    assert found.treatment_ended_at == NOW - 2 * MINUTE
    assert len(found.presses) == 1
    read = reading(opened, name).clocks
    # Common practice, no source: engine bleeds a minute, the APU's five minutes after the end of the treatment.
    assert (read.engine_bleed_wait_ends, read.apu_bleed_wait_ends) == (NOW - MINUTE, NOW + 3 * MINUTE)


async def test_what_cannot_have_been_pressed_is_refused_in_words(opened):
    await opened.sign_in(*TRADE)
    crew, name = await phone(opened)
    for fields, said in (
        ({"at": ms(NOW + MINUTE)}, "a time to come"),
        ({"at": ms(NOW - 60 * MINUTE)}, "before the final application"),
        ({"at": "soon"}, "no time"),
        ({"at": "9" * 40}, "no time"),
        ({"id": "x"}, "8 to 64 letters"),
        ({"kind": "dance"}, "not known"),
        ({"kind": "step", "step": "x" * 500}, "no such step"),
        ({"kind": "undo", "of": "phone-000000"}, "look again"),
        ({"kind": "seen"}, "nothing was entered"),
        ({"kind": "seen", "weather": "SUNNY"}, "SUNNY"),
        ({"kind": "expects", "take_off": "late"}, "no time"),
    ):
        answer = await crew.press(fields.pop("kind", "treated"), **fields)
        assert (answer.status_code, said in detail(answer)) == (409, True), (said, detail(answer))
    assert kept(opened, name).presses == ()


async def test_two_who_press_at_once_both_count_and_both_see_it(opened):
    await opened.sign_in(*TRADE)
    crew, name = await phone(opened, ended="0555Z")
    steps = html.fromstring((await opened.client.get(crew.link)).text).xpath(
        "//li[@class='ahead' or @class='now']/@data-step"
    )
    answers = await asyncio.gather(*(crew.press("step", step=step) for step in steps[:4]))
    assert [answer.status_code for answer in answers] == [200] * 4
    assert {press.step for press in kept(opened, name).presses} == set(steps[:4])
    now = (await crew.look()).json()["html"]
    done = html.fromstring(now).xpath("//li[contains(@class, 'done') and not(contains(@class, 'behind'))]/@data-step")
    assert set(done) == set(steps[:4])


async def test_the_checklist_goes_on_step_by_step_and_the_last_is_undone(opened):
    await opened.sign_in(*TRADE)
    crew, name = await phone(opened)
    treated = await crew.press("treated")
    first, second = html.fromstring(treated.json()["html"]).xpath("//li[@class='now' or @class='ahead']/@data-step")[:2]
    after = html.fromstring((await crew.press("step", step=first)).json()["html"])
    assert after.xpath("//li[@class='now']/@data-step") == [second]
    (of,) = after.xpath("//input[@name='of']/@value")
    back = html.fromstring((await crew.press("undo", of=of)).json()["html"])
    assert back.xpath("//li[@class='now']/@data-step") == [first]
    assert "undone Done:" in " ".join(back.text_content().split())
    assert kept(opened, name).treatment_ended_at is not None


async def test_without_script_what_ends_something_is_asked_once_more(opened):
    await opened.sign_in(*TRADE)
    name = await begin(opened)
    page = await opened.client.get(f"{opened.origin}/protections/{name}")
    form = next(form for form in html.fromstring(page.text).forms if form.fields.get("kind") == "took-off")
    asked = await opened.post(form.action, **dict(form.form_values()))
    assert "Has it taken off?" in words(asked)
    assert kept(opened, name).live
    sure = html.fromstring(asked.text).forms[0]
    answer = await opened.post(sure.action, **dict(sure.form_values()))
    assert (answer.status_code, answer.headers["location"]) == (303, f"/protections/{name}")
    assert kept(opened, name).ending is Ending.TOOK_OFF
    # The browser's "send again" of the same form changes nothing and shows the same page.
    assert (await opened.post(sure.action, **dict(sure.form_values()))).status_code == 303
    late = await opened.post(f"/protections/{name}/press", id="phone-0009", kind="returned", sure="yes")
    assert (late.status_code, "had ended before" in words(late)) == (422, True)


async def test_what_the_crew_sees_shortens_at_once_and_is_told_to_those_who_follow(opened):
    await opened.sign_in(*TRADE)
    crew, name = await phone(opened)
    answer = html.fromstring((await crew.press("seen", weather="FZRA")).json()["html"])
    shown = " ".join(answer.text_content().split())
    assert "LOST" in shown
    assert "Seen by the crew of 0600Z" in shown
    opened.turn()
    (event,) = opened.store.events_of(name)
    assert event.type.value.endswith("lost")
    assert "Protection lost, no holdover time exists" in (await crew.look()).json()["html"]


async def test_the_script_hears_of_a_change_and_gets_only_the_time_when_nothing_changed(opened):
    await opened.sign_in(*TRADE)
    crew, _ = await phone(opened)
    first = (await crew.look()).json()
    assert first["at_ms"] == ms(NOW)
    wait(opened, 2)
    assert (await crew.look(first["stamp"])).json() == {"at_ms": ms(NOW + 2 * MINUTE), "stamp": first["stamp"]}
    opened.report("XNOR", "34004KT 0900 +SN OVC006 M04/M05 Q1008")
    changed = (await crew.look(first["stamp"])).json()
    assert changed["stamp"] != first["stamp"]
    assert "Protection lost, no take-off in this weather" in changed["html"]
    listed = (await opened.client.get(f"{opened.origin}/protections/now")).json()
    again = (await opened.client.get(f"{opened.origin}/protections/now?have={listed['stamp']}")).json()
    assert again == {"at_ms": ms(NOW + 2 * MINUTE), "stamp": listed["stamp"]}


async def stands(opened, crew, name: str, standing: str, said: str) -> None:
    """Fail unless a page shows that standing with its word, its minutes where there are any, and what comes next."""
    tree = html.fromstring((await opened.client.get(crew.link)).text)
    assert reading(opened, name).clocks.standing.value == standing
    (clock,) = tree.xpath("//section[@data-part='clock']")
    assert standing in clock.get("class").split()
    assert said in " ".join(clock.text_content().split())
    assert len(tree.xpath("//section[@data-part='next']")[0].text_content().split()) > 5
    minutes = clock.xpath(".//*[@data-left]")
    assert bool(minutes) is (standing in {"running", "allowance", "over"})
    assert bool(tree.xpath("//*[name()='svg'][contains(@class, 'fuse')]")) is bool(minutes)


async def test_every_standing_is_told_in_words_with_what_comes_next(opened):
    await opened.sign_in(*TRADE)
    for standing, given, said in (
        ("running", {}, "to the lower end"),
        ("over", {"fluid": "Type I", "mix": "", "started": "0540Z"}, "past the lower end"),
        ("none", {"station": "XFEL"}, "no holdover time exists in this weather"),
        ("no-limit", {"station": "XTAR"}, "nothing falls that a table answers for"),
        ("blind", {"station": "XMOR"}, "the station is blind"),
        ("out-of-season", {"training": ""}, "the tables are out of season"),
    ):
        crew, name = await phone(opened, **given)
        await stands(opened, crew, name, standing, said)
    await crew.press("took-off")
    await stands(opened, crew, name, "ended", "took off 0600Z")


@pytest.mark.parametrize(
    ("standing", "report", "said"),
    [
        ("special", "34004KT 0900 +SN OVC006 M04/M05 Q1008", "without a special approval"),
        ("allowance", "34004KT 4000 -PL OVC010 M04/M05 Q1008", "the allowance time"),
        ("unknown", "34004KT //// -SN OVC010 M04/M05 Q1008", "the weather cannot be told"),
    ],
)
async def test_what_a_report_makes_of_it_is_told_in_words_too(opened, standing, report, said):
    await opened.sign_in(*TRADE)
    crew, name = await phone(opened)
    opened.report("XNOR", report)
    await stands(opened, crew, name, standing, said)


async def test_names_and_reports_cannot_write_on_the_page(opened):
    await opened.sign_in(*TRADE)
    name = await begin(opened, aircraft='<svg onload="x()">\u202e{{ 7*7 }}')
    for path in (f"/protections/{name}", "/protections", f"/protections/{name}/now"):
        answer = await opened.client.get(f"{opened.origin}{path}")
        text = answer.json()["html"] if path.endswith("/now") else answer.text
        assert "<svg onload" not in text
        assert "\u202e" not in text
        assert "49" not in words(answer) if not path.endswith("/now") else True


async def test_an_aircraft_that_is_not_kept_is_told_so(opened):
    await opened.sign_in(*TRADE)
    for path in ("/protections/XNOR-P99", "/protections/nothing", "/protections/new?as=XNOR-P99"):
        answer = await opened.client.get(f"{opened.origin}{path}", headers={"Accept": "text/html"})
        assert (answer.status_code, "not kept here" in words(answer)) == (404, True)


async def test_the_pages_can_be_installed(opened):
    """W3C Web Application Manifest: name, start_url, display and icons of 192 and 512 px are what installing asks for."""
    await opened.sign_in(*TRADE)
    crew, _ = await phone(opened)
    for page, start in (
        (f"{opened.origin}/protections", "/protections"),
        (crew.link, crew.link.removeprefix(opened.origin)),
    ):
        (address,) = html.fromstring((await opened.client.get(page)).text).xpath("//link[@rel='manifest']/@href")
        manifest = await opened.client.get(f"{opened.origin}{address}")
        assert manifest.headers["content-type"] == "application/manifest+json"
        told = json.loads(manifest.text)
        assert (told["start_url"], told["display"]) == (start, "standalone")
        assert start.startswith(told["scope"])
        for icon in told["icons"]:
            answer = await opened.client.get(f"{opened.origin}{icon['src']}")
            assert answer.headers["content-type"] == icon["type"]
            if icon["type"] == "image/png":
                # PNG (W3C), 11.2.1: width and height stand in the first chunk.
                side = int(icon["sizes"].partition("x")[0])
                assert [int.from_bytes(answer.content[at : at + 4]) for at in (16, 20)] == [side, side]
    worker = await opened.client.get(f"{opened.origin}/protection-worker.js")
    assert worker.headers["cache-control"] == "no-cache"
    assert "connect-src 'self'" in worker.headers["content-security-policy"]


@pytest.mark.skipif(not can_raster(), reason="the extra pictures is not installed")
def test_the_code_is_read_by_another_program():
    """ISO/IEC 18004, read by zxing-cpp from the pixels."""
    zxingcpp = pytest.importorskip("zxingcpp")
    image = pytest.importorskip("PIL.Image")
    link = "https://ice.example.org/board/p/" + "aB3_-" * 12
    drawn = (
        qr_picture(link, said="code").replace('class="qr-ground"', 'fill="#fff"').replace('class="qr"', 'width="300"')
    )
    found = zxingcpp.read_barcodes(image.open(io.BytesIO(png_of(drawn, width_px=300))).convert("L"))
    assert [each.text for each in found] == [link]
