"""The project that ``forecast new`` writes: sensible numbers, each marked as assumed."""

from __future__ import annotations

from pathlib import Path

from forecast.errors import InputError, Problem
from forecast.exposure import CAUTIONS

__all__ = ["write_starter"]

_TEMPLATES = Path(__file__).resolve().parent / "templates" / "starter"


def write_starter(folder: Path) -> tuple[Path, ...]:
    """Write a commented project into a new or empty folder.

    Returns:
        The files that were written.

    Raises:
        InputError: the folder already holds files, is a file, or cannot be written to.
    """
    folder = Path(folder)
    _check_empty(folder)
    cautions = "\n".join(f"- {caution}" for caution in CAUTIONS)
    written = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for template in sorted(_TEMPLATES.iterdir()):
            text = template.read_text(encoding="utf-8").replace("{cautions}", cautions)
            target = folder / template.name
            target.write_text(text, encoding="utf-8", newline="\n")
            written.append(target)
    except OSError as error:
        raise _refused(
            folder,
            error.strerror or "",
            "a folder that can be written to",
            "Choose another place, or ask for the right to write there.",
        ) from None
    return tuple(written)


def _check_empty(folder: Path) -> None:
    """Refuse to write over anybody's work."""
    if folder.exists() and not folder.is_dir():
        raise _refused(folder, "a file", "a new or empty folder", "Choose another name.")
    try:
        present = sorted(path.name for path in folder.iterdir()) if folder.is_dir() else []
    except OSError:
        present = []  # writing will say what is wrong
    visible = [name for name in present if not name.startswith(".")]
    if visible:
        raise _refused(
            folder, ", ".join(visible), "a new or empty folder", "Choose the name of a new folder."
        )


def _refused(folder: Path, read: str, expected: str, remedy: str) -> InputError:
    shown = read if len(read) <= 60 else read[:57] + "..."
    return InputError([Problem(folder.name or str(folder), "", shown, expected, remedy)])
