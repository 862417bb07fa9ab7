"""The version of the package, the same as in ``pyproject.toml`` (a test compares them)."""

from typing import Final

__version__: Final = "0.1.0"
