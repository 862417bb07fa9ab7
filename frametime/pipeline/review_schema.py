"""The JSON form of a review, and its JSON Schema, both made from the result types."""

from __future__ import annotations

import json
from typing import Any, Final

from frametime.render.json_output import Plain, plain
from frametime.review.result import SCHEMA_VERSION, ReviewResult

SCHEMA: Final = f"frametime.review/{SCHEMA_VERSION}"
DRAWING_ONLY: Final = ("curves", "findings")
"""Fields of a run that serve drawing and are most of the size: they stay with the measured runs."""


def review_document(result: ReviewResult) -> dict[str, Plain]:
    """Everything but the drawing material. Keys are only ever added within a schema number."""
    document = plain(_without_drawing(result))
    assert isinstance(document, dict)
    return {"schema": SCHEMA, **document}


def _without_drawing(result: ReviewResult) -> dict[str, object]:
    from dataclasses import fields

    shallow: dict[str, object] = {item.name: getattr(result, item.name) for item in fields(result)}
    shallow["runs"] = [
        {item.name: getattr(run, item.name) for item in fields(run) if item.name not in DRAWING_ONLY}
        for run in result.runs
    ]
    return shallow


def review_json(result: ReviewResult) -> str:
    """The text of ``result.json``."""
    import msgspec

    text = json.dumps(review_document(result), ensure_ascii=True, allow_nan=False)
    try:
        # Indenting in Python takes ten times as long as all else here.
        return msgspec.json.format(text, indent=2) + "\n"
    except msgspec.DecodeError:  # half a surrogate pair, from the name of a file that is no text
        return json.dumps(json.loads(text), ensure_ascii=True, indent=2) + "\n"


def review_schema() -> dict[str, object]:
    """JSON Schema (2020-12) of ``result.json``."""
    import msgspec

    _, components = msgspec.json.schema_components([ReviewResult], schema_hook=_anything, ref_template="#/$defs/{name}")
    definitions: dict[str, dict[str, Any]] = {name: _shortened(dict(body)) for name, body in components.items()}
    run = definitions["RunEntry"]
    for name in DRAWING_ONLY:
        run["properties"].pop(name)
        run["required"].remove(name)
    top = definitions.pop("ReviewResult")
    used = _reachable(top, definitions)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": SCHEMA,
        "title": "Result of a review",
        "description": top["description"],
        "type": "object",
        "properties": {"schema": {"const": SCHEMA}, **top["properties"]},
        "required": ["schema", *top["required"]],
        "$defs": {name: definitions[name] for name in sorted(used)},
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
    """The first paragraph of the docstring describes the type."""
    if isinstance(text := body.get("description"), str):
        body["description"] = " ".join(text.partition("\n\n")[0].split())
    return body


def _reachable(top: object, definitions: dict[str, dict[str, Any]]) -> set[str]:
    found: set[str] = set()
    waiting = [top]
    while waiting:
        node = waiting.pop()
        if isinstance(node, dict):
            reference = node.get("$ref")
            if isinstance(reference, str) and (name := reference.rpartition("/")[2]) not in found:
                found.add(name)
                waiting.append(definitions[name])
            waiting.extend(node.values())
        elif isinstance(node, (list, tuple)):
            waiting.extend(node)
    return found
