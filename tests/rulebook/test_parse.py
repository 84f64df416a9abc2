"""Rule files: what is wrong is said all at once, and the shipped rules hold."""

from __future__ import annotations

import tomllib

import jsonschema
import pytest

from watcher.errors import RulesError
from watcher.outlook.examples import check_examples
from watcher.rulebook.facts import FACTS
from watcher.rulebook.parse import LevelWord, build_rulebook, parse_rules
from watcher.rulebook.schema import rules_schema
from watcher.rulebook.words import Flag, Kind, Level, NoTime
from watcher.service.rules_folder import load_rulebook, read_rule_texts, rules_dir

GOOD = """
[[rule]]
name = "cold"
flag = "deicing-likely"
level = "prepare"
text = "Cold"
source = "common practice, no source"
when = { field = "temp_c", op = "<=", value = 0.0 }
"""


def problems_of(text: str) -> str:
    with pytest.raises(RulesError) as caught:
        parse_rules(text, "mine.toml")
    return "\n".join(map(str, caught.value.problems))


def test_a_good_file_is_read():
    parsed = parse_rules(GOOD, "mine.toml")
    assert [rule.name for rule in parsed.rules] == ["cold"]
    assert parsed.rules[0].settle_reports == 2


def test_everything_wrong_is_said_at_once_with_the_nearest_right_word():
    said = problems_of(
        GOOD.replace("deicing-likely", "deicing-likly").replace('"prepare"', '"prepar"').replace("temp_c", "temp_f")
        + "setle = { reports = 2 }\n"
    )
    assert "did you mean deicing-likely?" in said
    assert "did you mean prepare?" in said
    assert "did you mean temp_c?" in said
    assert "did you mean settle?" in said
    assert said.count('mine.toml: rule "cold"') == 4


def test_a_no_time_rule_says_why_and_no_other_does():
    assert "needs no_time" in problems_of(GOOD.replace('"prepare"', '"no-time"'))
    assert "belongs to level no-time" in problems_of(GOOD + 'no_time = "none"\n')


def test_no_toml_and_doubled_names_are_refused():
    assert "is no TOML" in problems_of("[[rule")
    assert "stands twice" in problems_of(GOOD + GOOD)


def test_a_later_file_replaces_a_rule_of_the_same_name():
    book = build_rulebook({"a.toml": GOOD, "b.toml": GOOD.replace('"prepare"', '"treat"')})
    assert [(rule.name, rule.level) for rule in book.rules] == [("cold", Level.TREAT)]
    assert book.fingerprint != build_rulebook({"a.toml": GOOD}).fingerprint


def test_an_example_that_does_not_hold_is_told_with_the_reason():
    text = GOOD + '[[rule.example]]\nreport = "METAR XNOR 120550Z 00000KT CAVOK 04/M01 Q1021"\nexpect = true\n'
    (problem,) = check_examples([parse_rules(text, "mine.toml")])
    assert 'rule "cold": example 1' in str(problem)
    assert "expects true, but the rule says false" in str(problem)
    assert "4 °C" in str(problem)


def test_the_shipped_rules_are_many_and_every_one_has_examples_both_ways():
    texts = read_rule_texts()
    parsed = [parse_rules(text, name) for name, text in texts.items()]
    book = load_rulebook()
    assert len(book.rules) >= 18
    assert {rule.flag for rule in book.rules} == set(Flag)
    assert {rule.no_time for rule in book.rules if rule.level is Level.NO_TIME} == set(NoTime)
    for file in parsed:
        for rule in file.rules:
            wanted = {example.text.expect for example in file.examples if example.rule is rule}
            assert {True, False} <= wanted, rule.name
            assert rule.source


def test_the_shipped_rules_fit_the_schema_and_the_words_are_one_list():
    """JSON Schema draft 2020-12, by the jsonschema package."""
    schema = rules_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    for text in read_rule_texts().values():
        jsonschema.validate(tomllib.loads(text), schema)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(tomllib.loads(GOOD.replace("temp_c", "temp_f")), schema)
    assert set(LevelWord.__args__) == {level.word for level in Level}


def test_the_guide_lists_every_fact_as_the_table_has_it():
    guide = (rules_dir() / "README.md").read_text()
    for spec in FACTS:
        words = f" ({', '.join(spec.words)})" if spec.words else ""
        assert f"| `{spec.name}` | {spec.type}{words} | {spec.unit} | {spec.meaning} | {spec.origin} |" in guide


def test_a_folder_of_ones_own_is_laid_over_the_shipped_rules(tmp_path):
    (tmp_path / "mine.toml").write_text(GOOD)
    book = load_rulebook(tmp_path)
    assert {"cold", "snow"} <= {rule.name for rule in book.rules}
    with pytest.raises(RulesError, match="is no folder"):
        load_rulebook(tmp_path / "missing")


def test_judged_kinds_are_separate():
    book = load_rulebook()
    assert all(Kind.EXPECTED in rule.kinds for rule in book.of_kind(Kind.EXPECTED))
    assert "unknown-precipitation-in-the-cold" not in {rule.name for rule in book.of_kind(Kind.EXPECTED)}
