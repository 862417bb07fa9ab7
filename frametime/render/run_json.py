"""A measured run as the JSON that the next program reads."""

from __future__ import annotations

from typing import Final

from frametime.metrics.metric import MeasuredRun
from frametime.render.plain import Plain, plain
from frametime.version import __version__

SCHEMA: Final = "frametime.run/1"


def run_document(run: MeasuredRun, *, path: str | None = None, curves: bool = False) -> dict[str, Plain]:
    """Everything about one run. Keys are only ever added within a schema number.

    Parameters
    ----------
    run : MeasuredRun
    path : str or None
        The file that was measured; the provenance names the log that a converted capture came from.
    curves : bool
        Include the curves for charts, which are most of the size.
    """
    return {
        "schema": SCHEMA,
        "frametime_version": __version__,
        "file": run.provenance.file_name if path is None else path,
        "judgement": plain(run.judgement),
        "n_frames": run.n_frames,
        "duration_s": run.duration_s,
        "metrics": {key: plain(value) for key, value in run.values.items()},
        "findings": plain(run.findings),
        "caveats": plain(run.caveats),
        "conditions": plain(run.conditions),
        "options": plain(run.options),
        "provenance": plain(run.provenance),
        **({"curves": plain(run.curves)} if curves else {}),
    }
