"""The worked example: a notebook with stored outputs, and how it is made again.

After a change that is meant to change what it shows, run ``python -m tests.worked_example`` from
the folder above this one, look at the difference, and commit the notebook.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import nbformat

from forecast.report import run_notebook

__all__ = ["EXAMPLE", "main"]

EXAMPLE = Path(__file__).parent / "worked_example.ipynb"


def main() -> None:
    """Run the example and store its outputs, without what differs from run to run."""
    ran: Any = run_notebook(EXAMPLE, {})
    ran.metadata.pop("papermill", None)
    for cell in ran.cells:
        # Times and the state of the run: no reader and no comparison needs them.
        cell.metadata = {"tags": cell.metadata.get("tags", [])} if cell.cell_type == "code" else {}
    write: Any = nbformat.write  # nbformat has no types
    write(ran, EXAMPLE)


if __name__ == "__main__":
    main()
