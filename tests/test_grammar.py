"""The limit grammar. Its rules are those of the file contract of this project; there is no outside source."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from validation.study.grammar import Limit


@pytest.mark.parametrize(
    ("text", "level", "value"),
    [
        ("0.18", None, 0.18),
        (0.18, None, 0.18),
        (5, 2.0, 5.0),
        ("1e-3", None, 0.001),
        ("-0.2", None, -0.2),
        ("5%", 4.0, 0.2),
        ("5 %", 0.5, 0.025),
        ("max(0.15, 5%)", 2.0, 0.15),
        ("max(0.15, 5%)", 4.0, 0.2),
        ("min(0.15, 5%)", 4.0, 0.15),
        ("sum(0.3, 6%)", 0.5, 0.33),
        ("MAX(0.1, sum(0.05, min(2%, 0.1)))", 4.0, 0.13),
    ],
)
def test_a_limit_has_its_value(text, level, value):
    # Equal, not nearly equal: an interval that touches its limit is inside.
    assert Limit.parse(text).value(level) == value


@pytest.mark.parametrize(
    ("text", "level", "told"),
    [
        ("0.18", 4.0, "0.18"),
        ("5%", 4.0, "0.20 (5 % of 4)"),
        ("max(0.15, 5%)", 4.0, "0.20 (5 % of 4)"),
        ("max(0.15, 5%)", 1.0, "0.15"),
        ("sum(0.3, 6%)", 7.5, "0.750 (0.3 + 6 % of 7.5)"),
    ],
)
def test_a_limit_tells_its_derivation(text, level, told):
    assert Limit.parse(text).derivation(level) == told


def test_a_share_needs_a_level():
    assert Limit.parse("max(0.1, 5%)").needs_level
    assert not Limit.parse("max(0.1, 0.2)").needs_level
    assert Limit.parse("0.18").number == 0.18
    assert Limit.parse("5%").number is None
    with pytest.raises(ValueError, match=r"no level here\. Write a number"):
        Limit.parse("5%").value(None)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("0,15", r"comma. Write a decimal point \(0.15\)"),
        ("max(0.15", "put the whole limit in quotes"),
        ("max 3", "a bracket must follow max"),
        ("mean(1, 2)", '"mean", which is not in the grammar'),
        ("__import__('os').system('x')", "not in the grammar"),
        ("5%%", 'goes on with "%"'),
        ("2 * 3", r'"\*", which is not in the grammar'),
        ("max()", "where a number or max, min, sum belongs"),
        ("max(1; 2)", "a comma must separate"),
        ("", "empty"),
        ("nan", "not in the grammar"),
        ("1e999", "too large"),
        ("1e51", "too large"),
        ("1e-51", "too small"),
        ("max(" * 50 + "1" + ")" * 50, "nested more than"),
        ("1" * 600, "longer than 500"),
        (None, "not a limit"),
        (True, "not a limit"),
        ([1], "not a limit"),
    ],
)
def test_what_is_outside_the_grammar_is_refused_with_the_mend(text, said):
    with pytest.raises(ValueError, match=said):
        Limit.parse(text)


_parts = st.recursive(
    st.tuples(st.integers(0, 9999), st.booleans()).map(lambda pair: f"{pair[0] / 100}{'%' if pair[1] else ''}"),
    lambda inner: st.tuples(st.sampled_from(["max", "min", "sum"]), st.lists(inner, min_size=1, max_size=3)).map(
        lambda pair: f"{pair[0]}({', '.join(pair[1])})"
    ),
    max_leaves=6,
)


@given(_parts, st.integers(0, 1000))
def test_a_limit_survives_being_written_and_read(text, tenths):
    limit = Limit.parse(text)
    assert Limit.parse(str(limit)) == limit
    assert Limit.parse(str(limit)).value(tenths / 10) == limit.value(tenths / 10)


@given(_parts, st.integers(0, 100), st.integers(1, 900), st.integers(0, 100))
def test_no_level_between_has_a_smaller_limit_than_the_least(text, low, width, share):
    limit, low, high = Limit.parse(text), low / 10, (low + width) / 10
    between = low + (high - low) * share / 100
    assert limit.least(low, high) <= limit.value(between) * (1 + 1e-12) or between == 0


@pytest.mark.parametrize(
    ("text", "least"),
    [
        ("5%", 0.05),
        ("min(0.2, 5%)", 0.05),
        ("sum(1, -20%)", -1.0),
        ("max(sum(1, -20%), sum(-1, 20%))", 0.0),
        ("max(sum(2, -20%), 0.5, sum(-1, 20%))", 0.5),
        ("min(max(sum(1, -20%), sum(-1, 20%)), 3)", 0.0),
    ],
)
def test_the_least_limit_lies_at_an_end_or_a_kink(text, least):
    # Worked out by hand: shares of the level between 1 and 10.
    assert Limit.parse(text).least(1.0, 10.0) == pytest.approx(least, abs=1e-15)
