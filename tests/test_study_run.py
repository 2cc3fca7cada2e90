"""A study does every record once, whoever does the work and whatever happens on the way."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import shutil
import signal
import subprocess
import sys
import time
from concurrent.futures import CancelledError
from pathlib import Path

import pandas as pd
import pytest
from study_fixture import BREAKERS, SHORT, done, fleet, prints, simulated

import drm
from drm.errors import InputError, OutputError
from drm.study import crew as crews
from drm.study import parts
from drm.study.run import study
from drm.study.tree import walk


@pytest.fixture(autouse=True)
def small_batches(monkeypatch):
    """However fast the machine is, there are several batches."""
    monkeypatch.setattr("drm.study.drive.MOST", 2)


def table(out: Path, name: str) -> pd.DataFrame:
    return pd.read_parquet(out / name)


def files(out: Path, name: str = "tests") -> list[str]:
    return table(out, name)["file"].tolist()


def test_every_record_has_its_rows():
    out = done().out
    features = table(out, "features")
    assert len(features) == 3 * BREAKERS
    assert features["file"].nunique() == BREAKERS
    assert not table(out, "failures").size
    short = table(out, "findings").query("code == 'siblings.wipe-short'")
    assert short["file"].tolist() == [f"{SHORT}/test.cfg"]


def test_the_rows_are_those_of_diagnose():
    out, folder = done().out, simulated() / SHORT
    row = table(out, "features").query("breaker == 'breaker 3' and interrupter == 'B1'").iloc[0]
    alone = drm.diagnose(drm.read(folder / "test.cfg"), drm.Breaker.load(folder / "breaker.toml")).features
    mine = alone[alone["interrupter"] == "B1"].iloc[0]
    for column in ("arcing_wipe_mm", "arcing_wipe_mm_u", "main_resistance_uohm", "sibling_p"):
        assert row[column] == mine[column]
    assert row["age_years"] == pytest.approx(21.0, abs=0.01)
    assert row["operation_count"] == 300


def test_two_processes_leave_the_same_bytes_as_one(tmp_path):
    made = study(fleet(tmp_path), out=tmp_path / "out", jobs=2)
    assert made.again == BREAKERS
    assert prints(made.out) == prints(done().out)


def test_a_cluster_leaves_the_same_bytes_as_one_process(tmp_path):
    distributed = pytest.importorskip("distributed")
    import dask

    root = fleet(tmp_path)
    with (
        dask.config.set({"distributed.worker.daemon": True}),
        distributed.LocalCluster(
            n_workers=1, threads_per_worker=1, dashboard_address=None, local_directory=tmp_path / "dask"
        ) as cluster,
    ):
        made = study(root, out=tmp_path / "out", scheduler=cluster.scheduler_address)
    assert made.again == BREAKERS
    assert prints(made.out) == prints(done().out)


def test_nothing_is_done_again_until_something_changes(tmp_path):
    root, out = fleet(tmp_path), tmp_path / "out"
    shutil.copytree(done().out, out)
    assert study(root, out=out, jobs=1).again == 0
    assert prints(out) == prints(done().out)
    file = root / SHORT / "breaker.toml"
    file.write_text(file.read_text() + "[limits.arcing_wipe_mm]\nmin = 14.0\n")
    assert study(root, out=out, jobs=1).again == 1
    codes = table(out, "findings").query(f"file == '{SHORT}/test.cfg'")["code"]
    assert "limit.outside.arcing_wipe_mm" in set(codes)
    shutil.rmtree(root / "station 1")
    assert study(root, out=out, jobs=1).again == 0
    assert len(files(out)) == 5


def test_a_population_makes_all_rows_anew(tmp_path):
    root, out, file = fleet(tmp_path), tmp_path / "out", tmp_path / "population.toml"
    for n in range(1, BREAKERS):
        if n != 3:
            shutil.rmtree(root / f"station {n // 5}" / f"b{n:02d}")
    file.write_text('[population]\nname = "wide"\n[scatter.arcing_wipe_mm]\nsd = 8.0\ndof = 200\n')
    assert study(root, out=out, jobs=1).again == 2
    assert study(root, out=out, jobs=1, population=file).again == 2
    assert set(table(out, "features")["healthy_scatter"]) == {"wide"}
    assert "siblings.wipe-short" not in set(table(out, "findings")["code"])


def test_a_tenth_of_the_files_corrupt_costs_a_row_each(tmp_path):
    root = fleet(tmp_path)
    data = root / "station 1" / "b06" / "test.dat"
    data.write_bytes(data.read_bytes()[:1000])
    (root / "station 1" / "b07" / "breaker.toml").write_text("[breaker\n")
    (root / "station 0" / "b00" / "more.csv").write_bytes(os.urandom(300))
    (root / "station 0" / "b01" / "breaker.toml").unlink()
    (root / "lone.dat").write_bytes(b"\x00" * 64)
    made = study(root, out=tmp_path / "out", jobs=1)
    failures = table(made.out, "failures").set_index("file")
    assert set(failures.index) == {
        "lone.dat",
        "station 0/b00/more.csv",
        "station 0/b01/test.cfg",
        "station 1/b06/test.cfg",
        "station 1/b07/test.cfg",
    }
    assert failures.loc["station 0/b01/test.cfg", "what"] == "no breaker file belongs to the record"
    assert failures.loc["station 1/b07/test.cfg", "kind"] == "breaker"
    assert str(root) not in failures.to_string()
    assert made.failures == len(failures)
    assert set(files(made.out, "features")) == set(files(made.out)) - set(failures.index)


class Stopped(Exception):
    pass


def test_stopped_and_resumed_leaves_the_same_bytes(tmp_path):
    root, out = fleet(tmp_path), tmp_path / "out"

    def stop(settled: int, of: int) -> None:
        if settled >= 4:
            raise Stopped

    with pytest.raises(Stopped):
        study(root, out=out, jobs=1, progress=stop)
    assert not (out / "features").exists()
    made = study(root, out=out, jobs=1)
    assert 0 < made.again <= BREAKERS - 4
    assert prints(out) == prints(done().out)


def test_a_killed_run_is_resumed(tmp_path):
    root, out = fleet(tmp_path), tmp_path / "out"
    words = [sys.executable, "-P", "-m", "drm", "study", str(root), "--out", str(out), "--jobs", "1"]
    run = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    there = out / ".work" / "parts"
    for _ in range(600):
        if there.is_dir() and any(p.suffix == parts.SUFFIX for p in there.iterdir()):
            break
        time.sleep(0.05)
    run.send_signal(signal.SIGKILL)
    run.communicate()
    (there / ".half").write_bytes(b"half a part")
    made = study(root, out=out, jobs=1)
    assert made.again < BREAKERS
    assert prints(out) == prints(done().out)
    assert not list(there.iterdir())


def test_a_full_disk_ends_the_run_and_costs_nothing_done(tmp_path, monkeypatch):
    root, out = fleet(tmp_path), tmp_path / "out"
    written, real = [], parts.on_disk

    def full(path: Path) -> None:
        if len(written) == 2:
            raise OSError(28, "No space left on device")
        written.append(path)
        real(path)

    with monkeypatch.context() as patch:
        patch.setattr(parts, "on_disk", full)
        with pytest.raises(OutputError, match="No space left"):
            study(root, out=out, jobs=1)
    left = [p.name for p in (out / ".work" / "parts").iterdir()]
    assert len(left) == 2
    assert all(name.endswith(parts.SUFFIX) for name in left)
    made = study(root, out=out, jobs=1)
    assert 0 < made.again < BREAKERS
    assert prints(out) == prints(done().out)


def test_a_disk_that_fills_while_tables_are_written_leaves_the_old_ones(tmp_path, monkeypatch):
    root, out = fleet(tmp_path), tmp_path / "out"
    shutil.copytree(done().out, out)
    before = prints(out)
    shutil.rmtree(root / "station 1")

    def full(path: Path) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("drm.study.publish.on_disk", full)
        with pytest.raises(OutputError, match="No space left"):
            study(root, out=out, jobs=1)
    assert {k: v for k, v in prints(out).items() if not k.startswith(".work")} == before
    study(root, out=out, jobs=1)
    assert len(files(out)) == 5


def test_tables_half_moved_in_are_moved_in_by_the_next_run(tmp_path, monkeypatch):
    root, out = fleet(tmp_path), tmp_path / "out"
    real, moved = os.replace, []

    def replace(source: Path, target: Path) -> None:
        if Path(target).name == "findings":
            raise OSError(5, "Input/output error")
        moved.append(Path(target).name)
        real(source, target)

    with monkeypatch.context() as patch:
        patch.setattr("drm.study.publish.os.replace", replace)
        with pytest.raises(OutputError):
            study(root, out=out, jobs=1)
    assert "features" in moved
    assert study(root, out=out, jobs=1).again == 0
    assert prints(out) == prints(done().out)


class Fragile(crews.Alone):
    """A crew whose worker dies once on the third task, and whenever it is given `poison`."""

    def __init__(self, poison: bytes = b"") -> None:
        super().__init__()
        self.poison, self.given, self.size = poison, 0, 3

    def next(self):
        self.given += 1
        task = self._tasks[0]
        if task.what == "work" and (self.given == 3 or any(u.path == self.poison for u in task.units)):
            dropped = list(self._tasks)
            self._tasks.clear()
            raise crews.Died(dropped)
        return super().next()


def test_a_worker_that_dies_costs_nothing(tmp_path, monkeypatch):
    monkeypatch.setattr("drm.study.run.Alone", Fragile)
    made = study(fleet(tmp_path), out=tmp_path / "out", jobs=1)
    assert prints(made.out) == prints(done().out)


def test_a_record_on_which_workers_die_is_named_and_tried_again_next_time(tmp_path, monkeypatch):
    root, out = fleet(tmp_path), tmp_path / "out"
    with monkeypatch.context() as patch:
        patch.setattr("drm.study.run.Alone", lambda: Fragile(f"{SHORT}/test.cfg".encode()))
        study(root, out=out, jobs=1)
    failures = table(out, "failures")
    assert failures[["file", "kind"]].to_numpy().tolist() == [[f"{SHORT}/test.cfg", "worker"]]
    assert len(table(out, "features")) == 3 * (BREAKERS - 1)
    assert study(root, out=out, jobs=1).again == 1
    assert prints(out) == prints(done().out)


def test_a_process_killed_in_the_middle_is_replaced(tmp_path):
    killed: list[int] = []

    def kill(settled: int, of: int) -> None:
        if settled and not killed:
            victims = [p.pid for p in multiprocessing.active_children() if p.pid]
            killed.append(victims[0])
            os.kill(victims[0], signal.SIGKILL)

    made = study(fleet(tmp_path), out=tmp_path / "out", jobs=2, progress=kill)
    assert killed
    assert made.failures == 0
    assert prints(made.out) == prints(done().out)


def test_a_cluster_that_goes_away_is_said_in_one_line():
    pytest.importorskip("distributed")

    class Gone(crews.Cluster):
        def __init__(self):
            self._done, self._tasks = iter([self]), {self: None}

        def result(self):
            raise CancelledError("lost the connection")

    with pytest.raises(InputError, match=r"the cluster is gone \(lost the connection\).*what is done stays done"):
        Gone().next()


def test_each_record_finds_its_breaker_file(tmp_path):
    for name in ("breaker.toml", "a/breaker.toml", "a/deep/own.toml"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text("")
    curve = '[[mechanism]]\nreference_travel = { file = "new/travel.csv" }\n'
    (tmp_path / "a" / "breaker.toml").write_text(curve)
    records = ("x.cfg", "x.dat", "a/y.csv", "a/deep/own.cfg", "a/deep/other.cff", "b/z.parquet", "a/new/travel.csv")
    for name in (*records, ".hidden.cfg", "result/features.csv", "result/findings.json", "result/report.html"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).touch()
    with contextlib.suppress(OSError):
        (tmp_path / "b" / "ring").symlink_to(tmp_path)
    found = {u.path.decode(): u.breaker.decode() for u in walk(os.fsencode(tmp_path))}
    assert found == {
        "x.cfg": "breaker.toml",
        "a/y.csv": "a/breaker.toml",
        "a/deep/own.cfg": "a/deep/own.toml",
        "a/deep/other.cff": "a/breaker.toml",
        "b/z.parquet": "breaker.toml",
    }


def test_a_folder_inside_the_tree_may_hold_the_study(tmp_path):
    root = fleet(tmp_path)
    shutil.rmtree(root / "station 1")
    for _ in range(2):
        assert study(root, out=root / "study", jobs=1).records == 5


def test_two_studies_do_not_share_a_folder_at_one_time(tmp_path):
    root, out = fleet(tmp_path), tmp_path / "out"

    def second(settled: int, of: int) -> None:
        with pytest.raises(OutputError, match="another study"):
            study(root, out=out, jobs=1)
        raise Stopped

    with pytest.raises(Stopped):
        study(root, out=out, jobs=1, progress=second)


@pytest.mark.parametrize(
    ("words", "said"),
    [({"scheduler": "tcp://127.0.0.1:9"}, "no cluster"), ({"jobs": 0}, "0 processes")],
)
def test_wrong_words_are_refused_in_one_line(tmp_path, words, said, monkeypatch):
    real = crews.Cluster.__init__
    monkeypatch.setattr(crews.Cluster, "__init__", lambda self, address: real(self, address, patience_s=0.3))
    with pytest.raises(InputError, match=said):
        study(fleet(tmp_path), out=tmp_path / "out", **words)


def test_an_empty_tree_is_refused(tmp_path):
    (tmp_path / "fleet").mkdir()
    with pytest.raises(InputError, match="holds no record"):
        study(tmp_path / "fleet", out=tmp_path / "out")
