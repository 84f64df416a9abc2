"""Rule files: what is wrong is said all at once, and the shipped rules hold."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.errors import RulesError
from watcher.outlook.examples import check_examples
from watcher.rulebook.facts import FACTS, FactSpec
from watcher.rulebook.parse import ExampleText, LevelWord, RuleText, build_rulebook, parse_rules
from watcher.rulebook.parse_condition import LEAF_KEYS, NODE_KEYS, OPS_BY_TYPE
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


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ("kinds = []", ["kinds is empty", "observed, expected"]),
        ('kinds = ["obseved"]', ["kinds.0", "did you mean observed?"]),
        ("confirm = { report = 2 }", ['key "confirm.report"', "did you mean reports?"]),
        ('settle = { minutes = "30" }', ["settle.minutes", "integer"]),
        ("settle = { reports = 99 }", ["settle.reports", "20"]),
        ('[[rule.example]]\nfacts = {}\nexpect = "maybe"', ["example 1: expect", "allowed: false, true, unknown"]),
        ("[[rule.example]]\nexpect = true", ["example 1", "nothing to judge"]),
        ('[[rule.example]]\nreport = "METAR"\nexpect = true\nhold = true', ["example 1", "did you mean held?"]),
        ('[[rule.example]]\ntaf = "TAF"\nexpect = true', ["example 1", "taf and at belong together"]),
        ('[[rule.example]]\ntaf = "TAF"\nat = "x"\nreport = "METAR"\nexpect = true', ["a report and a taf"]),
    ],
)
def test_what_is_wrong_beside_the_condition_is_told_with_its_place(more, words):
    said = problems_of(f"{GOOD}{more}\n")
    assert all(word in said for word in words), said


@pytest.mark.parametrize("text", ["rule = 3", "rule = [1, 2]", '[rule]\nname = "x"'])
def test_rules_that_are_no_list_of_tables_are_refused(text):
    assert "two brackets" in problems_of(text)
    assert '"top" is not known' in problems_of("top = 1")


def test_a_name_is_words_joined_by_hyphens():
    assert '"Cold Night" is no name' in problems_of(GOOD.replace('"cold"', '"Cold Night"'))


def test_a_condition_that_is_nested_without_end_is_refused():
    nested = GOOD[: GOOD.index("when")] + "when" + ".not" * 3000 + '.field = "temp_c"\n'
    assert "nested too deeply" in problems_of(nested)


SCALARS = st.sampled_from(
    ["1", "-2.5", "nan", "true", '"x"', '"-SN"', "[]", "[1, 2]", "{}", "2026-01-12", "{ any = [] }", "[[1]]"]
)
KEYS = st.sampled_from([*RuleText.model_fields, *LEAF_KEYS, *NODE_KEYS, "colour"])


@given(
    st.dictionaries(KEYS, SCALARS, max_size=6),
    st.dictionaries(KEYS, SCALARS, max_size=4),
    st.dictionaries(KEYS, SCALARS, max_size=3),
)
def test_no_file_gives_anything_but_rules_or_a_list_of_what_is_wrong(rule, when, example):
    lines = ["[[rule]]", *(f"{key} = {value}" for key, value in rule.items() if key not in {"when", "example"})]
    inner = ", ".join(f"{key} = {value}" for key, value in when.items())
    lines += [f"when = {{ {inner} }}", "[[rule.example]]", *(f"{key} = {value}" for key, value in example.items())]
    with pytest.raises(RulesError) as caught:
        parse_rules("\n".join(lines), "mine.toml")
    assert all(problem.where.startswith("mine.toml") and problem.what for problem in caught.value.problems)


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


def test_the_words_of_the_levels_are_one_list():
    assert LevelWord.__args__ == tuple(level.word for level in Level)


def guide() -> str:
    return (rules_dir() / "README.md").read_text(encoding="utf-8")


def words_of(spec: FactSpec) -> str:
    return f" ({', '.join(spec.words)})" if spec.words else ""


def test_the_guide_lists_every_fact_as_the_table_has_it_and_no_other():
    rows = [line for line in guide().splitlines() if re.match(r"\| `[a-z_]+` \| (number|flag|word|weather)", line)]
    assert rows == [
        f"| `{spec.name}` | {spec.type}{words_of(spec)} | {spec.unit} | {spec.meaning} | {spec.origin} |"
        for spec in FACTS
    ]


def test_the_guide_names_every_level_flag_op_and_key():
    told = guide()
    assert all(f"| {level.word} | {level.meaning} |" in told for level in Level)
    assert all(f"`{flag.value}`" in told for flag in Flag)
    assert all(f'"{word.value}"' in told for word in NoTime)
    for op in {op for ops in OPS_BY_TYPE.values() for op in ops}:
        assert f"`{op}`" in told
    for key in (*RuleText.model_fields, *ExampleText.model_fields, *LEAF_KEYS, *NODE_KEYS):
        assert re.search(rf"`{key}|^{key} +=|{{ {key} =|\[rule\.{key}\]", told, re.MULTILINE), key


def test_the_rule_that_the_guide_teaches_is_a_good_one():
    (rule,) = [text for text in re.findall(r"```toml\n(.*?)```", guide(), re.DOTALL) if "[[rule]]" in text]
    parsed = parse_rules(rule, "README.md")
    assert len(parsed.examples) == 4
    assert check_examples([parsed]) == ()


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
