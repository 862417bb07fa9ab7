"""Reports of a tuning record and of an endurance run: cautions first, every number that of the record."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest
from report_page_reading import at_pointer, expected_reading, own_text, parsed, read_number, shown_numbers

from frametime.errors import OutputError
from frametime.pipeline.tuning_record import write_endurance_report, write_tuning_report
from frametime.render.data_output import plain
from frametime.render.report.markdown import readable
from frametime.render.tuning_text import summary_text
from frametime.tuning.endurance_verdict import Criterion, EnduranceVerdict
from frametime.tuning.record import CAUTIONS, CardFacts, Limits, Outcome, Setting, Steps, Trial, TuningRecord, Workload
from frametime.tuning.summarizing import summarize
from frametime.tuning.tuning_summary import TuningSummary

ODD = '<script>alert(1)</script> | "odd" \u202e\nname'


def trial(core: int, memory: int, *fps: float, **more: object) -> Trial:
    values: dict[str, object] = {"workload": "canyon", "outcome": Outcome.PASSED}
    return Trial(
        setting=Setting(core_offset_mhz=core, memory_offset_mhz=memory),
        average_fps=fps,
        average_power_w=tuple(200.0 + core / 10.0 for _ in fps),
        **(values | more),
    )


def summary_of(card: str = "Borealis 8", note: str = "") -> TuningSummary:
    return summarize(
        TuningRecord(
            card=CardFacts(name=card),
            limits=Limits(temperature_c=85.0, max_core_offset_mhz=250, max_memory_offset_mhz=800, power_w=250.0),
            workloads=(Workload(name="courtyard"), Workload(name="canyon")),
            steps=Steps(),
            trials=(
                trial(0, 0, 99.0, 100.0, 101.0),
                trial(25, 0, 102.0, workload="courtyard"),
                trial(50, 0, 104.0, 104.5, 105.0, note=note, peak_temperature_c=71.25),
                trial(75, 0, 99.9, 100.0, 100.1),
                trial(100, 0, outcome=Outcome.DRIVER_RESET),
            ),
        )
    )


def verdict() -> EnduranceVerdict:
    return EnduranceVerdict(
        file_name=ODD,
        minutes=45.123,
        word="does not hold",
        sentence="The setting does not hold: freezes.",
        criteria=(
            Criterion(
                key="freezes",
                label="freezes",
                state="failed",
                value=2.0,
                unit="{count}",
                threshold="0",
                sentence="2 frames over 500 ms.",
            ),
            Criterion(
                key="temperature",
                label="temperature",
                state="not measurable",
                value=None,
                unit="Cel",
                threshold="85 °C",
                sentence="There is no sensor log.",
            ),
        ),
        not_known=("temperature: There is no sensor log.",),
        cautions=CAUTIONS,
    )


@pytest.fixture(params=["record", "endurance"])
def page_and_source(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[str, str, object]:
    page, text = tmp_path / "report.html", tmp_path / "report.md"
    if request.param == "record":
        summary = summary_of(card=ODD, note=ODD)
        write_tuning_report(summary, page)
        write_tuning_report(summary, text)
        return page.read_text("utf-8"), text.read_text("utf-8"), plain(summary)
    write_endurance_report(verdict(), page)
    write_endurance_report(verdict(), text)
    return page.read_text("utf-8"), text.read_text("utf-8"), plain(verdict())


def test_every_number_is_that_of_the_record(page_and_source: tuple[str, str, object]) -> None:
    page, _, source = page_and_source
    shown = list(shown_numbers(parsed(page)))
    assert len(shown) >= 2
    for item in shown:
        pointer = item.pointer.removeprefix("/")
        exact = at_pointer(source, pointer)
        written = json.loads(item.exact)
        assert written == (pytest.approx(exact, rel=5e-7, abs=0.0) if isinstance(exact, float) else exact), item
        if exact is None:
            assert item.text == "n/a"
        else:
            read, half_unit = read_number(item.text)
            assert abs(read - expected_reading(exact, item.shown_as)) <= half_unit * (1.0 + 1e-9), item


def test_the_cautions_come_first_in_both_forms(page_and_source: tuple[str, str, object]) -> None:
    page, text, _ = page_and_source
    for caution in CAUTIONS:
        words = caution.replace("'", "&#39;")
        assert page.index(words) < page.index('<nav aria-label="Contents">')
        assert text.index(caution) < text.index("## Verdict")


def test_headings_are_in_order_and_foreign_text_stays_text(page_and_source: tuple[str, str, object]) -> None:
    page, text, _ = page_and_source
    tree = parsed(page)
    levels = [int(element.tag[1]) for element in tree.iter() if re.fullmatch(r"h[1-6]", str(element.tag))]
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))
    assert all("alert" not in (item.text or "") for item in tree.iter("script"))
    assert " ".join(readable(ODD).split()) in " ".join(own_text(tree).split())
    assert "\\<script>alert(1)\\</script> \\|" in text


def test_best_setting_edge_and_failure_are_told(tmp_path: Path) -> None:
    page = tmp_path / "report.html"
    write_tuning_report(summary_of(), page)
    words = " ".join(own_text(parsed(page.read_text("utf-8"))).split())
    assert "Core +50 MHz, memory +0 MHz" in words
    assert "so far" in words
    assert re.search(r"core \+75 MHz, memory \+0 MHz ?core \+50 MHz, memory \+0 MHz", words)
    assert "! driver-reset" in words
    assert "+4.5 %" in words


def test_the_charts_of_a_record_stand_in_its_page(tmp_path: Path) -> None:
    write_tuning_report(summary_of(), tmp_path / "report.html")
    charts = [
        item
        for item in parsed((tmp_path / "report.html").read_text("utf-8")).iter("{http://www.w3.org/2000/svg}svg")
        if item.get("role") == "img"
    ]
    assert len(charts) == 3
    assert " fps at " in charts[2].attrib["aria-label"]
    words = charts[0].attrib["aria-label"]
    assert "core +50 MHz, memory +0 MHz passed with +4.5 % over stock" in words
    assert "core +100 MHz, memory +0 MHz failed under canyon" in words


def test_a_record_without_trials_is_a_report_too(tmp_path: Path) -> None:
    empty = summarize(
        TuningRecord(
            card=CardFacts(name="Borealis 8"),
            limits=Limits(temperature_c=85.0, max_core_offset_mhz=250, max_memory_offset_mhz=800),
            workloads=(Workload(name="courtyard"),),
            steps=Steps(),
            trials=(),
        )
    )
    write_tuning_report(empty, tmp_path / "report.html")
    words = own_text(parsed((tmp_path / "report.html").read_text("utf-8")))
    assert "No setting has been tried yet." in words
    assert "Next trial" in words


def test_a_finished_verdict_is_marked_in_words(tmp_path: Path) -> None:
    write_endurance_report(replace(verdict(), word="holds"), tmp_path / "report.html")
    assert "✓ holds" in own_text(parsed((tmp_path / "report.html").read_text("utf-8")))


def test_only_known_endings_and_never_over_a_file(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=r"the ending '\.pdf' is no format for a report; use \.html, \.htm or \.md"):
        write_tuning_report(summary_of(), tmp_path / "report.pdf")
    (tmp_path / "report.md").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match="the file exists"):
        write_tuning_report(summary_of(), tmp_path / "report.md")
    write_tuning_report(summary_of(), tmp_path / "report.md", force=True)
    assert (tmp_path / "report.md").read_text("utf-8").startswith("# Tuning of Borealis 8")


def test_a_missing_interval_stands_apart_from_its_gain_on_the_screen() -> None:
    record = TuningRecord(
        card=CardFacts(name="Borealis 8"),
        limits=Limits(temperature_c=85.0, max_core_offset_mhz=250, max_memory_offset_mhz=800),
        workloads=(Workload(name="canyon"),),
        steps=Steps(),
        trials=(trial(0, 0, 99.0, 100.0, 101.0), trial(25, 0, 102.0)),
    )
    assert "+2.0 % (n/a)" in summary_text(summarize(record), record="tuning.toml")


def test_a_gain_of_equal_runs_is_not_put_down_to_too_few_and_the_workload_keeps_its_name() -> None:
    record = TuningRecord(
        card=CardFacts(name="Borealis 8"),
        limits=Limits(temperature_c=85.0, max_core_offset_mhz=250, max_memory_offset_mhz=800),
        workloads=(Workload(name="deep-canyon"),),
        steps=Steps(),
        trials=tuple(trial(core, 0, *[fps] * 3, workload="deep-canyon") for core, fps in ((0, 100.0), (25, 102.0))),
    )
    text = summary_text(summarize(record), record="tuning.toml")
    assert "gain      +2.0 % (no interval) average FPS over stock" in text
    assert "3 and 3 runs of deep-canyon" in text
    assert "the runs agree to the last digit" in " ".join(text.split())
