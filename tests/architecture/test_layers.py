"""The way of the data is one-directional: a part imports lower parts only, and only the libraries it may."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[2] / "frametime"

LAYERS: tuple[dict[str, set[str]], ...] = (
    {"errors": set(), "caveats": set(), "units": set(), "words": set(), "ranges": set()},
    {"capture": {"numpy", "pyarrow"}, "replacing": set(), "settings": {"msgspec"}, "statistics": {"numpy", "scipy"}},
    {
        "adapters": {"numpy", "polars", "pyarrow", "msgspec"},
        "metrics": {"numpy", "pyarrow"},
        "lab": {"numpy", "scipy"},
    },
    {"review": {"numpy", "scipy"}, "tuning": {"numpy", "scipy", "msgspec"}, "demo": {"numpy"}},
    {"render": {"numpy", "matplotlib", "jinja2", "PIL", "resvg_py", "polars", "pyarrow"}},
    {"plans": {"msgspec"}},
    {"pipeline": {"pyarrow", "polars", "msgspec", "numpy", "distributed"}},
    {"film": {"numpy", "matplotlib", "av", "PIL"}},
    {"cli": {"click"}},
)
RANK = {part: rank for rank, layer in enumerate(LAYERS) for part in layer}
LIBRARIES = {part: allowed for layer in LAYERS for part, allowed in layer.items()}
ALL_LIBRARIES = set().union(*LIBRARIES.values()) | {"pandas", "rich", "dask"}


def violations(path: Path, text: str) -> list[str]:
    """What a file of the package imports that it may not."""
    part = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
    if part in {"__init__", "__main__"}:
        return []
    found = []
    for node in ast.walk(ast.parse(text)):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            if node.level:
                found.append(f"{path.name}:{node.lineno}: relative import")
            names = [f"{node.module}.{alias.name}" for alias in node.names]
        for name in names:
            top, _, rest = name.partition(".")
            if top == "frametime":
                other = rest.partition(".")[0]
                if other in RANK and other != part and RANK[other] >= RANK[part]:
                    found.append(f"{path.name}:{node.lineno}: {part} imports {other}")
            elif top in ALL_LIBRARIES and top not in LIBRARIES[part]:
                found.append(f"{path.name}:{node.lineno}: {part} imports {top}")
            if name.startswith(("matplotlib.pyplot", "scipy.stats")):
                found.append(f"{path.name}:{node.lineno}: {name}")
    return found


@pytest.mark.parametrize("path", sorted(PACKAGE.rglob("*.py")), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_a_part_imports_only_what_lies_below(path: Path) -> None:
    assert violations(path, path.read_text("utf-8")) == []


@pytest.mark.parametrize(
    "planted",
    ["from frametime import review", "import polars", "import matplotlib.pyplot", "from . import lows"],
)
def test_a_planted_import_is_found(planted: str) -> None:
    assert violations(PACKAGE / "metrics" / "planted.py", planted)
