"""What a run of the tests prints at its end: the figures that some tests count."""

from __future__ import annotations

import textwrap

import pytest


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Print what tests recorded: a count that nobody sees is a count that nobody misses."""
    for outcome in ("passed", "failed"):
        for report in terminalreporter.getreports(outcome):
            for name, value in getattr(report, "user_properties", ()):
                terminalreporter.section(name)
                terminalreporter.write_line(textwrap.fill(str(value), 100))
