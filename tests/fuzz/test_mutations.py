"""A bounded run of the fuzz targets: seeds with bytes changed, cut, doubled; only a ``FrametimeError`` may come out."""

from __future__ import annotations

import random

import fuzz_targets as targets
import pytest

from frametime.errors import FrametimeError

TOKENS = [
    b",",
    b";",
    b"\n",
    b"\r",
    b'"',
    b"\0",
    b"-",
    b"1e999",
    b"nan",
    b"9" * 400,
    b"\xff\xfe",
    b"[",
    b"=",
    b"  ",
    b"#",
]


def changed(seed: bytes, rng: random.Random) -> bytes:
    """One to four changes of a seed."""
    content = bytearray(seed)
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(content) + 1)
        kind = rng.randrange(5)
        if kind == 0:
            content[at:at] = rng.choice(TOKENS)
        elif kind == 1:
            del content[at : at + rng.randint(1, 200)]
        elif kind == 2 and content:
            content[at % len(content)] = rng.randrange(256)
        elif kind == 3:
            content[at:at] = content[rng.randrange(len(content) + 1) :][:300]
        else:
            del content[at:]
    return bytes(content)


@pytest.mark.parametrize("name", sorted(targets.TARGETS))
def test_changed_seeds_end_well(name: str) -> None:
    seeds = list(targets.seeds(name))
    assert seeds, f"there is no seed for {name}"
    rng = random.Random(f"fuzz {name}")
    for _ in range(150):
        content = changed(rng.choice(seeds), rng)
        try:
            targets.TARGETS[name](content)
        except FrametimeError:
            continue
        except Exception as error:
            raise AssertionError(f"{name} ended badly on {content!r}") from error
