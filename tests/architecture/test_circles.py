"""No file of the package imports itself over others: at the top, inside a function, or for types alone."""

from __future__ import annotations

import ast
from pathlib import Path

PACKAGE = Path(__file__).parents[2] / "frametime"


def imports_of(text: str, modules: set[str]) -> set[str]:
    """Modules of the package that a file imports, wherever the import stands."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.ImportFrom) and node.module is not None:
            # ``from a import b`` needs the module ``a.b`` where there is one, else ``a``.
            found |= {
                inner if (inner := f"{node.module}.{name.name}") in modules else node.module for name in node.names
            }
        elif isinstance(node, ast.Import):
            found |= {name.name for name in node.names}
    return found & modules


def circles(imports: dict[str, set[str]]) -> list[frozenset[str]]:
    """Groups of modules that reach one another."""
    reached = {}
    for module, others in imports.items():
        seen: set[str] = set()
        waiting = [*others]
        while waiting:
            if (other := waiting.pop()) not in seen:
                seen.add(other)
                waiting += imports[other]
        reached[module] = seen
    groups = {
        frozenset(other for other in reached[module] if module in reached[other])
        for module in imports
        if module in reached[module]
    }
    return sorted(groups, key=sorted)


def package_imports() -> dict[str, set[str]]:
    """For each module of the package, those that it imports; ``frametime`` itself, which offers names, left out."""
    texts = {}
    for path in PACKAGE.rglob("*.py"):
        parts = [part for part in path.relative_to(PACKAGE).with_suffix("").parts if part != "__init__"]
        if parts:
            texts[".".join(("frametime", *parts))] = path.read_text("utf-8")
    return {module: imports_of(text, set(texts)) for module, text in texts.items()}


def test_no_module_imports_itself_over_others() -> None:
    assert [sorted(circle) for circle in circles(package_imports())] == []


def test_a_planted_circle_is_found() -> None:
    imports = package_imports()
    imports["frametime.units"] = imports["frametime.units"] | {"frametime.metrics.catalog"}
    (found,) = circles(imports)
    assert {
        "frametime.units",
        "frametime.metrics.catalog",
        "frametime.metrics.display.display",
    } <= found


def test_imports_inside_functions_and_for_types_count() -> None:
    text = (
        "def f():\n    from frametime.a import b\nif TYPE_CHECKING:\n    import frametime.c\nfrom frametime.d import e"
    )
    modules = {"frametime.a", "frametime.a.b", "frametime.c", "frametime.d"}
    assert imports_of(text, modules) == {"frametime.a.b", "frametime.c", "frametime.d"}
