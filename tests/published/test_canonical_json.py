"""Canonical JSON against the samples of RFC 8785: appendix B (numbers, compared with a public copy of the
table) and sections 3.2.2 and 3.2.3 (from memory).
"""

import json
import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.canonical_json import canonical

APPENDIX_B = """
0000000000000000 0
8000000000000000 0
0000000000000001 5e-324
8000000000000001 -5e-324
7fefffffffffffff 1.7976931348623157e+308
ffefffffffffffff -1.7976931348623157e+308
4340000000000000 9007199254740992
c340000000000000 -9007199254740992
4430000000000000 295147905179352830000
44b52d02c7e14af5 9.999999999999997e+22
44b52d02c7e14af6 1e+23
44b52d02c7e14af7 1.0000000000000001e+23
444b1ae4d6e2ef4e 999999999999999700000
444b1ae4d6e2ef4f 999999999999999900000
444b1ae4d6e2ef50 1e+21
3eb0c6f7a0b5ed8c 9.999999999999997e-7
3eb0c6f7a0b5ed8d 0.000001
41b3de4355555553 333333333.3333332
41b3de4355555554 333333333.33333325
41b3de4355555555 333333333.3333333
41b3de4355555556 333333333.3333334
41b3de4355555557 333333333.33333343
becbf647612f3696 -0.0000033333333333333333
43143ff3c1cb0959 1424953923781206.2
"""


@pytest.mark.parametrize("sample", APPENDIX_B.split("\n")[1:-1])
def test_a_number_is_written_as_in_appendix_b(sample: str) -> None:
    """Bits of a double, and its text."""
    bits, text = sample.split()
    (number,) = struct.unpack(">d", bytes.fromhex(bits))
    assert canonical(number) == text


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_refused(number: float) -> None:
    """Appendix B: NaN and Infinity are errors."""
    with pytest.raises(ValueError, match="no JSON number"):
        canonical(number)


def test_the_sample_of_section_3_2() -> None:
    """Numbers, escapes and literals."""
    given = (
        r'{"numbers":[333333333.33333329,1E30,4.50,2e-3,0.000000000000000000000000001],'
        r'"string":"\u20ac$\u000F\u000aA\u0027\u0042\u0022\u005c\\\"\/","literals":[null,true,false]}'
    )
    expected = (
        r'{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
        '"string":"€$' + r"\u000f\nA'B\"\\\\\"/" + '"}'
    )
    assert canonical(json.loads(given)) == expected


def test_members_are_in_the_order_of_utf_16() -> None:
    """Section 3.2.3: a character beyond the basic plane comes before U+FB33, by its surrogates."""
    names = ["\u20ac", "\r", "\ufb33", "1", "\U0001f600", "\u0080", "\u00f6"]
    ordered = json.loads(canonical(dict.fromkeys(names)))
    assert list(ordered) == ["\r", "1", "\u0080", "\u00f6", "\u20ac", "\U0001f600", "\ufb33"]


VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53), 2**53)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
)


@given(VALUES)
def test_what_is_written_reads_as_it_was_and_is_written_alike(value: object) -> None:
    """Nothing is lost, and a reader that writes it again gets the same text."""
    text = canonical(value)
    read = json.loads(text, parse_int=float)  # as a reader does whose numbers are all doubles
    assert read == value
    assert canonical(read) == text


@pytest.mark.parametrize("value", [2**53 + 1, "\ud800", {1: 2}, b"bytes", {"\ud800": 1}])
def test_what_has_no_one_text_is_refused(value: object) -> None:
    """Rather than written as something that reads as another value."""
    with pytest.raises(ValueError):
        canonical(value)
