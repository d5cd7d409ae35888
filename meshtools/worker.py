"""A warm worker: imports the heavy libraries once and forks a child for each job.

Usage: python -m meshtools.worker SOCKET BATCH. One request is one line, `STAGE NAME KEY`; the answer is one byte, the child's exit
code, and after it the sentence of the fence where that stopped the child. The worker ends with the process that started it, and its
children end with the worker.
"""

from __future__ import annotations

import contextlib
import gc
import os
import selectors
import signal
import socket
import sys
from importlib import import_module
from pathlib import Path

from meshtools.errors import is_passing
from meshtools.fence import STOPPED, TRY_AGAIN, WATCH_S, Watch, job_log, read_limits
from meshtools.geometry.compiled import compile_all
from meshtools.jobs.run import die_with_parent, offer_to_kernel, run_job

WARM_MODULES = (
    "numpy", "scipy.sparse.csgraph", "scipy.spatial", "trimesh", "manifold3d", "fast_simplification", "igl", "lib3mf",
    "PIL.Image", "PIL.PngImagePlugin", "pymeshlab",
    "meshtools.jobs.clean", "meshtools.jobs.rebuild", "meshtools.jobs.report", "meshtools.jobs.index",
)  # fmt: skip


class Worker:
    """Accepts requests on a Unix socket and forks one child per request."""

    def __init__(self, address: str) -> None:
        self._children: dict[int, socket.socket] = {}
        self._watches: dict[int, Watch] = {}
        self._sentences: dict[int, str] = {}
        self._selector = selectors.DefaultSelector()
        self._server = socket.socket(socket.AF_UNIX)
        self._server.bind(address)
        self._server.listen(64)
        self._selector.register(self._server, selectors.EVENT_READ)
        self._bell, bell_writer = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
        signal.set_wakeup_fd(bell_writer)
        signal.signal(signal.SIGCHLD, lambda *_: None)
        self._selector.register(self._bell, selectors.EVENT_READ)

    def serve(self) -> None:
        """Serve until killed."""
        while True:
            for key, _ in self._selector.select(WATCH_S if self._children else None):
                if key.fileobj is self._server:
                    self._start_child(self._server.accept()[0])
                else:
                    os.read(self._bell, 512)
                    self._answer_finished()
            self._stop_broken()

    def _start_child(self, connection: socket.socket) -> None:
        with connection.makefile("r", encoding="utf-8") as lines:
            words = lines.readline().split()
        if len(words) != 3:  # the client died before it had asked
            connection.close()
            return
        try:
            pid = os.fork()
        except OSError as error:  # no memory or no process left: this job is for another build, the worker goes on
            sys.stderr.write(f"{' '.join(words)}: no process could be started ({error.strerror}).\n")
            self._send(connection, TRY_AGAIN)
            return
        if pid == 0:
            os._exit(self._run(words))
        self._children[pid] = connection
        self._watches[pid] = self.watch(pid, words[0], words[1])

    @staticmethod
    def watch(pid: int, stage: str, name: str) -> Watch:
        """The watch over a job's child."""
        return Watch(pid, (stage, name), read_limits(Path(), stage, name))

    def _stop_broken(self) -> None:
        for pid, watch in self._watches.items():
            if pid not in self._sentences and (sentence := watch.broken()):
                self._sentences[pid] = sentence
                watch.stop()

    def _run(self, words: list[str]) -> int:
        die_with_parent()
        offer_to_kernel()
        signal.set_wakeup_fd(-1)
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

    @staticmethod
    def _log_to(log: Path) -> None:
        """What the job says from now on goes to its log."""
        log.parent.mkdir(parents=True, exist_ok=True)
        log.unlink(missing_ok=True)  # never written through a link
        descriptor = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644)
        os.dup2(descriptor, 1)
        os.dup2(descriptor, 2)

    def _answer_finished(self) -> None:
        while self._children:
            pid, status = os.waitpid(-1, os.WNOHANG)
            if pid == 0:
                return
            code = os.waitstatus_to_exitcode(status)
            connection = self._children.pop(pid)
            del self._watches[pid]
            sentence = self._sentences.pop(pid, "") if code != 0 else ""  # it may have ended by itself meanwhile
            self._send(connection, STOPPED if sentence else code if code >= 0 else 128 - code, sentence)

    @staticmethod
    def _send(connection: socket.socket, code: int, sentence: str = "") -> None:
        with contextlib.suppress(OSError):  # the client may be gone; the record, if any, stands
            connection.sendall(bytes([code]) + sentence.encode())
            connection.shutdown(socket.SHUT_WR)  # children forked meanwhile hold the socket too: closing it here would end nothing
        connection.close()


def main() -> None:
    """Warm up, then serve."""
    die_with_parent()
    address, batch = sys.argv[1:3]
    os.chdir(batch)
    worker = Worker(address)
    for name in WARM_MODULES:
        import_module(name)
    compile_all()
    gc.freeze()
    worker.serve()


if __name__ == "__main__":
    main()
