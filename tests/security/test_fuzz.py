"""Hostile input at every door: refused in the words of that door, or read; never a fault of the program, never slow.

Doors that are fuzzed where they are at home: METAR and TAF texts (tests/reports/test_metar.py), the caches as CSV
(tests/feeds/test_cache_csv.py), station APIs as text and JSON (tests/feeds/test_answers.py), packed bodies
(tests/net/test_inflate.py), the API against its own description (tests/web/test_api_changes.py).
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from time import process_time

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from tests.web.scenes import served
from watcher.errors import FeedError, InputError, RulesError, SettingsError
from watcher.feeds.answers import read_answer
from watcher.feeds.cache_xml import parse_cache_xml
from watcher.rulebook.parse import parse_rules
from watcher.settings import load_settings
from watcher.store.store import Store
from watcher.treatment.parse_departures import parse_departures

ROOT = Path(__file__).parents[2]
XML = (ROOT / "tests" / "data" / "reports" / "awc-tafs-cache-20251015-excerpt.xml").read_bytes()
SETTINGS = (ROOT / "deploy" / "hoarline.toml").read_text()
RULES = (ROOT / "rules" / "icing.toml").read_text()
DEPARTURES = "flight,aircraft,off_block,station\nXA 12,medium-jet,0730Z,XNOR\n"
NOW = datetime(2026, 1, 12, 12, 0, tzinfo=UTC)
CANARY = "the-inside-of-a-file"
LIMIT_S = 5.0
TEXTS = st.text(max_size=60) | st.sampled_from([
    "\r\nX-Injected: 1", "\x00", "\x1b]0;title\x07", "\u202e", "\ud83d".encode("utf-8", "surrogatepass").decode("utf-8", "replace"),
    "]]>", "<!--", "<![CDATA[", "&#0;", "&amp;" * 40, "9" * 400, "-1e999", "nan", "[" * 300, "{" * 300, '"""', "'''", "= =", "../../etc/passwd",
])  # fmt: skip
PIECES = st.sampled_from([
    b"<!DOCTYPE r [<!ENTITY x 'y'>]>", b"<!ENTITY x SYSTEM 'file:///etc/hostname'>", b"&x;", b"<?xml-stylesheet href='x'?>", b"<![CDATA[", b"]]>",
    b"<!--", b"-->", b"<a " + b"b='c' " * 300, b"<response>", b"</response>", b"<TAF>", b"</TAF>", b"\x00", b"\xff\xfe", b"&#x0;", b"<a>" * 3000,
    b'<?xml version="1.0" encoding="utf-7"?>', b'<?xml version="1.1"?>', b"xmlns:a='urn:x'", b"<x:y/>", b"<xi:include href='file:///etc/hostname'/>",
])  # fmt: skip


def spoilt(whole: bytes, pieces: st.SearchStrategy[bytes]) -> st.SearchStrategy[bytes]:
    """Return a file with pieces put in, or taken out, at up to four places."""
    change = st.tuples(st.integers(0, len(whole)), st.integers(0, 40), pieces | st.binary(max_size=20))

    def changed(changes: list[tuple[int, int, bytes]]) -> bytes:
        body = bytearray(whole)
        for at, length, piece in changes:
            body[at : at + length] = piece
        return bytes(body)

    return st.lists(change, min_size=1, max_size=4).map(changed)


def within(limit_s: float, run: Callable[[], object]) -> object:
    began = process_time()
    found = run()
    assert process_time() - began < limit_s
    return found


@given(spoilt(XML, PIECES), st.sampled_from(["taf", "metar"]))
@settings(max_examples=300)
def test_a_spoilt_cache_of_reports_is_read_or_refused(body, what):
    def run() -> None:
        try:
            parse_cache_xml(body, what)
        except FeedError as error:
            told.append(str(error))

    told: list[str] = []
    within(LIMIT_S, run)
    assert all(text.isprintable() for text in told)


@pytest.mark.parametrize(
    "inside",
    [
        '<!DOCTYPE r [<!ENTITY x SYSTEM "{file}">]><response><TAF><raw_text>TAF XNOR &x;</raw_text></TAF></response>',
        '<!DOCTYPE r [<!ENTITY % x SYSTEM "{file}">%x;]><response/>',
        '<!DOCTYPE r SYSTEM "{file}"><response/>',
        (
            '<response xmlns:xi="http://www.w3.org/2001/XInclude"><TAF><raw_text><xi:include href="{file}" parse="text"/></raw_text>'
            "<station_id>XNOR</station_id><issue_time>2026-01-12T11:00:00Z</issue_time></TAF></response>"
        ),
        '<?xml-stylesheet type="text/xsl" href="{file}"?><response/>',
        '<response xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" xsi:noNamespaceSchemaLocation="{file}"/>',
    ],
)
def test_no_document_reaches_a_file_of_this_machine(inside, tmp_path):
    """OWASP's list of ways in: external entities, parameter entities, external subsets, XInclude, style sheets, schemas."""
    file = tmp_path / "secret"
    file.write_text(CANARY)
    body = inside.replace("{file}", file.as_uri()).encode()
    try:
        told = repr(parse_cache_xml(body, "taf"))
    except FeedError as error:
        told = str(error)
    assert CANARY not in told


@given(st.integers(1, 60_000), st.sampled_from(["[", '{"a":', '[{"', "[[1],"]))
@example(60_000, "[")
@settings(max_examples=20)
def test_depth_is_refused_not_climbed(depth, piece):
    with pytest.raises(FeedError):
        read_answer((piece * depth).encode(), "metar", ["XNOR"], NOW)


def refusal_of(text: str) -> str | None:
    with TemporaryDirectory() as folder:
        file = Path(folder) / "hoarline.toml"
        file.write_text(text, encoding="utf-8", errors="surrogatepass")
        try:
            load_settings(file, {"CREDENTIALS_DIRECTORY": folder})
        except SettingsError as error:
            return str(error)
    return None


@given(spoilt(SETTINGS.encode(), TEXTS.map(lambda text: text.encode("utf-8", "replace"))))
@settings(suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
def test_spoilt_settings_are_refused_in_words(body):
    text = body.decode("utf-8", "replace")
    assert within(LIMIT_S, lambda: refusal_of(text)) != ""


def leaves(value: object, path: tuple[object, ...] = ()) -> list[tuple[object, ...]]:
    if isinstance(value, dict):
        return [leaf for key, item in value.items() for leaf in leaves(item, (*path, key))]
    if isinstance(value, list):
        return [leaf for number, item in enumerate(value) for leaf in leaves(item, (*path, number))]
    return [path]


def with_value(values: object, path: tuple[object, ...], new: object) -> object:
    if not path:
        return new
    if isinstance(values, dict):
        return {key: with_value(item, path[1:], new) if key == path[0] else item for key, item in values.items()}
    assert isinstance(values, list)
    return [with_value(item, path[1:], new) if number == path[0] else item for number, item in enumerate(values)]


def toml(value: object) -> str:
    """Return a value as TOML writes it in one line."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{quoted(str(key))} = {toml(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    return quoted(value) if isinstance(value, str) else repr(value)


def quoted(text: str) -> str:
    plain = {'"', "\\"}
    return '"' + "".join(
        letter if " " <= letter <= "~" and letter not in plain else f"\\U{ord(letter):08x}" for letter in text
    ) + '"'  # fmt: skip


def document(values: dict[str, object]) -> str:
    return "\n".join(f"{quoted(key)} = {toml(item)}" for key, item in values.items())


LEAVES = leaves(tomllib.loads(SETTINGS))
ANYTHING = (
    TEXTS
    | st.integers()
    | st.floats()
    | st.booleans()
    | st.lists(st.integers(), max_size=2)
    | st.just({})
    | st.just([])
)


@given(st.sampled_from(LEAVES), ANYTHING)
@example(("mail", "password_file"), "\x00")
@settings(max_examples=300)
def test_any_value_at_any_place_of_the_settings_is_taken_or_refused_in_words(path, value):
    text = document(with_value(tomllib.loads(SETTINGS), path, value))
    assert within(LIMIT_S, lambda: refusal_of(text)) != ""


def test_the_settings_written_that_way_are_the_example(tmp_path):
    written = document(tomllib.loads(SETTINGS))
    assert tomllib.loads(written) == tomllib.loads(SETTINGS)
    assert "cannot be read" in (refusal_of(written) or ""), "only its secret files are missing there"


@given(spoilt(RULES.encode(), TEXTS.map(lambda text: text.encode("utf-8", "replace"))))
@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
def test_spoilt_rules_are_refused_in_words(body):
    def run() -> None:
        try:
            parse_rules(body.decode("utf-8", "replace"), "icing.toml")
        except RulesError as error:
            refused.append(len(error.problems))

    refused: list[int] = []
    within(LIMIT_S, run)
    assert all(refused)


@pytest.mark.parametrize("text", ["x = " + "[" * 20_000, "x" + ".a" * 2000 + " = 1", "[" + "a." * 2000 + "b]"])
def test_depth_in_rules_and_settings_is_refused(text):
    with pytest.raises(RulesError):
        parse_rules(text, "icing.toml")
    assert refusal_of(text) is not None


@given(spoilt(DEPARTURES.encode(), TEXTS.map(lambda text: text.encode("utf-8", "replace"))))
def test_a_spoilt_list_of_departures_is_read_or_refused(body):
    def run() -> None:
        try:
            parse_departures(body.decode("utf-8", "replace"), "list.csv", now=NOW, zones={})
        except InputError as error:
            refused.append(len(error.problems))

    refused: list[int] = []
    within(LIMIT_S, run)
    assert all(refused)


@pytest.mark.anyio
async def test_no_body_breaks_the_api(tmp_path):
    """Bodies that are no JSON, or too much of it, at every address that takes one: an answer of the API's own kind."""
    bodies = (
        b"", b"\x00", b"\xff\xfe", b"[" * 8000, b'{"a":' * 2000, b'{"by": ' + b"9" * 9000 + b"}", b'{"by": NaN}', b"null", b"[]", b'"x"', b"1e999",
        b'{"by": "\\ud800"}', b'{"by": "x\\u0000y"}', b'{"by": "a", "by": "b"}', b'{"__proto__": {}}', b"<x/>", b"by=x", b'{"by": "' + b"a" * 9000 + b'"}',
    )  # fmt: skip
    kinds = (
        "application/json",
        "text/plain",
        "application/x-www-form-urlencoded",
        "application/json; charset=utf-7",
        "",
    )
    store = Store.open(f"sqlite:///{tmp_path / 'hoarline.db'}")
    async with served(store) as site:
        headers = site.token("read", "acknowledge", "manage")
        described = (await site.client.get(f"{site.origin}/api/v1/openapi.json", headers=headers)).json()
        asked = 0
        for path, methods in described["paths"].items():
            for method in sorted(set(methods) & {"post", "put", "patch"}):
                url = f"{site.origin}{path.replace('{', '').replace('}', '')}"
                for number, body in enumerate(bodies):
                    kind = kinds[number % len(kinds)] if number > 8 else kinds[0]
                    answer = await site.client.request(
                        method, url, content=body, headers=headers | ({"Content-Type": kind} if kind else {})
                    )
                    assert answer.status_code < 500, (method, path, body[:40], answer.text[:300])
                    asked += 1
        assert asked >= 10 * len(bodies)
    store.close()
