"""``docs/result.schema.json`` from the types of a review. Run this file to write it anew."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import msgspec

from frametime.capture import RejectedRow
from frametime.pipeline.review_outputs import DRAWING_ONLY, SCHEMA
from frametime.review.result import ReviewResult

SCHEMA_FILE = Path(__file__).parents[2] / "docs" / "result.schema.json"


def review_schema() -> dict[str, object]:
    """JSON Schema (2020-12) of ``result.json``."""
    _, components = msgspec.json.schema_components([ReviewResult], schema_hook=_anything, ref_template="#/$defs/{name}")
    definitions: dict[str, dict[str, Any]] = {name: _shortened(dict(body)) for name, body in components.items()}
    run = definitions["RunEntry"]
    for name in DRAWING_ONLY:
        run["properties"].pop(name)
        run["required"].remove(name)
    # A named tuple is an object here, not the list that it is elsewhere.
    row = definitions["RejectedRow"]
    definitions["RejectedRow"] = {
        **{key: row[key] for key in ("title", "description")},
        "type": "object",
        "properties": dict(zip(RejectedRow._fields, row["prefixItems"], strict=True)),
        "required": list(RejectedRow._fields),
    }
    top = definitions.pop("ReviewResult")
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": SCHEMA,
        "title": "Result of a review",
        "description": top["description"],
        "type": "object",
        "properties": {"schema": {"const": SCHEMA}, **top["properties"]},
        "required": ["schema", *top["required"]],
        "$defs": {name: definitions[name] for name in sorted(_reachable(top, definitions))},
    }


def schema_text() -> str:
    """The text of the published schema."""
    return json.dumps(review_schema(), indent=2, ensure_ascii=True) + "\n"


def _anything(kind: type) -> dict[str, object]:
    """The resolved plan holds plain values of any form."""
    if kind is object:
        return {"description": "Plain values: texts, numbers, lists and objects."}
    raise NotImplementedError(f"there is no schema for {kind.__name__}")


def _shortened(body: dict[str, Any]) -> dict[str, Any]:
    """The first paragraph of the docstring describes the type; empty defaults, which not every version tells, go."""
    if isinstance(text := body.get("description"), str):
        body["description"] = " ".join(text.partition("\n\n")[0].split())
    for field in body.get("properties", {}).values():
        if field.get("default") in ({}, []):
            del field["default"]
    return body


def _reachable(top: object, definitions: dict[str, dict[str, Any]]) -> set[str]:
    """Definitions that are referred to, also by one another."""
    found: set[str] = set()
    waiting = [top]
    while new := set(re.findall(r'"#/\$defs/(\w+)"', json.dumps(waiting))) - found:
        found |= new
        waiting = [definitions[name] for name in new]
    return found


if __name__ == "__main__":
    SCHEMA_FILE.write_text(schema_text(), encoding="utf-8", newline="\n")
