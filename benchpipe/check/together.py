"""What some passes risk together, in words."""

from __future__ import annotations

from dataclasses import dataclass

from benchpipe.check.rounding import risk_text


@dataclass(frozen=True)
class TogetherResult:
    """What some passes risk together, each item being no better than exactly at its limit.

    ``expected`` is the largest expected number of false passes, ``any_false`` the largest probability of one or
    more, whatever the figures have in common (Bonferroni).
    """

    passes: int
    expected: float
    any_false: float

    @property
    def text(self) -> str:
        """Return it in words."""
        if not self.passes:
            return "no pass"
        passes = (
            f"{self.passes} {'pass' if self.passes == 1 else 'passes'}: on average at most {self.expected:.2g} false"
        )
        return passes if self.any_false >= 1.0 else f"{passes}, any at all with at most {risk_text(self.any_false)}"
