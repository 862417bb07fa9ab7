"""One table of a plan, read key by key: each refusal names file, line and key, what was found and what is allowed."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from frametime.errors import FrametimeError, PlanError, did_you_mean, printable
from frametime.pipeline.toml_lines import KeyPath, line_of

_REQUIRED = object()


@dataclass(frozen=True)
class PlanSource:
    """The file that a table comes from, and where its keys stand."""

    file_name: str
    lines: Mapping[KeyPath, int]

    def refuse(self, path: KeyPath, found: str, helps: str | None = None) -> FrametimeError:
        """An error at a key."""
        return PlanError.at(self.file_name, found, line=line_of(path, self.lines), helps=helps)


@dataclass
class PlanTable:
    """A table of the plan and the keys that were asked for."""

    source: PlanSource
    path: KeyPath
    values: Mapping[str, object]
    asked: list[str] = field(default_factory=list)

    def refuse(self, key: str, found: str, helps: str | None = None) -> FrametimeError:
        """An error at a key of this table."""
        return self.source.refuse((*self.path, key), f"{self.name_of(key)} {found}", helps)

    def name_of(self, key: str) -> str:
        """The key with the tables around it, as a person writes it."""
        parts = [str(part) for part in self.path if not isinstance(part, int)]
        return ".".join([*parts, key])

    def has(self, key: str) -> bool:
        """Whether the key is given."""
        self.asked.append(key)
        return key in self.values

    def text(self, key: str, default: object = _REQUIRED) -> str | None:
        """A text that is not empty, on one line."""
        if not self.has(key):
            return self._absent(key, default)  # type: ignore[return-value]  # the default is a text or None
        value = self.values[key]
        if not isinstance(value, str) or not value.strip():
            raise self.refuse(key, f"is {shown(value)}", 'allowed: a text in quotes, such as "stock"')
        if not value.isprintable():
            raise self.refuse(key, f"is {shown(value)}, which holds a line end or control character")
        return value

    def needed_text(self, key: str) -> str:
        """A text that must be given."""
        value = self.text(key)
        assert value is not None
        return value

    def number(self, key: str, default: object = _REQUIRED, *, above: float, below: float = math.inf) -> float | None:
        """A number between two bounds, both left out."""
        if not self.has(key):
            return self._absent(key, default)  # type: ignore[return-value]  # the default is a number or None
        value = self.values[key]
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not above < value < below:
            upper = "" if below == math.inf else f" and below {below:g}"
            raise self.refuse(key, f"is {shown(value)}", f"allowed: a number above {above:g}{upper}")
        return float(value)

    def number_from_zero(self, key: str, default: float) -> float:
        """A number of 0 or more."""
        if not self.has(key):
            return default
        value = self.values[key]
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 <= value < math.inf:
            raise self.refuse(key, f"is {shown(value)}", "allowed: a number of 0 or more")
        return float(value)

    def whole(self, key: str, default: int, *, least: int, most: int) -> int:
        """A whole number between two bounds."""
        if not self.has(key):
            return default
        value = self.values[key]
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
            raise self.refuse(key, f"is {shown(value)}", f"allowed: a whole number from {least} to {most}")
        return value

    def truth(self, key: str, default: bool) -> bool:
        """``true`` or ``false``."""
        if not self.has(key):
            return default
        value = self.values[key]
        if not isinstance(value, bool):
            raise self.refuse(key, f"is {shown(value)}", "allowed: true or false")
        return value

    def percentages(self, key: str, default: tuple[float, ...]) -> tuple[float, ...]:
        """A list of different percentages, each between 0 and 100."""
        if not self.has(key):
            return default
        value = self.values[key]
        if not isinstance(value, list) or not value or not all(_is_percentage(item) for item in value):
            raise self.refuse(key, f"is {shown(value)}", "allowed: a list of percentages, such as [1, 0.1]")
        return tuple(dict.fromkeys(float(item) for item in value))

    def choice(self, key: str, allowed: Sequence[str], default: str) -> str:
        """One word of a few."""
        if not self.has(key):
            return default
        value = self.values[key]
        if value not in allowed:
            raise self.refuse(key, f"is {shown(value)}", f"allowed: {quoted(allowed)}{_near(value, allowed)}")
        return str(value)

    def texts(self, key: str, default: object = _REQUIRED, *, allowed: Sequence[str] | None = None) -> tuple[str, ...]:
        """A list of different texts, each out of ``allowed`` where that is given."""
        if not self.has(key):
            return self._absent(key, default)  # type: ignore[return-value]  # the default is a tuple
        value = self.values[key]
        if not isinstance(value, list) or not all(isinstance(item, str) and item.strip() for item in value):
            raise self.refuse(key, f"is {shown(value)}", 'allowed: a list of texts, such as ["1440p", "2160p"]')
        for at, item in enumerate(value):
            if item in value[:at]:
                raise self.refuse(key, f"names {shown(item)} twice", "name it once")
            if allowed is not None and item not in allowed:
                listed = quoted(allowed) if len(allowed) <= 12 else f"{len(allowed)} words; see the documentation"
                raise self.refuse(key, f"names {shown(item)}", f"allowed: {listed}{_near(item, allowed)}")
        return tuple(value)

    def table(self, key: str) -> PlanTable | None:
        """A table below this one."""
        if not self.has(key):
            return None
        value = self.values[key]
        if not isinstance(value, dict):
            raise self.refuse(key, f"is {shown(value)}", f"allowed: a table, [{self.name_of(key)}]")
        return PlanTable(self.source, (*self.path, key), value)

    def tables(self, key: str) -> Iterator[PlanTable]:
        """The elements of a table array."""
        if not self.has(key):
            return
        value = self.values[key]
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            raise self.refuse(key, f"is {shown(value)}", f"allowed: tables, each headed [[{self.name_of(key)}]]")
        for at, item in enumerate(value):
            yield PlanTable(self.source, (*self.path, key, at), item)

    def finish(self) -> None:
        """Refuse the keys that were not asked for, with the nearest known one."""
        for key in self.values:
            if key not in self.asked:
                known = list(dict.fromkeys(self.asked))
                near = did_you_mean(key, known, cutoff=0.4)
                raise self.source.refuse(
                    (*self.path, key),
                    f"unknown key '{printable(self.name_of(key))}'",
                    f"{near} known keys here: {', '.join(known)}".lstrip(),
                )

    def _absent(self, key: str, default: object) -> object:
        if default is _REQUIRED:
            asks = ((name, did_you_mean(name, [key])) for name in self.values if name not in self.asked)
            helps = next((f"{shown(name)} is no key here, {text}" for name, text in asks if text), None)
            raise self.source.refuse(self.path, f"the key '{self.name_of(key)}' is missing", helps)
        return default


def _is_percentage(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and 0.0 < value < 100.0


def shown(value: object) -> str:
    """A value as found, short."""
    return printable(repr(value), limit=80)


def quoted(words: Sequence[str]) -> str:
    """Words in quotes, one after the other."""
    return ", ".join(f"'{printable(word, limit=60)}'" for word in words)


def _near(value: object, allowed: Sequence[str]) -> str:
    near = did_you_mean(value, allowed) if isinstance(value, str) else ""
    return f"; {near}" if near else ""
