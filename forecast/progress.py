"""How far something long is, as a bar on standard error."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import NoReturn, TypeAlias

from tqdm import tqdm

__all__ = ["Tell", "progress"]

Tell: TypeAlias = Callable[[int, int], None]  # how much is done, and of how much


@contextmanager
def progress(what: str, unit: str = "future") -> Iterator[Tell]:
    """A bar that is told how much is done, and of how much; it goes when all is done.

    It comes with the first telling, so that nothing is drawn where the input turns out wrong.

    Args:
        what: is done.
        unit: in which it is counted.
    """
    bars: list[tqdm[NoReturn]] = []

    def tell(done: int, of: int) -> None:
        if not bars:
            bars.append(tqdm(desc=what, total=of, unit=unit, leave=False, file=sys.stderr))
        bars[0].total = of
        bars[0].update(max(0, done - bars[0].n))
        if done >= of:
            bars[0].refresh()  # it draws itself only now and then

    try:
        yield tell
    finally:
        for bar in bars:
            bar.close()
