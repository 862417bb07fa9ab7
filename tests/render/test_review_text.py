"""The summaries on the terminal and in Markdown say everything that bears on the verdict, and nothing unsafe."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from example_result import design, example_result, placed_run
from review_samples import sample_review

from frametime.caveats import Caveat, Weight
from frametime.render.report.document import TraceView
from frametime.render.report.markdown import escaped, render_markdown
from frametime.render.report.review_report import review_report
from frametime.render.review_text import coverage_text, review_text
from frametime.render.review_words import change_words, coverage_words
from frametime.render.tables.review_comparisons import cells_table, efficiency_table, estimates_table
from frametime.render.tables.table import Table, line_text
from frametime.render.terminal_text import text_table
from frametime.review.result import CoverageCell, LookState, ReviewResult, UnreadableFile
from frametime.review.reviewing import review_runs


@pytest.fixture(scope="module")
def result() -> ReviewResult:
    return example_result()


def test_the_terminal_summary_tells_verdicts_exclusions_and_runs_to_repeat(result: ReviewResult) -> None:
    shown = review_text(result)
    assert "the Birch 9 is fastest." in " ".join(shown.split())
    words = " ".join(shown.split())
    assert shown.splitlines()[-1].endswith("with its numbers: report.md.")
    assert "with its numbers: result.json." in review_text(result, details_in="result.json")
    assert "amber-6/canyon/1440p/3 (a program update ran in the background)" in words
    assert re.search(r"Repeat: \w+ \d, \w+ at 1440p, run 2\. The average rate is [\d.]+ % (below|above)", words)
    of_shelf = tuple(replace(run, session="spring") if run.card == "birch-9" else run for run in result.runs)
    assert "Repeat: Birch 9" in words  # cards of other sessions do not lie on this bench
    assert "Repeat: Birch 9" not in " ".join(review_text(replace(result, runs=of_shelf)).split())
    # What the paragraph or another line has told is not told again.
    assert "until then it is included" not in words
    assert "Left out for every card" not in words
    assert "Not complete: 5 runs to make" in words


def test_of_the_other_cuts_the_terminal_shows_the_cards_that_the_review_is_about() -> None:
    def shown(review: ReviewResult) -> list[tuple[str, str]]:
        labels = [card.label for card in review.cards]
        told = [line.split("  ") for line in review_text(review).splitlines()]
        pairs = [
            (cells[1], card) for cells in told for card in labels if len(cells) > 3 and card in map(str.strip, cells)
        ]
        return [(cut, card) for cut, card in pairs if cut in {item.label for item in review.cuts}]

    few = sample_review(n_cards=3, n_scenes=2, n_cuts=3)
    cuts = [cut.label for cut in few.cuts[1:]]
    assert shown(few) == [(cut, card.label) for cut in cuts for card in few.cards[1:]]
    many = sample_review(n_cards=6, n_scenes=2, n_cuts=3)
    # Of many cards the best placed one, and where that is the baseline the best of the others.
    assert shown(many) == [(cut, "Flint 5") for cut in cuts]
    assert shown(replace(many, subject=("card-1", "card-3"))) == [
        (cut, card) for cut in cuts for card in ("Basalt 9", "Drift 70")
    ]
    reordered = tuple(sorted(many.standings, key=lambda item: item.card != "card-0"))
    assert shown(replace(many, standings=reordered)) == [(cut, "Flint 5") for cut in cuts]


def test_the_terminal_has_the_best_value_first_and_counts_what_is_left_out() -> None:
    review = sample_review(n_cards=8, n_scenes=2)
    dear = replace(review, value=tuple(reversed(review.value)))
    for each in (review, dear):
        lines = review_text(each).splitlines()
        at = next(number for number, line in enumerate(lines) if "fps/EUR" in line)
        rates = [float(re.split(r"  +", line.strip())[2]) for line in lines[at + 2 : at + 7]]
        assert rates == sorted(rates, reverse=True) and lines[at + 7] == "  ... and 3 more cards"
        best = max(row.fps_per_money or 0.0 for row in review.value if row.cut == review.cuts[0].key)
        assert rates[0] == pytest.approx(best, rel=1e-3)


def test_a_caveat_of_another_cut_is_left_to_the_files(result: ReviewResult) -> None:
    def told(cut: str) -> bool:
        caveat = Caveat(code="few-scenes", message="Two scenes say little.", weight=Weight.CARE)
        own = [replace(item, caveats=(caveat,) if item.cut == cut else ()) for item in result.overall]
        return "Two scenes say little." in " ".join(review_text(replace(result, overall=tuple(own))).split())

    assert told(result.cuts[0].key) and not told(result.cuts[1].key)


def test_a_long_caveat_is_whole_where_the_page_has_room_for_its_remedy(result: ReviewResult) -> None:
    caveat = Caveat(code="sensors-unusable", message=f"{'The log is of another day, ' * 12}so copy it with its time.")
    small = replace(result, standings=(), overall=(), exclusions=(), caveats=(caveat,))
    assert "so copy it with its time." in " ".join(review_text(small).split())


def test_hitches_that_recur_are_told_and_other_notes_are_not(result: ReviewResult) -> None:
    """The averages may be tied where a player feels one of the cards hitch every 3 s."""
    hitches = "Hitches recur over 3 runs: a hitch of about 49 ms every 3.00 s."
    notes = [Caveat(code="recurring-hitches", message=hitches, weight=Weight.NOTE)]
    notes += [Caveat(code="times-inferred", message="Another note.", weight=Weight.NOTE)]
    cell = replace(result.cells[0], caveats=tuple(notes))
    review = replace(result, cells=(cell, *result.cells[1:]))
    words = " ".join(review_text(review).split())
    assert hitches in words and "Another note." not in words
    smoothness = render_markdown(review_report(review)).partition("## Smoothness")[2].partition("\n## ")[0]
    assert hitches in smoothness and "Another note." not in smoothness


def test_hitches_stand_with_a_card_s_own_numbers_and_beside_no_difference(result: ReviewResult) -> None:
    hitches = Caveat(code="recurring-hitches", message="Hitches recur.", weight=Weight.NOTE)
    care = Caveat(code="one-run", message="A single run.", weight=Weight.CARE)
    item = replace(result.comparisons[0], runs_needed=9, caveats=(hitches, care))
    cells = tuple(replace(cell, caveats=(hitches,)) for cell in result.cells)
    review = replace(result, cells=cells, comparisons=(item, *result.comparisons[1:]))
    row = next(row for row in cells_table(review).rows if row.origin == "comparisons/0")
    assert [note.text for cell in row.cells for note in cell.notes] == ["A single run."]
    assert "recurring-hitches" in str(cells_table(review).exact(row, "caveats"))
    assert "Hitches recur." in [note.text for note in estimates_table(review).notes]


def test_the_markdown_leaves_out_what_only_a_page_can_do_and_what_the_plan_does_not_say(result: ReviewResult) -> None:
    traces = TraceView(key="traces", caption="Zoom here.", statement="", data={})
    review = replace(result, plan={**result.plan, "margin": 0.03, "author": None, "looks": ()})
    shown = render_markdown(review_report(review, traces=traces))
    assert "## Smoothness" in shown and "Zoom here." not in shown and "Frame times of each run" not in shown
    assert "## Your own choice" not in shown
    assert "| `margin` | 0.03 |" in shown and "`author`" not in shown and "`looks`" not in shown


def test_a_cut_says_nothing_twice(result: ReviewResult) -> None:
    first = result.cuts[1].key
    told = f"{result.answers[first].first} And one is ahead."
    shown = render_markdown(review_report(replace(result, paragraphs={**result.paragraphs, first: told})))
    words = shown.replace("\\", "")
    assert "\n\nAnd one is ahead.\n" in words and told not in words


def test_no_line_of_words_is_wider_than_a_terminal_and_no_percent_sign_stands_alone(result: ReviewResult) -> None:
    for line in review_text(result).splitlines():
        assert not line.lstrip().startswith("% ")
        if "  " not in line.strip():
            assert len(line) <= 80, line
    assert "\N{NO-BREAK SPACE}" not in review_text(result)


def test_the_markdown_report_holds_every_exclusion_caveat_method_and_hash(result: ReviewResult) -> None:
    shown = render_markdown(review_report(result))
    plain = shown.replace("\\", "")
    assert "| Canyon | 2160p | 3 of 3 | 3 of 3 | 0 of 3 ! |" in plain
    assert "a program update ran in the background" in plain
    for run in result.runs:
        assert run.provenance.sha256 in plain
    for method in result.methods:
        assert method.text in plain
    for cell in result.cells:
        for caveat in cell.caveats:
            assert caveat.message in plain
    for cut in result.cuts:
        head, _, rest = result.paragraphs[cut.key].partition(". ")
        assert result.answers[cut.key].first.startswith(head)
        assert result.answers[cut.key].first in plain and rest in plain


def test_the_coverage_of_many_cards_fits_a_terminal_and_tells_them_apart() -> None:
    """A column for each of twelve cards would be 150 wide, with names that are cut until two are equal."""
    many = sample_review(n_cards=12, n_scenes=2, resolutions=("1440p", "2160p"), n_cuts=1)
    long = tuple(replace(card, label=f"{card.label} of the upright bench") for card in many.cards)
    shown = coverage_text(replace(many, cards=long))
    assert max(map(len, shown.splitlines())) <= 80
    for card in long:
        assert sum(line.startswith(f"  {card.label} ") for line in shown.splitlines()) >= 2  # a row for each scene
    assert "| Card | Scene | 1440p | 2160p |" in render_markdown(review_report(many))


def test_the_coverage_matrix_marks_what_is_missing(result: ReviewResult) -> None:
    shown = coverage_text(result)
    assert re.search(r"Canyon +2160p +3 of 3 +3 of 3 +0 of 3 !", shown)
    assert "Cedar 12, Canyon at 2160p, runs 1, 2 and 3: missing." in shown
    assert "Birch 9, Harbor at 1440p, run 2: flagged." in shown
    renamed = tuple(
        replace(cell, to_make=tuple(replace(item, run=f"warm and {item.run}") for item in cell.to_make))
        for cell in result.coverage.cells
    )
    shown = coverage_text(replace(result, coverage=replace(result.coverage, cells=renamed)))
    assert "Birch 9, Harbor at 1440p, run warm and 2: flagged." in shown


def test_captures_with_names_that_the_plan_does_not_know_are_told_beside_what_is_missing(result: ReviewResult) -> None:
    told = Caveat(code="files-not-in-plan", message="45 files fit the path pattern.", weight=Weight.CARE)
    assert told.message not in coverage_text(result)
    assert told.message in coverage_text(replace(result, caveats=(*result.caveats, told)))


def test_foreign_text_cannot_break_out_of_a_table() -> None:
    asked = design(("amber|6", "<b>birch"), ("har`bor",), ("1440p",))
    asked = replace(asked, title="# Title\x1b[31m | x")
    runs = [
        placed_run(card, "har`bor", "1440p", str(number), {"average_fps": 100.0 + number})
        for card in ("amber|6", "<b>birch")
        for number in range(3)
    ]
    result = review_runs(asked, runs)
    shown = render_markdown(review_report(result))
    assert "\x1b" not in shown
    without_code = re.sub(r"(?<!`)(`+)(?!`).*?(?<!`)\1(?!`)", "", shown)
    assert "<b>" in shown
    assert "<b>" not in without_code.replace("\\<b>", "")
    for block in re.findall(r"(?:^\|.*\n)+", shown, re.MULTILINE):
        assert len({line.count("|") - line.count("\\|") for line in block.splitlines()}) == 1, block
    assert "\x1b" not in review_text(result)


def verdicts_of(result: ReviewResult, **changed: object) -> str:
    """The verdict of the first comparison as its table says it."""
    first = replace(result.comparisons[0], **changed)
    table = cells_table(replace(result, comparisons=(first, *result.comparisons[1:])))
    row = next(row for row in table.rows if row.origin == "comparisons/0")
    words = table.view("verdict", "stands_after_holm").where(lambda shown: shown.origin == row.origin)
    return " | ".join(line_text(item.content) for item in words.rows[0].cells)


def test_verdicts_carry_what_goes_with_them(result: ReviewResult) -> None:
    plain = {"runs_needed": None, "at_margin": False, "real_but_small": False, "stands_after_holm": None}
    assert verdicts_of(result, **{**plain, "verdict": "undecided", "runs_needed": 7}) == (
        "○ undecided, about 7 runs each would decide | \N{EN DASH}"
    )
    assert verdicts_of(result, **{**plain, "verdict": "ahead", "stands_after_holm": False}) == "► ahead | no"
    assert verdicts_of(result, **{**plain, "verdict": "tied", "real_but_small": True}) == (
        "■ tied, real but small | \N{EN DASH}"
    )
    assert verdicts_of(result, **{**plain, "verdict": "undecided", "at_margin": True}) == (
        "○ undecided, at the margin: more runs would not decide | \N{EN DASH}"
    )


def test_where_there_is_no_ratio_there_is_no_verdict(result: ReviewResult) -> None:
    assert verdicts_of(result, ratio=None, verdict="undecided", runs_needed=None).startswith("\N{EN DASH} |")
    cut = result.cuts[1].key
    changed = [replace(item, ratio=None, verdict="undecided") if item.cut == cut else item for item in result.overall]
    review = replace(result, overall=tuple(changed))
    shown = render_markdown(review_report(review)).partition("## Cut by cut")[2].partition("\n## ")[0]
    told = shown.partition(f"### {result.cuts[1].label}")[2].partition("\n### ")[0]
    bars = [line.partition(": ")[2] for line in told.splitlines() if line.startswith("- ")]
    assert len(bars) == 3 and sum(bar.endswith(" not compared") for bar in bars) == 2


def test_a_cost_that_is_not_there_has_its_own_reason(result: ReviewResult) -> None:
    """A caveat of the row, such as cells left out, is no reason why there is no price; without a tariff there is no
    column for a cost."""

    def table_with(**changed: object) -> Table:
        gone = dict.fromkeys(("running_cost_interval", "total_cost", "total_cost_interval"), None)
        row = replace(next(row for row in result.efficiency if row.caveats), **gone, **changed)
        return efficiency_table(replace(result, efficiency=(row,)))

    def reasons(**changed: object) -> list[str | None]:
        (shown,) = table_with(**changed).view("running_cost", "total_cost").rows
        return [getattr(cell.content[0], "reason", None) for cell in shown.cells]

    without = table_with(running_cost=None, years=None)
    assert without.has("frames_per_joule") and not without.has("running_cost") and not without.has("total_cost")
    assert reasons(running_cost=90.0) == [None, "the plan gives no price"]
    assert [str(why)[:8] for why in reasons(running_cost=None)] == ["Missing:"] * 2


def test_what_cannot_be_named_is_told_beside_the_cell_and_in_the_methods(result: ReviewResult) -> None:
    doubtful = replace(result.comparisons[0], verdict="behind", stands_after_holm=False)
    report = render_markdown(review_report(replace(result, comparisons=(doubtful, *result.comparisons[1:]))))
    assert re.search(r"\| Birch 9 [^\n]*\| ◄ behind[^|]*\| no \|", report)
    assert "A cell that cannot be named" in report


@pytest.mark.parametrize(
    "size",
    [
        {"n_cards": 2, "n_scenes": 3, "n_runs": 1},
        {"n_cards": 3, "n_scenes": 5, "n_cuts": 6},
        {"n_cards": 12, "n_scenes": 6, "n_runs": 2, "n_cuts": 6},
        pytest.param({"n_cards": 12, "n_scenes": 16, "n_cuts": 6}, marks=pytest.mark.slow),
        {"n_cards": 12, "n_scenes": 4, "n_runs": 2, "long_labels": True, "n_cuts": 6},
    ],
    ids=["small", "usual", "large", "larger", "long-names"],
)
def test_the_summary_is_a_page_whatever_the_size(size: dict[str, int]) -> None:
    result = sample_review(**size, missing=True, exclude=True, bad_run=True)  # type: ignore[arg-type]
    lost = tuple(
        UnreadableFile(file_name=f"{n}.csv", card="", scene="", resolution="", run="", error=f"{n}.csv is empty")
        for n in range(60)
    )
    lines = review_text(replace(result, unreadable=lost)).splitlines()
    assert len(lines) <= 60
    assert max(map(len, lines)) <= 80
    assert sum("is empty" in line for line in lines) == 1
    assert any("Cannot be used (60), for example: 0.csv is empty" in line for line in lines)
    assert any("Not complete" in line for line in lines)
    assert lines[-1] == "All the rest, every cell and every run, with its numbers: report.md."


def test_small_words() -> None:
    assert change_words(None, None) == "n/a"
    assert change_words(1.1, None) == "+10.0 % (no interval)"
    assert escaped("a_b\n_c_") == "a_b \\_c\\_"
    assert text_table(["a", "b"], [["1", "2"]]) == "  a  b\n  -  -\n  1  2"


@pytest.mark.parametrize(
    ("n_usable", "look", "words"),
    [
        (3, "more", "3 of 5, make 2 more"),
        (2, "first look", "2 of 5, make 3 more"),
        (5, "more", "5 of 5, waits"),  # for another card
        (6, "more", "6 of 5, waits"),
        (5, "decided", "5 of 5, decided"),
        (5, None, "5 of 5"),
    ],
)
def test_a_cell_with_all_runs_of_its_look_is_not_asked_for_more(n_usable: int, look: LookState, words: str) -> None:
    place = {"card": "amber-6", "scene": "harbor", "resolution": "1440p"}
    cell = CoverageCell(**place, n_planned=5, present=(), to_make=(), n_usable=n_usable, look=look)
    assert coverage_words(cell) == words


def test_a_single_card_gets_no_table_without_rows() -> None:
    asked = design(("amber-6",), ("harbor",), ("1080p", "1440p"), prices={"amber-6": 500.0})
    runs = [
        placed_run("amber-6", "harbor", resolution, str(number), {"average_fps": 100.0 + number})
        for resolution in ("1080p", "1440p")
        for number in (1, 2, 3)
    ]
    shown = review_text(review_runs(asked, runs))
    assert "Amber 6" in shown
    assert "verdict" not in shown
    assert "speed for the money" not in shown
