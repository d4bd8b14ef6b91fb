"""Lengths as people write them."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nestcut.errors import LengthError
from nestcut.units import LONGEST_MM, format_length, parse_length

READS = [
    (12, 12.0),
    (12.5, 12.5),
    ("12", 12.0),
    ("12 mm", 12.0),
    ("12mm", 12.0),
    ("1.2cm", 12.0),
    ("12,5 mm", 12.5),
    ("0,125 mm", 0.125),
    (".5 in", 12.7),
    ("2 3/8 in", 60.325),
    ("2-3/8 in", 60.325),
    ('2-3/8"', 60.325),
    ('2.375"', 60.325),
    ("2.375″", 60.325),
    ("2.375”", 60.325),
    ("2.375''", 60.325),
    ("½ in", 12.7),
    ("2½ in", 63.5),
    ("2 ½ inches", 63.5),
    ("1⁄2 in", 12.7),
    ("3\u00a0mm", 3.0),
    ("\ufeff3 mm", 3.0),
    ("0", 0.0),
    ("-0", 0.0),
]


@pytest.mark.parametrize(("written", "mm"), READS)
def test_reads_what_people_write(written, mm):
    """Every way of the list gives the length in mm."""
    assert parse_length(written) == pytest.approx(mm, abs=1e-12)


@pytest.mark.parametrize(
    ("written", "mm"),
    # CSS Values and Units Level 3, "Absolute lengths": 1in = 2.54cm = 96px = 72pt = 6pc, 1cm = 40Q.
    [("1 in", 25.4), ("96 px", 25.4), ("72 pt", 25.4), ("6 pc", 25.4), ("40 Q", 10.0), ("2.54 cm", 25.4)],
)
def test_units_have_the_ratios_of_css(written, mm):
    """The units relate as the CSS standard says."""
    assert parse_length(written) == pytest.approx(mm, abs=1e-12)


REFUSED = ["", " ", "mm", "nan", "inf", "-inf", "1e999", "20 m", "3 foo", "2 1/0 in", "1,250 mm", "1,2,3", "2 3 in",
           "1.5.2", "ten", "12 mm mm", "0x10", "١٢ mm", "9" * 500, "1/2/3", "--3", "3 in 2"]  # fmt: skip


@pytest.mark.parametrize(
    "written", [*REFUSED, -1, "-3 mm", math.nan, math.inf, 10**400, True, None, [], 10_001]
)
def test_refuses_with_what_where_and_mend(written):
    """What is no length is refused, naming the key and the mend."""
    with pytest.raises(LengthError) as caught:
        parse_length(written, key="machine.clear")
    assert caught.value.what
    assert caught.value.mend
    assert caught.value.where.element == "machine.clear"


def test_message_names_value_and_near_unit():
    """A slip in the unit is answered with the nearest one."""
    with pytest.raises(LengthError, match=r'"12 mmm" has an unknown unit "mmm"; did you mean mm\?'):
        parse_length("12 mmm")


def test_negative_only_where_allowed():
    """A length below 0 needs leave."""
    assert parse_length("-2 3/8 in", allow_negative=True) == pytest.approx(-60.325)
    assert parse_length("−5", allow_negative=True) == -5


@given(st.integers(0, 300), st.integers(0, 63), st.sampled_from([2, 4, 8, 16, 32, 64]))
def test_mixed_inches_are_exact(whole, top, bottom):
    """Whole and fraction add up, to the last bit of a float."""
    exact = (whole + Fraction(top, bottom)) * Fraction(254, 10)
    for text in (f"{whole} {top}/{bottom} in", f'{whole}-{top}/{bottom}"'):
        assert parse_length(text) == float(exact)


@given(st.floats(0, LONGEST_MM))
def test_numbers_pass_through(mm):
    """A plain number is in mm, also as text."""
    assert parse_length(mm) == mm
    assert parse_length(repr(mm)) == pytest.approx(mm, abs=1e-12)


@given(st.floats(0, 5000), st.sampled_from(["mm", "in"]))
def test_what_is_shown_can_be_read_back(mm, system):
    """format_length and parse_length agree within what is shown: 0.005 mm, or 0.005 in."""
    shown = format_length(mm, system)
    assert parse_length(shown) == pytest.approx(mm, abs=0.0051 if system == "mm" else 0.128)


@given(st.text(max_size=30))
def test_any_text_gives_a_length_or_a_message(text):
    """Never a traceback, never a wild number."""
    try:
        mm = parse_length(text)
    except LengthError:
        return
    assert 0 <= mm <= LONGEST_MM
