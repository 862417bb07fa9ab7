"""The values of a TOML text as a typed class: unknown, missing and wrong keys are told in one way."""

from __future__ import annotations

import atexit
import gc
import re
from collections.abc import Callable, Mapping
from functools import cache
from typing import Any, Final, TypeVar

import msgspec
from msgspec import inspect

from frametime.errors import did_you_mean
from frametime.ranges import RANGES
from frametime.settings.toml_source import KeyPath, TomlSource, one_of

Decoded = TypeVar("Decoded")
_KINDS: Final[Mapping[type, str]] = {
    inspect.StrType: "a text in quotes",
    inspect.BoolType: "true or false",
    inspect.IntType: "a whole number",
    inspect.FloatType: "a number",
}
_PATH = re.compile(r" - at (?:`key` in )?`\$(.*)`$")
_PART = re.compile(r"\.(\w+)|\[(\d+)\]")
_MISSING = re.compile(r"Object missing required field `(\w+)`")

# msgspec 0.22 frees what it knows of classes that hold one another in no safe order when the process ends, and some
# processes crash there, with all work done. Classes that are left alone to the end are not freed at all.
atexit.register(gc.freeze)

_described: Final[Callable[[type], inspect.Type]] = cache(inspect.type_info)


def decoded(source: TomlSource, kind: type[Decoded]) -> Decoded:
    """The values as an object of a class whose types say what each key may hold.

    Raises
    ------
    FrametimeError
        The error of the source, at the first key that is unknown, missing or wrong.
    """
    top = _described(kind)
    _refuse_unknown(source, top, ())
    try:
        return msgspec.convert(source.values, kind)
    except msgspec.ValidationError as error:
        place = _PATH.search(str(error))
        path: KeyPath = tuple(name or int(number) for name, number in _PART.findall(place[1] if place else ""))
        if missing := _MISSING.match(str(error)):
            path = (*path, missing[1])
            raise source.fault(path, "is missing", f"allowed: {_allowed(_type_at(top, path), path)}") from None
        expected = _type_at(top, path)
        raise source.refuse(path, _allowed(expected, path), _choices(expected)) from None


def within(name: str, *, description: str | None = None) -> msgspec.Meta:
    """What a number may be, by the name of its range."""
    allowed = RANGES[name]
    if allowed.above:
        return msgspec.Meta(gt=allowed.low, le=allowed.high, description=description or str(allowed))
    return msgspec.Meta(ge=allowed.low, le=allowed.high, description=description or str(allowed))


def _refuse_unknown(source: TomlSource, expected: inspect.Type, path: KeyPath) -> None:
    """Before anything is missing: a misspelled key is both, and its own line says more."""
    value = source.at(path) if path else source.values
    known = _fields(expected)
    if known and isinstance(value, dict):
        for key in value:
            if key not in known:
                helps = did_you_mean(key, known) or f"known keys are {', '.join(known)}"
                raise source.unknown((*path, key), helps)
            _refuse_unknown(source, known[key], (*path, key))
    item = getattr(_bare(expected), "item_type", None)
    if item is not None and _fields(item) and isinstance(value, list):
        for at in range(len(value)):
            _refuse_unknown(source, item, (*path, at))


def _bare(expected: inspect.Type) -> Any:
    """The type without its description and without ``None``, which TOML cannot say."""
    if isinstance(expected, inspect.Metadata):
        return _bare(expected.type)
    others = _kinds(expected)
    return _bare(others[0]) if len(others) == 1 else expected


def _kinds(expected: inspect.Type) -> list[inspect.Type]:
    """Of several types those without ``None``, which no key has; none where there is one type."""
    types = expected.types if isinstance(expected, inspect.UnionType) else ()
    return [kind for kind in types if not isinstance(kind, inspect.NoneType)]


def _fields(expected: inspect.Type) -> dict[str, inspect.Type]:
    bare = _bare(expected)
    if isinstance(bare, inspect.StructType | inspect.DataclassType):
        return {field.encode_name: field.type for field in bare.fields}
    return {}


def _type_at(expected: inspect.Type, path: KeyPath) -> Any:
    for part in path:
        if isinstance(part, str):
            expected = _fields(expected)[part]
        else:
            bare = _bare(expected)
            lists = [kind for kind in map(_bare, getattr(bare, "types", (bare,))) if hasattr(kind, "item_type")]
            expected = lists[0].item_type
    return expected


def _choices(expected: inspect.Type) -> list[str]:
    bare = _bare(expected)
    if isinstance(bare, inspect.EnumType):
        return [str(item.value) for item in bare.cls]
    return [str(value) for value in bare.values] if isinstance(bare, inspect.LiteralType) else []


def _allowed(expected: inspect.Type, path: KeyPath) -> str:
    """What a type allows, in words; its description where it has one."""
    if len(others := _kinds(expected)) == 1:
        expected = others[0]
    described = getattr(expected, "extra_json_schema", None) or {}
    bare = _bare(expected)
    name = ".".join(part for part in path if isinstance(part, str))
    item = getattr(bare, "item_type", None)
    if kinds := _kinds(bare):
        words = ", or ".join(_allowed(kind, path) for kind in kinds)
    elif _choices(bare):
        words = one_of(_choices(bare))
    elif item is not None:
        words = f"tables, each headed [[{name}]]" if _fields(item) else f"a list, each of it {_allowed(item, path)}"
    elif isinstance(bare, inspect.DictType):
        words = f"a table, headed [{name}], each of it {_allowed(bare.value_type, path)}"
    elif _fields(bare):
        words = f"a table, headed [{name}]"
    else:
        words = f"{_KINDS[type(bare)]}{_range(bare)}"
    return str(described.get("description", words))


def _range(bare: Any) -> str:
    if isinstance(bare, inspect.StrType | inspect.BoolType):
        return ", not empty" if getattr(bare, "pattern", None) else ""
    words = ""
    for bound, word in (
        (bare.gt, "above"),
        (bare.ge, "from"),
        (bare.lt, "and below"),
        (bare.le, "to" if bare.ge is not None else "and up to"),
    ):
        if bound is not None:
            words += f" {word} {bound:.15g}"
    return words
