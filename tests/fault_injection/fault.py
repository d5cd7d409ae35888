"""Make the k-th call of one kind fail, counted over all processes of a build. Only the tests of faults put this folder on PYTHONPATH.

The environment variable FAULT_PLAN names a folder with plan.json: {"kind", "number", "watch"}. Kinds: `write` (every write to
the k-th file opened for writing fails as on a full disk), `open`, `rename`, `mkdir` (of the k-th path below `watch`), `fsync`, `start` (fork or
Popen). Calls are counted in the length of a file under flock; what failed is written into `fired`.
"""

import builtins
import errno
import fcntl
import io
import json
import os
import sys

ERRORS = {
    "write": errno.ENOSPC, "rename": errno.EACCES, "fsync": errno.EIO, "start": errno.EAGAIN, "open": errno.EMFILE, "mkdir": errno.EACCES,
}  # fmt: skip
AUDITED = {"open": "open", "os.rename": "rename", "os.mkdir": "mkdir", "os.fork": "start", "subprocess.Popen": "start"}


def plan_fault(folder, kind, number, watch):
    """Plan the failure of the `number`-th call of a kind below `watch`; returns the folder of the plan."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "plan.json").write_text(json.dumps({"kind": kind, "number": number, "watch": f"{watch}{os.sep}"}))
    return folder


class Fault:
    """One planned failure."""

    def __init__(self, folder):
        plan = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
        self.kind, self.number, self.watch = plan["kind"], plan["number"], plan["watch"]
        self.errno = ERRORS[self.kind]
        self._folder = folder
        self._is_busy = False

    def is_due(self, what):
        """Count one call; True where it is the one that fails."""
        if self._is_busy:
            return False
        self._is_busy = True
        try:
            descriptor = os.open(self._folder / "count", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX)
                os.write(descriptor, b".")
                is_due = os.fstat(descriptor).st_size == self.number
                if is_due:
                    (self._folder / "fired").write_text(f"{self.kind} {self.number}: {what} in {sys.argv[:4]}")
            finally:
                os.close(descriptor)
        finally:
            self._is_busy = False
        return is_due

    def is_watched(self, path):
        """True for a path below the watched folder, given in any form."""
        try:
            name = os.path.abspath(os.fsdecode(path))
        except TypeError:
            return False
        return name.startswith(self.watch)

    def error(self, what):
        return OSError(self.errno, os.strerror(self.errno), what if isinstance(what, str) else None)


def install(fault):
    """Put the fault in the way of this process."""
    if fault.kind == "write":
        builtins.open = io.open = filling_open(fault, io.open)
    elif fault.kind == "fsync":
        os.fsync = failing_fsync(fault, os.fsync)
    else:
        sys.addaudithook(audit_hook(fault))


def audit_hook(fault):
    def hook(event, arguments):
        if AUDITED.get(event) != fault.kind:
            return
        what = arguments[-3] if event == "os.rename" and len(arguments) == 4 else arguments[0] if arguments else event
        if (fault.kind == "start" or fault.is_watched(what)) and fault.is_due(str(what)):
            raise fault.error(str(what))

    return hook


def failing_fsync(fault, fsync):
    def wrapped(descriptor):
        if fault.is_due("fsync"):
            raise fault.error(None)
        return fsync(descriptor)

    return wrapped


def filling_open(fault, real_open):
    """open() whose k-th file for writing is a full disk."""

    def wrapped(file, mode="r", *rest, **more):
        stream = real_open(file, mode, *rest, **more)
        if set(mode) & set("wax+"):
            place = os.readlink(f"/proc/self/fd/{file}") if isinstance(file, int) else file
            if fault.is_watched(place) and fault.is_due(str(place)):
                full = os.open("/dev/full", os.O_WRONLY)
                os.dup2(full, stream.fileno())
                os.close(full)
        return stream

    return wrapped

