"""The marker of a header is found where a plain search finds it."""

from __future__ import annotations

from hypothesis import example, given
from hypothesis import strategies as st

from benchpipe.readers.text_layout import Marker

LETTERS = st.text("ab[T1", max_size=60).map(str.encode)


@given(st.text("ab[T1", min_size=1, max_size=4).map(str.encode), LETTERS, st.integers(0, 70))
@example(b"a[", b"1a[", 0)
@example(b"aa", b"aaa", 1)
def test_a_marker_is_found_where_a_plain_search_finds_it(text: bytes, data: bytes, start: int) -> None:
    assert Marker(text).find(data, start) == data.find(text, start)


def test_no_marker_is_nowhere() -> None:
    assert Marker(b"").find(b"abc", 0) == -1


def test_a_marker_is_looked_for_by_a_byte_that_rows_do_not_have() -> None:
    assert Marker(b"Temperature 1")._byte == b"u"
    assert Marker("T °C".encode())._byte == b"\xc2"
    assert Marker(b"e1")._byte == b"e"
