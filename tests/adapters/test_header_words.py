"""Names of columns are understood by their words and units, whatever their spelling."""

from __future__ import annotations

import pytest

from frametime.adapters.columns.words import Event, Meaning, header_meaning, words_of

SPELLINGS = (
    "Frame Time (ms)",
    "frame_time_ms",
    "FrameTime [ms]",
    "frametime(MS)",
    "frame-time, ms",
    "Frame Time in ms",
)


@pytest.mark.parametrize("name", [*SPELLINGS, "FrameTimeMs", "frameTimeMs", "FRAME TIME {ms}", " frame  time / ms "])
def test_one_meaning_in_many_spellings(name: str) -> None:
    said = header_meaning(name)
    assert said.meaning is Meaning.FRAME_TIME
    assert said.unit is not None
    assert said.unit.name == "ms"


@pytest.mark.parametrize(
    ("name", "meaning", "unit", "event"),
    [
        ("time (s)", Meaning.TIME, "s", Event.UNMARKED),
        ("t_us", Meaning.TIME, "us", Event.UNMARKED),
        ("Timestamp [µs]", Meaning.TIMESTAMP, "us", Event.UNMARKED),
        ("Timestamp [μs]", Meaning.TIMESTAMP, "us", Event.UNMARKED),
        ("elapsed", Meaning.TIMESTAMP, None, Event.UNMARKED),
        ("epoch_ns", Meaning.TIMESTAMP, "ns", Event.UNMARKED),
        ("time_100ns", Meaning.TIME, "100ns", Event.UNMARKED),
        ("finished_ns", Meaning.TIMESTAMP, "ns", Event.END),
        ("frame end time (ms)", Meaning.TIMESTAMP, "ms", Event.END),
        ("start_ns", Meaning.TIMESTAMP, "ns", Event.START),
        ("simulation start (us)", Meaning.TIMESTAMP, "us", Event.START),
        ("submitted_ns", Meaning.TIMESTAMP, "ns", Event.SUBMIT),
        ("displayed at (ms)", Meaning.TIMESTAMP, "ms", Event.DISPLAY),
        ("Frame (µs)", Meaning.FRAME_TIME, "us", Event.UNMARKED),
        ("duration [s]", Meaning.FRAME_TIME, "s", Event.UNMARKED),
        ("interval", Meaning.FRAME_TIME, None, Event.UNMARKED),
        ("ms per frame", Meaning.FRAME_TIME, "ms", Event.UNMARKED),
        ("FPS", Meaning.RATE, "fps", Event.UNMARKED),
        ("frame rate", Meaning.RATE, None, Event.UNMARKED),
        ("frame rate (Hz)", Meaning.RATE, "fps", Event.UNMARKED),
        ("frames per second", Meaning.RATE, "fps", Event.UNMARKED),
        ("GPU work (ms)", Meaning.GPU_WORK, "ms", Event.UNMARKED),
        ("cpu_work_us", Meaning.CPU_WORK, "us", Event.UNMARKED),
        ("shown", Meaning.SHOWN, None, Event.DISPLAY),
        ("dropped", Meaning.DROPPED, None, Event.UNMARKED),
        ("Application", Meaning.STREAM, None, Event.UNMARKED),
        ("frame", Meaning.INDEX, None, Event.UNMARKED),
    ],
)
def test_meanings(name: str, meaning: Meaning, unit: str | None, event: Event) -> None:
    said = header_meaning(name)
    assert said.meaning is meaning
    assert (said.unit.name if said.unit else None) == unit
    assert said.event is event or meaning is Meaning.SHOWN


@pytest.mark.parametrize(
    "name",
    [
        *("Average FPS", "1% low (FPS)", "Refresh rate (Hz)", "latency (ms)", "wait (ms)", "frame time limit (ms)"),
        *(
            "median frame time (ms)",
            "power (W)",
            "core clock (MHz)",
            "temperature (°C)",
            "GPU load (%)",
            "memory (MiB)",
        ),
    ],
)
def test_what_is_no_time_of_single_frames(name: str) -> None:
    assert header_meaning(name).meaning in (Meaning.OTHER, Meaning.STATISTIC)


def test_the_units_row_wins() -> None:
    said = header_meaning("FrameTime", "[us]")
    assert said.unit is not None
    assert said.unit.name == "us"
    other = header_meaning("Power", "W").other_unit
    assert other is not None
    assert other.name == "W"


def test_minutes_need_brackets() -> None:
    """``frame time min`` is the minimum."""
    assert header_meaning("frame time min").unit is None
    unit = header_meaning("elapsed (min)").unit
    assert unit is not None
    assert unit.name == "min"


def test_a_long_name_costs_little() -> None:
    assert len(words_of("frametime" * 5000)) <= 50


@pytest.mark.parametrize(
    "name",
    [
        "Thời gian khung hình (ms)", "Waktu bingkai (ms)", "Durata cadrului (ms)", "képkocka ideje (ms)",
        "vrijeme okvira (ms)", "време на кадър (ms)", "trajanje sličice (ms)", "kadro laikas (ms)", "billedtid (ms)",
        "เวลาเฟรม (ms)", "זמן פריים (ms)", "زمان فریم (ms)", "Час кадру, мс", "ruutuaika (ms)", "bildetid (ms)",
    ],
)  # fmt: skip
def test_frame_times_in_more_languages(name: str) -> None:
    said = header_meaning(name)
    assert (said.meaning, said.unit and said.unit.name) == (Meaning.FRAME_TIME, "ms")


@pytest.mark.parametrize(
    ("names", "word"),
    [
        ("công suất, daya, putere, teljesítmény, teho, ισχύς, snaga, הספק, توان", "power"),
        ("nhiệt độ, suhu, hőmérséklet, θερμοκρασία, טמפרטורה, دما", "temperature"),
        ("xung nhịp, frekuensi, frecvență, órajel, kellotaajuus, συχνότητα, 時脈, frekansı, frekvencija", "frequency"),
        ("beban, terhelés, kuormitus, завантаження, opterećenje, zaťaž, încărcare, עומס", "load"),
        ("mức sử dụng, penggunaan, utilizare, käyttö, χρήση", "usage"),
    ],
)
def test_quantities_of_sensors_in_more_languages(names: str, word: str) -> None:
    assert [name for name in names.split(", ") if word not in words_of(name)] == []
