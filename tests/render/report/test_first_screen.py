"""What stands first on the page: answers in one sentence each, and every card with the baseline as one picture."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from example_result import example_design, example_result, example_runs
from report_page_reading import own_text, parsed
from review_samples import sample_review

from frametime.render.charts.chart_catalog import CATALOG
from frametime.render.report.document import Answers, Bar, Bars
from frametime.render.report.html import bar_places, inert_json, render_html
from frametime.render.report.markdown import render_markdown
from frametime.render.report.review_blocks import (
    card_colors,
    chart_words,
    power_bars,
    scene_bars,
    standings_bars,
    verdict_cards,
)
from frametime.render.report.review_report import review_report
from frametime.render.review_text import review_text
from frametime.render.tables.table import Number, Range, plain_text
from frametime.review.result import ReviewResult
from frametime.review.reviewing import review_runs

TWO: dict[str, Any] = {"n_cards": 3, "n_scenes": 3, "resolutions": ("1440p",)}


def first_answers(result: ReviewResult) -> dict[str, str]:
    block = review_report(result).lead[0]
    assert isinstance(block, Answers)
    return {fact.term: "".join(map(plain_text, fact.content)) for fact in block.facts}


def test_each_answer_is_one_sentence() -> None:
    told = first_answers(example_result())
    assert list(told) == ["Speed", "Price", "Power", "Not sure"]
    assert "the Birch 9 is fastest: +7.0 % (+4.7 to +9.3 %) in average rate against Amber 6" in told["Speed"]
    assert told["Price"] == "Best value is the Amber 6 at 499 EUR."
    assert told["Power"].startswith("Most frames per joule come from the Cedar 12: +9.6 %")
    assert "missing: Cedar 12 in Canyon at 2160p" in told["Not sure"]
    assert all(len(re.findall(r"\.(?:\s|$)", text)) == 1 for text in told.values())


def test_what_is_not_known_is_said() -> None:
    design = example_design()
    without = replace(design, cards=tuple(replace(card, price=None, currency=None) for card in design.cards))
    runs = [
        replace(
            run, measured=run.measured._replace(values={k: v for k, v in run.measured.values.items() if "_w" not in k})
        )
        for run in example_runs(with_curves=False)
    ]
    told = first_answers(review_runs(without, runs))
    some = sample_review(without_power=[("card-2", f"scene-{at}", "1440p") for at in range(3)], **TWO)
    among = "of 2 cards with power readings in enough cells"
    assert first_answers(some)["Power"].startswith(f"Most frames per joule, {among}, come from")
    assert first_answers(sample_review(**TWO))["Power"].startswith("Most frames per joule come from")
    assert told["Price"] == "The plan gives no prices, so nothing is said about value."
    assert told["Power"] == "No run has usable power readings, so nothing is said about power and energy."


def test_a_report_of_one_card_compares_with_nothing() -> None:
    alone = sample_review(n_cards=1, n_scenes=2)
    told = render_markdown(review_report(alone)).partition("## Methods")[0]
    assert "with no other card" in told and told.count("| 450 |") >= 1
    for word in (
        "baseline",
        "Against",
        "difference to",
        "Break-even",
        "Place |",
        "Not told apart",
        "A difference counts",
    ):
        assert word not in told, word
    shown = review_text(alone).partition("To know:")[0]
    assert "  Card     Average FPS (fps)  Cells\n" in shown and "Against" not in shown and "Interval:" not in shown
    in_words = chart_words(alone, "standings", {})
    assert re.search(r"Amber 6: Average FPS \(fps\) [\d.]+, Cells 6\.$", in_words) and "baseline" not in in_words
    named = replace(alone, cuts=tuple(replace(cut, label="Vol. 2, dusk") for cut in alone.cuts))
    captions = render_markdown(review_report(named))
    assert "*Standings by average FPS, Vol. 2, dusk: geometric means over 2 scenes at 3 resolutions; higher" in captions
    assert "*Value by average FPS, over the cells of the standings of each cut.*" in captions
    several = render_markdown(review_report(sample_review(n_cards=2, n_scenes=2)))
    assert all(word in several for word in ("baseline", "difference to", "Place |", "A difference counts"))


def test_one_flagged_run_is_one_in_the_words_of_its_chart() -> None:
    told = chart_words(sample_review(n_cards=1, n_scenes=2, bad_run=True), "repeatability", {})
    assert re.search(r"\. 1 flagged run: \S+\.$", told), told


def test_one_card_alone_has_a_report() -> None:
    told = first_answers(sample_review(n_cards=1, n_scenes=2))
    assert re.search(r"the Amber 6 reaches \d+\.\d+ fps \(average FPS\), with no other card", told["Speed"])
    assert re.fullmatch(r"The Amber 6 at 450 EUR costs \d+\.\d\d EUR per fps\.", told["Price"])
    assert re.fullmatch(r"The Amber 6 gives 0\.\d+ frames per joule\.", told["Power"])
    assert re.search(r"differ by less than \d+(\.\d+)? % in 19 of 20 cases\.$", told["Not sure"])
    flagged = first_answers(sample_review(n_cards=1, n_scenes=2, bad_run=True))
    at = "(Amber 6 in Harbor at 1080p)"
    assert flagged["Not sure"].endswith(f"in 19 of 20 cases; one flagged run is to be repeated first {at}.")
    single = first_answers(sample_review(n_cards=1, n_scenes=2, n_runs=1))
    assert single["Not sure"] == "There are too few runs to say how well they repeat."


def test_flagged_runs_are_not_sure_and_the_best_value_is_among_cards_with_a_price() -> None:
    def told(**of: Any) -> dict[str, str]:
        return first_answers(sample_review(n_cards=3, n_scenes=2, **of))

    assert "flagged" not in told()["Not sure"]
    once = "one flagged run is to be repeated first (Basalt 9 in Harbor at 1080p)"
    assert told(bad_run=True)["Not sure"].casefold().count(once.casefold()) == 1
    assert told(bad_run=True)["Not sure"].count("flagged") == 1
    bad = review_runs(example_design(), example_runs(with_curves=False))
    assert [run.resolution for run in bad.runs if run.flag] == ["1440p"]
    assert "One flagged run" in bad.answers["all"].uncertain and "flagged" not in bad.answers["2160p"].uncertain
    asked = example_design()
    cards = tuple(replace(card, price=None) if card.key == "cedar-12" else card for card in asked.cards)
    priced = first_answers(review_runs(replace(asked, cards=cards), example_runs(with_curves=False)))["Price"]
    assert priced == "Best value among 2 cards with a price in EUR is the Amber 6 at 499 EUR."


def test_all_cards_stand_in_the_first_picture_in_their_order() -> None:
    result = example_result()
    bars = standings_bars(result, "all", result.headline, key="b")
    placed = [item.card for item in result.standings if (item.cut, item.metric) == ("all", result.headline)]
    assert [bar.label for bar in bars.groups[0][1]] == [result.card(card).label for card in placed]
    baseline = next(bar for bar in bars.groups[0][1] if bar.label == "Amber 6")
    assert (baseline.more, baseline.ends) == (("baseline",), None)


def test_a_card_keeps_its_color_all_over_the_page() -> None:
    result = example_result()
    pictures = [
        standings_bars(result, cut.key, metric.key, key="b") for cut in result.cuts for metric in result.metrics
    ]
    pictures += [bars for _, bars in scene_bars(result)]
    pictures.append(power_bars(result))
    colors: dict[str, set[str]] = {}
    for bars in pictures:
        for bar in (bar for _, group in bars.groups for bar in group):
            colors.setdefault(bar.label, set()).add(bar.color)
    cards = ("Amber 6", "Birch 9", "Cedar 12")
    assert colors == {card: {f"var(--chart-series-{number})"} for number, card in enumerate(cards, 1)}
    chosen = dict(zip((card.key for card in result.cards), (None, None, "#123456"), strict=True))
    own = replace(result, plan={"cards": [{"key": key, "color": color} for key, color in chosen.items()]})
    assert list(card_colors(own).values()) == ["var(--chart-series-1)", "var(--chart-series-2)", "#123456"]


def test_every_usable_cell_has_a_bar() -> None:
    result = example_result()
    count = sum(len(group) for _, bars in scene_bars(result) for _, group in bars.groups)
    assert count == sum(item.estimates[result.headline].value is not None for item in result.cells)


def test_bars_begin_at_zero_and_the_longest_end_fills_the_scale() -> None:
    def bar(value: float, ends: tuple[float, float] | None) -> Bar:
        span = None if ends is None else Range(text="", low=ends[0], high=ends[1])
        return Bar(label="x", color="#000000", value=Number(text=f"{value:g}", value=value), ends=span)

    bars = Bars(key="b", caption="", groups=(("", (bar(50.0, (40.0, 80.0)), bar(20.0, None))),))
    assert bars.longest == 80.0
    first, second = (bar_places(item, bars.longest) for item in bars.groups[0][1])
    assert first == {"value": "125.0", "low": "100.0", "high": "200.0"}
    assert second == {"value": "50.0", "low": "", "high": ""}


def test_a_card_with_power_in_a_few_cells_is_not_set_beside_the_others() -> None:
    """Its frames per joule are those of other cells: as a bar among the others they would be compared."""
    lacking = [("card-2", f"scene-{at}", "1440p") for at in (1, 2)]
    some = sample_review(without_power=lacking, **TWO)
    ((_, bars),) = power_bars(some).groups
    assert [bar.label for bar in bars] == ["Amber 6", "Basalt 9"]
    (card,) = [card for card in verdict_cards(some).cards if card.name == "Cinder 4"]
    (joule,) = [fact for fact in card.facts if fact.term == "Frames per joule"]
    assert "".join(map(plain_text, joule.content)).endswith(" %), over 1 of 3 cells")
    (whole,) = [card for card in verdict_cards(some).cards if card.name == "Basalt 9"]
    assert "cells" not in str([fact.content for fact in whole.facts])


def test_the_list_of_caveats_does_not_say_those_of_every_cut() -> None:
    """That power is known in a few cells was said of each cut, in a row."""
    at = ("1440p", "2160p")
    lacking = [("card-2", f"scene-{scene}", resolution) for scene in (1, 2) for resolution in at]
    some = sample_review(n_scenes=3, resolutions=at, n_cuts=3, without_power=lacking)
    told = render_markdown(review_report(some)).partition("## Caveats")[2].partition("| ")[0]
    assert re.findall(r"Power is known in \d of the \d cells", told) == ["Power is known in 2 of the 6 cells"], told


def test_bars_in_text_have_the_intervals_of_which_their_caption_speaks() -> None:
    told = render_markdown(review_report(sample_review(**TWO))).partition("## Standings")[0]
    assert "with 95 % intervals" in told
    assert len(re.findall(r"^- \w+ \d: [\d.]+ \([\d.]+ to [\d.]+\), [+−]\d+\.\d %", told, re.MULTILINE)) == 2
    assert re.search(r"^- Amber 6: [\d.]+ baseline$", told, re.MULTILINE)


def test_names_in_the_data_of_the_page_are_inert() -> None:
    written = str(inert_json({"label": ["</script><script>", "a\u202eb & \x1b"]}))
    assert not set("<>&") & set(written)
    assert "\\\\u202e" in written


@pytest.fixture(scope="module")
def page() -> Any:
    return parsed(render_html(review_report(example_result())))


def test_order_of_the_sections(page: Any) -> None:
    headings = [own_text(item) for item in page.iter("h2")]
    first = ["Verdict", "Your own choice", "Standings", "Cut by cut", "Scene by scene", "Smoothness", "Power and heat"]
    assert headings == [*first, "Value", "Repeatability and flagged runs", "Caveats", "Methods", "Provenance"]


def test_each_cut_has_a_sentence_and_a_picture_and_folds_the_rest(page: Any) -> None:
    result = example_result()
    for number, cut in enumerate(result.cuts, 1):
        section = next(item for item in page.iter("section") if item.get("id") == f"cut-{number}")
        assert own_text(section.find("p")).strip() == result.answers[cut.key].first
        assert section.find("figure") is not None
        assert section.find("table") is None
        folded = section.find("details")
        head, _, rest = result.paragraphs[cut.key].partition(". ")
        assert result.answers[cut.key].first.startswith(head)
        assert rest in own_text(folded)
        assert head not in own_text(folded), "it stands above already"
        assert not re.search(r"(^|\s)\.", own_text(folded)), "nothing begins with the end of another sentence"


def test_markdown_answers_first() -> None:
    result = example_result()
    text = render_markdown(review_report(result))
    assert text.index(result.answers["all"].first.replace("<", "\\<")) < text.index("## Standings")
    assert "► ahead" in text


def test_what_is_said_of_a_kind_of_picture_is_said_once(small_folder: Path) -> None:
    text, page = ((small_folder / name).read_text("utf-8") for name in ("report.md", "report.html"))
    for kind in ("ratios", "matrix"):
        caption = CATALOG[kind].caption
        assert text.count(caption) == 1
        shown = re.findall(rf"<figcaption([^>]*)>{re.escape(caption)}", page)
        assert len(shown) > 1 and ["unseen" in attributes for attributes in shown] == [False, *[True] * len(shown[1:])]
    assert text.count("with 95 % intervals over the runs of each card") == 1
    assert "<figcaption></figcaption>" not in page
