"""Which jobs a job starts from, and which small ones are handed over together.

To Snakemake every job costs the same, and of a small bone that is as much as its files. So `build` gives it lots: the jobs of some bones after
each other, bone by bone. A lot is only a way to hand jobs over: each runs, is watched, is recorded and fails by itself, as it would alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from meshtools.fence import Limits, wall_s
from meshtools.settings_ready import ROUTES

Job = dict[str, Any]
Jobs = Mapping[str, Mapping[str, Job]]
Name = tuple[str, str]  # stage, name
Lot = list[Name]
MOST_FACES = 50_000  # of all scans behind a job of a lot: larger ones take seconds, and cores are shared out better one by one
MOST_BONES = 16
LOTS_PER_CORE = 8  # at least, where there are so many bones, so that the last lots end at about the same time


def looked_up_finds(job: Mapping[str, Any]) -> list[str]:
    """The finds whose clean records the page or a job sheet of an element reads beyond its own: for their lengths, and on the page because they were
    not taken. In order."""
    return sorted({*job.get("sizes", {}).get("clean_keys", ()), *job.get("tried_keys", ())})


def jobs_before(jobs: Jobs, stage: str, name: str) -> list[Name]:
    """The jobs whose results a job reads."""
    if stage == "index":
        told = [(before, made) for before in ("report", "fit", "row", "fixings") for made in jobs[before]]
        return told + [("clean", find) for find in looked_up_finds(jobs[stage][name])]
    job = jobs[stage][name]
    target = name.split("/")[0]
    rebuilt = [f"{target}/{slug}" for slug in job.get("rebuild_keys", ())]
    found: list[Name] = [("rebuild", name)] if stage in ("fixings", "report", *ROUTES) else []
    found += [("rebuild", other) for other in rebuilt]
    found += [("clean", find) for find in (looked_up_finds(job) if stage in ("report", *ROUTES) else job.get("clean_keys", ()))]
    found += [("siding", find) for find in job.get("siding_keys", ())]
    found += [("row", row) for row in job.get("row_keys", ())]
    found += [("joint", joint) for joint in job.get("joint_keys", ())]
    found += [("fixings", name)] if "armature_key" in job else []
    return found + [(route, name) for route in job.get("route_keys", ())]


def make_lots(jobs: Jobs, limits: Mapping[str, Mapping[str, Limits]], missing: Iterable[Name], cores: int) -> list[Lot]:
    """The missing jobs that are handed over in lots; the others go one by one. No job of a lot waits for one that is in no lot, or in a later one."""
    waiting = dict.fromkeys(missing)
    bones: list[Lot] = []
    placed: set[Name] = set()
    for element, job in jobs["rebuild"].items():
        bone: Lot = []
        for one in (*(("clean", find) for find in job["clean_keys"]), ("rebuild", element), ("report", element)):
            if one in waiting and one not in placed and _is_small(jobs, limits, one):
                before = [other for other in jobs_before(jobs, *one) if other in waiting]
                if placed.issuperset(before):
                    placed.add(one)
                    bone.append(one)
        if bone:
            bones.append(bone)
    n_together = min(max(len(bones) // (LOTS_PER_CORE * cores), 1), MOST_BONES)
    return [[one for bone in bones[start : start + n_together] for one in bone] for start in range(0, len(bones), n_together)]


def _is_small(jobs: Jobs, limits: Mapping[str, Mapping[str, Limits]], one: Name) -> bool:
    """True where a job takes about a second: of small scans, and of a bone that is neither joined nor completed."""
    stage, name = one
    is_joined = stage in ("rebuild", "report") and "restore_settings" in jobs["rebuild"][name]
    return not is_joined and limits[stage][name].wall_s <= wall_s(MOST_FACES)


def plain_lots(rows: Iterable[Iterable[Any]]) -> list[Lot]:
    """Lots as they come back from JSON."""
    return [[(str(stage), str(name)) for stage, name in row] for row in rows]
