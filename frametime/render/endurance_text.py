"""The verdict of an endurance run for a terminal."""

from __future__ import annotations

from frametime.render.text import text_table, wrapped
from frametime.render.tuning_text import cautions_text
from frametime.tuning.endurance_verdict import EnduranceVerdict


def endurance_text(verdict: EnduranceVerdict) -> str:
    """The verdict first, then each criterion with its number and threshold, then what is not known."""
    rows = [[item.label, item.state, item.threshold] for item in verdict.criteria]
    lines = [
        f"{verdict.word.capitalize()}: {verdict.file_name}",
        wrapped(verdict.sentence),
        "",
        text_table(["criterion", "state", "threshold"], rows),
        "",
        "What was found",
        *(
            wrapped(f"{item.label}: {item.sentence}", indent=2)
            for item in verdict.criteria
            if item.state != "not measurable"  # told below
        ),
    ]
    if verdict.not_known:
        lines += ["", "Not known", *(wrapped(sentence, indent=2) for sentence in verdict.not_known)]
    return "\n".join([*lines, "", cautions_text()])
