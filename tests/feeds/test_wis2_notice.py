"""Notifications are read as the standard has them, and whatever else comes is refused in a sentence.

Standard: WMO, WIS2 Notification Message encoding 1 (conformance class `core`) and its published schema; the checksums of
the empty input are those of FIPS 180-4 and FIPS 202.
"""

from __future__ import annotations

import base64
import gzip
import hashlib
import json
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.feeds.wis2_scenes import BULLETIN, METAR_TOPIC, NOW, TAF_BULLETIN, TAF_TOPIC, notification, packed
from watcher.errors import FeedError, WrongForm
from watcher.feeds.wis2_desk import Fate, read_letter, reports_in
from watcher.feeds.wis2_notice import (
    LARGEST_CONTENT_BYTES,
    LARGEST_NOTICE_BYTES,
    checked_content,
    content_of,
    is_practice,
    read_notice,
    what_of,
)
from watcher.net import Letter

METHODS = ("sha256", "sha384", "sha512", "sha3-256", "sha3-384", "sha3-512")
# FIPS 180-4 and FIPS 202, of the empty message: the beginning of each value.
OF_NOTHING = {
    "sha256": "e3b0c442", "sha384": "38b060a7", "sha512": "cf83e135",
    "sha3-256": "a7ffc6f8", "sha3-384": "0c63a75b", "sha3-512": "a69f73cc",
}  # fmt: skip


@dataclass
class Taken:
    count: int = 0

    def __call__(self) -> None:
        self.count += 1


def a_letter(payload: bytes, topic: str = METAR_TOPIC) -> Letter:
    return Letter(topic, payload, False, Taken())


def test_the_published_example_of_the_standard_is_read() -> None:
    """The example of the encoding (its checksum is shortened there, so that it is no base64 and is left out here)."""
    example = {
        "id": "31e9d66a-cd83-4174-9429-b932f1abe1be",
        "conformsTo": ["http://wis.wmo.int/spec/wnm/1/conf/core"],
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [6.146255135536194, 46.223296618227444]},
        "properties": {
            "pubtime": "2022-03-20T04:50:18Z",
            "datetime": "2022-03-20T04:45:00Z",
            "data_id": "dataset/123/data-granule/UANT01_CWAO_200445___15103.bufr4",
            "metadata_id": "urn:wmo:md:ca-eccc-msc:observations.swob",
            "content": {"encoding": "utf-8", "value": "encoded bytes from the file", "size": 27},
        },
        "links": [
            {"href": "https://example.org/data/15103.bufr4", "rel": "canonical", "type": "application/bufr"},
            {"href": "https://example.org/oapi/items/15103", "rel": "item", "type": "application/json"},
        ],
    }
    notice = read_notice(packed(example))
    assert notice.id == "31e9d66a-cd83-4174-9429-b932f1abe1be"
    assert notice.published_at == datetime(2022, 3, 20, 4, 50, 18, tzinfo=UTC)
    assert notice.links == ("https://example.org/data/15103.bufr4",)
    assert content_of(notice) == b"encoded bytes from the file"
    assert not notice.withdrawn


def test_the_older_form_of_the_standard_is_read() -> None:
    """Its example of a deletion: `version` instead of `conformsTo`, nanoseconds, `operation`, a link that is none."""
    older = {
        "id": "31e9d66a-cd83-4174-9429-b932f1abe1be",
        "version": "v04",
        "type": "Feature",
        "geometry": None,
        "properties": {
            "operation": "delete",
            "pubtime": "2023-03-20T04:50:18.314854383Z",
            "datetime": "2022-03-20T04:45:00Z",
            "data_id": "wis2/can/eccc-msc/data/core/weather/surface-based-obs/landFixed/UANT01.bufr4",
        },
        "links": [{"rel": "canonical", "href": "#"}],
    }
    notice = read_notice(packed(older))
    assert notice.withdrawn
    assert notice.published_at == datetime(2023, 3, 20, 4, 50, 18, 314854, tzinfo=UTC)
    assert notice.links == ()


@pytest.mark.parametrize("encoding", ["utf-8", "base64", "gzip"])
@pytest.mark.parametrize("method", METHODS)
def test_content_in_each_encoding_is_checked_by_each_method(encoding: Any, method: str) -> None:
    notice = read_notice(packed(notification(encoding=encoding, method=method)))
    assert content_of(notice) == BULLETIN
    changed = notification(encoding=encoding, method=method)
    changed["properties"]["integrity"] = notification(TAF_BULLETIN, method=method)["properties"]["integrity"]
    with pytest.raises(WrongForm, match="checksum differs"):
        content_of(read_notice(packed(changed)))


@pytest.mark.parametrize(("method", "begins"), OF_NOTHING.items())
def test_the_methods_are_those_of_the_published_standards(method: str, begins: str) -> None:
    value = read_notice(packed(notification(b"", encoding=None, method=method))).digest
    assert value is not None
    assert value[1].hex().startswith(begins)
    assert checked_content(read_notice(packed(notification(b"", encoding=None, method=method))), b"") == b""


def test_a_checksum_of_the_packed_file_proves_the_same() -> None:
    """Publishers do not agree on whether the file is checked as it is packed; either shows that nothing was changed."""
    whole = gzip.compress(BULLETIN)
    message = notification(encoding="gzip")
    message["properties"]["content"]["value"] = base64.b64encode(whole).decode()
    message["properties"]["integrity"] = {
        "method": "sha256", "value": base64.b64encode(hashlib.sha256(whole).digest()).decode()
    }  # fmt: skip
    assert content_of(read_notice(packed(message))) == BULLETIN


def test_a_linked_file_is_checked_as_it_is_and_then_unpacked() -> None:
    whole = gzip.compress(BULLETIN)
    notice = read_notice(packed(notification(whole, encoding=None)))
    assert checked_content(notice, whole) == BULLETIN
    with pytest.raises(WrongForm, match="checksum differs"):
        checked_content(notice, whole + b"\0")


def test_a_method_that_the_standard_does_not_have_checks_nothing_and_a_missing_one_neither() -> None:
    for integrity in (None, {"method": "md5", "value": "AAAA"}, {"method": ["sha256"]}, "sha512", 7):
        message = notification(integrity=integrity)
        assert read_notice(packed(message)).digest is None
        assert content_of(read_notice(packed(message))) == BULLETIN


def test_without_a_checksum_the_size_tells_that_content_was_cut() -> None:
    message = notification(integrity=None)
    message["properties"]["content"]["size"] = len(BULLETIN) + 1
    with pytest.raises(WrongForm, match="cut"):
        content_of(read_notice(packed(message)))


def test_an_update_leads_to_its_own_link() -> None:
    message = notification(encoding=None)
    update = "http://def.wmo.int/def/rel/wnm/-/update"
    message["links"].append({"href": "https://data.example.org/update.txt", "rel": update})
    assert read_notice(packed(message)).links[0] == "https://data.example.org/update.txt"


@pytest.mark.parametrize(
    "href",
    ["http://[/x", "http://[::1/x", "http://[zz]/x", "https://ex\u2100ample/", "http://", "https:///x", "http://:80/x"],
)
def test_a_link_without_a_host_that_can_be_is_passed_over_and_leads_nowhere(href: str) -> None:
    message = notification(encoding=None, href=href)
    read = read_letter(a_letter(packed(message)), NOW)
    assert read.fate is Fate.REFUSED
    assert read.why.endswith("it brings no content")
    message["links"].append({"href": "https://data.example.org/b.txt", "rel": "canonical"})
    assert read_notice(packed(message)).links == ("https://data.example.org/b.txt",)


def test_a_deletion_is_known_by_its_link() -> None:
    message = notification(relation="http://def.wmo.int/def/rel/wnm/-/deletion")
    assert read_notice(packed(message)).withdrawn
    read = read_letter(a_letter(packed(message)), NOW)
    assert read.fate is Fate.WITHDRAWN
    assert "withdrawn" in read.why


@pytest.mark.parametrize(
    ("payload", "why"),
    [
        (b"", "no JSON"),
        (b"METAR XNOR 120550Z", "no JSON"),
        (b"\xff\xfe\x00", "no JSON"),
        (b"[" * 30_000, "no JSON"),
        (b'{"type":"Feature","id":' + b"9" * 5000 + b"}", "no JSON"),
        (b"[]", "no GeoJSON Feature"),
        (b'"Feature"', "no GeoJSON Feature"),
        (b'{"type":"FeatureCollection"}', "no GeoJSON Feature"),
        (b'{"type":"Feature","properties":[]}', "no properties"),
        (b'{"type":"Feature","id":7,"properties":{}}', "no id"),
        (b'{"type":"Feature","id":"a","properties":{"data_id":{}}}', "no data_id"),
        (b'{"type":"Feature","id":"a","properties":{"data_id":"b","pubtime":"2026-01-12T06:00:00"}}', "no pubtime"),
        (b'{"type":"Feature","id":"a","properties":{"data_id":"b","pubtime":1768197600}}', "no pubtime"),
        (
            b'{"type":"Feature","id":"a","properties":{"data_id":"b","pubtime":"0001-01-01T00:00:00+23:59"}}',
            "no pubtime",
        ),
        (b" " * (LARGEST_NOTICE_BYTES + 1), "bytes, more than"),
    ],
)
def test_what_is_no_notification_is_refused_in_words(payload: bytes, why: str) -> None:
    with pytest.raises(WrongForm, match=why):
        read_notice(payload)
    assert read_letter(a_letter(payload), NOW).fate is Fate.WRONG


@pytest.mark.parametrize(
    "content",
    [
        {"encoding": "base64", "value": "@@@", "size": 3},
        {"encoding": "base64", "value": "é", "size": 3},
        {"encoding": "gzip", "value": base64.b64encode(b"no gzip").decode(), "size": 7},
        {"encoding": "gzip", "value": base64.b64encode(gzip.compress(BULLETIN)[:-9]).decode(), "size": 7},
        {"encoding": "utf-8", "value": "\ud800", "size": 1},
        {"encoding": "utf-8", "value": "", "size": 0},
        {"encoding": ["utf-8"], "value": "x", "size": 1},
        {"encoding": "utf-16", "value": "x", "size": 1},
        {"encoding": "utf-8", "value": 5, "size": 1},
        "METAR",
    ],
)
def test_content_that_cannot_be_unpacked_is_fetched_where_there_is_a_link_and_refused_where_there_is_none(
    content: object,
) -> None:
    message = notification(content=content)
    read = read_letter(a_letter(packed(message)), NOW)
    assert (read.fate, read.reports) == (None, None)
    message["links"] = [{"href": "file:///etc/hostname", "rel": "canonical"}, "https://x", {"href": 3, "rel": []}]
    assert read_letter(a_letter(packed(message)), NOW).fate is Fate.REFUSED


def test_content_that_unpacks_to_more_than_any_bulletin_is_refused() -> None:
    bomb = gzip.compress(b"0" * (LARGEST_CONTENT_BYTES + 1))
    message = notification(content={"encoding": "gzip", "value": base64.b64encode(bomb).decode(), "size": len(bomb)})
    with pytest.raises(WrongForm, match="unpacked"):
        content_of(read_notice(packed(message)))


def test_the_topic_says_what_a_text_without_a_word_is() -> None:
    assert (what_of(METAR_TOPIC), what_of(TAF_TOPIC)) == ("metar", "taf")
    bare = b"XNOR 120500Z 1206/1306 24008KT 9999 BKN020="
    assert [report.kind for report in reports_in(bare, TAF_TOPIC, NOW).reports] == ["TAF"]
    assert [
        report.kind for report in reports_in(b"XNOR 120550Z 24008KT 9999 M02/M03 Q1004=", METAR_TOPIC, NOW).reports
    ] == [None]
    assert [report.kind for report in reports_in(BULLETIN, METAR_TOPIC, NOW).reports] == ["METAR"]
    assert [report.kind for report in reports_in(TAF_BULLETIN, METAR_TOPIC, NOW).reports] == ["TAF"]


@pytest.mark.parametrize("body", [b"BUFR\x00\x01", b"\x00\x01\x02\x03", b"Not found", b"<html>gone</html>"])
def test_content_that_holds_no_reports_is_refused(body: bytes) -> None:
    with pytest.raises(FeedError):
        reports_in(body, METAR_TOPIC, NOW)


@pytest.mark.parametrize("centre", ["xx-northby-test", "test-northby", "io-wis2dev-12-test"])
def test_what_a_centre_publishes_to_test_its_node_raises_nothing(centre: str) -> None:
    """WIS2 Topic Hierarchy, centre identification: the suffix -test, and the top-level domain test."""
    topic = METAR_TOPIC.replace("xx-northby", centre)
    assert is_practice(topic)
    assert not is_practice(METAR_TOPIC)
    assert read_letter(a_letter(packed(notification()), topic), NOW).fate is Fate.PRACTICE


IWXXM = Path(__file__).parent.parent / "data" / "iwxxm"


def test_a_document_in_xml_is_read_as_from_any_other_feed_and_a_test_in_it_raises_nothing() -> None:
    body = (IWXXM / "metar-3.0-freezing-rain.xml").read_bytes()
    observed = datetime(2026, 1, 12, 6, 0, tzinfo=UTC)
    rows = reports_in(body, METAR_TOPIC, observed)
    assert [report.kind for report in rows.reports] == ["METAR"]
    read = read_letter(a_letter(packed(notification(body, encoding="gzip"))), observed)
    assert read.reports == rows.reports
    practice = body.replace(
        b'permissibleUsage="OPERATIONAL"', b'permissibleUsage="NON-OPERATIONAL" permissibleUsageReason="TEST"'
    )
    assert practice != body
    read = read_letter(a_letter(packed(notification(practice, encoding="gzip"))), observed)
    assert (read.fate, read.reports) == (Fate.PRACTICE, ())


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=10), inner, max_size=4),
    max_leaves=12,
)


@given(payload=st.binary(max_size=300))
def test_no_bytes_make_the_reader_fail_otherwise(payload: bytes) -> None:
    assert read_letter(a_letter(payload), NOW).fate is not None


@given(
    field=st.sampled_from(["id", "type", "properties", "links", "pubtime", "data_id", "integrity", "content"]),
    value=json_values,
    inner=st.sampled_from([None, "method", "value", "encoding", "size", "href", "rel"]),
)
def test_no_value_in_the_place_of_another_makes_the_reader_fail_otherwise(
    field: str, value: object, inner: str | None
) -> None:
    message = notification()
    place = message if field in message else message["properties"]
    if inner is not None and isinstance(place[field], dict):
        place[field][inner] = value
    elif inner is not None and field == "links":
        place[field][0][inner] = value
    else:
        place[field] = value
    read = read_letter(a_letter(json.dumps(message).encode("utf-8", "surrogatepass")), NOW)
    assert read.reports is not None or read.fate is not None or (read.notice is not None and read.notice.links)


@given(ahead=st.integers(min_value=-400, max_value=400))
def test_times_with_any_offset_are_the_same_moment(ahead: int) -> None:
    hours, minutes = divmod(abs(ahead), 60)
    sign = "-" if ahead < 0 else "+"
    local = (NOW + timedelta(minutes=ahead)).strftime("%Y-%m-%dT%H:%M:%S")
    message = notification(pubtime=f"{local}{sign}{hours:02}:{minutes:02}")
    assert read_notice(packed(message)).published_at == NOW
