"""A full disk, a refused rename, a failed fsync, a process that cannot start or is killed: the next plain build ends with the same bytes.

The first tests make every single call of a job fail in turn. The builds through the command line take each failure at a few places;
`make faults` (FAULT_EVERY=1) takes them at every place, `make faults EVERY=8` at every eighth.
"""

from __future__ import annotations

import contextlib
import os
import random
import resource
import shutil
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path

import pytest
from fault_injection.fault import ERRORS, plan_fault
from six_bones import BONEWRIGHT, bonewright, build, edit, result_hashes
from tiny_batch import make_tiny_batch

from meshtools.errors import TablesError
from meshtools.jobs.run import run_job
from meshtools.workspace import open_workspace

EVERY = int(os.environ.get("FAULT_EVERY", "0"))
FAULTS = Path(__file__).parent / "fault_injection"
JOBS = (("clean", "a-femur-left"), ("rebuild", "mount/femur-right"), ("index", "index"))
MOST_CALLS = 2000


def unfinished_files(batch: Path) -> list[str]:
    """Half-written files anywhere in the batch."""
    return sorted(str(path.relative_to(batch)) for path in batch.rglob("*") if path.suffix in (".part", ".tmp"))


def with_fault(folder: Path, work: Callable[[], object]) -> tuple[bool, str]:
    """Run `work` in a forked child with the fault planned in `folder`. Returns whether the fault came up, and an error that is no OSError."""
    from fault_injection.fault import Fault, install

    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        install(Fault(folder))
        try:
            work()
        except (OSError, TablesError):
            os.write(writer, b"-")
        except BaseException as error:  # noqa: BLE001 - a child that must say what happened and never return
            os.write(writer, repr(error)[:1000].encode())
        finally:
            os._exit(0)
    os.close(writer)
    os.waitpid(child, 0)
    with os.fdopen(reader, "rb") as stream:
        said = stream.read().decode()
    return (folder / "fired").exists(), said.strip("-")


def plan_and_lay_down(batch: Path) -> None:
    """All that `build` does before and while it starts the workflow, without the workflow."""
    workspace = open_workspace(batch)
    workspace.drop_stale_records()
    workspace.save_hashes()
    workspace.write_job_files(workspace.limits())


@pytest.mark.parametrize("kind", ["write", "rename", "fsync", "open", "mkdir"])
@pytest.mark.parametrize("job", JOBS, ids=lambda job: job[0])
def test_a_job_whose_nth_call_fails_leaves_nothing_that_looks_done_and_runs_again_to_the_same_bytes(
    built_tiny: Path, tmp_path: Path, job: tuple[str, str], kind: str
) -> None:
    key = open_workspace(built_tiny).worklist.key(*job)
    expected = result_hashes(built_tiny)
    for number in count(1):
        batch = Path(shutil.copytree(built_tiny, tmp_path / f"{number}" / "batch"))
        has_fired, error = with_fault(plan_fault(tmp_path / f"{number}", kind, number, batch), lambda batch=batch: run_job(batch, *job, key))
        assert error == ""
        workspace = open_workspace(batch)
        if job not in workspace.stale_jobs():
            changed = {name for name, digest in result_hashes(batch).items() if expected.get(name) != digest and not name.endswith(".part")}
            assert changed == set()
        workspace.drop_stale_records()
        assert run_job(batch, *job, key) == 0
        assert (result_hashes(batch), unfinished_files(batch)) == (expected, [])
        if not has_fired:
            return
        assert number < MOST_CALLS
        shutil.rmtree(tmp_path / f"{number}")


@pytest.mark.parametrize("kind", ["write", "rename", "fsync", "open", "mkdir"])
def test_planning_whose_nth_call_fails_is_planning_again_with_the_same_bytes(built_tiny: Path, tmp_path: Path, kind: str) -> None:
    for number in count(1, 1 if EVERY else 3):
        batch = Path(shutil.copytree(built_tiny, tmp_path / f"{number}" / "batch"))
        (batch / "results/plan.json").unlink()
        shutil.rmtree(batch / ".snakemake/bonewright")
        has_fired, error = with_fault(plan_fault(tmp_path / f"{number}", kind, number, batch), lambda batch=batch: plan_and_lay_down(batch))
        assert error == ""
        plan_and_lay_down(batch)
        assert unfinished_files(batch) == []
        assert (batch / "results/plan.json").read_bytes() == (built_tiny / "results/plan.json").read_bytes()
        if not has_fired:
            return
        assert number < MOST_CALLS
        shutil.rmtree(tmp_path / f"{number}")


def build_with_fault(batch: Path, plan: Path) -> tuple[bool, subprocess.CompletedProcess[str]]:
    """A whole build through the command line, every process of it with the planned fault."""
    paths = [str(FAULTS), os.environ.get("PYTHONPATH", "")]
    environment = os.environ | {"FAULT_PLAN": str(plan), "PYTHONPATH": os.pathsep.join(filter(None, paths))}
    command = [*BONEWRIGHT, "build", "--batch", str(batch), "--cores", "1"]
    done = subprocess.run(command, env=environment, capture_output=True, encoding="utf-8", timeout=300, check=False)
    return (plan / "fired").exists(), done


def assert_says_it_in_a_sentence(done: subprocess.CompletedProcess[str]) -> None:
    """A known exit code and no traceback; what went wrong in one line."""
    assert done.returncode in (0, 1, 2, 3)
    assert "Traceback" not in done.stderr + done.stdout
    if done.returncode == 2:
        assert len(done.stderr.strip().splitlines()) == 1


CHAIN = (("start", 1), ("write", 12), ("start", 3), ("rename", 9), ("start", 9), ("open", 60), ("mkdir", 3))


@pytest.mark.slow
def test_a_build_that_fails_again_and_again_says_so_each_time_and_ends_with_the_same_bytes(built_tiny: Path, tmp_path: Path) -> None:
    batch = make_tiny_batch(tmp_path / "batch")
    for kind, number in CHAIN:
        _, done = build_with_fault(batch, plan_fault(tmp_path / f"{kind}-{number}", kind, number, batch))
        assert_says_it_in_a_sentence(done)
    build(batch)
    assert (result_hashes(batch), unfinished_files(batch)) == (result_hashes(built_tiny), [])


@pytest.mark.slow
@pytest.mark.skipif(not EVERY, reason="every place takes an hour: make faults")
@pytest.mark.parametrize("kind", ERRORS)
def test_a_build_with_one_failure_anywhere_says_so_and_the_next_one_ends_with_the_same_bytes(built_tiny: Path, tmp_path: Path, kind: str) -> None:
    for number in count(1, 1 if kind == "start" else EVERY):  # a build starts few processes, so none of these is left out
        batch = make_tiny_batch(tmp_path / f"{number}" / "batch")
        has_fired, done = build_with_fault(batch, plan_fault(tmp_path / f"{number}", kind, number, batch))
        assert_says_it_in_a_sentence(done)
        build(batch)
        assert (result_hashes(batch), unfinished_files(batch)) == (result_hashes(built_tiny), [])
        if not has_fired:
            return
        assert number < MOST_CALLS
        shutil.rmtree(tmp_path / f"{number}")


@contextlib.contextmanager
def mounted(folder: Path, *arguments: str) -> Iterator[None]:
    """A mount over `folder` for the time of a test; skips the test where this process may not mount."""
    folder.mkdir(parents=True, exist_ok=True)
    done = subprocess.run(["mount", *arguments, str(folder)], capture_output=True, encoding="utf-8", check=False) if os.geteuid() == 0 else None
    if done is None or done.returncode != 0:
        pytest.skip("mounting needs rights that this run does not have")
    try:
        yield
    finally:
        subprocess.run(["umount", "--lazy", str(folder)], check=True)


@pytest.mark.slow
def test_a_build_on_a_full_disk_says_so_and_goes_on_once_there_is_room(built_tiny: Path, tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    with mounted(disk, "-t", "tmpfs", "-o", "size=320k", "tmpfs"):
        batch = make_tiny_batch(disk / "batch")
        done = bonewright("build", "--batch", batch)
        assert done.returncode in (2, 3)
        assert_says_it_in_a_sentence(done)
        subprocess.run(["mount", "-o", "remount,size=64m", str(disk)], check=True)
        build(batch)
        assert (result_hashes(batch), unfinished_files(batch)) == (result_hashes(built_tiny), [])


@pytest.mark.slow
def test_a_build_that_may_write_small_files_only_says_so_and_the_next_one_makes_the_large_ones(built_tiny: Path, tmp_path: Path) -> None:
    batch = make_tiny_batch(tmp_path / "batch")
    largest_bytes = 24_000  # below the PLY and the pages, above the job files and records
    command = [*BONEWRIGHT, "build", "--batch", str(batch)]

    def limit() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (largest_bytes, largest_bytes))

    done = subprocess.run(command, preexec_fn=limit, capture_output=True, encoding="utf-8", timeout=300, check=False)
    assert done.returncode in (1, 2, 3)
    assert_says_it_in_a_sentence(done)
    build(batch)
    assert (result_hashes(batch), unfinished_files(batch)) == (result_hashes(built_tiny), [])


@pytest.mark.parametrize("command", ["build", "plan", "status", "check", "verify"])
def test_in_a_folder_that_cannot_be_written_every_command_works_or_says_so_in_a_sentence(tiny: Path, command: str) -> None:
    edit(tiny / "config" / "bones.csv", ",98,", ",97,")
    (tiny / "results" / "plan.json").unlink()
    with mounted(tiny, "--bind", str(tiny)):
        subprocess.run(["mount", "-o", "remount,ro,bind", str(tiny)], check=True)
        done = bonewright(command, "--batch", tiny)
        assert_says_it_in_a_sentence(done)
        assert done.returncode == (2 if command in ("build", "plan") else 0 if command == "check" else 1)


MOST_BUILDS = 20


def processes_below(pid: int) -> dict[int, str]:
    """Process ids below `pid` with their command lines, whichever thread started them."""
    found: dict[int, str] = {}
    waiting = [pid]
    while waiting:
        for children in Path(f"/proc/{waiting.pop()}/task").glob("*/children"):
            with contextlib.suppress(OSError):
                for child in map(int, children.read_text(encoding="utf-8").split()):
                    waiting.append(child)
                    found[child] = Path(f"/proc/{child}/cmdline").read_bytes().replace(b"\0", b" ").decode()
    return found


@pytest.mark.slow
@pytest.mark.parametrize(
    ("command", "n_before", "longest_wait_ratio"),
    [("meshtools.worker", 0, 0.75), ("meshtools.worker", 1, 0.0), ("meshtools.light_snakemake", 0, 0.75)],
    ids=["worker", "child of the worker", "snakemake"],
)
def test_a_build_goes_on_after_a_process_of_it_was_killed_at_any_moment(
    timed_tiny: tuple[Path, float, float], tmp_path: Path, command: str, n_before: int, longest_wait_ratio: float
) -> None:
    """It is waited for at most that much of the time of a whole build, which begins before its processes do."""
    built, _, whole_s = timed_tiny
    batch, moments, n_killed, longest_wait_s = make_tiny_batch(tmp_path / "batch"), random.Random(command), 0, longest_wait_ratio * whole_s
    for _ in range(MOST_BUILDS):
        if n_killed >= (8 if EVERY else 2):
            break
        if not open_workspace(batch).stale_jobs():  # nothing is left to do: all is made once more
            shutil.rmtree(batch / "results")
        n_before_this = n_killed
        process = subprocess.Popen([*BONEWRIGHT, "build", "--batch", str(batch)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, encoding="utf-8")
        targets: list[int] = []
        while len(targets) <= n_before and process.poll() is None:
            targets = [pid for pid, words in processes_below(process.pid).items() if f"-m {command}" in words]
            time.sleep(0.005)
        start_s = time.monotonic()
        with contextlib.suppress(subprocess.TimeoutExpired):  # no longer than the build lives
            process.wait(moments.uniform(0.0, longest_wait_s))
        for pid in targets[-1:] if process.poll() is None else []:
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
                n_killed += 1
        if n_killed == n_before_this:  # it had ended before: the next one is waited for no longer than this one lived
            longest_wait_s = min(longest_wait_s / 2, time.monotonic() - start_s)
        out, err = process.communicate(timeout=300)
        assert_says_it_in_a_sentence(subprocess.CompletedProcess([], process.returncode, out, err))
    build(batch)
    assert n_killed > 1
    assert (result_hashes(batch), unfinished_files(batch)) == (result_hashes(built), [])


def test_a_clock_that_was_set_back_makes_nothing_new_and_hides_no_change(tiny: Path, built_tiny: Path) -> None:
    in_a_year, long_ago = time.time() + 3e7, 86_400.0
    files = [path for path in sorted(tiny.rglob("*")) if path.is_file()]
    for path in files:
        stamp = in_a_year if path.name in ("record.json", "index.json", "plan.json") else long_ago
        os.utime(path, (stamp, stamp))
    assert build(tiny)["ran"] == []
    scan = tiny / "scans" / "a-femur-left.stl"
    content = bytearray(scan.read_bytes())
    content[:4] = b"new "  # another header, the same triangles, the same size
    scan.write_bytes(content)
    os.utime(scan, (long_ago, long_ago))
    workspace = open_workspace(tiny)
    assert ("clean", "a-femur-left") in workspace.stale_jobs()
    shutil.copy2(built_tiny / "scans" / scan.name, scan)
    os.utime(scan, (in_a_year, in_a_year))
    assert open_workspace(tiny).stale_jobs() == []


@pytest.mark.slow
def test_of_two_builds_at_once_in_one_folder_the_second_refuses_and_the_first_ends_well(built_tiny: Path, tmp_path: Path) -> None:
    batch = make_tiny_batch(tmp_path / "batch")
    command = [*BONEWRIGHT, "build", "--batch", str(batch)]
    both = [subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, encoding="utf-8") for _ in range(2)]
    ends = [(process, *process.communicate(timeout=300)) for process in both]
    refused = [err for process, _, err in ends if process.returncode == 2]
    assert len(refused) == 1
    assert refused[0].strip().splitlines() == [f"{batch}: another build is at work in this batch. Wait until it ends."]
    assert (result_hashes(batch), unfinished_files(batch)) == (result_hashes(built_tiny), [])


@pytest.mark.parametrize("command", ["status", "check"])
def test_an_answer_that_cannot_be_printed_ends_in_a_sentence(tiny: Path, command: str) -> None:
    with Path("/dev/full").open("w") as full:
        done = subprocess.run([*BONEWRIGHT, command, "--batch", str(tiny)], stdout=full, stderr=subprocess.PIPE, encoding="utf-8", check=False)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert "Exception ignored" not in done.stderr


@pytest.mark.slow
def test_an_interrupted_build_says_so_without_a_traceback(built_tiny: Path, tmp_path: Path) -> None:
    batch = make_tiny_batch(tmp_path / "batch")
    command = [*BONEWRIGHT, "build", "--batch", str(batch)]
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, encoding="utf-8", start_new_session=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # as from a terminal; tests run in the background inherit that it is ignored
    )  # fmt: skip
    while not any((batch / "results" / "finds").glob("*/record.json")):  # jobs run, and most of them are still to come
        time.sleep(0.005)
    os.killpg(process.pid, signal.SIGINT)
    out, err = process.communicate(timeout=300)
    assert process.returncode == 3
    assert "Traceback" not in out + err
    build(batch)
    assert (result_hashes(batch), unfinished_files(batch)) == (result_hashes(built_tiny), [])
