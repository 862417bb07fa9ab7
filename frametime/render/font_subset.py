"""A font with a few of its letters only, for a file that carries its own font.

Reads and writes the tables of a TrueType font as "OpenType specification", version 1.9, lays them out. A general tool
for this would also make smaller the tables by which letters are chosen and joined, and take longer than drawing a
chart; the letters of a PDF file are chosen already (ISO 32000-1, 9.9: such a font needs no other tables than these).
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Final

_KEPT: Final = ("cvt ", "fpgm", "prep")
_TRUETYPE: Final = (b"\x00\x01\x00\x00", b"true")
_CHECKSUM_OF_ALL: Final = 0xB1B0AFBA

# Flags of one part of a letter that is put together from others.
_WORDS, _SCALE, _MORE, _SCALES, _MATRIX = 0x0001, 0x0008, 0x0020, 0x0040, 0x0080


@lru_cache(maxsize=4)
def font_tables(file_name: str) -> Mapping[str, bytes]:
    """Tables of a font by name; none where the file is no single TrueType font."""
    content = Path(file_name).read_bytes()
    if content[:4] not in _TRUETYPE:
        return {}
    (count,) = struct.unpack_from(">H", content, 4)
    tables = {}
    for number in range(count):
        tag, _, start, length = struct.unpack_from(">4sLLL", content, 12 + 16 * number)
        tables[tag.decode("latin-1")] = content[start : start + length]
    return tables


@lru_cache(maxsize=32)
def font_subset(file_name: str, places: tuple[int, ...]) -> bytes:
    """A font of these letters: the one at ``places[n]`` of the font of the file is at ``n`` + 1 of the new one.

    Parameters
    ----------
    file_name : str
        A TrueType font.
    places : tuple of int
        Places of the letters, each once. Place 0, the sign for a missing letter, is always kept, as place 0.

    Raises
    ------
    ValueError
        If the file is no TrueType font.
    """
    tables = font_tables(file_name)
    if "glyf" not in tables:
        raise ValueError(f"file_name must be a TrueType font, got {file_name!r}")
    starts = _starts(tables)
    order = [0, *places]
    new_place = {place: number for number, place in enumerate(order)}
    outlines: list[bytes] = []
    while len(outlines) < len(order):  # parts of letters come to the end of the order as they are found
        place = order[len(outlines)]
        outline = bytearray(tables["glyf"][starts[place] : starts[place + 1]])
        for position in _parts(outline):
            (part,) = struct.unpack_from(">H", outline, position)
            if part not in new_place:
                new_place[part] = len(order)
                order.append(part)
            struct.pack_into(">H", outline, position, new_place[part])
        outlines.append(bytes(outline) + bytes(-len(outline) % 4))
    return _font(_made(tables, order, outlines))


def _starts(tables: Mapping[str, bytes]) -> Sequence[int]:
    (is_long,) = struct.unpack_from(">h", tables["head"], 50)
    count = len(tables["loca"]) // (4 if is_long else 2)
    starts = struct.unpack(f">{count}{'L' if is_long else 'H'}", tables["loca"])
    return starts if is_long else [2 * start for start in starts]


def _parts(outline: bytearray) -> list[int]:
    """Where in an outline the places of other letters stand, of which it is put together."""
    if not outline or struct.unpack_from(">h", outline)[0] >= 0:
        return []
    found, position, flags = [], 10, _MORE
    while flags & _MORE:
        (flags,) = struct.unpack_from(">H", outline, position)
        found.append(position + 2)
        position += 8 if flags & _WORDS else 6
        position += 2 if flags & _SCALE else 4 if flags & _SCALES else 8 if flags & _MATRIX else 0
    return found


def _made(tables: Mapping[str, bytes], order: Sequence[int], outlines: Sequence[bytes]) -> dict[str, bytes]:
    (n_widths,) = struct.unpack_from(">H", tables["hhea"], 34)
    loca, widths = [0], bytearray()
    for place, outline in zip(order, outlines, strict=True):
        loca.append(loca[-1] + len(outline))
        last = 4 * (min(place, n_widths - 1))
        bearing = 4 * place + 2 if place < n_widths else 4 * n_widths + 2 * (place - n_widths)
        widths += tables["hmtx"][last : last + 2] + tables["hmtx"][bearing : bearing + 2]
    head, hhea, maxp = bytearray(tables["head"]), bytearray(tables["hhea"]), bytearray(tables["maxp"])
    struct.pack_into(">L", head, 8, 0)
    struct.pack_into(">h", head, 50, 1)
    struct.pack_into(">H", hhea, 34, len(order))
    struct.pack_into(">H", maxp, 4, len(order))
    return {
        "head": bytes(head),
        "hhea": bytes(hhea),
        "maxp": bytes(maxp),
        "hmtx": bytes(widths),
        "loca": struct.pack(f">{len(loca)}L", *loca),
        "glyf": b"".join(outlines),
        **{name: tables[name] for name in _KEPT if name in tables},
    }


def _font(tables: Mapping[str, bytes]) -> bytes:
    count = len(tables)
    power = count.bit_length() - 1
    header = struct.pack(">4sHHHH", _TRUETYPE[0], count, 16 << power, power, 16 * (count - (1 << power)))
    start = len(header) + 16 * count
    records, body = [], []
    for name in sorted(tables):
        padded = tables[name] + bytes(-len(tables[name]) % 4)
        records.append(struct.pack(">4sLLL", name.encode("latin-1"), _checksum(padded), start, len(tables[name])))
        body.append(padded)
        start += len(padded)
    font = bytearray(b"".join([header, *records, *body]))
    (head_start,) = struct.unpack_from(">L", records[sorted(tables).index("head")], 8)
    struct.pack_into(">L", font, head_start + 8, (_CHECKSUM_OF_ALL - _checksum(font)) & 0xFFFFFFFF)
    return bytes(font)


def _checksum(content: bytes | bytearray) -> int:
    words: tuple[int, ...] = struct.unpack(f">{len(content) // 4}L", content)
    return sum(words) & 0xFFFFFFFF
