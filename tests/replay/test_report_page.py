"""The report as one file: what it says, that it escapes what it shows, and how it stands in a real browser."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from lxml import html

from tests.replay.report_scenes import HOSTILE, facts, scores
from tests.web.browsing import DESK, PHONE, WALL, Size, browser, window
from watcher.notify.message import CAUTION
from watcher.replay.report_page.load import load_picture
from watcher.replay.report_page.page import page
from watcher.replay.report_page.summary import summary
from watcher.replay.report_page.told import told_picture
from watcher.replay.report_page.words import (
    grouped,
    minutes_text,
    score_figure,
    share_figure,
    share_in_words,
    share_text,
    span_text,
)
from watcher.replay.scores.bootstrap import Interval
from watcher.replay.scores.estimate import Estimate
from watcher.replay.scores.subjects import ANY


@pytest.fixture(scope="module")
def measured():
    return scores()


@pytest.fixture(scope="module")
def whole(measured) -> str:
    return page(facts(), measured, measured)


def words(text: str) -> str:
    tree = html.document_fromstring(text)
    for style in tree.xpath("//style|//title|//desc"):
        style.drop_tree()
    return re.sub(r"\s+", " ", tree.text_content())


def test_the_first_thing_that_it_says_is_what_was_caught_missed_and_cried_in_vain(measured, whole: str):
    """28 onsets of snow: 21 told ahead. 28 of freezing rain: the 14 of the second day never. 14 of each class came."""
    caught, missed, in_vain = summary(measured)
    assert (caught.figure, caught.of) == ("21", "of 56 onsets")
    assert missed.figure == "35"
    assert any(line.startswith("Snow: 21 of 28 (75 %,") for line in caught.lines)
    assert "Freezing precipitation: 14 told only by the report of the onset itself, 14 never." in missed.lines
    assert in_vain.figure == grouped(sum(row.in_vain for row in measured.expected))
    text = words(whole)
    assert text.index("Caught") < text.index("How each onset was told") < text.index("Hour by hour")


def test_flags_that_no_report_can_prove_are_listed_without_a_score(measured, whole: str):
    assert "frost likely (14 alerts)" in words(whole)
    assert "frost-likely" not in {row.subject.flag for row in measured.onsets}


def test_it_says_what_it_rests_on_and_names_the_faults(whole: str):
    text = words(whole)
    assert "NOT WHOLE: winter.txt.gz" in text
    assert "winter.txt.gz:17: no report" in text
    assert "690: 672 reports, 12 TAFs" in text
    assert "Intervals hold 95 of 100 draws: 14 stations drawn 1000 times" in text
    assert "invented reports of this project" in text


def test_it_carries_the_caution_and_how_to_do_it_again(whole: str):
    text = words(whole)
    assert CAUTION in text
    assert "hoarline replay winter.txt.gz --score --against drier.toml" in text
    assert "fingerprint 0123456789abcdef" in text


def test_nothing_from_outside_becomes_markup(whole: str):
    tree = html.document_fromstring(whole)
    assert not tree.xpath("//script")
    assert HOSTILE not in whole
    assert HOSTILE in tree.text_content()


def test_it_needs_nothing_else_and_lets_nothing_run(whole: str):
    tree = html.document_fromstring(whole)
    assert not tree.xpath("//*[@src]|//link|//*[@style]|//*[starts-with(name(@*), 'on')]")
    policy = tree.xpath("//meta[@http-equiv='Content-Security-Policy']/@content")
    assert policy == ["default-src 'none'; style-src 'unsafe-inline'"]
    ids = tree.xpath("//@id")
    assert len(ids) == len(set(ids))
    assert all(link.startswith("#") for link in tree.xpath("//@href"))


def test_every_share_stands_with_its_counts(whole: str):
    """No percentage in the table of onsets without "n of m" beneath it."""
    tree = html.document_fromstring(whole)
    for table in tree.xpath("//section[@aria-labelledby='onsets']//table"):
        for cell in table.xpath(".//td[contains(b, '%')]"):
            assert re.search(r"\d of \d", cell.xpath("string(span)")), cell.text_content()


def test_without_scores_it_tells_what_would_have_been_told():
    text = words(page(facts(compared=False, faults=False), None))
    assert "What would have been told" in text
    assert "Caught" not in text
    assert "Hour by hour" not in text
    assert "Faults None." in text


def test_two_rulebooks_stand_side_by_side(whole: str):
    text = words(whole)
    assert "Two rulebooks" in text
    assert "Changed: cold-and-moist." in text
    assert "by the other rules" in text
    assert "-12" in text
    assert "The scores are the same, at every level of every flag." in text


def test_scores_that_differ_stand_beside_each_other_with_their_counts(measured):
    tree = html.document_fromstring(page(facts(), measured, scores(13)))
    (table,) = tree.xpath("//table[caption='Scores of both rulebooks']")
    snow = next(row for row in table.xpath("tbody/tr") if "snow" in row.xpath("string(th)"))
    ahead, other = (cell.text_content() for cell in snow.xpath("td")[:2])
    assert ahead.startswith("75 % 21 of 28")
    assert re.match(r"\d+ % \d+ of 26, ", other)
    assert len(table.xpath("tbody/tr[1]/td")) == 6
    assert "The scores are the same" not in words(page(facts(), measured, scores(13)))


def test_rules_that_no_report_can_prove_give_a_report_as_well(measured):
    """A rulebook of frost alone: nothing is scored but whether any alert stood."""
    frost = replace(
        measured,
        onsets=tuple(row for row in measured.onsets if row.subject.flag == ANY),
        hours=tuple(row for row in measured.hours if row.subject.flag == ANY),
        by_station=tuple(row for row in measured.by_station if row.flag == ANY),
        by_month=tuple(row for row in measured.by_month if row.flag == ANY),
    )
    assert "of 0 onsets" in words(page(facts(compared=False), frost))


def test_a_bar_of_few_onsets_tells_their_number_alone(measured):
    row = next(row for row in measured.onsets if row.subject.flag == "snow" and row.subject.at_least == 2)
    few = replace(row, onsets=3, with_report=1, never=0, ahead=Estimate(None, 2, 3, None))
    assert "%" not in told_picture([few])
    assert "21, 75 %" in told_picture([row])


def test_few_cases_are_counts_and_never_a_percentage():
    few = Estimate(None, 3, 4, None)
    assert share_figure(few) == ("-", "3 of 4")
    assert share_in_words(few) == "3 of 4"
    assert score_figure("hss", Estimate(None, None, 4, None)) == ("-", "n 4")


def test_a_share_is_written_with_its_counts_and_interval():
    found = Estimate(0.65, 42, 65, Interval(0.494, 0.783))
    assert share_figure(found) == ("65 %", "42 of 65, 49-78 %")
    assert share_in_words(found) == "42 of 65 (65 %, 49-78 %)"
    assert score_figure("bias", Estimate(1.388, 90, 65, Interval(1.073, 1.667))) == ("1.39", "1.07 to 1.67\nn 65")


@pytest.mark.parametrize(
    ("value", "shown"),
    [(0.0, "0 %"), (1.0, "100 %"), (0.9999, ">99 %"), (0.0001, "<0.1 %"), (0.013, "1.3 %"), (0.5, "50 %")],
)
def test_not_none_and_not_all_are_never_written_so(value: float, shown: str):
    assert share_text(value) == shown


def test_nothing_is_written_as_minus_nothing():
    assert span_text(Interval(-0.001, 0.25), percent=False) == "0.00 to 0.25"


@pytest.mark.parametrize(("minutes", "shown"), [(45, "45 min"), (278, "4 h 38 min"), (240, "4 h"), (3080, "2 d 3 h")])
def test_leads_are_written_as_people_say_them(minutes: float, shown: str):
    assert minutes_text(minutes) == shown


def test_messages_of_many_years_are_added_up_until_their_bars_have_room():
    load = facts().loads[0]
    begin = facts().begins_at.date()
    assert "messages a day" in load_picture(load, begin, begin.replace(month=3))
    assert "messages a week" in load_picture(load, begin, begin.replace(year=2028))
    assert "messages a 30 days" not in load_picture(load, begin, begin.replace(month=2))


def test_an_archive_without_any_weather_gives_a_report_as_well(measured):
    """Nothing seen, nothing told: no picture breaks, and no figure is made up."""
    none = replace(
        measured,
        onsets=tuple(
            replace(row, onsets=0, ahead=Estimate(None, 0, 0, None), with_report=0, never=0, leads=None,
                    lead_classes=(0,) * 8, by={})
            for row in measured.onsets
        ),
        expected=(), certainties=(), brier=None, by_station=(), by_month=(),
    )  # fmt: skip
    text = words(page(facts(compared=False), none))
    assert "no onset was seen" in text
    assert "no TAF was told from" in text


@pytest.mark.slow
@pytest.mark.anyio
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [DESK, WALL, PHONE], ids=lambda size: size.name)
async def test_it_stands_in_a_browser_for_everybody(whole: str, tmp_path: Path, size: Size, scheme: str):
    """axe-core with WCAG 2.2 AA, nothing loaded, nothing complained of, never wider than the screen."""
    file = tmp_path / "report.html"
    file.write_text(whole, encoding="utf-8")
    async with browser() as opened, window(opened, "file://", size, scheme=scheme) as (_, seen):
        await seen.page.goto(file.as_uri())
        await seen.is_well()
        await seen.keep(f"replay-report-{size.name}-{scheme}")


@pytest.mark.slow
@pytest.mark.anyio
async def test_on_paper_no_table_is_cut_off(whole: str, tmp_path: Path):
    """A4 with usual margins is 718 px wide (210 mm less 2 x 10 mm, at 96 px an inch)."""
    file = tmp_path / "report.html"
    file.write_text(whole, encoding="utf-8")
    async with browser() as opened, window(opened, "file://", Size("paper", 718, 1000)) as (_, seen):
        await seen.page.goto(file.as_uri())
        await seen.page.emulate_media(media="print")
        wide = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        assert await seen.page.evaluate(wide) <= 0
        await seen.keep("replay-report-paper")
