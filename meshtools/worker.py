"""A warm worker: imports the heavy libraries once and forks children that do the jobs.

Usage: python -m meshtools.worker SOCKET BATCH STAGE... (the stages of the jobs to come). One request is one line, `CORES STAGE NAME KEY`: how many
cores a job may keep busy, and the job; further jobs, which one child does after each other, follow on the same line. The answer is one byte for each
job as it ends, the child's exit code, up to the first that is not 0, and after that the sentence of the fence where that stopped the child. The
worker ends with the process that started it, and its children end with the worker.
"""

from __future__ import annotations

import contextlib
import gc
import os
import selectors
import signal
import socket
import sys
from dataclasses import dataclass, field
from functools import cache
from importlib import import_module
from pathlib import Path

from meshtools.errors import is_passing
from meshtools.fence import STOPPED, TRY_AGAIN, WATCH_S, Watch, job_log, read_limits
from meshtools.geometry.compiled import compile_all
from meshtools.geometry.threads import CORES
from meshtools.jobs.run import die_with_parent, offer_to_kernel, run_job
from meshtools.machine_memory import machine_memory, resident_mb
from meshtools.spared_imports import spared_imports

WARM_MODULES = (
    "numpy", "scipy.sparse.csgraph", "scipy.spatial", "trimesh", "manifold3d", "fast_simplification", "igl", "lib3mf",
    "PIL.Image", "PIL.ImageDraw", "PIL.ImageFont",
    "meshtools.jobs.clean", "meshtools.jobs.rebuild", "meshtools.jobs.report", "meshtools.jobs.index",
)  # fmt: skip

LOOPS_OF_ROUTES = frozenset({"cnc", "mould"})
WRITES_ONLY = {"index"}  # a stage that looks at no mesh
MOST_KEPT_MB = 128  # what a child may hold beyond the worker's own memory and still be given a further job


@dataclass
class Child:
    """A process that was forked for jobs, and the jobs that it is at (stage, name): who asked for them, and what watches the first of them."""

    pid: int
    line: socket.socket
    client: socket.socket | None = None
    jobs: list[tuple[str, str]] = field(default_factory=list)
    watch: Watch | None = None
    sentence: str = ""

    @property
    def is_free(self) -> bool:
        """True where it waits for a job, and is not about to end."""
        return self.client is None and self.line.fileno() >= 0


class Worker:
    """Accepts requests on a Unix socket. A request goes to a child that has ended its last job well and holds little memory, or to a new fork:
    forking a process of this size takes longer than some jobs do."""

    def __init__(self, address: str) -> None:
        self._children: dict[int, Child] = {}
        self._selector = selectors.DefaultSelector()
        self._server = socket.socket(socket.AF_UNIX)
        self._server.bind(address)
        self._server.listen(64)
        self._selector.register(self._server, selectors.EVENT_READ)
        self._bell, bell_writer = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
        signal.set_wakeup_fd(bell_writer)
        self._is_ending = False
        signal.signal(signal.SIGCHLD, lambda *_: None)
        self._selector.register(self._bell, selectors.EVENT_READ)

    def serve(self) -> None:
        """Serve until told to end or killed."""
        while not self._is_ending:
            is_busy = any(child.client for child in self._children.values())
            for key, _ in self._selector.select(WATCH_S if is_busy else None):
                if key.fileobj is self._server:
                    self._begin(self._server.accept()[0])
                elif key.fileobj == self._bell:
                    os.read(self._bell, 512)
                    self._bury()
                elif key.data in self._children:
                    self._hear(self._children[key.data])
            self._stop_broken()
        for pid in self._children:
            os.kill(pid, signal.SIGKILL)
            os.waitpid(pid, 0)

    def _begin(self, client: socket.socket) -> None:
        """Give the jobs that a client asks for to a child."""
        with client.makefile("r", encoding="utf-8") as lines:
            words = lines.readline().split()
        if len(words) < 4 or len(words) % 3 != 1:  # the client died before it had asked
            client.close()
            return
        self._bury()
        request = f"{' '.join(words)}\n".encode()
        try:
            child = self._idle_child(request) or self._new_child(request, client)
        except OSError as error:  # no memory or no process left: these jobs are for another build, the worker goes on
            sys.stderr.write(f"{' '.join(words)}: no process could be started ({error.strerror}).\n")
            self._end(client, bytes([TRY_AGAIN]))
            return
        child.client, child.jobs, child.sentence = client, list(zip(words[1::3], words[2::3], strict=True)), ""
        child.watch = self.watch(child.pid, *child.jobs[0])

    def _idle_child(self, request: bytes) -> Child | None:
        """A child that waited for a job and has taken this one, None where there is none. One that has died meanwhile is left for burial."""
        for child in self._children.values():
            if child.is_free:
                try:
                    child.line.sendall(request)
                except OSError:
                    self._hang_up(child)
                else:
                    return child
        return None

    def _new_child(self, request: bytes, client: socket.socket) -> Child:
        """A child that was forked for this job. OSError where the machine gives none."""
        child = self._fork(client)
        child.line.sendall(request)
        return child

    def _hang_up(self, child: Child) -> None:
        """Ask nothing more of a child: it ends, if it has not yet. Asking and hearing may both find its line broken in one look."""
        if child.line.fileno() >= 0:
            self._selector.unregister(child.line)
            child.line.close()

    def end(self, *_: object) -> None:
        """End soon, and the children before: the handler of a signal."""
        self._is_ending = True

    def _fork(self, client: socket.socket) -> Child:
        ours, theirs = socket.socketpair()
        try:
            pid = os.fork()
        except OSError:
            ours.close()
            theirs.close()
            raise
        if pid == 0:
            try:
                for held in (ours, client, self._server, *(other.line for other in self._children.values())):
                    held.close()
                self._do_jobs(theirs)
            finally:
                os._exit(1)
        theirs.close()
        self._children[pid] = Child(pid, ours)
        self._selector.register(ours, selectors.EVENT_READ, pid)
        return self._children[pid]

    @staticmethod
    def watch(pid: int, stage: str, name: str) -> Watch:
        """The watch over a job's child."""
        return Watch(pid, (stage, name), read_limits(Path(), stage, name))

    def _stop_broken(self) -> None:
        machine = cache(machine_memory)  # one look at the machine for all children
        for child in self._children.values():
            if child.watch is not None and not child.sentence and (sentence := child.watch.broken(machine)):
                child.sentence = sentence
                child.watch.stop()

    def _do_jobs(self, line: socket.socket) -> None:
        """What a child does: one job after the other, until the worker hangs up or a job ends in an error."""
        die_with_parent()
        offer_to_kernel()
        signal.set_wakeup_fd(-1)
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
        with line.makefile("r", encoding="utf-8") as requests:
            for request in requests:
                os.environ[CORES], *words = request.split()
                for start in range(0, len(words), 3):
                    code = self._run(words[start : start + 3])
                    if code not in (0, TRY_AGAIN):
                        os._exit(code)
                    line.sendall(bytes([code]))
                    if code != 0:  # what follows on the line may follow from this job
                        break
        os._exit(0)

    def _run(self, words: list[str]) -> int:
        stage, name, key = words
        code = 1
        try:
            self._log_to(Path(job_log(stage, name)))
            code = run_job(Path(), stage, name, key)
        except OSError as error:
            if not is_passing(error):
                raise
            code = TRY_AGAIN
        finally:
            if code not in (0, TRY_AGAIN):
                sys.excepthook(*sys.exc_info())
                sys.stderr.flush()
                os._exit(code)
            sys.stderr.flush()
        return code

    @staticmethod
    def _log_to(log: Path) -> None:
        """What the job says from now on goes to its log."""
        log.parent.mkdir(parents=True, exist_ok=True)
        log.unlink(missing_ok=True)  # never written through a link
        descriptor = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644)
        os.dup2(descriptor, 1)
        os.dup2(descriptor, 2)
        os.close(descriptor)

    def _hear(self, child: Child) -> None:
        """A child has ended a job, or itself; of the latter the bell tells."""
        try:
            said = child.line.recv(64)
        except OSError:
            said = b""
        if not said:
            self._hang_up(child)
            return
        del child.jobs[: len(said)]
        if child.jobs and said[-1] == 0 and not child.sentence:
            self._tell(child, said)
            child.watch = self.watch(child.pid, *child.jobs[0])
            return
        self._answer(child, said)
        if child.sentence or resident_mb((child.pid,)) > resident_mb((os.getpid(),)) + MOST_KEPT_MB:
            self._hang_up(child)
            del self._children[child.pid]

    def _bury(self) -> None:
        """Answer for the children that have ended."""
        with contextlib.suppress(ChildProcessError):
            while (ended := os.waitpid(-1, os.WNOHANG))[0]:
                child = self._children.get(ended[0])
                if child is None:
                    continue
                if child.line.fileno() >= 0:  # what it said last may still be unread
                    self._hear(child)
                self._hang_up(child)
                code = os.waitstatus_to_exitcode(ended[1])
                self._answer(child, self._last_words(child, code if code >= 0 else 128 - code))
                self._children.pop(child.pid, None)

    @staticmethod
    def _last_words(child: Child, code: int) -> bytes:
        """What to answer for a child that has ended itself: its code, or that of the fence and its sentence."""
        return bytes([STOPPED]) + child.sentence.encode() if child.sentence and code != 0 else bytes([code])

    def _answer(self, child: Child, said: bytes) -> None:
        """Tell the client what it is told last: the codes of its jobs."""
        if child.client is not None:
            self._end(child.client, said)
        child.client, child.watch = None, None
        child.jobs.clear()

    @staticmethod
    def _tell(child: Child, said: bytes) -> None:
        """Tell the client of jobs that have ended, while its others go on."""
        with contextlib.suppress(OSError):  # the client may be gone; the records, if any, stand
            if child.client is not None:
                child.client.sendall(said)

    @staticmethod
    def _end(connection: socket.socket, said: bytes) -> None:
        with contextlib.suppress(OSError):
            connection.sendall(said)
            connection.shutdown(socket.SHUT_WR)  # children forked meanwhile hold the socket too: closing it here would end nothing
        connection.close()


def main() -> None:
    """Warm up, then serve."""
    die_with_parent()
    address, batch, *stages = sys.argv[1:]
    os.chdir(batch)
    worker = Worker(address)
    gc.disable()  # all that is loaded here stays: looking through it for garbage took a fifth of the time
    if set(stages) != WRITES_ONLY:
        with spared_imports():
            for name in WARM_MODULES:
                import_module(name)
        compile_all(has_routes=not LOOPS_OF_ROUTES.isdisjoint(stages))
    gc.freeze()
    gc.enable()
    signal.signal(signal.SIGTERM, worker.end)
    worker.serve()
    os._exit(0)  # what the libraries would do at their end is done for nobody


if __name__ == "__main__":
    main()
