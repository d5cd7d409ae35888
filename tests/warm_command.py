"""The command line in a process of its own for each call, forked from one that has loaded it: loading takes longer than most calls.

The process that forks runs no command itself, so that each call finds what a fresh start finds: its own arguments, folder, environment and output,
and nothing that an earlier one left. That the command starts without it is shown by all builds that are started as a user starts them (tiny_batch,
test_faults).
"""

from __future__ import annotations

import gc
import json
import os
import runpy
import signal
import socket
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from contextlib import suppress
from functools import cache
from importlib import import_module

LOADED = (
    "scipy.sparse.csgraph", "scipy.spatial", "trimesh", "manifold3d", "open3d.core", "open3d.t.geometry", "meshtools.start_build",
    "meshtools.geometry.edge_kernels",
)  # fmt: skip
MOST_BYTES = 1 << 20


def warm_command(arguments: Sequence[str], timeout_s: float) -> subprocess.CompletedProcess[str]:
    """Run `bonewright` with these arguments. As subprocess.run: TimeoutExpired after that time, -n as the code of a process that signal n ended."""
    line = _forking(os.getpid())
    request = json.dumps({"arguments": list(arguments), "cwd": os.getcwd(), "environment": dict(os.environ)}).encode()
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        socket.send_fds(line, [request], [out.fileno(), err.fileno()])
        pid = int(line.recv(64))
        line.settimeout(timeout_s)
        try:
            code = int(line.recv(64))
        except TimeoutError:
            with suppress(ProcessLookupError):  # it has just ended
                os.kill(pid, signal.SIGKILL)
            line.settimeout(None)
            line.recv(64)
            raise subprocess.TimeoutExpired(list(arguments), timeout_s) from None
        finally:
            line.settimeout(None)
        out.seek(0)
        err.seek(0)
        said, told = (stream.read().decode("utf-8").replace("\r\n", "\n").replace("\r", "\n") for stream in (out, err))
    return subprocess.CompletedProcess(list(arguments), code, said, told)


@cache
def _forking(owner: int) -> socket.socket:
    """The line to the process that forks for this one (`owner`), which ends when this one does."""
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    subprocess.Popen([sys.executable, __file__, str(theirs.fileno())], pass_fds=[theirs.fileno()], stdin=subprocess.DEVNULL)
    theirs.close()
    return ours


def main() -> None:
    """Load the command, then fork for each request until nobody is there to ask."""
    from meshtools.cli import MODULES
    from meshtools.files.second_distance import _without_pages

    sys.path.pop(0)  # the folder of this file, which a user's command does not see
    with _without_pages():
        for name in (*MODULES, *LOADED):
            import_module(name)
    gc.collect()
    gc.freeze()
    line = socket.socket(fileno=int(sys.argv[1]))
    while True:
        request, descriptors, *_ = socket.recv_fds(line, MOST_BYTES, 2)
        if not request:
            return
        pid = os.fork()
        if pid == 0:
            line.close()
            _run(json.loads(request), descriptors)
        for descriptor in descriptors:
            os.close(descriptor)
        with suppress(OSError):
            line.send(str(pid).encode())
            line.send(str(os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])).encode())


def _run(request: dict[str, object], descriptors: Sequence[int]) -> None:
    """Become the command; this ends the process."""
    for place, descriptor in enumerate(descriptors, 1):
        os.dup2(descriptor, place)
        os.close(descriptor)
    environment, arguments = request["environment"], request["arguments"]
    assert isinstance(environment, dict)
    assert isinstance(arguments, list)
    os.environ.clear()
    os.environ.update(environment)
    os.chdir(str(request["cwd"]))
    sys.argv = ["bonewright", *arguments]
    sys.modules.pop("meshtools.cli")
    runpy.run_module("meshtools.cli", run_name="__main__", alter_sys=True)


if __name__ == "__main__":
    main()
