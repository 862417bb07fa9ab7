"""What ``import frametime`` offers, and what it costs."""

from __future__ import annotations

import ast
import doctest
import subprocess
import sys
from pathlib import Path

import pytest

import frametime

SOURCE = Path(frametime.__file__).read_text("utf-8")


def names_for_type_checkers() -> dict[str, str]:
    """Name to module, from the imports that only a type checker sees."""
    block = next(node for node in ast.parse(SOURCE).body if isinstance(node, ast.If))
    return {
        alias.name: str(node.module) for node in block.body if isinstance(node, ast.ImportFrom) for alias in node.names
    }


def test_loaded_and_typed_names_are_the_same() -> None:
    homes = {name: f"frametime.{home}" for name, home in frametime._HOMES.items()}
    assert homes == names_for_type_checkers()
    assert set(frametime.__all__) == {*homes, "__version__"}
    assert set(frametime.__all__) <= set(dir(frametime))


@pytest.mark.parametrize("name", frametime.__all__)
def test_every_name_is_there(name: str) -> None:
    assert getattr(frametime, name) is not None


def test_an_unknown_name() -> None:
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = frametime.nothing


def test_importing_costs_nothing_and_measuring_no_heavy_library() -> None:
    """Checked by what is loaded, in an environment that has pandas."""
    program = (
        "import sys, frametime\n"
        "print('numpy' in sys.modules, 'pyarrow' in sys.modules)\n"
        "frametime.measure, frametime.CATALOG, frametime.MeasureOptions\n"
        "heavy = ('pandas', 'polars', 'matplotlib', 'scipy', 'jinja2', 'rich')\n"
        "print([name for name in heavy if name in sys.modules])\n"
    )
    shown = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True).stdout
    assert shown.split("\n")[:2] == ["False False", "[]"]


def test_measuring_loads_no_heavy_library() -> None:
    program = (
        "import sys, numpy as np, pyarrow as pa, frametime as ft\n"
        # pyarrow.array imports pandas itself.
        "bytes_ = pa.py_buffer(np.arange(0, 10**10, 10**7))\n"
        "stamps = pa.table({'timestamp_ns': pa.Array.from_buffers(pa.int64(), 1000, [None, bytes_])})\n"
        "origin = ft.Provenance(file_name='x', sha256='', size_bytes=0, adapter='x', rows_read=1, rows_rejected=0,\n"
        "    rejected_rows=(), layout_toml='', evidence=())\n"
        "capture = ft.Capture(frames=stamps, conditions=ft.Conditions(), provenance=origin, sensors=None, caveats=())\n"
        "run = ft.measure(capture)\n"
        "heavy = ('pandas', 'polars', 'matplotlib', 'scipy', 'jinja2', 'rich')\n"
        "print(run.values['average_fps'].value, [name for name in heavy if name in sys.modules])\n"
    )
    shown = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True).stdout
    assert shown == "100.0 []\n"


def test_a_capture_and_its_run_can_be_sent_whatever_else_was_imported() -> None:
    """From a pool of processes of one's own: only the batch had told pickle how read-only mappings are sent."""
    program = (
        "import frametime, io, pickle\n"
        "capture = frametime.read_capture(io.BytesIO(b'frame_time_ms\\n' + b'10.0\\n' * 600))\n"
        "for made in (capture, frametime.measure(capture)):\n"
        "    print(pickle.loads(pickle.dumps(made)).provenance == made.provenance)\n"
    )
    shown = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True).stdout
    assert shown == "True\nTrue\n"


def test_the_examples_run() -> None:
    failed, tried = doctest.testmod(frametime, optionflags=doctest.NORMALIZE_WHITESPACE)
    assert (failed, tried > 5) == (0, True)
