"""What a forecast is asked for unless told otherwise.

Beside nothing heavy, so that help texts and checks of options need not wait for a compiler.
"""

from __future__ import annotations

__all__ = [
    "COMPILED",
    "DEFAULT_MODEL",
    "DEFAULT_REPLICATIONS",
    "DEFAULT_SEED",
    "MODELS",
    "READABLE",
]

DEFAULT_REPLICATIONS = 1000
DEFAULT_SEED = 1

# Two engines, one record: the first is fast, the second is there to be read.
COMPILED = "compiled"
READABLE = "readable"
MODELS = (COMPILED, READABLE)
DEFAULT_MODEL = COMPILED
