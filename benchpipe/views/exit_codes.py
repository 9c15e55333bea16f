"""Exit codes of runs, and the worst of them."""

from __future__ import annotations

from benchpipe.check.decision import Verdict
from benchpipe.errors import ExitCode
from benchpipe.views.model import RunView

# Worst first: what a person must look at before anything else. Changed data come before every verdict on them.
# A recipient who could not be reached comes before a failed limit: schedulers take 10 and 11 for success, since people
# are notified of those.
SEVERITY = (
    ExitCode.BUG, ExitCode.CHANGED, ExitCode.NOT_TOLD, ExitCode.LIMIT_FAILED, ExitCode.BAD_INPUT, ExitCode.INTERRUPTED,
    ExitCode.USAGE, ExitCode.STORE_BUSY, ExitCode.INCONCLUSIVE, ExitCode.OK,
)  # fmt: skip


def exit_code(view: RunView) -> ExitCode:
    """Exit code of a run that was worked on: limits that are not due yet do not count."""
    due = [row for row in view.limits if row["due"]]
    if any(row["verdict"] == Verdict.FAIL for row in due):
        return ExitCode.LIMIT_FAILED
    if any(row["verdict"] != Verdict.PASS for row in due) or not view.limits:
        return ExitCode.INCONCLUSIVE
    return ExitCode.OK
