"""Schedule forecasts for digitising a collection damaged by mould and red rot."""

from __future__ import annotations

import sys

__all__ = ["__version__"]

__version__ = "0.1.0"

# jsonschema, which charts and notebooks bring along, builds a grammar of internationalised web
# addresses when it is imported: 3 seconds in every process, and nothing here has such an address
# to check. It does without where that optional package cannot be imported.
sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]
