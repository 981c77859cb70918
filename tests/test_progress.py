"""How far something is, and nothing where nothing was told."""

from __future__ import annotations

import pytest

from forecast.progress import progress


def test_nothing_is_drawn_before_the_first_telling(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(ValueError, match="wrong input"), progress("Futures"):
        raise ValueError("wrong input")
    assert capsys.readouterr().err == ""


def test_the_bar_never_goes_back_and_takes_another_total(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with progress("Futures") as tell:
        tell(3, 10)
        tell(2, 10)
        tell(20, 20)
    shown = capsys.readouterr().err
    assert "0/10" in shown
    assert "20/20" in shown
