"""A sensor log that is marked as UTF-8 and is not costs power, never the frames, and gives no traceback."""

from __future__ import annotations

from pathlib import Path

from run_cli import frametime

from frametime.render.report.markdown import escaped


def test_a_marked_sensor_log_with_one_byte_of_another_encoding(tmp_path: Path) -> None:
    (tmp_path / "run.csv").write_text("frame_time_ms\n" + "8.25\n" * 2000)
    rows = b"".join(b"%d,200,note\n" % second for second in range(18))
    (tmp_path / "hw.csv").write_bytes(b"\xef\xbb\xbftime_s,power_w,note\n" + rows + b"18,200,\xb0C\n")
    done = frametime("check", tmp_path / "run.csv", "--sensors", tmp_path / "hw.csv", cwd=tmp_path)
    assert "Traceback" not in done.err
    assert done.code == 0
    assert "121.2 fps" in done.out
    assert "and is not; save it as UTF-8" in " ".join(done.out.split())


def test_signs_of_mathematics_in_a_name_are_inert_in_markdown() -> None:
    assert escaped("a $x$ b") == r"a \$x\$ b"
