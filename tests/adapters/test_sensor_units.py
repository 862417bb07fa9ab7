"""Sensor logs: which column is which quantity, in which unit, written in which way."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sensor_logs import attached, capture_of, codes, column, elapsed_log, refusal, times_s, told

from frametime.adapters.sensors.sensor_log import SensorLayout
from frametime.caveats import Weight
from frametime.errors import LayoutError


def test_an_elapsed_log_is_read_on_the_clock_of_the_capture() -> None:
    trace = attached(elapsed_log())
    assert times_s(trace) == [float(i) for i in range(12)]
    assert column(trace, "power_w")[:2] == [100.5, 101.5]
    assert trace.samples.schema.field("temperature_c").metadata == {b"unit": b"Cel"}
    assert "elapsed time" in trace.alignment
    assert told(trace) == ()


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            "time (ms);board power [W];GPU clock [GHz]\n0;120,5;1,55\n6000;121,5;1,95\n12000;119,5;1,9\n",
            (120.5, 1550.0),
        ),
        ("t_s\tpower draw (mW)\tcore frequency (kHz)\n0\t120500\t1550000\n6\t1\t1\n12\t1\t1\n", (120.5, 1550.0)),
        ("elapsed [s],power,core clock\n0,120.5 W,1550 MHz\n6,121 W,1550 MHz\n12,119 W,1550 MHz\n", (120.5, 1550.0)),
        ("elapsed,power,clock\n[s],[W],[MHz]\n0,120.5,1550\n6,121,1550\n12,119,1550\n", (120.5, 1550.0)),
    ],
    ids=["decimal-comma", "milliwatt", "units-in-cells", "units-row"],
)
def test_units_and_dialects(text: str, expected: tuple[float, float]) -> None:
    trace = attached(text)
    assert column(trace, "power_w")[0] == pytest.approx(expected[0], rel=1e-12)
    assert column(trace, "core_clock_mhz")[0] == pytest.approx(expected[1], rel=1e-12)


@pytest.mark.parametrize(
    "name", ["Moc procesora (W)", "İşlemci gücü (W)", "Výkon procesoru (W)", "Потужність процесора (W)"]
)
def test_the_power_of_the_processor_is_not_that_of_the_card(name: str) -> None:
    trace = attached(f"t,{name},GPU temp (°C)\n" + "".join(f"{i},95.5,61.5\n" for i in range(13)))
    assert "power_w" not in trace.samples.column_names


def test_a_time_that_is_not_used_is_not_told() -> None:
    rows = "".join(f"2026-09-21T13:47:{i:02d}Z,120.5,{1550 + i}\n" for i in range(40))
    trace = attached("time,power (W),clock\n" + rows, recorded_from="2026-09-21T13:47:10Z")
    assert not any("it is read in" in caveat.message for caveat in told(trace))


@pytest.mark.parametrize(
    "header",
    ["t,GPU Leistung (W),GPU Temperatur (°C),Kerntakt (MHz)", "t,puissance (W),température (°C),fréquence (MHz)",
     "t,potencia (W),temperatura (°C),frecuencia (MHz)", "t,moc (W),temperatura (°C),taktowanie (MHz)",
     "t,мощность (Вт),температура (°C),частота (МГц)", "t,消費電力 (W),温度 (℃),コアクロック (MHz)",
     "t,功耗 (W),温度 (℃),核心频率 (MHz)", "Zaman,GPU Gücü (W),GPU Sıcaklığı (°C),Çekirdek Hızı (MHz)",
     "Förfluten tid (s),Effekt (W),Temperatur (°C),Klockfrekvens (MHz)",
     "Tijd,Vermogen (W),Temperatuur (°C),Kloksnelheid (MHz)",
     "Čas,Výkon GPU (W),Teplota GPU (°C),Takt GPU (MHz)", "الوقت,القدرة (W),الحرارة (°C),التردد (MHz)",
     "t,card W,card °C,core MHz", "t,W,C,MHz", "t,pwr,tmp,clk",
     "time,iGPU power (W),GPU temp,GPU clock,power", "epoch,power,temp,core clock"],
)  # fmt: skip
def test_columns_of_other_names_and_a_time_without_a_unit(header: str) -> None:
    start = 1_789_998_460 if header.startswith("epoch") else 0
    extra = ",120.5" if header.endswith(",power") else ""
    first = "9" if extra else "120.5"
    trace = attached(header + "\n" + "".join(f"{start + i},{first},61.5,{1550 + i}{extra}\n" for i in range(13)))
    found = [column(trace, key)[0] for key in ("power_w", "temperature_c", "core_clock_mhz")]
    assert found == pytest.approx([120.5, 61.5, 1550.0])


@pytest.mark.parametrize(
    ("name", "cell", "quantity", "expected"),
    [("clock kHz", "1550000", "core_clock_mhz", 1550.0), ("power mW", "120500", "power_w", 120.5),
     ("temp (m°C)", "61500", "temperature_c", 61.5), ("temp F", "212", "temperature_c", 100.0),
     ("mem_mhz", "1188", "memory_clock_mhz", 1188.0)],
)  # fmt: skip
def test_small_letters_before_a_unit(name: str, cell: str, quantity: str, expected: float) -> None:
    trace = attached(f"elapsed_s,{name}\n" + "".join(f"{i},{cell}\n" for i in range(13)))
    assert column(trace, quantity)[0] == pytest.approx(expected)


def test_fahrenheit_and_memory_units_are_converted() -> None:
    # 212 °F is 100 °C by definition; 1 GB is 10**9 / 2**20 MiB.
    trace = attached("elapsed_s,gpu temp (°F),vram used (GB)\n0,212,1\n6,32,2\n12,32,2\n")
    assert column(trace, "temperature_c")[0] == pytest.approx(100.0, abs=1e-9)
    assert column(trace, "memory_used_mib")[0] == pytest.approx(1e9 / 2**20, rel=1e-12)


def test_every_quantity_is_found_by_its_words() -> None:
    header = (
        "elapsed_s,card power [W],power limit [W],gpu temperature [°C],hotspot temperature [°C],core clock [MHz],"
        "memory clock [MHz],gpu usage [%],memory usage [%],fan [rpm],fan speed [%],core voltage [mV],"
        "memory used [MiB]\n"
    )
    rows = "".join(f"{i},120,250,60,75,1550,2600,98,40,1500,45,1010,4096\n" for i in range(12))
    trace = attached(header + rows)
    assert {name: column(trace, name)[0] for name in trace.samples.column_names[1:]} == {
        "power_w": 120.0,
        "temperature_c": 60.0,
        "core_clock_mhz": 1550.0,
        "memory_clock_mhz": 2600.0,
        "utilization_pct": 98.0,
        "fan_rpm": 1500.0,
        "fan_pct": 45.0,
        "voltage_v": 1.01,
        "memory_used_mib": 4096.0,
    }


@pytest.mark.parametrize(
    ("name", "cell", "quantity"),
    [
        ("power", "120", "power_w"),
        ("gpu temperature", "50", "temperature_c"),
        ("core clock", "1980", "core_clock_mhz"),
        ("gpu load", "97", "utilization_pct"),
    ],
)
def test_a_column_without_a_unit_is_read_where_its_readings_are_a_cards_in_one_unit(
    name: str, cell: str, quantity: str
) -> None:
    trace = attached(f"elapsed_s,{name}\n" + "".join(f"{i},{cell}\n" for i in range(12)))
    assert column(trace, quantity)[0] == float(cell)
    (caveat,) = told(trace)
    assert (caveat.code, caveat.weight) == ("sensor-unit-inferred", Weight.NOTE)


@pytest.mark.parametrize(
    ("name", "cell", "likely"),
    [
        ("power", "120000", "mW"),
        ("power", "0.12", "kW"),
        ("power", "2", "W"),
        ("gpu temperature", "323", "K"),
        ("power [?]", "120", "W"),
    ],
)
def test_a_column_without_a_unit_is_not_guessed(name: str, cell: str, likely: str) -> None:
    log = f"elapsed_s,{name},core clock (MHz)\n" + "".join(f"{i},{cell},1980\n" for i in range(12))
    trace = attached(log)
    assert trace.samples.column_names == ["time_ns", "core_clock_mhz"]
    (caveat,) = told(trace)
    assert caveat.code == "sensor-unit-unknown"
    quantity = "power_w" if "power" in name else "temperature_c"
    assert f'{quantity} = "{name}" and {quantity}_unit = "{likely}"' in caveat.message
    layout = SensorLayout.from_toml(f'{quantity} = "{name}"\n{quantity}_unit = "{likely}"\n', "bench.toml")
    assert quantity in attached(log, layout=layout).samples.column_names


@pytest.mark.parametrize(
    ("name", "cell", "quantity", "expected"),
    [
        ("power (0.1 W)", "2107", "power_w", 210.7),
        ("power (0,1 W)", "2107", "power_w", 210.7),
        ("board power [x0.1W]", "2107", "power_w", 210.7),
        ("power (tenths of W)", "2107", "power_w", 210.7),
        ("core clock (10 MHz)", "198", "core_clock_mhz", 1980.0),
        ("GPU 1 power (W)", "210.7", "power_w", 210.7),
        ("power 2 (W)", "210.7", "power_w", 210.7),
    ],
)
def test_a_number_joined_to_a_unit_is_a_factor_and_one_in_a_name_is_none(
    name: str, cell: str, quantity: str, expected: float
) -> None:
    text = f'elapsed_s,"{name}"\n' + "".join(f"{i},{cell}\n" for i in range(12))
    first = attached(text)
    assert column(first, quantity)[0] == pytest.approx(expected, rel=1e-12)
    found = SensorLayout.from_toml(first.provenance.layout_toml, "found.toml")
    assert column(attached(text, layout=found), quantity)[0] == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("nothing", ["65535", "9999", "-1", "255", "0"])
def test_values_that_stand_for_nothing_are_left_out_and_counted(nothing: str) -> None:
    cells = ["110"] * 40
    cells[7] = cells[22] = nothing
    trace = attached("elapsed_s,power_w\n" + "".join(f"{i / 2},{cell}\n" for i, cell in enumerate(cells)))
    assert {value for value in column(trace, "power_w") if value is not None} == {110.0}
    assert column(trace, "power_w").count(None) == 2
    assert f"2 of {float(nothing):g}" in next(c.message for c in trace.caveats if c.code == "sensor-no-reading")


def test_readings_that_could_be_a_cards_are_kept_though_others_write_them_for_nothing() -> None:
    cells = ["240", "255", "255", "261"] * 10
    trace = attached("elapsed_s,power_w\n" + "".join(f"{i / 2},{cell}\n" for i, cell in enumerate(cells)))
    assert column(trace, "power_w").count(255.0) > 5
    assert codes(trace) == set()


def test_one_reading_far_above_those_on_either_side_is_left_out() -> None:
    cells = ["210"] * 40
    cells[9] = "1000"
    trace = attached("elapsed_s,power_w\n" + "".join(f"{i / 2},{cell}\n" for i, cell in enumerate(cells)))
    assert {value for value in column(trace, "power_w") if value is not None} == {210.0}
    assert "sensor-reading-alone" in codes(trace)


@pytest.mark.parametrize("name", ["SSD temperature (C)", "monitor power (W)", "requested core clock (MHz)"])
def test_readings_of_something_else_are_not_the_cards(name: str) -> None:
    log = f"elapsed_s,{name},load (%)\n" + "".join(f"{i},60,98\n" for i in range(12))
    assert attached(log).samples.column_names == ["time_ns", "utilization_pct"]


def test_two_columns_that_fit_equally_well_are_not_chosen_between() -> None:
    log = "elapsed_s,power a [W],power b [W],temp [C]\n" + "".join(f"{i},120,130,50\n" for i in range(12))
    trace = attached(log)
    assert "power_w" not in trace.samples.column_names
    assert codes(trace) == {"sensor-ambiguous-column"}
    layout = SensorLayout.from_toml('power_w = "power b [W]"\n', "bench.toml")
    again = attached(log, layout=layout)
    assert column(again, "power_w")[0] == 130.0
    assert told(again) == ()


def test_the_layout_that_was_found_reads_the_log_in_the_same_way() -> None:
    first = attached(elapsed_log())
    layout = SensorLayout.from_toml(first.provenance.layout_toml, "found.toml")
    again = attached(elapsed_log(), layout=layout)
    assert again.samples.equals(first.samples)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('power = "x"\n', "line 1: unknown key 'power'"),
        ('unit = "s"\npower_w_unit = "hp"\n', 'line 2: power_w_unit is "hp"; allowed: one of "W", "uW", "mW", "kW"'),
        ("power_w = true\n", "line 1: power_w is true; allowed: the name of a column"),
        ('time_zone = "Nowhere/Land"\n', "line 1: time_zone is \"Nowhere/Land\"; 'Nowhere/Land' is not a time zone"),
        ('unit = "parsec"\n', "line 1: unit"),
        ("power_w =\n", "this is not TOML"),
    ],
)
def test_a_wrong_sensor_layout_is_refused_with_its_line(text: str, message: str) -> None:
    with pytest.raises(LayoutError) as caught:
        SensorLayout.from_toml(text, "bench.toml")
    assert message in str(caught.value)


def test_a_unit_that_changes_halfway_is_converted_where_it_is_stated() -> None:
    cells = ["120.5 W"] * 6 + ["120500 mW"] * 6
    trace = attached("elapsed_s,power\n" + "".join(f"{i},{cell}\n" for i, cell in enumerate(cells)))
    assert column(trace, "power_w") == pytest.approx([120.5] * 12)
    assert codes(trace) == {"sensor-unit-mixed"}


@pytest.mark.parametrize(("later", "code"), [("120500", "sensor-out-of-range"), ("120,5", "sensor-cells-unreadable")])
def test_a_column_whose_unit_or_mark_changes_halfway_is_not_used(later: str, code: str) -> None:
    """The numbers of half of the log were those of the run; a few cells of another kind are left out alone."""
    for cells in (["120.5"] * 6 + [later] * 6, [later] * 6 + ["120.5"] * 6):
        trace = attached("elapsed_s;power_w;temp_c\n" + "".join(f"{i};{cell};60.5\n" for i, cell in enumerate(cells)))
        assert column(trace, "power_w") == [None] * 12
        assert column(trace, "temperature_c") == [60.5] * 12
        assert code in codes(trace)
        assert any("the unit or the decimal mark changes" in caveat.message for caveat in trace.caveats)
    trace = attached("elapsed_s;power_w\n" + "".join(f"{i};{later if i in (4, 5) else 120.5}\n" for i in range(40)))
    assert column(trace, "power_w")[:7] == [120.5] * 4 + [None] * 2 + [120.5]
    # So it is where a stretch in the middle is in another; what lies here and there is left out alone.
    for others, is_used in (({*range(10, 20)}, False), ({*range(0, 40, 5)}, True)):
        cells = [later if i in others else "120.5" for i in range(40)]
        trace = attached("elapsed_s;power_w;temp_c\n" + "".join(f"{i};{each};60.5\n" for i, each in enumerate(cells)))
        expected = [None if each == later or not is_used else 120.5 for each in cells]
        shown = column(trace, "power_w")
        assert len(shown) > 12 and shown == expected[: len(shown)]


def test_a_cell_whose_unit_contradicts_its_column_is_no_reading() -> None:
    cells = ["120 W"] * 6 + ["120 mW"] + ["120 W"] * 5
    trace = attached("elapsed_s,power_w\n" + "".join(f"{i},{cell}\n" for i, cell in enumerate(cells)))
    assert column(trace, "power_w")[6] is None
    assert "sensor-cells-unreadable" in codes(trace)


@given(
    st.lists(st.floats(1.0, 2.9).map(lambda value: round(value, 2)), min_size=3, max_size=40),
    st.sampled_from([(",", "."), (";", ","), ("\t", "."), ("|", ",")]),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]),
    st.sampled_from(["\n", "\r\n"]),
)
@settings(max_examples=80, deadline=None)
def test_a_known_series_comes_back_from_any_dialect(
    watts: list[float], marks: tuple[str, str], encoding: str, line_end: str
) -> None:
    delimiter, decimal = marks
    rows = [f"{i / 4:.2f}{delimiter}{watt:.2f}{delimiter}{50 + i % 3}" for i, watt in enumerate(watts)]
    text = line_end.join([delimiter.join(("elapsed [s]", "power [W]", "temperature [°C]")), *rows, ""])
    if decimal == ",":
        text = text.replace(".", ",")
    trace = attached(text.encode(encoding), capture_of(seconds=0.5))
    kept = len(column(trace, "power_w"))
    assert column(trace, "power_w") == watts[:kept]


@pytest.mark.parametrize(
    ("name", "cell", "code"),
    [
        ("power (mW)", "120", "sensor-unit-doubtful"),
        ("core clock (MHz)", "1.55", "sensor-unit-doubtful"),
        ("gpu usage (%)", "0.97", "sensor-unit-doubtful"),
        ("core voltage (mV)", "1.05", "sensor-unit-doubtful"),
        ("power (W)", "0", "sensor-no-reading"),
        ("gpu temperature (°C)", "0", "sensor-no-reading"),
        ("gpu usage (%)", "0", None),
        ("fan (rpm)", "0", None),
        ("power (W)", "120", None),
    ],
)
def test_readings_that_a_card_at_work_hardly_has_are_told(name: str, cell: str, code: str | None) -> None:
    trace = attached(f"elapsed_s,{name}\n" + "".join(f"{i},{cell}\n" for i in range(12)))
    assert codes(trace) - {"sensor-cells-missing"} == ({code} if code else set())


def test_power_at_the_wall_is_not_that_of_the_card() -> None:
    trace = attached("elapsed_s,wall power (W),temperature_c\n" + "".join(f"{i},490,60\n" for i in range(12)))
    assert "power_w" not in trace.samples.column_names


@pytest.mark.parametrize(
    ("name", "cell", "quantity", "expected"),
    [
        ("power (uW)", "250000000", "power_w", 250.0),
        ("power [µW]", "250000000", "power_w", 250.0),
        ("gpu temp (degF)", "140", "temperature_c", 60.0),
        ("gpu temp (Fahrenheit)", "140", "temperature_c", 60.0),
    ],
)
def test_more_units_in_names(name: str, cell: str, quantity: str, expected: float) -> None:
    # 140 °F is 60 °C by definition of the scale: (140 - 32) * 5 / 9.
    trace = attached(f"elapsed_s,{name}\n" + "".join(f"{i},{cell}\n" for i in range(12)))
    assert column(trace, quantity)[0] == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("name", "cell", "quantity", "expected"),
    [
        ("core clock (Hz)", "1550000000", "core_clock_mhz", 1550.0),
        ("memory clock", "2500000000 Hz", "memory_clock_mhz", 2500.0),
        ("gpu temp (K)", "333.15", "temperature_c", 60.0),
        ("gpu temperature", "333.15 K", "temperature_c", 60.0),
    ],
)
def test_hertz_and_kelvin_are_converted(name: str, cell: str, quantity: str, expected: float) -> None:
    # 0 °C is 273.15 K by definition (SI brochure, 2.3.1).
    trace = attached(f"elapsed_s,{name}\n" + "".join(f"{i},{cell}\n" for i in range(12)))
    assert column(trace, quantity)[0] == pytest.approx(expected, rel=1e-12)
    assert told(trace) == ()


def test_the_refresh_of_a_screen_is_no_clock_of_the_card() -> None:
    text = "elapsed_s,refresh frequency (Hz),power_w\n" + "".join(f"{i},144,120\n" for i in range(12))
    assert attached(text).samples.column_names == ["time_ns", "power_w"]


def test_a_unit_that_is_not_known_is_not_called_missing() -> None:
    trace = attached("elapsed_s,gpu temp (Ra),power_w\n" + "".join(f"{i},600,120\n" for i in range(12)))
    assert "states no unit that is known" in told(trace)[0].message


def two_ways(clock: str = "2.{i:03}", volt: str = "1,05") -> str:
    rows = "".join(f"{i};{clock.format(i=100 + i)};{volt}\n" for i in range(12))
    return "elapsed_s;core clock (MHz);voltage_v\n" + rows


def test_a_point_that_may_group_digits_is_not_taken_for_a_decimal_point() -> None:
    message = refusal(two_ways())
    assert "'2.100' beside '1,05' can be read in two ways" in message
    assert 'decimal = "," with thousands = "." or decimal = "."' in message
    layout = SensorLayout.from_toml('decimal = ","\nthousands = "."\n', "bench.toml")
    trace = attached(two_ways(), layout=layout)
    assert column(trace, "core_clock_mhz")[0] == 2100.0
    assert column(trace, "voltage_v")[0] == 1.05


@pytest.mark.parametrize("told", ["", 'decimal = "."\n'])
def test_of_numbers_that_are_written_in_two_ways_one_is_read_and_the_other_told(told: str) -> None:
    trace = attached(two_ways("2{i}.5"), layout=SensorLayout.from_toml(told, "bench.toml"))
    assert column(trace, "core_clock_mhz")[0] == 2100.5
    assert column(trace, "voltage_v") == [None] * 12
    assert "sensor-cells-unreadable" in codes(trace)


def test_only_whole_groups_of_three_are_groups() -> None:
    layout = SensorLayout.from_toml('decimal = ","\nthousands = "."\n', "bench.toml")
    trace = attached(two_ways("2.1", "1.050,5 mV"), layout=layout)
    assert column(trace, "core_clock_mhz") == [None] * 12
    assert "sensor-cells-unreadable" in codes(trace)
    millivolts = attached(two_ways("2.100", "1.050,5").replace("_v\n", "_mv\n"), layout=layout)
    assert column(millivolts, "voltage_v")[0] == pytest.approx(1.0505, rel=1e-12)


def test_columns_of_one_name_are_told_apart_by_position() -> None:
    text = "elapsed_s,power_w,power_w\n" + "".join(f"{i},100,120\n" for i in range(12))
    assert "power_w = 2 or 3, its position counted from 1" in refusal(text)
    again = attached(text, layout=SensorLayout.from_toml("power_w = 3\n", "bench.toml"))
    assert column(again, "power_w")[0] == 120.0
    times = "elapsed_s,elapsed_s,power_w\n" + "".join(f"{i},{i},100\n" for i in range(12))
    assert "time_column = 1 or 2, its position counted from 1" in refusal(times)
    assert times_s(attached(times, layout=SensorLayout.from_toml("time_column = 1\n", "b.toml")))[0] == 0.0


def test_a_reading_that_is_zero_only_after_its_unit_was_converted_is_one() -> None:
    """32 °F are 0 °C by the definition of the scales: no program wrote 0 for a lack."""
    trace = attached("elapsed_s,gpu temperature (°F)\n" + "".join(f"{i},{32 + 9 * (i % 3)}\n" for i in range(12)))
    assert column(trace, "temperature_c")[:3] == pytest.approx([0.0, 5.0, 10.0], abs=1e-9)
    assert codes(trace) == set()
