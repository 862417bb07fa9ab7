"""Sensor logs that hold several cards."""

from __future__ import annotations

import pytest
from sensor_logs import attached, codes, column, refusal


def many_cards() -> str:
    rows = "".join(f"{i},{card},{base + i}\n" for i in range(12) for card, base in (("front", 100), ("rear", 200)))
    return "elapsed_s,card,power_w\n" + rows


def test_several_cards_in_one_log_must_be_chosen_between() -> None:
    message = refusal(many_cards())
    assert "2 cards: 'front', 'rear'" in message
    assert "--sensor-device" in message
    assert column(attached(many_cards(), device="rear"), "power_w")[:2] == [200.0, 201.0]
    assert "the log holds 2 cards: 'front', 'rear'" in refusal(many_cards(), device="middle")


def test_cards_in_columns_side_by_side() -> None:
    log = "elapsed_s,front power [W],rear power [W]\n" + "".join(f"{i},100,200\n" for i in range(12))
    assert column(attached(log, device="rear"), "power_w")[0] == 200.0


def test_a_card_that_the_log_does_not_name_is_refused() -> None:
    text = "elapsed_s,GPU 0 power (W)\n" + "".join(f"{i},120\n" for i in range(12))
    assert "nothing in the log names a card 'gpu 1'" in refusal(text, device="gpu 1")


def test_card_1_is_not_card_10_and_no_column_of_another_card_is_taken() -> None:
    header = "elapsed_s,GPU 1 power (W),GPU 10 power (W),GPU 10 core clock (MHz)\n"
    trace = attached(header + "".join(f"{i},120,200,1550\n" for i in range(12)), device="gpu 1")
    assert trace.samples.column_names == ["time_ns", "power_w"]
    assert column(trace, "power_w")[0] == 120.0


def test_readings_of_two_cards_at_each_time_are_never_mixed() -> None:
    message = refusal("elapsed_s,zone,power_w\n" + "".join(f"{i},{b},1{b}0\n" for i in range(12) for b in (1, 2)))
    assert "two cards" in message
    assert "device_column" in message


def test_two_samples_of_one_card_at_each_coarse_time_are_averaged() -> None:
    text = "elapsed_s,power_w\n" + "".join(f"{i // 2},{100 + i % 3}\n" for i in range(24))
    assert codes(attached(text)) == {"sensor-equal-times"}


def test_twenty_cards_are_several_cards() -> None:
    text = "elapsed_s,gpu,power_w\n" + "".join(f"{i},{g},120\n" for i in range(12) for g in range(20))
    assert "the log holds 20 cards" in refusal(text)


@pytest.mark.parametrize(
    ("header", "ids"),
    [
        ("uuid", ("a1", "b2")),
        ("index", ("0", "1")),
        ("pci.bus_id", ("01:00.0", "02:00.0")),
        ("serial", ("s-1", "s-2")),
        ("slot", ("1", "2")),
        ("card name,uuid", ("Amber,a1", "Amber,b2")),
    ],
)
def test_two_cards_are_told_apart_by_what_names_them(header: str, ids: tuple[str, str]) -> None:
    rows = "".join(f"{i},{card},{base + i}\n" for i in range(12) for card, base in zip(ids, (132, 250), strict=True))
    log = f"elapsed_s,{header},power_w\n{rows}"
    assert "the log holds 2 cards" in refusal(log)
    assert column(attached(log, device=ids[1].split(",")[-1]), "power_w")[0] == 250.0
