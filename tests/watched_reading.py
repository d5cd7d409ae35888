"""Reads files in processes of their own, each watched: how it ends, how long it takes, how much memory it takes at most.

As a program: one request a line on standard input, `{"kind": "scan" | "batch", "batch": PATH, "scan": PATH}`; one answer a line. The readers are
loaded once, and every request runs in a fork, whose peak is VmHWM of /proc.
"""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
import time
import traceback
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

LONGEST_S = 10.0  # of work, as the processor counts it: how busy the machine is changes no verdict
LONGEST_WAIT_S = 180.0  # of a reading that does not work but waits
LOOKS_APART_S = 0.1


@dataclass(frozen=True)
class Outcome:
    """How a reading ended: `read`, `refused` by an error of ours, `traceback`, `signal` or `timeout`. seconds: of work."""

    ending: str
    text: str = ""
    n_faces: int = -1
    has_colour: bool = False
    seconds: float = 0.0
    peak_mb: float = 0.0


def read_watched(requests: Sequence[dict[str, Any]]) -> list[Outcome]:
    """Run all requests, one after the other."""
    lines = "".join(json.dumps(request) + "\n" for request in requests)
    done = subprocess.run([sys.executable, __file__], input=lines, capture_output=True, text=True, encoding="utf-8", check=False)
    assert done.returncode == 0, done.stderr
    return [Outcome(**json.loads(line)) for line in done.stdout.splitlines()]


def peak_mb() -> float:
    """The most memory that this process ever held."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return int(status.partition("VmHWM:")[2].split()[0]) / 1024


def _reading(request: dict[str, Any]) -> dict[str, Any]:
    from meshtools.errors import BonewrightError
    from meshtools.files.read_scan import read_scan_of
    from meshtools.files.scan_size import scan_size
    from meshtools.register import load_register

    batch = Path(request["batch"])
    try:
        if request["kind"] == "batch":
            return {"ending": "read", "text": repr(load_register(batch))[:100_000]}
        scan_size(batch / request["scan"])
        scan = read_scan_of(batch, request["scan"])
        return {"ending": "read", "text": " ".join(scan.notes), "n_faces": len(scan.faces), "has_colour": scan.colour is not None}
    except BonewrightError as error:
        return {"ending": "refused", "text": str(error)}
    except BaseException:  # noqa: BLE001 what escapes is what is looked for
        return {"ending": "traceback", "text": traceback.format_exc()}


def work_s(pid: int) -> float:
    """Seconds of the processor that a process has taken so far."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii", errors="replace").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _watched(request: dict[str, Any]) -> dict[str, Any]:
    started, is_stopped = time.monotonic(), False
    receiver, sender = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(receiver)
        answer = _reading(request)
        with os.fdopen(sender, "w") as stream:
            json.dump(answer | {"peak_mb": peak_mb()}, stream)
        os._exit(0)
    os.close(sender)
    pieces: list[bytes] = []
    while not is_stopped:
        if select.select([receiver], [], [], LOOKS_APART_S)[0]:
            piece = os.read(receiver, 1 << 20)
            if not piece:
                break
            pieces.append(piece)
        elif work_s(pid) >= LONGEST_S or time.monotonic() - started >= LONGEST_WAIT_S:
            os.kill(pid, signal.SIGKILL)
            is_stopped = True
    os.close(receiver)
    _, status, used = os.wait4(pid, 0)
    code, seconds = os.waitstatus_to_exitcode(status), used.ru_utime + used.ru_stime
    if is_stopped or code != 0 or not pieces:
        return {"ending": "timeout" if is_stopped else "signal", "text": str(code), "seconds": seconds}
    return json.loads(b"".join(pieces)) | {"seconds": seconds}


if __name__ == "__main__":
    import meshtools.files.read_scan
    import meshtools.files.scan_size
    import meshtools.register  # noqa: F401

    for line in sys.stdin:
        print(json.dumps(_watched(json.loads(line))), flush=True)
