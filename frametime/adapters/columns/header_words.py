"""What the name of a column says: its words, its unit, and the meanings they allow. No list of names, only words."""

from __future__ import annotations

import re
from enum import StrEnum
from functools import lru_cache
from types import MappingProxyType
from typing import Final, NamedTuple
from unicodedata import combining, normalize

from frametime.adapters.clocks.time_units import CLOCK, DATE, MINUTE, RATE, TIME_WORDS, TimeUnit, unit_named


class Meaning(StrEnum):
    """What a column can hold, as far as its name goes."""

    TIMESTAMP = "timestamp"
    FRAME_TIME = "frame time"
    RATE = "rate"
    TIME = "time"
    """A time, and the name does not say which: the numbers must."""
    GPU_WORK = "gpu work"
    CPU_WORK = "cpu work"
    SHOWN = "shown"
    DROPPED = "dropped"
    STREAM = "stream"
    INDEX = "index"
    PART = "part"
    """A length of time that is no frame's, as far as the name goes; a clock where its numbers only rise."""
    STATISTIC = "statistic"
    """An average, a limit, a target: nothing of single frames."""
    OTHER = "other"


class Event(StrEnum):
    """Which moment of a frame a timestamp marks."""

    END = "end"
    DISPLAY = "display"
    UNMARKED = "unmarked"
    START = "start"
    SUBMIT = "submission"


class HeaderMeaning(NamedTuple):
    """What one column name says."""

    meaning: Meaning
    event: Event
    unit: TimeUnit | None
    other_unit: str | None
    """UCUM code of a unit that is not of time."""
    unknown: bool = False
    """Whether the name holds words that are not known here."""
    odd: bool = False
    """Whether the name states a unit that is not understood, such as ``ms per 10 frames``."""


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


_OTHER_UNITS: Final = MappingProxyType(
    {
        word: unit
        for unit, words in (
            ("W", "w watt watts"), ("mW", "mw"), ("uW", "uw µw"), ("kW", "kw"), ("Cel", "c °c degc celsius"),
            ("[degF]", "°f degf fahrenheit"), ("K", "k kelvin"), ("MHz", "mhz"), ("GHz", "ghz"), ("kHz", "khz"),
            ("%", "% pct percent"), ("{rpm}", "rpm"), ("V", "v"), ("mV", "mv"), ("A", "a"), ("J", "j"), ("By", "b"),
            ("kBy", "kb"), ("KiBy", "kib"), ("MBy", "mb"), ("MiBy", "mib"), ("GBy", "gb"), ("GiBy", "gib"),
            ("ms2", "ms²"), ("px", "px"),
        )
        for word in words.split()
    }
)  # fmt: skip
_END: Final = _words("end ended finish finished complete completed done present presented presentation")
_DISPLAY: Final = _words("display displayed scanout screen vblank onscreen visible")
_START: Final = _words("start started begin began beginning simulation simulated sim sampled sample input")
_SUBMIT: Final = _words("submit submitted submission queue queued issue issued enqueued")
_STAMP: Final = _words(
    "timestamp stamp elapsed epoch clock when date datetime utc unix ticks tick timecode uptime moment instant qpc"
)
_SPAN: Final = _words("duration interval delta dt length period gap took")
_SUMMED: Final = _words("cumulative cumulated accumulated running total sum since")
_FREQUENCY: Final = _words("clock frequency freq clk")
_RATE_WORDS: Final = _words("fps framerate")
_WORK: Final = _words("work working busy active render rendering time duration")
_NOT_WORK: Final = _words("wait waiting idle latency lag delay")
_STATISTIC: Final = _words(
    "average avg mean median min minimum max maximum low percentile p95 p99 p999 target limit limiter cap capped "
    "smoothed smooth rolling moving filtered ema stdev std deviation variance variation jitter sum total count counter "
    "latency lag wait waiting idle delay refresh error budget predicted prediction ideal expected estimated estimate "
    "half double twice best worst fastest slowest difference diff ratio threshold pacing offset next"
)
_PART: Final = _words(
    "draw drawing physics script scripts scripting render rendering response swap fence sleep ping collection garbage "
    "gc collect logic update ai audio sound network net upload download compile shader load loading io disk animation "
    "culling cull shadow shadows lighting light post compute raster copy transfer encode decode streaming stream "
    "thread worker lock sync synchronization command commands driver overhead pass build layout paint compose "
    "compositor blit job jobs allocation read write setup prepare raytracing particles ui hud vertex pixel geometry "
    "work working busy active flip world fixed boot init save blocked stall kernel user call calls"
)
"""A part of the work of a frame, or something beside it: no length of a frame by itself."""
_STREAM: Final = _words(
    "application app process program executable exe stream game title pid task window surface thread tid session "
    "source context eye layer output swapchain instance view viewport client"
)
_INDEX: Final = _words("index number no nr id row idx num")
_DROPPED: Final = _words("dropped drop skipped missed discarded")
_SHOWN: Final = _words("shown displayed visible presented")
_PLAIN: Final = _words(
    "of the in for to at on a an per each one single current last this previous by from and is was value values raw "
    "measured recorded logged data reading high resolution precise frame frames time times rate gpu cpu second seconds "
    "between s d l local system log absolute relative wall monotonic host capture captured record recording session "
    "run bench benchmark test sensor real scaled unscaled startup launch"
)
"""Words that leave the meaning of a name as it is."""
_LANGUAGES: Final = MappingProxyType(
    {
        word: tuple(english.split())
        for english, words in (
            ("time", "zeit uhrzeit heure hora ora godzina temps tiempo tempo czas czasu tijd время времени 時間 "
             "时间 시간"),
            ("frame", "bild bilder bildes einzelbild image images trame fotograma fotogramas cuadro cuadros quadro "
             "quadros fotogramma fotogrammi klatka klatki klatek ramka ramki кадр кадра кадров кадры フレーム 帧 幀 "
             "影格 프레임"),
            ("duration", "dauer duree duracion duracao durata trwania trwanie длительность продолжительность 持续 时长 "
             "時長 所要 지속"),
            ("second", "sekunde sekunden seconde secondes segundo segundos secondo secondi sekunda sekundy sekund "
             "секунду секунда секунды 秒 초"),
            ("timestamp", "zeitstempel zeitpunkt horodatage marca marcador carimbo znacznik метка отметка momento "
             "タイムスタンプ 时间戳 時間戳 タイムコード 타임스탬프 時刻 时刻 시각"),
            ("elapsed", "verstrichen verstrichene vergangene laufzeit ecoule ecoulee transcurrido decorrido trascorso "
             "uplynelo прошло прошедшее 経過 经过 經過 경과"),
            ("frame rate", "bildrate bildfrequenz 帧率 帧速 幀率 프레임률 프레임율 フレームレート 프레임레이트"),
            ("frame time", "ft bildzeit bilddauer framezeit framedauer"),
            ("rate", "rata taxa tasa frequence frequenza frecuencia frequencia czestotliwosc frequenz "
             "частота レート 速率 레이트"),
            ("per", "pro par por al na в 每 毎"),
            ("interval", "intervall intervalle intervalo intervallo odstep abstand интервал 間隔 间隔 간격"),
            ("delta", "дельта differenz デルタ"),
            ("number", "nummer numero numer номер 番号 编号 編號 번호 nombre anzahl"),
            ("start", "beginn debut inicio inizio poczatek начало 開始 开始 시작"),
            ("end", "ende fin fim koniec konca конец конца 終了 结束 結束 종료"),
            ("date", "datum fecha дата 日期 日付 날짜"),
            ("of", "de du des del della di da do dos das der die von vom une un und pour para i"),
        )
        for word in words.split()
    }
)  # fmt: skip
_VOCABULARY: Final = frozenset(
    {"time", "times", "frame", "frames", "real", "gpu", "cpu", "rate", "per", "second", "seconds", "between"}
    | _END | _DISPLAY | _START | _SUBMIT | _STAMP | _SPAN | _WORK
    | {w for w in _LANGUAGES if len(w) > 2 or ord(w[0]) > 0x2E00}
    | {w for w in TIME_WORDS if ord(w[0]) > 0x2E00}
)  # fmt: skip
_BRACKETS: Final = r"[(\[{<]\s*([^()\[\]{}<>]{1,24}?)\s*[)\]}>]\s*$"
_CAMEL: Final = r"(?<=[a-zµμ])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z]{2})"
_WORD: Final = r"(?:[^\W\d_]|[°²])+|\d+|%|/"
_JOINED_FACTOR: Final = r"(?:^|[^\w.,]|_)[x×]?(\d+(?:[.,]\d+)?)([a-zµ]{1,2})\s*$"
_FULL_WIDTH: Final = str.maketrans("（）［］：／μ", "()[]:/µ")


def _folded(name: str) -> str:
    """Without the accents of the Latin, Greek and Cyrillic letters, and with brackets of one kind."""
    if name.isascii():
        return name
    kept = normalize("NFD", name.translate(_FULL_WIDTH))
    return normalize("NFC", "".join(c for c in kept if not combining(c) or c in "\u3099\u309a"))


def _split_joined(word: str) -> list[str]:
    """``frametime`` to ``frame``, ``time``: only where the whole word is made of known words."""
    if word in _VOCABULARY or (len(word) < 5 and word.isascii()) or len(word) > 40:
        return [word]
    ends: list[list[str] | None] = [None] * (len(word) + 1)
    ends[0] = []
    for stop in range(1, len(word) + 1):
        for start in range(max(0, stop - 12), stop):
            before = ends[start]
            if before is not None and word[start:stop] in _VOCABULARY:
                ends[stop] = [*before, word[start:stop]]
                break
    return ends[-1] or [word]


@lru_cache(maxsize=4096)
def words_of(name: str) -> tuple[str, ...]:
    """The words of a column name, in lower case and, where they are words of time and frames, in English.

    Examples
    --------
    >>> words_of("FrameTime (ms)"), words_of("gpu_work_ns"), words_of("frametime")
    (('frame', 'time', 'ms'), ('gpu', 'work', 'ns'), ('frame', 'time'))
    >>> words_of("Bildzeit (ms)"), words_of("время кадра, мс"), words_of("フレーム時間")
    (('frame', 'time', 'ms'), ('time', 'frame', 'мс'), ('frame', 'time'))
    """
    text = re.sub(_CAMEL, " ", _folded(name[:200])).casefold().replace("μ", "µ")
    parts = [part for word in re.findall(_WORD, text) for part in _split_joined(word)]
    return tuple(each for part in parts for each in _LANGUAGES.get(part, (part,)))


def unit_of_text(text: str) -> tuple[TimeUnit | None, str | None]:
    """The unit a cell of a units row (or the bracket of a name) states: of time, or of something else."""
    bare = text.translate(_FULL_WIDTH).strip().strip("()[]{}<>").strip()
    word = bare.casefold().replace("μ", "µ")
    if bare in {"W", "C", "V", "A", "J"} or (word in _OTHER_UNITS and unit_named(bare) is None):
        return None, _OTHER_UNITS.get(word)
    return unit_named(bare), None


def quantity_unit(name: str, said: HeaderMeaning) -> str | None:
    """UCUM code of the unit of a column that holds no time: a clock in Hz is no rate of frames.

    Examples
    --------
    >>> quantity_unit("core clock (Hz)", header_meaning("core clock (Hz)"))
    'Hz'
    """
    if said.unit is RATE and _FREQUENCY & set(words_of(name)):
        return "Hz"
    return said.other_unit


def unit_in_quantity_cell(text: str) -> str | None:
    """UCUM code of the unit behind a reading.

    Examples
    --------
    >>> unit_in_quantity_cell("Hz"), unit_in_quantity_cell("W"), unit_in_quantity_cell("ms")
    ('Hz', 'W', None)
    """
    return "Hz" if text.strip().casefold() == "hz" else unit_of_text(text)[1]


def _unit_in(name: str, words: tuple[str, ...]) -> tuple[TimeUnit | None, str | None, bool]:  # noqa: PLR0911
    """The unit of time, the UCUM code of another unit, and whether something is stated that is not understood."""
    folded = _folded(name)
    bracket = re.search(_BRACKETS, folded)
    if bracket:
        text = bracket[1].removeprefix("in ")
        unit, other = unit_of_text(text)
        if unit is not None or other is not None:
            return unit, other, False
        if re.search(r"\d", text) and _states_unit(text):
            return None, None, True
    joined = "".join(words)
    if "framesperminute" in joined or ("per" in words and re.search(r"\d+\s*frames", folded.casefold())):
        return None, None, True
    if _RATE_WORDS & set(words) or "framespersec" in joined or "frames/s" in joined or _is_rate(words):
        return RATE, None, False
    if len(words) == 1 and len(words[0]) == 2:
        unit = unit_named(words[0])
        return (unit, None, False) if unit is not None and unit.form == "number" else (None, None, False)
    if len(words) > 1:
        if words[-1] in _OTHER_UNITS:
            return None, _OTHER_UNITS[words[-1]], bool(re.search(_JOINED_FACTOR, folded.casefold()))
        part = re.search(r"((?:tenth|hundredth|thousandth|millionth)s? of .+)$", folded.casefold())
        if part is not None:
            unit = unit_named(part[1].strip(" )]"))
            return unit, None, unit is None
        scientific = re.search(r"(?:^|[ _])(\d[\d.,]*e[+-]?\d+\s*[a-zµ]{1,2})$", folded.casefold())
        factor = scientific or re.search(_JOINED_FACTOR, folded.casefold())
        if factor is not None and (unit := unit_named("".join(factor.groups()))) is not None:
            return unit, None, False
        # minutes and "min" for minimum look alike in a bare name: in brackets only
        last = words[-1]
        unit = unit_named(last) if last not in {"min", "mins", "h"} else None
        if unit is None and words[0] in {"ms", "us", "µs", "ns"}:
            unit = unit_named(words[0])
        if unit is not None and (unit is not RATE or last != "hz" or words[0] in {"frame", "fps"}):
            return unit, None, False
    return None, None, False


def _states_unit(text: str) -> bool:
    return any(unit_of_text(word) != (None, None) for word in re.findall(r"[^\W\d_]+|%", text.casefold()))


def _is_rate(words: tuple[str, ...]) -> bool:
    """Frames by the second, in the words of any language."""
    return "per" in words and bool({"frame", "frames"} & set(words)) and bool({"second", "seconds"} & set(words))


def _event(words: set[str]) -> Event:
    for event, marks in ((Event.SUBMIT, _SUBMIT), (Event.DISPLAY, _DISPLAY), (Event.END, _END), (Event.START, _START)):
        if words & marks:
            return event
    return Event.UNMARKED


@lru_cache(maxsize=4096)
def header_meaning(name: str, unit_text: str = "") -> HeaderMeaning:
    """What the name of a column, with its cell in the units row, says about the column.

    Examples
    --------
    >>> header_meaning("FrameTime (ms)").meaning, header_meaning("finished_ns").event
    (<Meaning.FRAME_TIME: 'frame time'>, <Event.END: 'end'>)
    >>> header_meaning("physics time (ms)").meaning, header_meaning("boss frame time (ms)").unknown
    (<Meaning.PART: 'part'>, True)
    """
    ordered = words_of(name)
    unit, other, odd = _unit_in(name, ordered)
    if unit_text.strip():
        stated = unit_of_text(unit_text)
        if stated != (None, None):
            unit, other, odd = *stated, False
    words = set(ordered)
    if unit is MINUTE:
        # In "elapsed (min)" the word is the unit, not the least value.
        words -= {"min", "mins"}
    event = _event(words)
    unknown = bool(_unknown(words))
    meaning = Meaning.OTHER if odd else _meaning(words, ordered, event, unit, other)
    return HeaderMeaning(meaning, event, unit, other, unknown, odd)


def _from_one_to_next(ordered: tuple[str, ...]) -> bool:
    """Whether a name says from one event to the next of its kind."""
    return any(ordered.count(word) > 1 for word in ordered if word in _END | _DISPLAY | _START | _SUBMIT)


def _unknown(words: set[str]) -> set[str]:
    """Words that are neither of time and frames, nor leave a name as it is."""
    known = _VOCABULARY | _PLAIN | _RATE_WORDS | _INDEX | _SUMMED | TIME_WORDS
    return {word for word in words - known if not word.isdigit() and word not in {"/", "x", "v", "e", "t", "in"}}


def _meaning(  # noqa: PLR0911, PLR0912 - one line for each meaning, in the order in which they exclude each other
    words: set[str], ordered: tuple[str, ...], event: Event, unit: TimeUnit | None, other: str | None
) -> Meaning:
    if other is not None:
        return Meaning.OTHER
    timed = unit is not None and unit is not RATE
    if ("gpu" in words or "cpu" in words) and not words & _NOT_WORK:
        if event in (Event.UNMARKED,) and words & _WORK and not words & (_STATISTIC - {"time"}):
            return Meaning.GPU_WORK if "gpu" in words else Meaning.CPU_WORK
        if not (event is not Event.UNMARKED and timed):
            return Meaning.OTHER
    if unit is RATE or {"frame", "rate"} <= words:
        frames = words & _RATE_WORDS or words & {"frame", "frames"} or ordered in ((), ("hz",))
        return Meaning.RATE if frames and not words & (_STATISTIC | _PART) else Meaning.STATISTIC
    if words & _SUMMED and (timed or "time" in words) and not words & (_STATISTIC - _SUMMED):
        # The total of a frame is its length, a total over frames a clock.
        return Meaning.TIME if {"frame", "frames", "last"} & words else Meaning.TIMESTAMP
    if "p" in words and any(word.isdigit() for word in words):
        return Meaning.STATISTIC
    if words & _STATISTIC:
        return Meaning.STATISTIC
    if not timed and words & _DROPPED:
        return Meaning.DROPPED
    if not timed and words & _SHOWN and len(words) <= 3:
        return Meaning.SHOWN
    if words & _PART and (words & (_SPAN | {"time", "times"}) or timed) and not words & _STAMP:
        return Meaning.TIMESTAMP if event is not Event.UNMARKED and not {"frame", "frames"} & words else Meaning.PART
    frame = bool({"frame", "frames"} & words)
    if words & _SPAN or (frame and "time" in words and event is Event.UNMARKED) or {"per", "frame"} <= words:
        return Meaning.FRAME_TIME if frame or not _unknown(words) else Meaning.PART
    if ("between" in words and timed) or ("to" in words and event is not Event.UNMARKED and _from_one_to_next(ordered)):
        return Meaning.FRAME_TIME
    if event is not Event.UNMARKED and (timed or words & _STAMP or "time" in words):
        return Meaning.TIMESTAMP
    marks = event is not Event.UNMARKED and words & {"frame", "at"} and not _unknown(words)
    if words & _STAMP or (marks and event is not Event.DISPLAY):
        return Meaning.TIMESTAMP
    if frame and timed:
        return Meaning.FRAME_TIME
    if words & _INDEX or words in ({"frame"}, {"frames"}):
        return Meaning.STREAM if words & _STREAM and "frame" not in words else Meaning.INDEX
    if words & {"time", "times"} or ordered == ("t",) or (len(ordered) == 2 and ordered[0] == "t" and timed):
        return Meaning.PART if _unknown(words) else Meaning.TIME
    if words & _STREAM and not timed:
        return Meaning.STREAM
    if unit in (CLOCK, DATE) or (timed and len(ordered) == 1):
        return Meaning.TIME
    return Meaning.PART if timed else Meaning.OTHER
