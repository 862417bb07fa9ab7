"""Every kind of chart on one page of thumbnails a review, size and theme, to be looked at in a minute.

    python tests/render/contact_sheet.py FOLDER [SIZE ...]      (outside the repository; all sizes by default)

Reviews: the demo, and invented ones of 1, 2, 3, 12 and 16 cards with names of 3 and of 40 characters in three scripts.
"""

from __future__ import annotations

import io
import sys
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
sys.path[:0] = [str(HERE), str(HERE.parent / "samples")]

from capture_samples import measured, sample_capture  # noqa: E402
from PIL import Image  # noqa: E402
from review_samples import sample_review  # noqa: E402

from frametime.metrics.options import MeasureOptions  # noqa: E402
from frametime.pipeline.review_files import review_plan  # noqa: E402
from frametime.pipeline.tuning_record import summarize_file  # noqa: E402
from frametime.plans.plan import read_plan  # noqa: E402
from frametime.render.charts.chart_catalog import CATALOG, keys_for  # noqa: E402
from frametime.render.charts.chart_sheet import figure_bytes  # noqa: E402
from frametime.render.charts.drawings import Drawing, review_figures  # noqa: E402
from frametime.render.charts.frame_times import draw_endurance, draw_frame_time_band, draw_frame_times  # noqa: E402
from frametime.render.charts.theme import PALETTES, SIZES, Theme  # noqa: E402
from frametime.render.charts.tuning_charts import tuning_figures  # noqa: E402
from frametime.review.result import ReviewResult  # noqa: E402
from frametime.tuning.endurance_verdict import judge_endurance  # noqa: E402

WIDTH = 600
"""Pixels of a thumbnail."""
COLUMNS = 4
SCRIPTS = {"latin": "Brae Fell ", "greek": "Βράχος Κύμα ", "cyrillic": "Гранит Волна "}
RECORD = ROOT / "reference_logs" / "review" / "tuning" / "tuning.toml"


def named(result: ReviewResult, script: str, length: int) -> ReviewResult:
    """The review with names of so many characters in a script, each with its number at the end."""
    cards = tuple(
        replace(card, label=(SCRIPTS[script] * 9)[: length - len(str(number))] + str(number))
        for number, card in enumerate(result.cards, 1)
    )
    return replace(result, cards=cards, subject=(cards[-1].key,))


def reviews() -> Iterator[tuple[str, ReviewResult]]:
    """Name and result of each review of the sheet."""
    yield "demo", review_plan(read_plan(ROOT / "reference_logs" / "review" / "plan.toml"))
    scripts = list(SCRIPTS)
    for number, n_cards in enumerate((1, 2, 3, 12, 16)):
        result = sample_review(n_cards=n_cards, n_scenes=5, bad_run=n_cards > 1, with_curves=True)
        yield f"{n_cards}-cards-short", named(result, scripts[number % 3], 3)
        yield f"{n_cards}-cards-long", named(result, scripts[(number + 1) % 3], 40)


def drawings(result: ReviewResult, theme: Theme) -> Iterator[tuple[str, Drawing]]:
    """The first chart of each kind, and those of one run, of a long one and of a tuning record."""
    seen: set[str] = set()
    for name, drawing in review_figures(result, theme, only=keys_for("review", "review cells")):
        kind = max((key for key in CATALOG if name.startswith(key)), key=len)
        if kind not in seen:
            seen.add(kind)
            yield name, drawing
    capture = sample_capture(6000, with_sensors=True)
    yield "frame-times", partial(draw_frame_times, capture, measured(capture), theme)
    long = sample_capture(60_000, with_sensors=True)
    run = measured(long, MeasureOptions(temperature_limit_c=85.0, power_limit_w=260.0))
    yield "frame-time-band", partial(draw_frame_time_band, long, run, theme)
    yield "endurance", partial(draw_endurance, long, run, judge_endurance(long, run), theme)
    if RECORD.exists():
        yield from tuning_figures(summarize_file(str(RECORD)), theme)


def contact_sheet(result: ReviewResult, theme: Theme) -> Image.Image:
    """Thumbnails of the charts in rows."""
    pictures = []
    for _, drawing in drawings(result, theme):
        picture = Image.open(io.BytesIO(figure_bytes(drawing(), theme, "png"))).convert("RGB")
        pictures.append(picture.resize((WIDTH, round(picture.height * WIDTH / picture.width))))
    height = max(picture.height for picture in pictures)
    sheet = Image.new("RGB", (COLUMNS * (WIDTH + 8), -(-len(pictures) // COLUMNS) * (height + 8)), "#808080")
    for place, picture in enumerate(pictures):
        sheet.paste(picture, (place % COLUMNS * (WIDTH + 8), place // COLUMNS * (height + 8)))
    return sheet


def main(folder: Path, sizes: list[str]) -> None:
    """Write one sheet for each review, size and theme."""
    if folder.resolve().is_relative_to(ROOT):
        raise SystemExit(f"{folder} lies in the repository: name a folder outside")
    folder.mkdir(parents=True, exist_ok=True)
    for name, result in reviews():
        for size in sizes:
            for palette in PALETTES:
                path = folder / f"{name}-{size}-{palette}.png"
                contact_sheet(result, Theme.of(palette, size)).save(path)
                sys.stdout.write(f"{path}\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2:] or list(SIZES))
