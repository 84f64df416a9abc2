"""The morning list pages: hostile uploads are refused in words, the most urgent call is first, a list can be made again."""

from __future__ import annotations

import csv
import io
import json
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.web.board_scenes import SETTINGS, Morning, morning
from tests.web.browsing import DESK, PHONE, Size, sign_in, window
from tests.web.reading import fields, page_of, words
from tests.web.scenes import NOW
from watcher.alerts.latest import question_of
from watcher.errors import UsageError
from watcher.notify.message import CAUTION
from watcher.service.planning import plan_morning
from watcher.service.rules_folder import rules_dir
from watcher.store.store import Store
from watcher.treatment.morning_contract import as_contract, as_csv
from watcher.treatment.morning_words import DEFER
from watcher.treatment.parse_departures import COLUMNS, parse_departures
from watcher.web.bounds import LARGEST_LIST
from watcher.web.morning_shelf import KEPT, Shelf, Wanted

pytestmark = pytest.mark.anyio

FLEET = ("medium-jet", "small-jet", "large-jet", "small-propeller")
HEAD = "station,flight,aircraft,off_block,ctot,report\n"


def departures(count: int = 8, first: int = 40, step: int = 9) -> str:
    """Return invented departures from so many minutes after now on, the later ones first."""
    rows = [
        f"XNOR,HL{100 + number},{FLEET[number % 4]},{NOW + timedelta(minutes=first + step * number):%H%MZ},,"
        for number in range(count)
    ]
    return HEAD + "\n".join(reversed(rows)) + "\n"


async def upload(opened: Morning, text: str | bytes, **more: str):
    """Upload a file as a browser does."""
    content = text if isinstance(text, bytes) else text.encode()
    return await opened.client.post(
        f"{opened.origin}/morning",
        data={"text": "", **more},
        files={"file": ("departures.csv", content, "text/csv")},
        headers={"Origin": opened.origin},
    )


async def made(opened: Morning, text: str, **more: str):
    """Upload departures and return the page of their list."""
    answer = await upload(opened, text, **more)
    assert answer.status_code == 303, words(answer)
    return await opened.client.get(opened.origin + answer.headers["location"])


def computed(opened: Morning, text: str, *, training: bool = True):
    """Return the list as the command makes it."""
    treatments = opened.house.treatments
    listed = parse_departures(text, "x", now=NOW, zones=treatments.zones, station="XNOR")
    weather = {"XNOR": question_of(opened.house.views()["XNOR"], NOW, NOW)}
    return plan_morning(listed, weather, treatments, NOW, training=training)


def flights(answer) -> list[str]:
    return [
        words(row.find("th")).split()[0] for row in page_of(answer).xpath("//table[contains(@class,'calls')]/tbody/tr")
    ]


async def test_the_form_shows_a_sample_the_columns_and_a_template_that_can_be_uploaded_as_it_is(opened):
    await opened.sign_in("read")
    seen = await opened.client.get(f"{opened.origin}/morning")
    assert seen.status_code == 200
    template = await opened.client.get(f"{opened.origin}/morning/template.csv")
    assert template.headers["content-type"].startswith("text/csv")
    assert 'attachment; filename="departures.csv"' in template.headers["content-disposition"]
    assert template.text in seen.text
    for column in ("flight", "aircraft", "off_block", "station", "ctot", "report"):
        assert column in words(seen)
    assert flights(await made(opened, template.text, training="1"))


async def test_the_most_urgent_call_stands_first_whatever_the_order_of_the_file(opened):
    await opened.sign_in("read")
    text = departures()
    seen = await made(opened, text, training="1")
    calls = [cell.get("datetime") for cell in page_of(seen).xpath("//td[contains(@class,'loud')]//time")]
    assert len(calls) == 8
    assert calls == sorted(calls)
    wanted = computed(opened, text)
    by_call = sorted((line.option.call_by, line.listed.departure.name) for line in wanted.lines if line.option)
    assert flights(seen) == [name for _, name in by_call]
    shown = words(seen)
    assert f"Call {wanted.lines[0].option.site} by" in shown
    assert "may need treatment 8 of 8 departures" in shown
    assert DEFER in shown
    assert CAUTION in shown
    assert page_of(seen).xpath("//svg[contains(@class,'load-picture')]")


async def test_downloads_are_those_of_the_command(opened):
    await opened.sign_in("read")
    text = departures()
    seen = await made(opened, text, training="1")
    table = await opened.client.get(f"{seen.url}/list.csv")
    values = await opened.client.get(f"{seen.url}/list.json")
    wanted = computed(opened, text)
    assert table.text == as_csv(wanted)
    assert values.json() == json.loads(json.dumps(as_contract(wanted, CAUTION)))
    assert "morning-list-20260112-0600Z.csv" in table.headers["content-disposition"]


async def test_no_cell_of_the_table_is_a_formula_and_no_name_is_markup(opened):
    # OWASP, CSV Injection: =, +, -, @, tab and carriage return begin formulas in table programs.
    await opened.sign_in("read")
    names = ["=1+1", "+1", "-1", "@SUM(A1)", "=cmd|' /C calc'!A0", "\uff1d1+1", "<img src=x onerror=alert(1)>"]
    rows = io.StringIO()
    csv.writer(rows).writerows([name, "medium-jet", f"07{10 + number}Z"] for number, name in enumerate(names))
    seen = await made(opened, f"flight,aircraft,off_block\n{rows.getvalue()}", station="XNOR", training="1")
    assert "<img" not in seen.text
    assert names[-1] in words(seen)
    table = await opened.client.get(f"{seen.url}/list.csv")
    found = list(csv.DictReader(io.StringIO(table.text)))
    assert {row["flight"] for row in found} == {f"'{name}" for name in names[:-1]} | {names[-1]}
    for row in found:
        assert not any(cell.startswith(("=", "+", "@", "\t", "\r", "\uff1d")) for cell in row.values())


async def test_done_and_unplannable_departures_stand_apart_with_why(opened):
    await opened.sign_in("read")
    text = (
        f"{HEAD}XNOR,HL1,medium-jet,0740Z,,treated 0540Z\nXNOR,HL2,medium-jet,0750Z,,cancelled\n"
        "XNOR,HL3,large-jet,0800Z,,\nXNOR,HL4,medium-jet,0530Z,,\n"
    )
    plain = await made(opened, text, training="1")
    assert flights(plain) == ["HL3"]
    shown = words(plain)
    assert "HL1 medium-jet, off-block 0740Z 08:40, treated 0540Z" in shown
    assert "HL2 medium-jet, off-block 0750Z 08:50, cancelled" in shown
    assert "Off-block is past, not planned: HL4." in shown
    closed = f"{HEAD.strip()},place\nXNOR,HL5,large-jet,0800Z,,,after-push\nXNOR,HL6,small-jet,0810Z,,,\n"
    seen = await made(opened, closed, training="1")
    unplanned = words(page_of(seen).xpath("//ul[contains(@class,'others') and contains(@class,'loud')]")[0])
    assert "HL5" in unplanned
    assert "takes no large aircraft" in unplanned


async def test_without_training_there_is_no_chance_of_being_covered(opened):
    await opened.sign_in("read")
    seen = await made(opened, departures())
    shown = words(page_of(seen).get_element_by_id("main"))
    assert "within lower" not in shown
    assert {words(one) for one in page_of(seen).xpath("//td//*[contains(@class,'verdict')]")} == {"no answer"}
    assert len(flights(seen)) == 8


async def test_a_list_stays_as_it_is_until_somebody_asks_for_it_anew_and_then_says_what_changed(opened):
    await opened.sign_in("read")
    first = await made(opened, departures(), training="1")
    assert "No newer report is in" in words(first)
    opened.report("XNOR", "34004KT 1200 SN BR OVC006 M04/M05 Q1008")
    still = await opened.client.get(first.url)
    assert flights(still) == flights(first)
    assert "Newer than this list: XNOR report of 0559Z" in words(still)
    state = await opened.client.get(f"{first.url}/state")
    assert "Newer than this list" in state.text
    assert "<html" not in state.text
    opened.clock[0] = NOW + timedelta(minutes=2)
    path = first.url.path
    answer = await opened.post(f"{path}/again")
    assert (answer.status_code, answer.headers["location"]) == (303, path)
    again = await opened.client.get(first.url)
    assert "Changes are told against the list made 0600Z" in words(again)
    changes = [words(one) for one in page_of(again).xpath("//*[@class='change']")]
    assert "Protection does not fit for HL" in words(again)
    assert any("was at pad 19" in one or "was tight" in one or "was fits" in one for one in changes)
    assert "No newer report is in" in words(again)


async def test_the_departures_of_a_list_can_be_changed_and_it_keeps_its_address(opened):
    await opened.sign_in("read")
    first = await made(opened, departures(3), training="1")
    form = fields(first, "/morning")
    assert form["text"].strip() == departures(3).strip()
    name = first.url.path.rpartition("/")[2]
    assert form["list"] == name
    changed = departures(2).replace(",,\n", ",,treated 0550Z\n", 1)
    answer = await opened.post("/morning", text=changed, list=name, training="1")
    assert answer.headers["location"] == first.url.path
    again = await opened.client.get(first.url)
    assert "treated 0550Z" in words(again)
    assert "no longer on it: HL102" in words(again)
    unknown = await opened.post("/morning", text=changed, list="not-one-of-ours", training="1")
    assert not unknown.headers["location"].endswith("not-one-of-ours")


async def test_lists_of_the_shift_are_found_again_and_go_after_it(opened):
    await opened.sign_in("read")
    seen = await made(opened, departures(), training="1")
    links = page_of(await opened.client.get(f"{opened.origin}/morning")).xpath("//ul[@class='lists']//a/@href")
    assert links == [seen.url.path]
    opened.clock[0] = NOW + KEPT
    await opened.sign_in("read", name="next shift")
    gone = await opened.client.get(seen.url, headers={"Accept": "text/html"})
    assert gone.status_code == 404
    assert "not here any more" in words(gone)
    assert not page_of(await opened.client.get(f"{opened.origin}/morning")).xpath("//ul[@class='lists']//a")


async def test_what_is_reported_back_takes_a_departure_off_the_calls_and_outlives_a_new_report(opened):
    await opened.sign_in("read", "acknowledge", name="ramp")
    first = await made(opened, departures(4), training="1")
    assert flights(first) == ["HL100", "HL101", "HL102", "HL103"]
    path = first.url.path
    answer = await opened.post(f"{path}/report", station="XNOR", flight="HL101", said="treated", at="0552Z")
    assert (answer.status_code, answer.headers["location"]) == (303, path)
    await opened.post(f"{path}/report", station="XNOR", flight="HL102", said="cancelled")
    for _ in range(2):
        seen = await opened.client.get(first.url)
        assert flights(seen) == ["HL100", "HL103"]
        assert "treated 0552Z" in words(seen)
        assert "cancelled 0600Z" in words(seen)
        opened.report("XNOR", "34004KT 1800 SN BR OVC006 M04/M05 Q1008")
        await opened.post(f"{path}/again")
    await opened.post(f"{path}/report", station="XNOR", flight="HL102", said="open")
    assert flights(await opened.client.get(first.url)) == ["HL100", "HL102", "HL103"]
    row = next(row for row in csv.DictReader(io.StringIO((await opened.client.get(f"{first.url}/list.csv")).text)))
    assert row["order"] == "1"


async def test_the_same_flights_of_the_next_day_do_not_take_over_what_was_reported(opened):
    await opened.sign_in("read", "acknowledge", name="ramp")
    first = await made(opened, departures(4), training="1")
    path, name = first.url.path, first.url.path.rpartition("/")[2]
    await opened.post(f"{path}/report", station="XNOR", flight="HL101", said="treated", at="0552Z")
    await opened.post(f"{path}/report", station="XNOR", flight="HL102", said="cancelled")
    delayed = departures(4, first=40 + 180)
    await opened.post("/morning", text=delayed, list=name, training="1")
    assert flights(await opened.client.get(first.url)) == ["HL100", "HL103"], "a mere delay keeps them"
    opened.clock[0] = NOW + timedelta(hours=17)
    await opened.sign_in("read", name="next shift")
    await opened.post("/morning", text=departures(4), list=name, training="1")
    seen = await opened.client.get(first.url)
    listed = (await opened.client.get(f"{first.url}/list.json")).json()["departures"]
    expected = {f"HL{number}": ("open", None) for number in range(100, 104)}
    assert {each["flight"]: (each["report"], each["reported_at"]) for each in listed} == expected
    said = [words(each) for each in page_of(seen).xpath("//ul[@class='rests']/li")]
    assert any("HL101 was reported treated" in each and "no longer counts" in each for each in said)
    assert any("HL102 was reported cancelled" in each for each in said)


async def test_a_list_made_again_after_hours_leaves_what_has_left_in_the_past(opened):
    """HL100 is off at 0610Z, HL101 at 1110Z; without a day, 0610Z read at 1020Z would be of tomorrow."""
    await opened.sign_in("read", "acknowledge", name="ramp")
    first = await made(opened, departures(2, first=10, step=300), training="1")
    assert flights(first) == ["HL100", "HL101"]
    opened.clock[0] = NOW + timedelta(hours=4, minutes=20)
    for deed, form in (("again", {}), ("report", {"station": "XNOR", "flight": "HL101", "said": "inspected clean"})):
        await opened.post(f"{first.url.path}/{deed}", **form)
        seen = (await opened.client.get(f"{first.url}/list.json")).json()
        assert [each["flight"] for each in seen["departures"]] == ["HL101"]


@pytest.mark.parametrize(
    ("form", "said"),
    [
        ({"flight": "HL999", "said": "treated"}, '"HL999" is not on this list'),
        ({"flight": "HL100", "said": "melted"}, '"melted" is not known'),
        ({"flight": "HL100", "said": "treated", "at": "soon"}, '"soon" is no time'),
        ({"flight": "HL100", "said": "treated", "at": "2026-01-12T07:00Z"}, "is yet to come"),
    ],
)
async def test_a_report_that_cannot_be_changes_nothing_and_says_why(opened, form, said):
    await opened.sign_in("read", "acknowledge", name="ramp")
    first = await made(opened, departures(2), training="1")
    seen = await opened.post(f"{first.url.path}/report", station="XNOR", **form)
    assert seen.status_code == 422
    assert said in words(page_of(seen).get_element_by_id("amiss"))
    assert flights(await opened.client.get(first.url)) == ["HL100", "HL101"]


async def test_who_only_reads_reports_nothing_back(opened):
    await opened.sign_in("read")
    first = await made(opened, departures(2), training="1")
    assert "Report back" not in words(first)
    answer = await opened.post(f"{first.url.path}/report", station="XNOR", flight="HL100", said="treated")
    assert answer.status_code == 403
    assert flights(await opened.client.get(first.url)) == ["HL100", "HL101"]


def test_the_shelf_is_bounded_and_drops_what_was_used_least(opened_lists):
    shelf, made_of = opened_lists
    names = [shelf.put(Wanted("x"), made_of(2), "desk").id for _ in range(3)]
    assert shelf.get(names[0], NOW) is not None
    shelf.put(Wanted("x"), made_of(2), "desk")
    assert shelf.get(names[1], NOW) is None
    assert shelf.get(names[0], NOW) is not None
    shelf.put(Wanted("x"), made_of(9), "desk")
    assert [len(kept.made.lines) for kept in shelf.all(NOW)] == [9]


@pytest.fixture
def opened_lists():
    """A shelf for 3 lists of 8 departures together, and what makes lists without figures."""
    from watcher.treatment.departures import Departure
    from watcher.treatment.listed import Line, Morning
    from watcher.treatment.parse_departures import Listed

    def made_of(count: int) -> Morning:
        lines = tuple(
            Line(Listed(Departure(f"HL{number}", "XNOR", "medium-jet", NOW)), None, None, None, None, None, "")
            for number in range(count)
        )
        return Morning(NOW, 2, lines, (), {}, (), ())

    return Shelf(most_lists=3, most_departures=8), made_of


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "choose a file, or paste the lines"),
        ("flight,aircraft,off_block\n", "has a head line and no departure"),
        ("flight,aircraft\nHL1,medium-jet\n", 'the column "off_block" is missing'),
        (f"{HEAD}XNOR,HL1,medium-jett,0740Z,,\n", "did you mean medium-jet?"),
        (f"{HEAD}XNOR,HL1,medium-jet,soon,,\n", 'line 2: off_block: "soon" is no time'),
        (f"{HEAD}XBAY,HL1,medium-jet,0740Z,,\n", 'line 2: station: "XBAY" has no operations'),
        (f"{HEAD}XNOR,HL1,medium-jet,0740Z,,\nXNOR,HL1,medium-jet,0750Z,,\n", "stands twice"),
        (f"{HEAD}XNOR,HL1,medium-jet,0740Z,,treated\n", "says no time"),
        (departures().encode("utf-16"), "is not readable as UTF-8 text"),
        (b"PK\x03\x04\x14\x00\x06\x00" + bytes(range(256)), "is not readable as UTF-8 text"),
        (HEAD.encode() + "XNOR,H\u00f8rn,medium-jet,0740Z,,\n".encode("latin-1"), "save the table as CSV in UTF-8"),
        (departures(601, 60, 1), "at most 600 in one list"),
    ],
)
async def test_a_file_that_cannot_be_used_is_refused_in_words(opened, text, said):
    await opened.sign_in("read")
    seen = await upload(opened, text, training="1")
    assert seen.status_code == 422
    assert said in words(page_of(seen).get_element_by_id("amiss"))


async def test_all_wrong_lines_are_said_at_once_no_more_than_one_reads_and_the_text_is_kept(opened):
    await opened.sign_in("read")
    text = HEAD + "".join(f"XNOR,HL{number},medium-jet,never,,\n" for number in range(60))
    seen = await upload(opened, text)
    lines = page_of(seen).get_element_by_id("amiss").xpath(".//li")
    assert len(lines) == 41
    assert words(lines[-1]) == "And 20 more of the kind."
    assert fields(seen, "/morning")["text"].strip() == text.strip()


@pytest.mark.parametrize("separator", [";", "\t"])
async def test_other_separators_byte_marks_and_pasted_lines_are_read(opened, separator):
    await opened.sign_in("read")
    text = "\ufeff" + departures(3).replace(",", separator)
    assert len(flights(await made(opened, text, training="1"))) == 3
    pasted = await opened.post("/morning", text=departures(2).replace("\n", "\r\n"), training="1")
    assert pasted.status_code == 303


async def test_too_much_is_refused_before_it_is_read_and_foreign_pages_upload_nothing(opened):
    await opened.sign_in("read")
    large = await upload(opened, HEAD + "x" * LARGEST_LIST)
    assert large.status_code == 413
    foreign = await opened.client.post(
        f"{opened.origin}/morning", data={"text": departures(1)}, headers={"Origin": "https://elsewhere.example"}
    )
    assert foreign.status_code == 403
    wide = HEAD.strip() + "," * 5000 + "\n" + "XNOR,HL1,medium-jet,0740Z" + "," * 5000 + "\n"
    assert flights(await made(opened, wide, training="1")) == ["HL1"]


async def test_nobody_uploads_or_reads_without_signing_in(opened):
    assert (await opened.client.get(f"{opened.origin}/morning")).status_code == 401
    assert (await upload(opened, departures(1))).status_code == 401
    await opened.sign_in("read")
    seen = await made(opened, departures(1), training="1")
    await opened.post("/leave")
    for path in ("", "/list.csv", "/list.json", "/state"):
        assert (await opened.client.get(f"{seen.url}{path}")).status_code == 401


_ODD = st.one_of(
    st.sampled_from(
        [
            "0001-01-01T00:30Z",
            "9999-12-31T23:59Z",
            "0740Z",
            "07:40 local",
            "06:40 \u0000",
            "treated 0550Z",
            "=1",
            "-99e999",
        ]
    ),
    st.text(max_size=30),
)


@given(rows=st.lists(st.dictionaries(st.sampled_from(sorted(COLUMNS)), _ODD, min_size=3), max_size=4), tail=st.text())
def test_whatever_is_uploaded_is_read_or_refused_in_words(rows, tail):
    out = io.StringIO()
    writer = csv.DictWriter(out, list(COLUMNS))
    writer.writeheader()
    writer.writerows(
        {"station": "XNOR", "flight": "HL1", "aircraft": "medium-jet", "off_block": "0740Z"} | row for row in rows
    )
    for text in (out.getvalue(), out.getvalue() + tail, tail):
        found = ()
        try:
            found = parse_departures(text, "departures", now=NOW, zones={"XNOR": "Europe/Oslo"}, station=None)
        except UsageError as error:
            assert error.problems  # noqa: PT017 - a refusal without words helps nobody
        assert all(abs(each.departure.tobt - NOW) < timedelta(days=61) for each in found)


async def test_several_stations_stand_apart_the_one_with_the_first_call_first(tmp_path, judged_morning):
    shipped = (rules_dir() / "operations.toml").read_text(encoding="utf-8")
    folder = tmp_path / "rules"
    folder.mkdir()
    other = shipped.replace('code = "XNOR"', 'code = "XLOW"').replace(
        'zone = "Europe/Oslo"', 'zone = "Europe/Amsterdam"'
    )
    (folder / "operations.toml").write_text(f"{shipped}\n{other}", encoding="utf-8")
    source, by_station = judged_morning
    path = tmp_path / "morning.db"
    path.write_bytes(source.read_bytes())
    store = Store.open(f"sqlite:///{path}")
    try:
        async with morning(store, by_station, f'{SETTINGS}\n[rules]\nfolder = "{folder}"\n') as opened:
            await opened.sign_in("read")
            form = await opened.client.get(f"{opened.origin}/morning")
            assert fields(form, "/morning")["station"] == ""
            text = f"{HEAD}XLOW,HL1,medium-jet,0900Z,,\nXNOR,HL1,small-jet,0745Z,,\n"
            seen = await made(opened, text, training="1")
            heads = [words(head) for head in page_of(seen).xpath("//main//h2")]
            assert [head.split(":")[0] for head in heads] == ["XNOR", "XLOW"]
            assert "local Europe/Oslo second" in heads[0]
            assert "local Europe/Amsterdam second" in heads[1]
            nowhere = await upload(opened, "flight,aircraft,off_block\nHL1,medium-jet,0900Z\n")
            assert 'the column "station" is missing' in words(nowhere)
            chosen = await made(opened, "flight,aircraft,off_block\nHL1,medium-jet,0900Z\n", station="XLOW")
            assert "XLOW: to treat" in words(chosen)
    finally:
        store.close()


@pytest.mark.slow
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [DESK, PHONE])
async def test_it_is_well_on_every_screen(opened, chromium, size: Size, scheme: str):
    token = opened.token("read", "acknowledge")
    async with window(chromium, opened.origin, size, scheme=scheme) as (_, seen):
        await sign_in(seen, opened.origin, token, "/morning")
        await seen.is_well()
        await seen.keep(f"morning-form-{size.name}-{scheme}")
        await seen.page.fill("#text", departures(12, 15))
        await seen.page.check("input[name=training]")
        await seen.page.click("main form button")
        await seen.page.wait_for_url("**/morning/*")
        await seen.is_well()
        await seen.keep(f"morning-{size.name}-{scheme}")
        opened.report("XNOR", "34004KT 1200 SN BR OVC006 M04/M05 Q1008")
        await seen.page.click("#state button")
        await seen.page.wait_for_selector(".change")
        await seen.is_well()
        await seen.page.click(".told-back summary >> nth=1")
        await seen.is_well()
        await seen.keep(f"morning-again-{size.name}-{scheme}")
        await seen.page.click(".told-back button >> nth=3")
        await seen.page.wait_for_selector(".undo")
        assert "treated 0600Z" in await seen.page.inner_text(".others")
        await seen.is_well()


@pytest.mark.slow
async def test_that_newer_reports_are_in_shows_by_itself(opened, chromium):
    token = opened.token("read")
    async with window(chromium, opened.origin, DESK) as (_, seen):
        await sign_in(seen, opened.origin, token, "/morning")
        await seen.page.clock.install(time=NOW)
        await seen.page.fill("#text", departures(3))
        await seen.page.check("input[name=training]")
        await seen.page.click("main form button")
        await seen.page.wait_for_url("**/morning/*")
        opened.report("XNOR", "34004KT 1200 SN BR OVC006 M04/M05 Q1008")
        await seen.page.clock.run_for(31_000)
        await seen.page.wait_for_selector(".again.newer")
        assert "XNOR report of 0559Z" in await seen.page.inner_text("#state")
        await seen.is_well()


@pytest.mark.slow
async def test_a_file_is_uploaded_without_script_and_the_list_prints_black_on_white(opened, chromium, tmp_path):
    token = opened.token("read")
    path = tmp_path / "departures.csv"
    path.write_text(departures(5))
    async with window(chromium, opened.origin, DESK, scheme="dark", java_script_enabled=False) as (_, seen):
        page = seen.page
        await page.goto(f"{opened.origin}/enter?to=/morning")
        await page.fill("input[name=token]", token)
        await page.press("input[name=token]", "Enter")
        await page.wait_for_url("**/morning")
        await page.set_input_files("#file", path)
        await page.focus("main form button")
        await page.keyboard.press("Enter")
        await page.wait_for_url("**/morning/*")
        assert await page.locator(".calls tbody tr").count() == 5
        assert "as of 0600Z" in await page.inner_text("main")
        await page.emulate_media(media="print", color_scheme="dark")
        assert await page.locator(".calls .hand").first.is_visible()
        for hidden in ("nav", "#state", ".change-them", ".take", ".when [data-until] >> nth=0"):
            assert not await page.locator(hidden).is_visible(), hidden
        assert (await page.pdf(prefer_css_page_size=True))[:5] == b"%PDF-"
