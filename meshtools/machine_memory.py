"""What the machine has in memory and what a process and its children hold of it, from /proc and the control groups (Linux)."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from contextlib import suppress
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

PAGE_BYTES = os.sysconf("SC_PAGE_SIZE")
PROC = Path("/proc")
CGROUPS = Path("/sys/fs/cgroup")
_TOTAL_AND_AVAILABLE = re.compile(rb"(?m)^Mem(?:Total|Available):\s+(\d+) kB")  # in this order in the file
NO_LIMIT = 1 << 60  # bytes: the older interface states the largest number it knows where there is no limit


class MachineMemory(NamedTuple):
    """Memory in MB of 2**20 bytes: all that this process may ever use, and what of it is free for use now."""

    total_mb: int
    available_mb: int


def machine_memory(proc: Path = PROC, cgroups: Path = CGROUPS) -> MachineMemory:
    """The machine's memory, or that of the tightest control group around this process where it is less.

    MemAvailable counts caches that the kernel gives back (proc(5)); in a control group the file pages that nobody uses are counted so too.
    """
    total, available = (int(n_kb) << 10 for n_kb in _TOTAL_AND_AVAILABLE.findall(_content(f"{proc}/meminfo")))
    for limit, used in _group_limits(proc, cgroups):
        total, available = min(total, limit), min(available, max(limit - used, 0))
    return MachineMemory(total >> 20, available >> 20)


def _group_limits(proc: Path, cgroups: Path) -> Iterator[tuple[int, int]]:
    """Limit and use, bytes, of every control group around this process that has a limit, in either version of the interface (cgroups(7))."""
    with suppress(OSError):
        for limit_file, use_file, stat_file, idle_name in _group_files(_content(f"{proc}/self/cgroup"), str(cgroups)):
            with suppress(OSError, ValueError):  # no such group here, or `max`: no limit
                limit = int(_content(limit_file))
                if limit < NO_LIMIT:
                    idle = re.search(rb"(?m)^%s (\d+)" % idle_name, _content(stat_file))
                    yield limit, int(_content(use_file)) - (int(idle[1]) if idle else 0)


def _content(path: str) -> bytes:
    with open(path, "rb", buffering=0) as stream:
        return stream.read()


@lru_cache(maxsize=4)
def _group_files(membership: bytes, cgroups: str) -> tuple[tuple[str, str, str, bytes], ...]:
    """Files of limit and use, that of idle pages and their name in it, of each group from a process's own up to the root; in a container only
    the root may be there, and is the group itself. Looked at several times a second, and always the same."""
    files = []
    for line in membership.decode(errors="replace").splitlines():
        _, controllers, path = line.split(":", 2)
        if controllers == "":
            root, limit, use, idle = Path(cgroups), "memory.max", "memory.current", b"inactive_file"
        elif "memory" in controllers.split(","):
            root, limit, use, idle = Path(cgroups, "memory"), "memory.limit_in_bytes", "memory.usage_in_bytes", b"total_inactive_file"
        else:
            continue
        folder = root / path.strip("/")
        groups = [group for group in (folder, *folder.parents) if group.is_relative_to(root)]
        files += [(f"{group}/{limit}", f"{group}/{use}", f"{group}/memory.stat", idle) for group in groups]
    return tuple(files)


def process_tree(pid: int, proc: Path = PROC) -> tuple[int, ...]:
    """A process and all its descendants, parents first; empty where it is gone."""
    children: dict[int, list[int]] = {}
    seen = set()
    for entry in os.listdir(proc):
        if entry.isdigit():
            with suppress(OSError, IndexError):  # one that ended meanwhile
                parent = int((proc / entry / "stat").read_bytes().rpartition(b")")[2].split()[1])
                children.setdefault(parent, []).append(int(entry))
                seen.add(int(entry))
    tree = [pid] if pid in seen else []
    for one in tree:
        tree += sorted(children.get(one, ()))
    return tuple(tree)


def resident_mb(pids: tuple[int, ...], proc: Path = PROC) -> int:
    """Resident memory of some processes together, MB. Pages that they share count for each, so this leans to the large side."""
    n_pages = 0
    for pid in pids:
        with suppress(OSError, IndexError):
            n_pages += int((proc / str(pid) / "statm").read_bytes().split()[1])
    return n_pages * PAGE_BYTES >> 20
