"""What is read from an answer: the right text for the right station, in both forms, whatever surrounds it."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.reports.open_data import common_reports, common_tafs
from watcher.errors import WrongForm
from watcher.feeds.answers import Answers, read_answer
from watcher.feeds.model import Fetched, Outcome, What
from watcher.reports.model import Observation
from watcher.service.receiving import received

NOW = datetime(2026, 1, 12, 6, 0, tzinfo=UTC)
DATA = Path(__file__).parent.parent / "data" / "reports"
STATIONS = ("XBAY", "XFEL", "XNOR")
XNOR = "XNOR 120550Z 04007KT 0900 SN OVC006 M03/M04 Q1017"
XBAY = "SPECI XBAY 120548Z 15006KT 3000 FZDZ BR OVC006 M01/M02 Q1011"
TAF = "TAF XNOR 120500Z 1206/1306 04007KT 4000 -SN OVC010 TEMPO 1208/1212 0800 SN"


def read(text: str | bytes, what: What = "metar", now: datetime = NOW) -> Answers:
    return read_answer(text.encode() if isinstance(text, str) else text, what, STATIONS, now)


def pairs(answers: Answers) -> list[tuple[str | None, str]]:
    return [(report.station, report.text) for report in answers.reports]


@pytest.mark.parametrize(
    "text",
    [
        f"{XNOR}\n{XBAY}\n",
        f"{XNOR}\r\n{XBAY}",
        f"\ufeff\n\n{XNOR}=\n{XBAY}=\n",
        f"{XNOR}={XBAY}=",
        "XNOR 120550Z 04007KT 0900 SN\n      OVC006 M03/M04 Q1017\n" + XBAY,
        "XNOR 120550Z 04007KT 0900 SN\nOVC006 M03/M04 Q1017=\n" + XBAY + "=",
        "XNOR 120550Z 04007KT 0900\nSN OVC006 M03/M04 Q1017\n" + XBAY,
        "XNOR 120550Z 04007KT 0900\nSN\nOVC006 M03/M04 Q1017\n" + XBAY,
        "XNOR 120550Z 04007KT\n0900\nSN OVC006 M03/M04 Q1017\n" + XBAY,
        "XNOR\n120550Z 04007KT 0900 SN OVC006\nM03/M04 Q1017\n" + XBAY,
        f"\x01\n123\nSANO31 XNOR 120550\n{XNOR}=\n{XBAY}=\n\x03",
        f"2026/01/12 05:50\n{XNOR}\n\n2026/01/12 05:48\n{XBAY}\n",
    ],
)
def test_lines_wraps_end_marks_and_bulletins_give_the_same_reports(text: str) -> None:
    answers = read(text)
    assert pairs(answers) == [("XNOR", XNOR), ("XBAY", XBAY)]
    assert answers.odd == ()
    assert [report.observed_at for report in answers.reports] == [
        datetime(2026, 1, 12, 5, 50, tzinfo=UTC),
        datetime(2026, 1, 12, 5, 48, tzinfo=UTC),
    ]


@pytest.mark.parametrize("head", ["METAR ", "METAR COR ", "SPECI ", "METAR AMD ", "METAR METAR ", ""])
def test_the_station_is_found_behind_the_words_that_may_precede_it(head: str) -> None:
    (report,) = read(head + XNOR).reports
    assert (report.station, report.text) == ("XNOR", head + XNOR)


@pytest.mark.parametrize("text", ["XNOR NIL", "METAR XNOR 120550Z NIL", "XNOR AUTO 04007KT", "xnor 120550z 04007kt"])
def test_short_and_unusual_forms_are_reports_too(text: str) -> None:
    assert [report.station for report in read(text).reports] == ["XNOR"]


def test_forecasts_may_lack_their_word_and_are_wrapped_in_every_way() -> None:
    wrapped = TAF.removeprefix("TAF ").replace(" TEMPO", "\nTEMPO")
    for text in (
        TAF,
        wrapped,
        wrapped.replace("\n", "\n     "),
        f"TAF\n{wrapped}=",
        TAF.replace(" TEMPO", "\r\n  TEMPO"),
    ):
        (report,) = read(text, "taf").reports
        assert (report.station, report.kind, report.text.removeprefix("TAF ")) == ("XNOR", "TAF", TAF[4:])
        assert report.observed_at == datetime(2026, 1, 12, 5, tzinfo=UTC)


def test_a_remark_of_letters_only_stays_with_its_report_where_that_has_an_end_mark() -> None:
    assert pairs(read(f"{XNOR} RMK\nFROIN=\n{XBAY}=\n")) == [("XNOR", f"{XNOR} RMK FROIN"), ("XBAY", XBAY)]


def test_a_report_whose_time_cannot_be_read_is_not_joined_to_the_one_before() -> None:
    broken = "XBAY 12054Z 15006KT 3000 FZDZ BR OVC006 M01/M02 Q1011"
    assert pairs(read(f"{XNOR}\n{broken}\n")) == [("XNOR", XNOR), ("XBAY", broken)]
    assert pairs(read(f"{XNOR}=\n{broken}=\n")) == [("XNOR", XNOR), ("XBAY", broken)]


def test_a_report_of_another_station_is_not_joined_to_the_one_before() -> None:
    other = "XMOR 120555Z 12004KT 9999 FZRA OVC020 02/01 Q1005"
    assert pairs(read(f"{XNOR}\n{other}\n")) == [("XNOR", XNOR), ("XMOR", other)]


def test_the_last_report_is_left_out_when_the_answer_ends_inside_it() -> None:
    answers = read(f"{XNOR}=\n{XBAY[:30]}")
    assert pairs(answers) == [("XNOR", XNOR)]
    assert answers.odd == (f"the answer ends inside: {XBAY[:30]}",)


def test_sentences_are_no_reports_and_are_shown_without_what_could_harm_a_terminal() -> None:
    answers = read(f"{XNOR}\nXBAY not found\x1b]0;x\x07\n{XBAY}\n<b>bold</b> & 'quoted'\n")
    assert pairs(answers) == [("XNOR", XNOR), ("XBAY", XBAY)]
    assert answers.odd == ("XBAY not found ]0;x", "<b>bold</b> & 'quoted'")


@pytest.mark.parametrize("text", ["", "\n\n", "\x01\n123\nSANO31 XNOR 120550\n\x03", "[]", "[\n]\n"])
def test_nothing_is_nothing(text: str) -> None:
    assert read(text) == Answers((), ())


def test_json_answers_of_2026_give_raw_text_and_the_true_time_of_observation() -> None:
    """Six real METARs and one TAF, see SOURCES.md; reportTime there is nominal (22:53 is given as 23:00)."""
    body = (DATA / "awc-api-metar-2026-samples.json").read_bytes()
    answers = read(body, now=datetime(2026, 9, 14, 23, 0, tzinfo=UTC))
    assert [(r.station, r.kind) for r in answers.reports][:2] == [("ENGM", "METAR"), ("KTYS", "METAR")]
    assert answers.reports[1].observed_at == datetime(2026, 1, 14, 22, 53, tzinfo=UTC)
    assert [r.text for r in answers.reports] == [entry["rawOb"] for entry in json.loads(body)]
    body = (DATA / "awc-api-taf-2026-sample.json").read_bytes()
    (forecast,) = read(body, "taf", datetime(2026, 5, 20, 9, 0, tzinfo=UTC)).reports
    assert (forecast.station, forecast.kind) == ("KORD", "TAF")
    assert forecast.observed_at == datetime(2026, 5, 20, 8, 52, tzinfo=UTC)


@pytest.mark.parametrize(
    ("time", "expected"),
    [
        (1768197000, datetime(2026, 1, 12, 5, 50, tzinfo=UTC)),
        ("2026-01-12T05:50:00.000Z", datetime(2026, 1, 12, 5, 50, tzinfo=UTC)),
        ("2026-01-12 05:50:00", datetime(2026, 1, 12, 5, 50, tzinfo=UTC)),
        ("2026-01-12T06:50:00+01:00", datetime(2026, 1, 12, 5, 50, tzinfo=UTC)),
        ("2025-12-12 05:50:00", datetime(2025, 12, 12, 5, 50, tzinfo=UTC)),
        ("2025-12-12 06:00:00", datetime(2025, 12, 12, 5, 50, tzinfo=UTC)),
        ("2025-12-12 08:00:00", datetime(2026, 1, 12, 5, 50, tzinfo=UTC)),
        ("2026-02-12 05:50:00", datetime(2026, 1, 12, 5, 50, tzinfo=UTC)),
        ("9999-12-12 05:50:00", datetime(2026, 1, 12, 5, 50, tzinfo=UTC)),
        *(
            (wrong, datetime(2026, 1, 12, 5, 50, tzinfo=UTC))
            for wrong in (None, "", "soon", 1e99, True, [], {}, 10**30)
        ),
        ("0001-01-01T00:00:00+09:00", datetime(2026, 1, 12, 5, 50, tzinfo=UTC)),
    ],
)
def test_a_time_is_read_in_both_forms_and_a_wrong_one_leaves_that_of_the_text(time: object, expected: datetime) -> None:
    (report,) = read(json.dumps([{"rawOb": XNOR, "obsTime": time}])).reports
    assert report.observed_at == expected


def test_only_the_raw_text_is_taken_never_the_decoded_fields() -> None:
    """The API decodes M00 to 0 and -UP to UP: a rule about ice needs the sign and the intensity."""
    raw = "METAR XNOR 120550Z AUTO 04007KT 0900 -UP OVC006 01/M00 Q1017"
    fields = {"temp": 1, "dewp": 0, "wxString": "UP", "rawOb": raw, "obsTime": 1768197000, "icaoId": "XNOR"}
    answers = read(json.dumps([fields]))
    (report,) = received(Fetched("few", "metar", Outcome.CHANGED, NOW, answers.reports))
    assert isinstance(report.decoded, Observation)
    assert [str(weather) for weather in report.decoded.weather] == ["-UP"]
    assert (report.decoded.dew_point_c_low, report.decoded.dew_point_c_high) == (-0.5, 0.0)


def test_entries_that_are_no_reports_are_told_by_their_place() -> None:
    good = {"icaoId": "XNOR", "rawOb": XNOR}
    odd = [{"icaoId": "XBAY", "temp": 3}, {"icaoId": "XBAY", "rawOb": XNOR}]
    answers = read(json.dumps([good, odd[0], {"rawOb": f"  {XBAY}\n"}, odd[1]]))
    assert pairs(answers) == [("XNOR", XNOR), ("XBAY", XBAY)]
    assert answers.odd == ("entry 2 has no rawOb that is a report", "entry 4 has no rawOb that is a report")


@pytest.mark.parametrize(
    ("body", "reason"),
    [
        ('[{"icaoId": "XNOR", "rawOb": "XN', "ends early, inside its JSON"),
        ("[nothing]", "is no JSON that can be read"),
        ('{"status": "error", "error": "Must specify\\u001b[2J"}', r'the host says "Must specify\?\[2J"'),
        ('{"type": "FeatureCollection", "features": []}', "the JSON is not a list"),
        ('[1, null, "XNOR", []]', "only 0 of 4 texts"),
        ('[{"rawOb": 5}, {"rawOb": "hello"}]', "only 0 of 2 texts"),
        ("<?xml version='1.0'?><response/>", "neither reports nor JSON"),
        ("no such station", 'only 0 of 1 texts in the answer are reports: "no such station"'),
    ],
)
def test_what_is_neither_form_is_told_with_its_reason(body: str, reason: str) -> None:
    with pytest.raises(WrongForm, match=reason):
        read(body)


def test_letters_that_no_database_takes_do_not_come_out_of_json() -> None:
    (report,) = read(
        '[{"rawOb": "METAR XNOR 120550Z\\u0000 04007KT\\ud800 0900 \\u202eSN OVC006 M03/M04 Q1017"}]'
    ).reports
    assert report.text == f"METAR {XNOR}"
    assert report.text.encode() == report.text.encode("ascii")


def test_ten_thousand_real_reports_come_out_of_one_answer_as_they_went_in() -> None:
    sent = [(item.source, item.text) for item in common_reports()]
    stations = {text.split()[1 if text.startswith(("METAR", "SPECI")) else 0] for _, text in sent}
    body = "".join(f"{text}\n" for _, text in sent).encode()
    answers = read_answer(body, "metar", stations, common_reports()[0].received_at)
    others = [text for _, text in sent if not text.startswith("UTO8 ")]
    assert [report.text for report in answers.reports] == [" ".join(text.split()) for text in others]
    assert [line[:10] for line in answers.odd] == ["UTO8 M M M"]  # no report in the file of 2014 either


def test_real_forecasts_come_out_whole_wherever_their_lines_are_broken() -> None:
    sent = [" ".join(text.rstrip("= ").split()) for text in common_tafs() if re.match(r"(TAF )?[A-Z]{4} \d{6}Z ", text)]
    assert len(sent) > 60
    for text in sent:
        broken = re.sub(r" (FM\d{6}|BECMG|TEMPO|PROB\d\d|RMK) ", r"\n\1 ", text)
        (report,) = read_answer(broken.encode(), "taf", STATIONS, NOW).reports
        assert (report.text, report.kind) == (text, "TAF")
        assert report.station == text.removeprefix("TAF ")[:4]


@given(st.binary(max_size=400) | st.text(max_size=200).map(str.encode), st.sampled_from(["metar", "taf"]))
def test_whatever_comes_it_is_read_or_told_in_letters_that_can_be_shown(body: bytes, what: What) -> None:
    told = []
    try:
        answers = read_answer(body, what, STATIONS, NOW)
        told = list(answers.odd)
        assert all(report.station is not None for report in answers.reports)
    except WrongForm as error:
        told = [str(error)]
    assert all(line.isprintable() for line in told)


_VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=9)
    | st.sampled_from([XNOR, "XNOR", "SPECI"]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)
_ENTRIES = st.lists(
    st.fixed_dictionaries({}, optional=dict.fromkeys(["icaoId", "obsTime", "metarType", "rawOb"], _VALUES)) | _VALUES,
    max_size=4,
)


@given(_ENTRIES)
def test_whatever_stands_in_the_entries_only_whole_reports_come_out(entries: list[object]) -> None:
    try:
        answers = read(json.dumps(entries))
    except WrongForm:
        answers = Answers((), ())
    for report in answers.reports:
        assert (report.station, report.text) == ("XNOR", XNOR)
        assert report.kind in {"METAR", "SPECI", None}
        assert report.observed_at is None or report.observed_at.utcoffset() == timedelta(0)


_TEXTS = st.lists(
    st.sampled_from([XNOR, XBAY, XNOR.replace("0550", "0520"), XBAY.replace("0548", "0518")]), unique=True
)


@given(_TEXTS, st.sampled_from(["\n", "\r\n", "=\n", "=\r\n", "=", "\n\n"]), st.data())
def test_breaks_between_groups_change_nothing_where_reports_have_their_end_marks(
    texts: list[str], end: str, data: st.DataObject
) -> None:
    broken = [
        "".join(data.draw(st.sampled_from([" ", " ", "\n", "\n   "])) if letter == " " else letter for letter in text)
        if "=" in end
        else text
        for text in texts
    ]
    answers = read("".join(f"{text}{end}" for text in broken))
    # A word for the type that stands alone on its line is that of a whole bulletin, and goes into the kind.
    bare = [text.removeprefix("SPECI ") for text in texts]
    assert [report.text.removeprefix("SPECI ") for report in answers.reports] == bare
    assert answers.odd == ()
