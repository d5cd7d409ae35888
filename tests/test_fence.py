"""A job that crashes, hangs or takes too much memory ends as a sentence in the record of its bone; two jobs never need more than the machine."""

from __future__ import annotations

import faulthandler
import json
import os
import selectors
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from six_bones import bonewright, jobs_run_since, make_six_bones, newest_ns, result_hashes
from tiny_batch import make_tiny_batch

from meshtools.errors import ScanError
from meshtools.fence import RESERVE_MB, STOPPED, TRY_AGAIN, WATCH_S, Limits, Watch, memory_limit_mb, refusal, wall_s
from meshtools.files.read_scan import read_scan
from meshtools.geometry.audit import audit_topology
from meshtools.job_limits import job_limits
from meshtools.jobs.record import read_record
from meshtools.keys import ContentHashes
from meshtools.machine_memory import MachineMemory, machine_memory, process_tree, resident_mb
from meshtools.model import Mesh, RawScan
from meshtools.record_places import record_path
from meshtools.run_job import run_fenced, watched_end
from meshtools.worker import Child, Worker
from meshtools.workspace import open_workspace

SHORT = MachineMemory(16000, 100)
AMPLE = MachineMemory(16000, 9000)
ALLOCATES = "import time; held = b'x' * (200 << 20); print('held', flush=True); time.sleep(60)"
PARENT = f"import subprocess, sys; subprocess.run([sys.executable, '-c', {ALLOCATES!r}])"


@pytest.fixture
def child() -> Iterator[subprocess.Popen[bytes]]:
    """A process whose own child holds 200 MB."""
    with subprocess.Popen([sys.executable, "-c", PARENT], stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        process.stdout.readline()
        yield process
        for pid in process_tree(process.pid):
            os.kill(pid, signal.SIGKILL)


def watch_of(process: subprocess.Popen[bytes], limits: Limits) -> Watch:
    return Watch(process.pid, ("clean", "a-skull"), limits, reserve_mb=500, least_mb=50)


def seen(watch: Watch, machine: MachineMemory) -> str:
    """What a watch says of a job when it first looks at it."""
    time.sleep(WATCH_S)
    return watch.broken(lambda: machine)


def test_memory_of_a_process_counts_that_of_its_children(child: subprocess.Popen[bytes]) -> None:
    assert resident_mb((child.pid,)) < 100 < 200 <= resident_mb(process_tree(child.pid)) < 400


def test_a_job_that_holds_twice_what_was_expected_on_a_short_machine_is_to_be_stopped_with_a_sentence(child: subprocess.Popen[bytes]) -> None:
    sentence = seen(watch_of(child, Limits(90, 60)), SHORT)
    assert all(words in sentence for words in ("a-skull", "90 MB", "100 MB left", "most_faces")), sentence


@pytest.mark.parametrize(("limits", "machine"), [(Limits(90, 60), AMPLE), (Limits(150, 60), SHORT)], ids=["room left", "as expected"])
def test_a_job_goes_on_while_the_machine_has_room_or_it_holds_what_was_expected(
    child: subprocess.Popen[bytes], limits: Limits, machine: MachineMemory
) -> None:
    assert seen(watch_of(child, limits), machine) == ""


def test_a_job_is_first_looked_at_a_quarter_of_a_second_after_it_began(child: subprocess.Popen[bytes]) -> None:
    watch = watch_of(child, Limits(90, 60))
    assert (watch.broken(lambda: SHORT), bool(seen(watch, SHORT))) == ("", True)


def test_stopping_a_job_ends_its_children_too(child: subprocess.Popen[bytes]) -> None:
    tree = process_tree(child.pid)
    watch_of(child, Limits()).stop()
    child.wait()
    deadline_s = time.monotonic() + 5
    while any(process_tree(pid) and resident_mb((pid,)) for pid in tree) and time.monotonic() < deadline_s:
        time.sleep(0.01)
    assert [pid for pid in tree if resident_mb((pid,))] == []


def test_a_job_that_hangs_is_stopped_after_its_time() -> None:
    with subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"]) as process:
        code, sentence = watched_end(process, watch_of(process, Limits(500, 0.3)))
    assert (code, "a-skull" in sentence, "minutes" in sentence, process.returncode) == (STOPPED, True, True, -signal.SIGKILL)


def test_a_crash_in_native_code_is_told_by_its_signal() -> None:
    with subprocess.Popen([sys.executable, "-c", "import os; os.kill(os.getpid(), 11)"]) as process:
        assert watched_end(process, watch_of(process, Limits())) == (128 + signal.SIGSEGV, "")


class InjectedWorker(Worker):
    """A worker whose jobs crash, hang, allocate or end well, by their names, with little time and memory."""

    def _run(self, words: list[str]) -> int:
        faulthandler.disable()
        held = b""
        if words[1] == "crashes":
            os.kill(os.getpid(), signal.SIGSEGV)
        if words[1] == "allocates":
            held = b"x" * (200 << 20)
        if words[1] in ("hangs", "allocates"):
            time.sleep(60)
        time.sleep({"short": 0.5, "long": 30.0}.get(words[1], 0.0))
        return TRY_AGAIN if words[1] == "again" else len(held)

    @staticmethod
    def watch(pid: int, stage: str, name: str) -> Watch:
        """Reserve more than any machine has, so that memory counts as short."""
        return Watch(pid, (stage, name), Limits(20, 0.5 if name == "hangs" else 60), reserve_mb=1 << 40, least_mb=resident_mb((os.getpid(),)) + 100)


@pytest.fixture
def worker(tmp_path: Path) -> Iterator[str]:
    address = str(tmp_path / "worker")
    pid = os.fork()
    if pid == 0:
        InjectedWorker(address).serve()
    while not Path(address).exists():
        time.sleep(0.01)
    yield address
    os.kill(pid, signal.SIGKILL)
    os.waitpid(pid, 0)


def test_jobs_of_a_warm_worker_that_crash_hang_or_allocate_fail_with_a_sentence_and_the_next_goes_on(
    worker: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BONEWRIGHT_WORKER", worker)
    monkeypatch.chdir(tmp_path)
    expected = {"crashes": "signal 11", "hangs": "had not ended after", "allocates": "MB of memory, more than the 20 MB", "ends": ""}
    for name, words in expected.items():
        assert list(run_fenced([(("clean", name, "0" * 64), Limits())], 1)) == [0]
        record = read_record(tmp_path / record_path("clean", name))
        told = [(f["code"], name in f["message"], words in f["message"]) for f in record["findings"]] if record else []
        assert told == ([("crash", True, True)] if words else []), record


def asked(worker: str, request: bytes) -> socket.socket:
    connection = socket.socket(socket.AF_UNIX)
    connection.settimeout(10)
    connection.connect(worker)
    connection.sendall(request)
    return connection


@pytest.mark.parametrize(("name", "words"), [("crashes", "signal 11"), ("hangs", "had not ended after")])
def test_of_jobs_that_one_child_does_after_each_other_only_the_one_that_breaks_fails_and_those_after_it_are_left_to_ask_for_again(
    worker: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, words: str
) -> None:
    monkeypatch.setenv("BONEWRIGHT_WORKER", worker)
    monkeypatch.chdir(tmp_path)
    jobs = [(("clean", one, "0" * 64), Limits()) for one in ("ends", "short", name, "after-it")]
    assert list(run_fenced(jobs, 1)) == [0, 0, 0]
    record = read_record(tmp_path / record_path("clean", name))
    assert record is not None
    assert [(f["code"], words in f["message"]) for f in record["findings"]] == [("crash", True)]
    assert not any((tmp_path / record_path("clean", one)).exists() for one in ("ends", "short", "after-it"))
    assert list(run_fenced(jobs[3:], 1)) == [0]


def test_codes_of_jobs_come_as_they_end_and_what_follows_one_that_recorded_nothing_is_not_begun(worker: str) -> None:
    with asked(worker, b"1 clean ends 0 clean short 0 clean again 0 clean ends 0\n") as connection:
        assert connection.recv(1) == b"\0"
        assert connection.recv(1) == b"\0"
        assert (connection.recv(1), connection.recv(1)) == (bytes([TRY_AGAIN]), b"")


def test_the_client_of_a_job_that_ended_is_let_go_while_a_job_begun_later_still_runs(worker: str) -> None:
    """The later child has a copy of the first one's connection, which must not keep it open."""
    with asked(worker, b"1 clean short 0\n") as short:
        time.sleep(0.1)
        with asked(worker, b"1 clean long 0\n"):
            assert (short.recv(10), short.recv(10)) == (b"\0", b"")


def test_a_child_that_ended_its_job_well_gets_the_next_one_and_two_jobs_at_once_have_two(worker: str) -> None:
    before = set(process_tree(os.getpid()))
    for n_at_once in (1, 1, 2):
        connections = [asked(worker, b"1 clean short 0\n") for _ in range(n_at_once)]
        assert [connection.recv(10) for connection in connections] == [b"\0"] * n_at_once
        assert len(set(process_tree(os.getpid())) - before) == n_at_once


def test_a_child_that_died_while_it_waited_is_passed_over_for_a_new_one() -> None:
    ours, theirs = socket.socketpair()
    theirs.close()
    worker = Worker.__new__(Worker)
    worker._children, worker._selector = {1: Child(1, ours)}, selectors.DefaultSelector()
    worker._selector.register(ours, selectors.EVENT_READ, 1)
    assert (worker._idle_child(b"1 clean ends 0\n"), worker._children[1].is_free) == (None, False)
    worker._hear(worker._children[1])  # its line was ready in the same look as the request


def test_a_client_that_dies_before_it_asks_leaves_the_worker_and_its_jobs_as_they_were(worker: str) -> None:
    asked(worker, b"").close()
    with asked(worker, b"1 clean ends 0\n") as connection:
        assert connection.recv(10) == b"\0"


def test_a_worker_that_stopped_a_job_waits_without_turning(worker: str) -> None:
    """No child, no look at the machine: a resting worker takes no time."""
    with socket.socket(socket.AF_UNIX) as connection:
        connection.connect(worker)
        connection.sendall(b"1 clean ends 0\n")
        assert connection.recv(10) == b"\0"


def test_a_scan_that_no_reduction_makes_small_enough_for_the_machine_is_refused_before_it_is_begun() -> None:
    sentence = refusal("clean", "a-skull", Limits(9000, 60), lambda: MachineMemory(8000, 7000))
    assert all(words in sentence for words in ("a-skull", "9000 MB", "8000 MB", "most_faces"))
    assert refusal("clean", "a-skull", Limits(7500, 60), lambda: MachineMemory(8000, 100)) == ""
    assert refusal("report", "x", Limits(9000, 60), lambda: SHORT) == ""


def test_the_limit_of_a_control_group_counts_where_it_is_lower_and_idle_pages_are_free(tmp_path: Path) -> None:
    proc, groups = tmp_path / "proc", tmp_path / "groups"
    (proc / "self").mkdir(parents=True)
    (proc / "meminfo").write_text("MemTotal:       16777216 kB\nMemFree:  1 kB\nMemAvailable:    8388608 kB\n")
    (proc / "self" / "cgroup").write_text("0::/batch/job\n")
    assert machine_memory(proc, groups) == MachineMemory(16384, 8192)
    for name, limit in (("batch/job", "max"), ("batch", str(4 << 30))):
        (groups / name).mkdir(parents=True, exist_ok=True)
        (groups / name / "memory.max").write_text(f"{limit}\n")
        (groups / name / "memory.current").write_text(f"{3 << 30}\n")
        (groups / name / "memory.stat").write_text(f"anon 1\ninactive_file {1 << 30}\n")
    assert machine_memory(proc, groups) == MachineMemory(4096, 2048)
    (proc / "self" / "cgroup").write_text("4:memory:/elsewhere\n")
    (groups / "memory").mkdir()
    for name, n in (("limit_in_bytes", 2 << 30), ("usage_in_bytes", 1 << 30)):
        (groups / "memory" / f"memory.{name}").write_text(f"{n}\n")
    (groups / "memory" / "memory.stat").write_text("cache 5\ntotal_inactive_file 0\n")
    assert machine_memory(proc, groups) == MachineMemory(2048, 1024)


def test_every_job_states_its_memory_from_the_headers_and_no_key_depends_on_it(tmp_path: Path) -> None:
    workspace = open_workspace(make_six_bones(tmp_path / "batch"))
    jobs = workspace.worklist.jobs
    before = json.dumps(jobs, sort_keys=True)
    limits = job_limits(jobs, workspace.hashes)
    assert {stage: set(rows) for stage, rows in limits.items()} == {stage: set(items) for stage, items in jobs.items()}
    assert json.dumps(jobs, sort_keys=True) == before
    base = limits["index"]["index"]
    assert base.wall_s == wall_s(0)
    assert all(base.memory_mb < row.memory_mb for stage in ("clean", "rebuild", "report") for row in limits[stage].values())


def test_sizes_are_remembered_until_the_scan_changes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    batch = make_tiny_batch(tmp_path / "batch")
    workspace = open_workspace(batch)
    first = workspace.limits()
    workspace.save_hashes()
    with monkeypatch.context() as patch:
        patch.setattr("meshtools.job_limits._measured", lambda path: pytest.fail("measured again"))
        assert open_workspace(batch).limits() == first
    scan = batch / "scans/a-femur-left.stl"
    scan.write_bytes(scan.read_bytes()[:80] + (100_000).to_bytes(4, "little") + bytes(50 * 100_000))
    assert open_workspace(batch).limits()["clean"]["a-femur-left"].memory_mb > first["clean"]["a-femur-left"].memory_mb


class FortyMillion(ContentHashes):
    """Scans of 40 million triangles."""

    def measured(self, relative_path: str, measure: Callable[[Path], list[int]]) -> list[int]:
        """Faces, vertices, no colour, read in blocks."""
        return [40_000_000, 120_000_000, 0, 1]


def test_a_scan_beyond_the_most_faces_is_expected_to_take_what_its_reduction_takes(tmp_path: Path) -> None:
    workspace = open_workspace(make_tiny_batch(tmp_path / "batch"))
    limits = job_limits(workspace.worklist.jobs, FortyMillion(tmp_path))
    assert 12_000 < limits["clean"]["a-femur-left"].memory_mb < 16_000


def sphere(path: Path) -> Path:
    """A coloured bowl of 20480 faces, in the format that the name says."""
    import trimesh

    shape = trimesh.creation.icosphere(subdivisions=5, radius=40)
    points = np.asarray(shape.vertices) * (1.0, 0.7, 1.6)
    mesh = trimesh.Trimesh(points, shape.faces, process=False)
    if path.suffix == ".ply":
        mesh.visual.vertex_colors = np.rint((points + 64) * 1.9).astype(np.uint8)
    mesh.export(path)
    return path


def farthest_mm(a: RawScan, b: RawScan) -> float:
    from scipy.spatial import cKDTree

    return float(cKDTree(b.vertices).query(a.vertices)[0].max())


@pytest.mark.parametrize("suffix", ["stl", "ply", "off"])
def test_a_scan_too_large_is_reduced_and_no_point_moves_by_more_than_a_cells_diagonal(tmp_path: Path, suffix: str) -> None:
    path = sphere(tmp_path / f"a.{suffix}")
    whole, reduced = read_scan(path), read_scan(path, 4000)
    assert reduced.reduction is not None
    assert (1500 < len(reduced.faces) <= 4000, reduced.reduction.n_faces_file, reduced.file_format) == (True, 20480, whole.file_format)
    assert max(farthest_mm(reduced, whole), farthest_mm(whole, reduced)) < reduced.reduction.cell * 3**0.5


def test_a_reduced_scan_keeps_its_colours_about_where_they_were(tmp_path: Path) -> None:
    """The colour of a point is made from its place here, so it tells how far it came: no farther than a cell's diagonal."""
    reduced = read_scan(sphere(tmp_path / "a.ply"), 4000)
    assert (reduced.colour is not None, reduced.reduction is not None) == (True, True)
    moved_mm = np.linalg.norm(reduced.colour / 1.9 - 64 - reduced.vertices, axis=1)
    assert moved_mm.max() < reduced.reduction.cell * 3**0.5 + 0.5


def test_a_closed_scan_stays_closed_when_it_is_reduced(tmp_path: Path) -> None:
    reduced = read_scan(sphere(tmp_path / "a.ply"), 4000)
    audit = audit_topology(Mesh.create(reduced.vertices, reduced.faces, 0))
    assert (audit.n_open_edges, audit.n_inconsistent_edges) == (0, 0)


@pytest.mark.parametrize("suffix", ["stl", "ply"])
def test_a_reduction_does_not_depend_on_the_size_of_the_blocks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, suffix: str) -> None:
    path = sphere(tmp_path / f"a.{suffix}")
    at_once = read_scan(path, 4000)
    monkeypatch.setattr("meshtools.files.scan_blocks.BLOCK_RECORDS", 777)
    in_blocks = read_scan(path, 4000)
    assert at_once.faces.tobytes() == in_blocks.faces.tobytes()
    assert np.abs(at_once.vertices - in_blocks.vertices).max() < 1e-9


def test_a_scan_with_no_more_faces_than_allowed_is_read_as_it_is(tmp_path: Path) -> None:
    whole, same = read_scan(sphere(tmp_path / "a.stl")), read_scan(tmp_path / "a.stl", 20480)
    assert (same.reduction, same.vertices.tobytes()) == (None, whole.vertices.tobytes())


@pytest.mark.parametrize("suffix", ["stl", "ply"])
def test_what_was_not_read_of_a_scan_is_said_whether_it_is_reduced_or_not(tmp_path: Path, suffix: str) -> None:
    """The attribute word of one STL triangle far into the file; the texture that a PLY names."""
    path = sphere(tmp_path / f"a.{suffix}")
    content = bytearray(path.read_bytes())
    if suffix == "stl":
        content[84 + 50 * 20000 + 48] = 7
    path.write_bytes(content.replace(b"\nelement vertex", b"\ncomment TextureFile a.png\nelement vertex", 1))
    whole, reduced = read_scan(path), read_scan(path, 4000)
    assert (len(whole.notes), reduced.notes, reduced.reduction is not None) == (1, whole.notes, True)


def test_a_large_scan_with_a_number_that_is_none_is_refused_with_a_sentence(tmp_path: Path) -> None:
    path = sphere(tmp_path / "a.stl")
    content = bytearray(path.read_bytes())
    content[84 + 50 * 9000 + 12 : 84 + 50 * 9000 + 16] = b"\xff" * 4
    path.write_bytes(content)
    with pytest.raises(ScanError, match="not a finite number"):
        read_scan(path, 4000)


@pytest.mark.slow
def test_a_reduced_bone_is_built_and_says_so_on_its_page_for_review(tmp_path: Path) -> None:
    batch = make_tiny_batch(tmp_path / "batch")
    sphere(batch / "scans/a-femur-left.stl")
    (batch / "config/config.yaml").write_text("targets:\n  mount:\n    individual: ind-a\nclean:\n  most_faces: 4000\n")
    done = bonewright("build", "--batch", batch, "--json")
    rows = json.loads(done.stdout)["elements"]
    page = json.loads((batch / "results/mount/femur-left/report.json").read_text(encoding="utf-8"))
    found = {finding["code"]: finding for finding in page["findings"]}
    assert [row["status"] for row in rows] == ["review", "review"], done.stderr
    assert found["reduced-on-reading"]["severity"] == "review"
    assert "reduced on reading" in (batch / "results/mount/femur-left/report.html").read_text(encoding="utf-8")
    assert bonewright("verify", "--batch", batch).returncode == 0


@pytest.mark.slow
def test_plain_snakemake_makes_the_bytes_of_build_even_of_jobs_larger_than_all_memory_and_nothing_again_when_the_memory_differs(
    built_tiny: Path, tmp_path: Path
) -> None:
    from meshtools.start_build import SNAKEFILE

    batch = make_tiny_batch(tmp_path / "plain")
    command = [sys.executable, "-P", "-m", "snakemake", "-c2", "-s", str(SNAKEFILE), "--directory", str(batch)]
    subprocess.run([*command, "--resources", "mem_mb=300"], check=True, capture_output=True, timeout=120)
    assert result_hashes(batch) == result_hashes(built_tiny)
    before_ns = newest_ns(batch)
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    assert jobs_run_since(batch, before_ns) == set()


@pytest.mark.slow
def test_plain_snakemake_says_one_line_on_its_profile_and_ends_well_where_every_bone_failed(tmp_path: Path) -> None:
    """As README.md tells: what became of the bones is asked with `bonewright status`."""
    from meshtools.start_build import SNAKEFILE

    batch = make_tiny_batch(tmp_path / "plain")
    (batch / "scans/a-femur-left.stl").write_text("no scan", encoding="utf-8")
    command = [sys.executable, "-P", "-m", "snakemake", "-c2", "-s", str(SNAKEFILE), "--directory", str(batch)]
    done = subprocess.run(command, check=False, capture_output=True, encoding="utf-8", timeout=120)
    (line,) = done.stderr.splitlines()
    assert (done.returncode, done.stdout, "profiles/default" in line) == (0, "", True)
    record = read_record(batch / record_path("report", "mount/femur-left"))
    assert record is not None
    assert record["facts"]["status"] == "failed"


def test_what_all_jobs_may_take_leaves_the_reserve() -> None:
    assert memory_limit_mb(AMPLE) == AMPLE.available_mb - RESERVE_MB
