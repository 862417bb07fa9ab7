"""A batch on a Dask cluster of two workers on this machine gives the bytes of a batch without one."""

from __future__ import annotations

from pathlib import Path

import pytest
from run_cli import frametime

from frametime.errors import OutputError
from frametime.pipeline.measuring_many import cluster_executor


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")  # of the cluster's own packages
def test_the_cluster_changes_no_byte(tmp_path: Path) -> None:
    from distributed import LocalCluster

    captures = tmp_path / "captures"
    captures.mkdir()
    for number in range(30):
        text = "frame_time_ms\n" + f"{number + 5}\n{number + 6}\n" * 100
        (captures / f"run{number:02d}.csv").write_text("" if number == 7 else text)
    with LocalCluster(n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address=None) as cluster:
        done = frametime("batch", captures, "--out", tmp_path / "far.csv", "--cluster", cluster.scheduler_address)
    assert done.code == 4 and "29 measured, 1 failed" in done.err
    assert frametime("batch", captures, "--out", tmp_path / "near.csv").code == 4
    assert (tmp_path / "far.csv").read_bytes() == (tmp_path / "near.csv").read_bytes()


@pytest.mark.filterwarnings("ignore")
def test_an_address_without_a_cluster_is_named() -> None:
    with (
        pytest.raises(OutputError, match="no cluster answers here"),
        cluster_executor("tcp://127.0.0.1:9", timeout_s=0.2),
    ):
        pass
