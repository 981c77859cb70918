"""Compilation to machine code, once a computer: the decorators, the cache and its name.

numba keeps what it compiled, but looks only at the file of the function that was called: a rule
edited in another file would go unnoticed. So the cache is a folder whose name carries a checksum of
everything that the machine code depends on, and another edition of any of it has another folder.
"""

from __future__ import annotations

import platform
import shutil
import sys
import time
from collections.abc import Callable
from functools import lru_cache
from hashlib import blake2b
from pathlib import Path
from typing import Any, TypeVar, cast

import llvmlite.binding
import numba
import numpy as np
import platformdirs
from numba.core import types

__all__ = ["SOURCES", "cache_folder", "entry", "first_use", "part"]

# The modules whose code or constants end in machine code; a test compares with what they import.
SOURCES = (
    "compiled",
    "drawing",
    "engine",
    "engine_state",
    "events",
    "items",
    "reference",
    "rules",
    "stages",
    "tally",
    "units",
)

_DAYS_KEPT = 60  # an older edition that was not used for so long is cleared away

# Compiled code makes no arrays of its own, so nobody need count references to them (`_nrt`): the
# event loop was twenty times slower where they were counted.
_OPTIONS: dict[str, Any] = {"error_model": "numpy", "_nrt": False}

# Nobody but compiled code calls a part: it needs no entrance from Python or C.
_MERGED: dict[str, Any] = {
    "forceinline": True,
    "no_cfunc_wrapper": True,
    "no_cpython_wrapper": True,
}

F = TypeVar("F", bound=Callable[..., Any])


def part(function: F) -> F:
    """Compile a function that only compiled code calls; it is merged into its callers."""
    dispatcher = numba.njit(**_MERGED, **_OPTIONS)(function)
    resolve = dispatcher.get_call_template

    def widened(args: Any, kws: Any) -> Any:
        return resolve(tuple(map(_wide, args)), {name: _wide(kind) for name, kind in kws.items()})

    dispatcher.get_call_template = widened
    return cast("F", dispatcher)


def _wide(kind: Any) -> Any:
    """One type for all whole numbers, constants included.

    Else a function is compiled once for each constant and each width that it is called with: twice
    as much to compile, for the same machine code once it is merged into its callers.
    """
    plain = types.unliteral(kind)  # type: ignore[attr-defined]
    return types.int64 if plain in types.signed_domain else plain


def entry(function: F) -> F:
    """Compile a function that Python calls. It lets other threads run meanwhile, and is cached."""
    folder = cache_folder()
    options = {"nogil": True, **_OPTIONS}
    if folder is None:
        return cast("F", numba.njit(**options)(function))
    # numba reads this setting as it decorates; whoever else uses numba keeps theirs.
    before, numba.config.CACHE_DIR = numba.config.CACHE_DIR, str(folder)
    try:
        return cast("F", numba.njit(cache=True, **options)(function))
    finally:
        numba.config.CACHE_DIR = before


@lru_cache(maxsize=1)
def cache_folder() -> Path | None:
    """The folder of this edition's machine code, or None where none can be written.

    It is below NUMBA_CACHE_DIR, where that is set, or the user's folder for such things; never in
    the installation, which may be read-only.
    """
    root = Path(numba.config.CACHE_DIR or platformdirs.user_cache_dir("forecast", appauthor=False))
    folder = root / f"compiled-{_edition()}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "used").touch()
    except OSError:
        return None
    _clear_away_old(root, folder)
    return folder


def _edition() -> str:
    """A checksum of the compiled sources, of what compiles them, and of the processor."""
    sources = [Path(__file__).resolve().parent / f"{name}.py" for name in SOURCES]
    about = [
        *(path.read_bytes() for path in sources),
        # numba itself tells files apart by where they are and when they were written.
        *(f"{path} {path.stat().st_mtime_ns}".encode() for path in sources),
        numba.__version__.encode(),
        np.__version__.encode(),
        sys.version.encode(),
        platform.platform().encode(),
        llvmlite.binding.get_host_cpu_name().encode(),
        llvmlite.binding.get_host_cpu_features().flatten().encode(),
    ]
    digest = blake2b(digest_size=8)
    for part_ in about:
        digest.update(blake2b(part_).digest())
    return digest.hexdigest()


def _clear_away_old(root: Path, current: Path) -> None:
    """Editions pile up as the program is renewed: remove those that nobody has used for long."""
    long_ago = time.time() - _DAYS_KEPT * 86_400
    for folder in root.glob("compiled-*"):
        try:
            if folder != current and (folder / "used").stat().st_mtime < long_ago:
                shutil.rmtree(folder, ignore_errors=True)
        except OSError:
            continue  # without its mark it is not ours, or another process was faster


def first_use(compile_all: Callable[[], object]) -> None:
    """Compile before the first use on this computer, and say so; otherwise do nothing.

    Args:
        compile_all: calls every entry once.
    """
    folder = cache_folder()
    done = None if folder is None else folder / "done"
    if done is not None and done.exists():
        return
    say = (
        "Preparing the model for this computer: once, less than a minute ..."
        if done is not None
        else "Preparing the model: less than a minute, each time, because no folder for what "
        "is prepared can be written (the environment variable NUMBA_CACHE_DIR may name one) ..."
    )
    sys.stderr.write(say + "\n")
    sys.stderr.flush()
    compile_all()
    if done is not None:
        done.touch()
