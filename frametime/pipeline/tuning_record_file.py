"""The file of a tuning record: read, begun, and appended to so that no trial is lost.

A tuning step that freezes the machine may well do so while a trial is being noted. The record is therefore written
whole to a temporary name, forced to the disk and then renamed; what stood in it before is kept byte for byte.
"""

from __future__ import annotations

import os
import re
from dataclasses import replace
from pathlib import Path
from typing import Final

from frametime.errors import RecordError
from frametime.locking import alone_with
from frametime.replacing import claiming, write_bytes
from frametime.settings.toml_source import MAX_CHARACTERS
from frametime.tuning.record import Trial, TuningRecord
from frametime.tuning.record_text import TEMPLATE, parse_record, refuse_trial, trial_text

_TRIAL: Final = re.compile(rb"(?:\r?\n)?^[ \t]*\[\[[ \t]*trials[ \t]*\]\]", re.MULTILINE)
_BOM: Final = b"\xef\xbb\xbf"


def read_record(path: str) -> TuningRecord:
    """The tuning record in the file ``path``.

    Raises
    ------
    RecordError
        If it cannot be read, or an entry is wrong.
    """
    return parse_record(_decoded(_bytes_of(path), path), name=path)


def new_record(path: str) -> None:
    """Write a first record to fill in; a file that is there already is left alone.

    Raises
    ------
    OutputError
    """
    with claiming([Path(path)], force=False, helps="choose another name"):
        write_bytes(Path(path), TEMPLATE.encode(), is_forced=True)


def append_trial(path: str, trial: Trial) -> TuningRecord:
    """Append a trial to the record in the file ``path`` and give the record with it.

    Raises
    ------
    RecordError
        If the record cannot be read, or the trial does not fit it: nothing is written then.
    OutputError
        If it cannot be written: the file is as it was then.
    """
    target = Path(os.path.realpath(path))
    with alone_with(target):
        before = _bytes_of(path)
        refuse_trial(trial_text(trial), parse_record(_decoded(before, path), name=path), name=path)
        line_end = b"\r\n" if b"\r\n" in before else b"\n"
        added = line_end + trial_text(trial).encode().replace(b"\n", line_end)
        after = before + (b"" if before.endswith(b"\n") else line_end) + added
        record = parse_record(_decoded(after, path), name=path)
        if record.trials[-1:] != (trial,):
            raise RecordError.at(
                path, "a trial cannot be appended to this text", helps="write trials as [[trials]] tables at the end"
            )
        write_bytes(target, after, is_forced=True)
    return record


def take_back_trial(path: str) -> tuple[TuningRecord, Trial]:
    """Take the last trial out of the record in the file ``path``: the record without it, and the trial.

    Raises
    ------
    RecordError
        If there is none, or it is no ``[[trials]]`` table at the end: nothing is written then.
    OutputError
        If it cannot be written.
    """
    target = Path(os.path.realpath(path))
    with alone_with(target):
        before = _bytes_of(path)
        record = parse_record(_decoded(before, path), name=path)
        heads = list(_TRIAL.finditer(before))
        if not record.trials or not heads:
            raise RecordError.at(path, "there is no trial to take back", helps="frametime tune show lists the trials")
        after = before[: heads[-1].start()]
        rest = parse_record(_decoded(after, path), name=path)
        if rest != replace(record, trials=record.trials[:-1]):
            raise RecordError.at(path, "the last trial does not stand at the end", helps="take it out by hand")
        write_bytes(target, after, is_forced=True)
    return rest, record.trials[-1]


def _bytes_of(path: str) -> bytes:
    try:
        with Path(path).open("rb") as stream:
            content = stream.read(4 * MAX_CHARACTERS + 1)
    except OSError as error:
        raise RecordError.at(
            path, f"cannot be read ({error.strerror})", helps="frametime tune new begins one"
        ) from error
    if len(content) > 4 * MAX_CHARACTERS:
        raise RecordError.at(path, "the file is too large for a tuning record")
    return content


def _decoded(content: bytes, path: str) -> str:
    try:
        return content.removeprefix(_BOM).decode("utf-8")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise RecordError.at(path, "the text is not UTF-8", line=line, helps="save it as UTF-8") from error
