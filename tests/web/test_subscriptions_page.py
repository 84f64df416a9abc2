"""The subscriptions: who wants what, in plain words; a form that loses nothing; what the last week would have told."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import html

from tests.web.board_scenes import CODES, Morning
from tests.web.browsing import DESK, PHONE, sign_in, window
from tests.web.scenes import MINUTE
from tests.web.telling_scenes import listen, read, words
from watcher.reports.station import Station
from watcher.rulebook.words import Flag, Level
from watcher.settings.people import SubscriptionSection
from watcher.web.subscriptions_form import left_out, values_of, wish_of, written
from watcher.web.subscriptions_places import found

pytestmark = pytest.mark.anyio

WHOLE = {
    "name": "night shift",
    "where": "some",
    "station": ["XNOR", "XBAY"],
    "codes": "xfel",
    "country": "SE",
    "circle_at": ["XTAR", "60.2,11.1"],
    "circle_radius": ["60", "100"],
    "circle_unit": ["NM", "km"],
    "flag": ["snow", "freezing-fog"],
    "min_level": "treat",
    "to": "duty-desk",
    "hours_from": "18:00",
    "hours_until": "0900",
    "quiet_from": "23:00",
    "quiet_until": "4:30",
    "zone": "Europe/Oslo",
    "digest": "18:00, 0430",
    "no_time": "yes",
    "remind_min": "30",
    "do": "save",
}
SPEC = {
    "name": "night shift",
    "stations": ["XNOR", "XBAY", "XFEL"],
    "countries": ["SE"],
    "circles": [{"at": "XTAR", "radius_nm": 60.0}, {"at": "60.2,11.1", "radius_km": 100.0}],
    "flags": ["snow", "freezing-fog"],
    "min_level": "treat",
    "to": ["duty-desk"],
    "hours": "18:00-09:00",
    "quiet": "23:00-04:30",
    "zone": "Europe/Oslo",
    "digest": ["18:00", "04:30"],
    "no_time_ignores_hours": True,
    "remind_every": "1800s",
}


async def save(opened: Morning, path: str = "/subscriptions/new", **form: object) -> html.HtmlElement:
    """Post the form and return the page that comes of it."""
    answer = await opened.post(path, **form)
    if answer.status_code == 303:
        answer = await opened.client.get(opened.origin + answer.headers["location"])
        assert answer.status_code == 200
    return html.fromstring(answer.text)


def spec(opened: Morning, name: str = "night shift") -> dict[str, object]:
    return next(json.loads(item.spec) for item in opened.store.people().subscriptions if item.name == name)


def kept(opened: Morning) -> list[str]:
    return [item.name for item in opened.store.people().subscriptions]


async def test_each_subscription_says_in_words_what_it_wants(opened: Morning) -> None:
    await opened.sign_in("read", "manage")
    await save(opened, **WHOLE)
    shown = words(await read(opened, "/subscriptions"))
    for part in (
        "northern stations in the settings",
        "any flag from prepare",
        "XNOR, XBAY, XFEL, all of SE, 60 NM around XTAR, 100 km around 60.2,11.1",
        "snow, freezing-fog from treat",
        "hours 18:00-09:00",
        "quiet 23:00-04:30",
        "digest at 18:00, 04:30",
        "no-time at any hour",
        "reminder every 30 min",
    ):
        assert part in shown


async def test_the_whole_form_becomes_what_the_settings_would_have(opened: Morning) -> None:
    await opened.sign_in("read", "manage")
    page = await save(opened, **WHOLE)
    assert page.xpath("//*[@role='status']/text()") == ["It is saved. What is open and wanted is told at once."]
    assert spec(opened) == SPEC


async def test_the_form_of_a_kept_one_is_filled_in_and_saving_it_changes_nothing(opened: Morning) -> None:
    await opened.sign_in("read", "manage")
    await save(opened, **WHOLE)
    page = html.fromstring((await read(opened, "/subscriptions/night%20shift")).text)
    form = {"do": ["save"]}
    for field in page.xpath("//form[contains(@class,'wish')]//input | //form[contains(@class,'wish')]//select"):
        if field.get("type") in {"checkbox", "radio"} and field.get("checked") is None:
            continue
        value = field.xpath("string(option[@selected]/text())") if field.tag == "select" else field.get("value", "")
        form.setdefault(field.get("name"), []).append(value)
    await save(opened, "/subscriptions/night%20shift", **form)
    assert spec(opened) == SPEC


async def test_what_is_emptied_is_left_out(opened: Morning) -> None:
    await opened.sign_in("read", "manage")
    await save(opened, **WHOLE)
    await save(opened, "/subscriptions/night%20shift", where="all", min_level="note", to="duty-desk", do="save")
    assert spec(opened) == {"name": "night shift", "min_level": "note", "to": ["duty-desk"]}


@pytest.mark.parametrize(
    ("change", "field", "why"),
    [
        ({"name": ""}, "name", "Is missing"),
        ({"name": "northern stations"}, "name", "there already"),
        ({"name": "new"}, "name", "another name"),
        ({"to": []}, "to", "at least one destination"),
        ({"codes": "XZZZ"}, "stations", "XZZZ is not watched"),
        ({"codes": "oops!"}, "stations", "is no station code"),
        ({"circle_radius": ["far", "100"]}, "circles", "is no circle"),
        ({"circle_at": ["91,0", "60.2,11.1"]}, "circles", "is no place on earth"),
        ({"hours_until": ""}, "hours", "are not such as"),
        ({"quiet_from": "25:00"}, "quiet", "are not such as"),
        ({"digest": "noon"}, "digest", "is no local time"),
        ({"zone": "Nowhere/Land"}, "zone", "is no time zone"),
        ({"zone": ""}, "zone", "zone belongs to"),
        ({"remind_min": "often"}, "remind_every", "no number of whole minutes"),
        ({"remind_min": "9999"}, "remind_every", "from 1m to 1d"),
        ({"flag": "hail"}, "flags", "is no flag"),
        ({"digest": "", "only_digest": "yes"}, "digest", "needs digest times"),
        (
            {"country": [], "station": [], "codes": "", "circle_at": [], "circle_radius": []},
            "where",
            "choose a station",
        ),
    ],
)
async def test_what_is_wrong_stands_beside_its_field_and_nothing_is_lost(
    opened: Morning, change: dict[str, object], field: str, why: str
) -> None:
    await opened.sign_in("read", "manage")
    answer = await opened.post("/subscriptions/new", **(WHOLE | change))
    assert answer.status_code == 422
    page = html.fromstring(answer.text)
    (said,) = page.xpath(f"//*[@id='{field}-amiss']")
    assert why.casefold() in said.text_content().casefold()
    for name in ("hours_from", "quiet_until", "digest", "zone", "remind_min"):
        assert page.xpath(f"//input[@name='{name}']/@value") == [(WHOLE | change)[name]]
    assert set(page.xpath("//input[@name='station'][@checked]/@value")) >= set((WHOLE | change)["station"])  # type: ignore[call-overload]
    assert kept(opened) == []


async def test_stations_are_found_without_script_and_typed_codes_are_ticked(opened: Morning) -> None:
    await opened.sign_in("read", "manage")
    page = await save(opened, where="some", station="XNOR", codes="XBAY zzzz", find="tarn", do="find")
    ticked = page.xpath("//input[@name='station'][@checked]/@value")
    offered = page.xpath("//input[@name='station'][not(@checked)]/@value")
    assert (ticked, offered) == (["XNOR", "XBAY"], ["XTAR"])
    assert page.xpath("//input[@name='codes']/@value") == ["ZZZZ"], "what is not watched stays to be seen"
    assert kept(opened) == []


async def test_the_list_of_stations_keeps_what_is_ticked_while_one_types(opened: Morning) -> None:
    await opened.sign_in("read")
    answer = await read(opened, "/subscriptions/stations?find=no&station=XFEL")
    page = html.fromstring(answer.text)
    assert page.xpath("//input[@checked]/@value") == ["XFEL"]
    assert page.xpath("//input[not(@checked)]/@value") == ["XNOR", "XBAY"], "by name, then by country NO"
    nothing = await read(opened, "/subscriptions/stations?find=%3Cscript%3E")
    assert "<script>" not in nothing.text
    assert "No other watched station fits" in nothing.text


def test_a_code_comes_before_a_name_and_a_name_before_a_country() -> None:
    stations = [
        Station("XAAA", "Seaview", "GB"),
        Station("SEAB", "Inland", "GB"),
        Station("XCCC", "North Seafield", "GB"),
        Station("XDDD", "Lake", "SE"),
        Station("XEEE", None, None),
    ]
    assert [item.code for item in found(stations, "sea")] == ["SEAB", "XAAA", "XCCC"]
    assert [item.code for item in found(stations, "se")] == ["SEAB", "XAAA", "XDDD", "XCCC"]
    assert found(stations, "  ") == []


async def test_the_preview_tells_what_would_have_come_and_saves_nothing(opened: Morning) -> None:
    await opened.sign_in("read", "manage")
    opened.clock[0] += MINUTE
    form = {"where": "all", "min_level": "treat", "name": "", "do": "preview"}
    answer = await opened.post("/subscriptions/new", **form)
    assert answer.status_code == 200
    (box,) = html.fromstring(answer.text).xpath("//section[@id='preview']")
    shown = " ".join(box.text_content().split())
    told = [
        item
        for item in opened.store.events_between(opened.clock[0].replace(day=1), opened.clock[0])
        if item.body.level is not None and item.body.level >= Level.TREAT and item.type.value.endswith("opened")
    ]
    assert told
    for event in told:
        assert " ".join(event.body.headline.split()) in shown
    assert "The first event that is kept is of 11 Jan 1725Z" in shown
    assert "does not show parked aircraft" in shown
    assert "protection lost" in shown
    assert kept(opened) == []


async def test_the_preview_counts_what_it_lists(opened: Morning) -> None:
    await opened.sign_in("read", "manage")
    form = {"where": "some", "codes": "XNOR", "min_level": "note", "to": "duty-desk", "do": "preview"}
    page = await save(opened, **form)
    days = page.xpath("//table[@class='week']//td[@class='num']/text()")
    assert len(days) in {7, 8}
    assert days[:5] == ["-"] * 5, "of those days nothing is kept, which is not the same as nothing told"
    by_day = [int(text) for text in days if text != "-"]
    total = int(page.xpath("string(//p[@class='sum']/b)"))
    assert total == sum(by_day) == len(page.xpath("//ol[@class='lines']/li")) > 0


async def test_anybody_who_reads_may_see_the_last_week_of_a_kept_one(opened: Morning) -> None:
    await opened.sign_in("read")
    opened.clock[0] += MINUTE
    answer = await read(opened, "/subscriptions/northern%20stations?preview=yes")
    shown = words(answer)
    assert "It stands in the settings, and is changed there." in shown
    assert "In the last week it would have told" in shown
    assert "XBAY treat: frost on parked aircraft" in shown


async def test_pause_resume_and_removal(opened: Morning) -> None:
    await opened.sign_in("read", "manage")
    await save(opened, **WHOLE)
    path = "/subscriptions/night%20shift"
    assert "It is paused" in (await save(opened, path, do="pause")).text_content()
    assert opened.house.management.subscription("night shift").section.paused
    assert "paused" in words(await read(opened, "/subscriptions"))
    assert "It is on again" in (await save(opened, path, do="resume")).text_content()
    assert not opened.house.management.subscription("night shift").section.paused
    assert "night shift is removed" in (await save(opened, path, do="remove")).text_content()
    assert kept(opened) == []


async def test_saving_a_paused_one_does_not_wake_it(opened: Morning) -> None:
    await opened.sign_in("read", "manage")
    await save(opened, **WHOLE)
    await save(opened, "/subscriptions/night%20shift", do="pause")
    await save(opened, "/subscriptions/night%20shift", **WHOLE)
    assert opened.house.management.subscription("night shift").section.paused


async def test_what_was_added_here_is_told_at_the_next_turn(opened: Morning) -> None:
    await opened.sign_in("read", "manage")
    await save(opened, name="all", where="some", codes="XFEL", min_level="treat", to="duty-desk", do="save")
    listen(opened)
    told = {line.subject_id.partition("-")[0] for item in opened.store.deliveries(50) for line in item.told}
    assert "XFEL" in told


async def test_those_of_the_settings_are_changed_there(opened: Morning) -> None:
    await opened.sign_in("read", "manage")
    for do in ("save", "pause", "remove", "preview"):
        answer = await opened.post("/subscriptions/northern%20stations", **(WHOLE | {"do": do}))
        assert answer.status_code == 422
        assert "stands in the settings and is changed there" in answer.text
    assert kept(opened) == []


async def test_a_reader_sees_and_cannot_change(opened: Morning) -> None:
    await opened.sign_in("read", "manage", name="manager")
    await save(opened, **WHOLE)
    await opened.sign_in("read", name="reader")
    answer = await read(opened, "/subscriptions/night%20shift")
    assert "needs a token with the scope manage" in words(answer)
    assert "<form" not in answer.text.partition("<main")[2]
    assert "Add a subscription" not in words(await read(opened, "/subscriptions"))
    for path in ("/subscriptions/new", "/subscriptions/night%20shift"):
        assert (await opened.post(path, **WHOLE)).status_code == 403
    assert spec(opened) == SPEC


async def test_what_is_not_there_is_said(opened: Morning) -> None:
    await opened.sign_in("read", "manage")
    answer = await opened.client.get(f"{opened.origin}/subscriptions/x", headers={"Accept": "text/html"})
    assert answer.status_code == 404
    assert "No such subscription" in words(answer)


_CODES = st.lists(st.sampled_from(CODES), unique=True, max_size=4).map(tuple)
_TIMES = st.times().map(lambda moment: f"{moment:%H:%M}")
_SECTIONS = st.builds(
    dict,
    name=st.just("x"),
    to=st.just(("duty-desk",)),
    stations=_CODES,
    countries=st.lists(st.sampled_from(["NO", "SE"]), unique=True).map(tuple),
    flags=st.lists(st.sampled_from([flag.value for flag in Flag]), min_size=1, unique=True).map(tuple),
    min_level=st.sampled_from([level.word for level in Level]),
    hours=st.tuples(_TIMES, _TIMES).map("-".join),
    digest=st.lists(_TIMES, unique=True, max_size=3).map(tuple),
    zone=st.just("Europe/Oslo"),
    no_time_ignores_hours=st.booleans(),
    remind_every=st.integers(1, 1440).map(lambda minutes: f"{minutes}m"),
)


@given(_SECTIONS)
def test_whatever_is_kept_survives_its_form(values: dict[str, object]) -> None:
    """A form that is opened and saved changes nothing, whatever the subscription is."""
    if not values["stations"]:
        del values["stations"]
    section = SubscriptionSection.model_validate(values)
    wish = wish_of(section)
    form = {
        "name": [wish.name], "where": ["all" if wish.everywhere else "some"], "station": list(wish.stations),
        "codes": [wish.codes], "country": list(wish.countries), "flag": list(wish.flags),
        "min_level": [wish.min_level], "to": list(wish.to), "hours_from": [wish.hours[0]],
        "hours_until": [wish.hours[1]], "zone": [wish.zone], "digest": [wish.digest],
        "no_time": ["yes"] if wish.no_time_ignores_hours else [], "remind_min": [wish.remind_min],
    }  # fmt: skip
    again = written(form)
    assert again == wish
    made = values_of(again)
    assert SubscriptionSection.model_validate(made) == section
    assert not set(left_out(made)) & set(made)


@pytest.mark.slow
@pytest.mark.parametrize("size", [DESK, PHONE], ids=lambda size: size.name)
@pytest.mark.parametrize("scheme", ["light", "dark"])
async def test_the_pages_are_well_in_a_browser(opened: Morning, chromium, size, scheme) -> None:
    opened.house.management.add_subscription(dict(SPEC), opened.clock[0])
    opened.clock[0] += MINUTE
    async with window(chromium, opened.origin, size, scheme=scheme) as (_, seen):
        await sign_in(seen, opened.origin, opened.token("read", "manage"), "/subscriptions")
        await seen.is_well()
        await seen.keep(f"subscriptions-{size.name}-{scheme}")
        await seen.page.goto(f"{opened.origin}/subscriptions/northern%20stations?preview=yes")
        await seen.is_well()
        await seen.keep(f"subscription-read-{size.name}-{scheme}")
        await seen.page.goto(f"{opened.origin}/subscriptions/night%20shift")
        await seen.is_well()
        await seen.page.fill("input[name=hours_until]", "")
        await seen.page.click("text=Save")
        await seen.page.wait_for_selector("#hours-amiss")
        seen.complaints.clear()  # the browser notes the refusal
        await seen.is_well()
        await seen.page.fill("input[name=hours_until]", "09:00")
        await seen.page.click("text=Preview the last week")
        await seen.page.wait_for_selector("#preview")
        await seen.is_well()
        await seen.keep(f"subscription-{size.name}-{scheme}")


@pytest.mark.slow
async def test_stations_are_found_while_one_types(opened: Morning, chromium) -> None:
    async with window(chromium, opened.origin, DESK) as (_, seen):
        await sign_in(seen, opened.origin, opened.token("read", "manage"), "/subscriptions/new")
        await seen.page.fill("input[name=name]", "north")
        await seen.page.check("input[name=where][value=some]")
        await seen.page.locator("input[name=find]").press_sequentially("north")
        await seen.page.check("input[name=station][value=XNOR]")
        await seen.page.fill("input[name=find]", "")
        await seen.page.locator("input[name=find]").press_sequentially("bay")
        await seen.page.check("input[name=station][value=XBAY]")
        assert await seen.page.is_checked("input[name=station][value=XNOR]")
        await seen.page.check("input[name=to][value=duty-desk]")
        await seen.page.focus("text=Save")
        await seen.page.keyboard.press("Enter")
        await seen.page.wait_for_url("**?done=saved")
        await seen.is_well()
    assert spec(opened, "north")["stations"] == ["XNOR", "XBAY"]


@pytest.mark.slow
async def test_without_script_a_station_is_found_and_the_week_previewed(opened: Morning, chromium) -> None:
    async with window(chromium, opened.origin, PHONE, java_script_enabled=False) as (_, seen):
        await sign_in(seen, opened.origin, opened.token("read", "manage"), "/subscriptions/new")
        await seen.page.fill("input[name=name]", "north")
        await seen.page.check("input[name=where][value=some]")
        await seen.page.fill("input[name=find]", "north")
        await seen.page.keyboard.press("Enter")
        await seen.page.check("input[name=station][value=XNOR]")
        await seen.page.check("input[name=to][value=duty-desk]")
        await seen.page.click("text=Preview the last week")
        assert "In the last week" in await seen.page.inner_text("#preview")
        await seen.page.click("button[value=save]")
        await seen.page.wait_for_url("**?done=saved")
    assert spec(opened, "north")["stations"] == ["XNOR"]
