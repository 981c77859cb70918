"""Files that are written completely or not at all, and the same bytes for the same content.

Every file is first written beside its place under another name. Only when all of a report's files
are written do they get their names; if one cannot be written, none of them is there.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Mapping
from pathlib import Path

from forecast.errors import ReportError

__all__ = ["same_archive", "write_whole"]

_BEGINNING = (1980, 1, 1, 0, 0, 0)  # the earliest time that an archive can hold
# When a document was made is no content.
_TIMES = re.compile(rb"<dcterms:(created|modified)[^>]*>[^<]*</dcterms:\1>")
_PROPERTIES = "docProps/core.xml"


def write_whole(contents: Mapping[Path, bytes]) -> None:
    """Write files; a reader never meets half of one, and after a failure there is none.

    Raises:
        ReportError: a file cannot be written.
    """
    parts = {out: out.with_name(f"{out.name}.part") for out in contents}
    out = Path()
    try:
        for out, content in contents.items():
            if out.is_dir():
                raise IsADirectoryError(f"{out.name} is a folder")
            parts[out].write_bytes(content)
        for out, part in parts.items():
            part.replace(out)
    except OSError as error:
        for part in parts.values():
            part.unlink(missing_ok=True)
        raise ReportError(f"cannot write {out}: {error.strerror or error}") from error


def same_archive(archive: bytes) -> bytes:
    """An Office file (a ZIP of XML) without the times at which it and its parts were made."""
    made = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(archive)) as before,
        zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as after,
    ):
        for name in before.namelist():
            content = before.read(name)
            if name == _PROPERTIES:
                content = _TIMES.sub(b"", content)
            about = zipfile.ZipInfo(name, _BEGINNING)
            about.compress_type = zipfile.ZIP_DEFLATED
            about.create_system = 3  # else it would tell the kind of machine
            about.external_attr = 0o644 << 16
            after.writestr(about, content)
    return made.getvalue()
