"""What some passes risk together, in words."""

from __future__ import annotations

import pytest

from benchpipe.check.together import TogetherResult


@pytest.mark.parametrize(
    ("passes", "expected", "any_false", "text"),
    [
        (0, 0.0, 0.0, "no pass"),
        (1, 0.02275, 0.02275, "1 pass: on average at most 0.023 false, any at all with at most 2.3 %"),
        (2, 0.0455, 0.0455, "2 passes: on average at most 0.045 false, any at all with at most 4.6 %"),
        (60, 1.365, 1.0, "60 passes: on average at most 1.4 false"),
        (44, 1.001, 1.0, "44 passes: on average at most 1 false"),
        (43, 0.999, 0.999, "43 passes: on average at most 1 false, any at all with at most 100 %"),
    ],
)
def test_passes_in_words(passes: int, expected: float, any_false: float, text: str) -> None:
    assert TogetherResult(passes, expected, any_false).text == text
