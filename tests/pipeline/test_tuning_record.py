"""The file of a tuning record: appended to so that no trial is lost."""

from __future__ import annotations

import multiprocessing
import os
import sys
from multiprocessing.synchronize import Barrier
from pathlib import Path

import pytest

from frametime.errors import OutputError, RecordError
from frametime.pipeline.tuning_record import append_trial, new_record, read_record
from frametime.tuning.record import Outcome, Setting, Trial

TRIAL = Trial(setting=Setting(core_offset_mhz=25), workload="light scene", outcome=Outcome.PASSED, note="fine")


@pytest.fixture
def record(tmp_path: Path) -> Path:
    path = tmp_path / "bench.toml"
    new_record(str(path))
    return path


def test_what_stood_there_is_kept_byte_for_byte(record: Path) -> None:
    before = b"\xef\xbb\xbf# my bench\r\n" + record.read_bytes().replace(b"\n", b"\r\n").rstrip()
    record.write_bytes(before)
    append_trial(str(record), TRIAL)
    after = record.read_bytes()
    assert after.startswith(before)
    assert b"\n" not in after.replace(b"\r\n", b"")
    append_trial(str(record), TRIAL)
    assert record.read_bytes().startswith(after)
    assert read_record(str(record)).trials == (TRIAL, TRIAL)
    assert [path.name for path in record.parent.iterdir()] == ["bench.toml"]


def test_a_trial_that_does_not_fit_changes_nothing(record: Path) -> None:
    before = record.read_bytes()
    wrong = Trial(setting=Setting(), workload="unknown", outcome=Outcome.PASSED)
    with pytest.raises(RecordError, match="workload is"):
        append_trial(str(record), wrong)
    assert record.read_bytes() == before


def test_a_wrong_record_is_refused_and_left_as_it_is(record: Path) -> None:
    record.write_text(record.read_text("utf-8") + "\n[oops]\n", "utf-8")
    before = record.read_bytes()
    with pytest.raises(RecordError, match="unknown key 'oops'"):
        append_trial(str(record), TRIAL)
    assert record.read_bytes() == before


def test_trials_in_one_line_cannot_be_appended_to(record: Path) -> None:
    text = 'trials = [{ workload = "light scene", outcome = "passed" }]\n' + record.read_text("utf-8")
    record.write_text(text, "utf-8")
    with pytest.raises(RecordError):
        append_trial(str(record), TRIAL)
    assert record.read_text("utf-8") == text


def test_a_new_record_never_takes_the_place_of_another(record: Path) -> None:
    before = record.read_bytes()
    with pytest.raises(OutputError, match="the file exists"):
        new_record(str(record))
    assert record.read_bytes() == before


@pytest.mark.parametrize("content", [b"\xff\xfe[\x00", b'[card]\nname = "\xe9"\n'])
def test_a_record_that_is_not_utf8_is_refused(record: Path, content: bytes) -> None:
    record.write_bytes(content)
    with pytest.raises(RecordError, match="not UTF-8"):
        read_record(str(record))


def test_a_missing_record_says_how_to_begin_one(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="frametime tune new"):
        read_record(str(tmp_path / "none.toml"))


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() == 0, reason="an administrator may write everywhere")
def test_a_folder_that_cannot_be_written_leaves_the_record(record: Path) -> None:
    before = record.read_bytes()
    record.parent.chmod(0o500)
    try:
        with pytest.raises(OutputError, match="cannot write here"):
            append_trial(str(record), TRIAL)
    finally:
        record.parent.chmod(0o700)
    assert record.read_bytes() == before


@pytest.mark.skipif(sys.platform == "win32", reason="needs symbolic links")
def test_a_link_to_a_record_stays_a_link(record: Path, tmp_path: Path) -> None:
    link = tmp_path / "link.toml"
    link.symlink_to(record)
    append_trial(str(link), TRIAL)
    assert link.is_symlink()
    assert len(read_record(str(record)).trials) == 1


def add_some(path: str, first: int, barrier: Barrier) -> None:
    barrier.wait(60)
    for offset in range(first, first + 30):
        setting = Setting(core_offset_mhz=offset)
        append_trial(path, Trial(setting=setting, workload="light scene", outcome=Outcome.PASSED))


@pytest.mark.skipif(sys.platform == "win32", reason="writers wait for each other on POSIX systems only")
def test_two_writers_at_once_lose_nothing(record: Path) -> None:
    context = multiprocessing.get_context("spawn")
    barrier = context.Barrier(2)
    workers = [context.Process(target=add_some, args=(str(record), first, barrier)) for first in (0, 100)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(60)
    offsets = sorted(trial.setting.core_offset_mhz for trial in read_record(str(record)).trials)
    assert offsets == [*range(30), *range(100, 130)]
