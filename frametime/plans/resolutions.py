"""Names of resolutions: the same one may be written by its lines, its size, or a word of the trade."""

from __future__ import annotations

import re
from types import MappingProxyType
from typing import Final

# Sizes behind the words: common practice, no source. "2K" is left as it is: it is used for two sizes.
_SIZES: Final = MappingProxyType(
    {
        "720p": (1280, 720), "1080p": (1920, 1080), "1200p": (1920, 1200), "1440p": (2560, 1440),
        "1600p": (2560, 1600), "1800p": (3200, 1800), "2160p": (3840, 2160), "2880p": (5120, 2880),
        "4320p": (7680, 4320),
    }
)  # fmt: skip
_WORDS: Final = MappingProxyType(
    {
        "hd": "720p", "fhd": "1080p", "fullhd": "1080p", "qhd": "1440p", "wqhd": "1440p", "4k": "2160p", "uhd": "2160p",
        "4kuhd": "2160p", "5k": "2880p", "8k": "4320p", "uwfhd": "2560x1080", "uwqhd": "3440x1440",
        "ultrawide1440p": "3440x1440", "ultrawide1080p": "2560x1080",
    }
)  # fmt: skip
RESOLUTION: Final = re.compile(
    r"(?<![^\W_])(?:(?:ultra[- ]?wide[-_ ]?)?(?:\d{3,5} ?[x×] ?\d{3,5}|\d{3,4}[pi])"
    r"|4k[-_ ]?uhd|[24568]k|full[-_ ]?hd|u?w?[fqu]hd|hd|(?:1080|1440|2160))(?![^\W_])",
    re.IGNORECASE,
)


def resolution_name(text: str) -> str:
    """One name for equal resolutions: by lines where the size is a usual one, else by width and height.

    Examples
    --------
    >>> [resolution_name(text) for text in ("QHD", "2560x1440", "1440p", "4K", "ultrawide 3440x1440", "Low")]
    ['1440p', '1440p', '1440p', '2160p', '3440x1440', 'low']
    """
    name = re.sub(r"[-_ ]", "", text).casefold().replace("×", "x")
    name = _WORDS.get(name, name)
    size = re.search(r"(\d{3,5})x(\d{3,5})", name)
    if size is not None:
        pair = int(size[1]), int(size[2])
        return next((lines for lines, known in _SIZES.items() if known == pair), f"{pair[0]}x{pair[1]}")
    return f"{name}p" if f"{name}p" in _SIZES else name
