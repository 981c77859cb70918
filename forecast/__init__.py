"""Schedule forecasts for digitising a collection damaged by mould and red rot."""

from __future__ import annotations

__all__ = ["__version__"]

__version__ = "0.1.0"
