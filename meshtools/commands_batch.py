"""The commands that work on a batch."""

from __future__ import annotations

import argparse
import shutil
import sys
import time
from collections import Counter
from collections.abc import Mapping, Sequence
from os.path import exists
from pathlib import Path
from typing import Any

from meshtools.answer import DONE, PERSON_NEEDED, RUN_FAILED, Answer
from meshtools.batch_lock import lock_batch
from meshtools.commands_hand_over import new_key_words
from meshtools.commands_routes import open_routes, route_totals
from meshtools.counted import counted
from meshtools.errors import UsageError
from meshtools.fence import job_log
from meshtools.handover import asks_of, frozen_problems, is_accepted, lapsed_words, standing_of, standing_words
from meshtools.intake import intake
from meshtools.jobs.index import in_order
from meshtools.jobs.record import read_record
from meshtools.lots import looked_up_finds
from meshtools.model import NextStep, Severity, plain
from meshtools.record_places import record_path
from meshtools.register_checks import place_of
from meshtools.report.left_to_do import ON_PAGES, left_to_do, listed
from meshtools.report.words import register_words
from meshtools.settings_ready import ROUTES
from meshtools.worklist import plan_json
from meshtools.workspace import REPOSITORY, Workspace, open_workspace

SHARES = {"own_bone": "own bone", "own_animal": "own animal", "filled": "any source"}
NOT_FOLLOWED = ("impossible-decision", "conflicting-decisions")  # findings about a decision that does not stand
__all__ = ["build", "check", "demo_batch", "intake", "new_batch", "plan", "status", "verify"]


def new_batch(options: argparse.Namespace) -> Answer:
    """`bonewright new`: an empty batch with commented tables."""
    _copy_folders(REPOSITORY, ("config",), options.directory)
    (options.directory / "scans").mkdir(exist_ok=True)
    lines = (f"{options.directory}: a new batch. Put scans into scans/, fill in config/bones.csv, then run `bonewright intake`.",)
    return Answer(lines, {"batch": str(options.directory)})


def demo_batch(options: argparse.Namespace) -> Answer:
    """`bonewright demo`: a copy of the invented demo batch."""
    source = REPOSITORY / "sample_meshes" / "demo"
    _copy_folders(source, ("scans", "config"), options.directory)
    return Answer((f"{options.directory}: the demo batch. Run `bonewright build --batch {options.directory}`.",), {"batch": str(options.directory)})


def _copy_folders(source: Path, names: tuple[str, ...], batch: Path) -> None:
    """Copy folders into a batch, each whole or not at all, config last; a folder that is there already is never touched."""
    for name in names:
        if (batch / name).exists():
            raise UsageError(f"{batch}: there is a {name}/ folder already; nothing was written. Choose another folder.")
    batch.mkdir(parents=True, exist_ok=True)
    for name in names:
        unfinished = batch / f".{name}.part"
        shutil.rmtree(unfinished, ignore_errors=True)
        shutil.copytree(source / name, unfinished)
        unfinished.rename(batch / name)


def check(options: argparse.Namespace) -> Answer:
    """`bonewright check`: all problems of the tables (exit 2), contradictions (exit 1) or a clean bill (exit 0)."""
    workspace = open_workspace(options.batch)
    register = workspace.register
    places = [place_of(finding, register) for finding in register.findings]
    lines = [f"{f.severity.value}: {f.message}" + (f" [{place}]" if place else "") for f, place in zip(register.findings, places, strict=True)]
    lapsed = list(_lapsed_sign_offs(workspace).values())
    lines += lapsed
    lines.append(
        f"{counted(len(register.finds), 'find')}, {counted(len(register.elements), 'element')}, {counted(len(register.targets), 'target')}; "
        f"at least {counted(register.min_individuals, 'individual')} (minimum number, from repeated elements)."
    )
    facts = {
        "n_finds": len(register.finds),
        "n_elements": len(register.elements),
        "n_targets": len(register.targets),
        "min_individuals": register.min_individuals,
        "findings": plain(register.findings),
        "lapsed_sign_offs": lapsed,
    }
    needs_person = lapsed or any(finding.severity is not Severity.NOTE for finding in register.findings)
    return Answer(tuple(lines), facts, PERSON_NEEDED if needs_person else DONE)


def _lapsed_sign_offs(workspace: Workspace) -> dict[str, str]:
    """A sentence for every part whose only sign-offs were given on other evidence, by its name."""
    lapsed = {}
    for name, job in sorted(workspace.worklist.jobs["report"].items()):
        standing = standing_of(job)
        if standing["sign_off"] == "lapsed":
            given = "" if standing["handed_over"] is None else f" (revision {standing['handed_over']} was handed over)"
            by = job["lapsed_sign_offs"][-1]["by"]
            lapsed[name] = f"review: {name}: the sign-off by {by} was {lapsed_words(job)}{given}; {new_key_words(workspace, name)}."
    return lapsed


def plan(options: argparse.Namespace) -> Answer:
    """`bonewright plan`: the gap list with the reason of every decision; writes results/plan.json."""
    workspace = open_workspace(options.batch)
    lock_batch(options.batch)
    workspace.write_plan()
    lines: list[str] = []
    gaps: dict[str, list[str]] = {}
    for recipe in workspace.plan.recipes:
        if recipe.status == "gap" and not any(attempt.find for attempt in recipe.tried):
            gaps.setdefault(recipe.target, []).append(recipe.element)
            continue
        finds = ", ".join(recipe.finds) or recipe.model_file or "-"
        lines.append(f"{recipe.target}/{recipe.element}: {recipe.evidence.value} {finds} x{recipe.factor:.4f} [{recipe.status}] {recipe.reason}")
    lines += [f"{target}: {counted(len(names), 'gap')} without any find: {', '.join(names)}" for target, names in gaps.items()]
    lines += _decisions_not_followed(workspace)
    lines += [f"{f.severity.value}: {f.message}" for f in workspace.plan.findings]
    unmade = _unmade(workspace)
    lines += [f"{target}: {_completeness(figures)}{_unmade_words(unmade.get(target, ()))}" for target, figures in workspace.plan.completeness.items()]
    if workspace.plan.recipes:
        lines += _numbered(workspace.plan.next_steps) or ["What to do next: nothing would improve this plan."]
    else:
        lines.append(workspace.nothing_to_plan())
    asks = not workspace.plan.recipes or any(recipe.status == "ask" for recipe in workspace.plan.recipes)
    return Answer(tuple(lines), plan_json(workspace.plan) | {"unmade": unmade}, PERSON_NEEDED if asks else DONE)


def _decisions_not_followed(workspace: Workspace) -> list[str]:
    """A line for every decision that could not be carried out or that another one contradicts, with the reason: no line about its element has it."""
    found = [finding for recipe in workspace.plan.recipes for finding in recipe.findings if finding.code in NOT_FOLLOWED]
    return list(dict.fromkeys(f"{finding.severity.value}: {finding.message}" for finding in found))


def _unmade(workspace: Workspace) -> dict[str, list[str]]:
    """By target the planned elements of which nothing can be made as it is: a scan is missing, or it or the replica failed in the last build."""
    missing = {str(finding.value) for finding in workspace.plan.findings if finding.code == "scan-missing"}
    unmade: dict[str, list[str]] = {}
    for name, job in sorted(workspace.worklist.jobs["rebuild"].items()):
        records = [workspace.planned_record(*one) for one in (("rebuild", name), *(("clean", find) for find in job["clean_keys"]))]
        if not missing.isdisjoint(job["clean_keys"]) or any(record is not None and record["status"] == "failed" for record in records):
            target, element = name.split("/", 1)
            unmade.setdefault(target, []).append(element)
    return unmade


def _unmade_words(unmade: Sequence[str]) -> str:
    """What to say of elements that the sums of a plan count although nothing can be made of them yet."""
    if not unmade:
        return ""
    words = "whose scan is missing or that failed in the last build"
    return f"; these sums count what is planned, with {counted(len(unmade), 'element')} {words}: {', '.join(listed(unmade))}"


def _completeness(figures: Mapping[str, Any]) -> str:
    parts = []
    for share in (figures["by_count"], figures["sides_pooled"]):
        n = share["n_elements"]
        counts = (f"{words} {share[f'n_{key}']} ({share[f'{key}_percent']:.1f} %)" for key, words in SHARES.items())
        parts.append(f"{share['basis']}, of {n}: {', '.join(counts)}")
    return "; ".join(parts)


def build(options: argparse.Namespace) -> Answer:
    """`bonewright build`: make what is missing or changed, then say how every element stands."""
    from meshtools.start_build import run_snakemake, wanted_outputs

    lock_batch(options.batch)
    workspace = open_workspace(options.batch)
    if not workspace.plan.recipes:
        raise UsageError(workspace.nothing_to_plan())
    outputs = wanted_outputs(workspace, options.elements)
    stale = workspace.drop_stale_records()
    workspace.save_hashes()
    failed_run = ""
    if any(not (options.batch / output).exists() for output in outputs):
        for stage, name in stale:
            (options.batch / job_log(stage, name)).unlink(missing_ok=True)  # so that what is said below is of this run
        code = run_snakemake(workspace, outputs, max(1, options.cores), Progress(workspace, stale, quiet=options.json).tick)
        if code != 0 or any(not (options.batch / output).exists() for output in outputs):
            failed_run = _why_cut_short(options.batch, code, stale)
    else:
        workspace.write_plan()  # which a run lays down with its jobs
    for stage, name in stale:
        path = options.batch / record_path(stage, name)
        record = read_record(path)
        for entry in record["files"] if record else ():
            workspace.hashes.take_over(entry["path"], entry["sha256"], path.stat().st_ctime_ns)
    workspace.save_hashes()
    answer = _status_answer(workspace, options.elements)
    steps = _steps_after_build(workspace, answer.facts, options.elements)
    lines = (*answer.lines, failed_run) if failed_run else (*answer.lines, *_numbered(steps))
    ran = sorted(f"{stage}:{name}" for stage, name in stale)
    facts = dict(answer.facts) | {"ran": ran, "run_error": failed_run, "next_steps": plain(steps)}
    return Answer(lines, facts, RUN_FAILED if failed_run else answer.exit_code)


def _steps_after_build(workspace: Workspace, facts: Mapping[str, Any], names: Any) -> tuple[NextStep, ...]:
    """What the build left open, then, where the whole batch was built, what would improve the plan."""
    planned = () if names else workspace.plan.next_steps
    unscanned = {element for step in planned if step.action == "scan" for element in step.elements}
    return (*left_to_do(facts["elements"], [row["part"] for row in facts["routes"]], unscanned), *planned)


def _numbered(steps: Sequence[NextStep]) -> list[str]:
    """The steps as lines; a step about pages names its bones."""
    if not steps:
        return []
    lines = [f"{step.message}: {', '.join(listed(step.elements))}" if step.action in ON_PAGES else step.message for step in steps]
    return ["What to do next:", *(f"  {n}. {line}" for n, line in enumerate(lines, 1))]


def _why_cut_short(batch: Path, code: int, stale: list[tuple[str, str]]) -> str:
    """A sentence on a run that did not make all: what the first job without a record said last, or where to look."""
    for stage, name in stale:
        log = batch / job_log(stage, name)
        if not (batch / record_path(stage, name)).exists() and log.is_file():
            said = log.read_text(encoding="utf-8", errors="replace").strip().splitlines()
            if said:
                return f"The build was cut short: {said[-1].rstrip('.')}. See {log} and build again."
    return f"The build was cut short (snakemake ended with {code}); see {batch / 'logs' / 'snakemake.log'} and build again."


class Progress:
    """One line on standard error with jobs done and time left, for work that takes long."""

    def __init__(self, workspace: Workspace, stale: list[tuple[str, str]], quiet: bool) -> None:
        self._waiting = [str(workspace.folder / record_path(stage, name)) for stage, name in stale]
        self._n_jobs = len(stale)
        self._start_s = self._shown_s = time.monotonic()
        self._n_told, self._told_s = 0, self._start_s
        self._quiet = quiet

    def tick(self) -> None:
        """Look which records have come, and say so: at most once a second to a person, who sees it at once; to a file twenty jobs later, or half a
        minute. How long it takes is told from a third of the jobs on: the first ones are short."""
        now_s = time.monotonic()
        if self._quiet or now_s - self._shown_s < (1 if sys.stderr.isatty() else 5):
            return
        self._shown_s = now_s
        self._waiting = [path for path in self._waiting if not exists(path)]
        n_done = self._n_jobs - len(self._waiting)
        left = f", about {(now_s - self._start_s) / n_done * len(self._waiting):.0f} s left" if 3 * n_done > self._n_jobs else ""
        if sys.stderr.isatty():
            sys.stderr.write(f"\r{n_done} of {self._n_jobs} jobs done{left}        ")
        elif n_done >= self._n_told + 20 or now_s - self._told_s >= 30:
            self._n_told, self._told_s = n_done, now_s
            sys.stderr.write(f"{n_done} of {self._n_jobs} jobs done{left}\n")
        sys.stderr.flush()


def status(options: argparse.Namespace) -> Answer:
    """`bonewright status`: how every element stands, without building."""
    workspace = open_workspace(options.batch)
    return _status_answer(workspace, (), set(workspace.stale_jobs()))


def _status_answer(workspace: Workspace, names: Any = (), stale: set[tuple[str, str]] = frozenset()) -> Answer:  # type: ignore[assignment]
    rows = [row for row in element_rows(workspace, stale) if not names or row["element"] in names or f"{row['target']}/{row['element']}" in names]
    totals = Counter(row["status"] for row in rows)
    open_rows = [row for row in rows if row["status"] in ("failed", "review", "to build")]
    lines = [f"{row['status']}: {row['target']}/{row['element']} ({row['class']}): {row['why']}" for row in open_rows]
    sizes = [] if names else workspace.open_sizes()
    joints = [] if names else workspace.open_joints()
    fixings = [] if names else workspace.open_fixings()
    routes = [row for row in open_routes(workspace) if not names or row["part"] in names or row["part"].split("/", 1)[1] in names]
    lines += [*sizes, *joints, *fixings, *(f"{row['status']}: {row['part']} {row['route']}: {row['why']}" for row in routes)]
    shown = {f"{row['target']}/{row['element']}" for row in rows}
    lapsed = [sentence for name, sentence in _lapsed_sign_offs(workspace).items() if name in shown]
    lines += lapsed
    index = workspace.folder / "results" / "index.html"
    lines.append(f"{index}{'' if workspace.holds('index', 'index') else _crash_words(workspace, names) or _index_words(index.exists(), names)}")
    order = ("ready", "review", "failed", "gap", "to build")
    lines.append(", ".join(f"{totals[name]} {name}" for name in order if totals[name] or name in order[:4]))
    lines += [workspace.nothing_to_plan()] if not workspace.plan.recipes else route_totals(workspace, names, routes)
    lines += _sign_off_totals(rows)
    findings = [] if names else plain(workspace.plan.findings)
    if told := register_words(findings):
        lines.append(f"findings of the register and the plan: {told}; `bonewright plan` tells them")
    is_open = bool(sizes or joints or fixings or routes or lapsed) or not workspace.plan.recipes
    needs_person = is_open or any(totals[name] for name in ("review", "failed", "to build"))
    facts = {"elements": rows, "joints": joints, "fixings": fixings, "routes": routes, "totals": dict(sorted(totals.items())), "index": str(index)}
    facts |= {"sizes": sizes, "lapsed_sign_offs": lapsed, "findings": findings}
    return Answer(tuple(lines), facts, PERSON_NEEDED if needs_person else DONE)


def _crash_words(workspace: Workspace, names: Sequence[str]) -> str:
    """What to say of an index that is of today's plan, where jobs on the way to it ended without a result; empty of any other. names: as below."""
    crashed = [] if names else workspace.crashed_jobs()
    if not crashed:
        return ""
    logs = ", ".join(listed([str(workspace.folder / job_log(stage, name)) for stage, name in crashed]))
    again = "it" if len(crashed) == 1 else "them"
    return f" ({counted(len(crashed), 'job')} ended without a result, see {logs}; another `bonewright build` tries {again} again)"


def _index_words(is_there: bool, names: Sequence[str]) -> str:
    """What to say of an index that is not of today's results. names: the elements that were built just now, empty for `status` and a whole build."""
    if not names:
        return f" ({'of an earlier build' if is_there else 'not made yet'}: run `bonewright build`)"
    stands = "the index stands as before" if is_there else "there is no index yet"
    return f" (this build was of {', '.join(listed(list(names)))} only, and {stands}: run `bonewright build` without a name to bring it up to date)"


def _sign_off_totals(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """How many parts are signed, as one line; none where no part is or was."""
    totals = Counter(row["sign_off"] for row in rows if row.get("sign_off"))
    n_given = sum(row.get("handed_over") is not None for row in rows)
    words = ", ".join(f"{totals[name]} {name}" for name in ("signed", "lapsed", "unsigned") if totals[name])
    return [f"sign-off: {words}; {n_given} handed over"] if totals["signed"] or totals["lapsed"] or n_given else []


def element_rows(workspace: Workspace, stale: set[tuple[str, str]] | frozenset[tuple[str, str]]) -> list[dict[str, Any]]:
    """One row an element, in the order of the index: target, element, class, status and the first reason why it is not ready. The row of the register
    is named here, and not in records, because reordering a table is no change."""
    rows = []
    places = {find.find: f"config/bones.csv row {find.row}" for find in workspace.register.finds}
    for recipe in workspace.plan.recipes:
        name = f"{recipe.target}/{recipe.element}"
        row: dict[str, Any] = {"target": recipe.target, "element": recipe.element, "class": recipe.evidence.value, "why": recipe.reason}
        if job := workspace.worklist.jobs["report"].get(name):
            standing = standing_of(job)
            row |= {key: standing[key] for key in ("sign_off", "is_mistyped", "handed_over")}
        if job is None:
            row["status"] = "gap"
        elif _waits(workspace, name, stale):
            row["status"] = "to build"
            row["why"] = workspace.why_stale([job for job in _jobs_towards(workspace, name) if job in stale])
        else:
            record = read_record(workspace.folder / record_path("report", name))
            row["status"] = record["facts"]["status"] if record and "status" in record["facts"] else "failed" if record else "to build"
            reasons = [f["message"] for f in asks_of((record or {"findings": ()})["findings"])]
            row["is_accepted"] = row["status"] == "review" and is_accepted(standing, (record or {"facts": {}})["facts"]["findings"])
            where = "; ".join(places[find] for find in recipe.finds if find in places)
            more = f" (and {len(reasons) - 1} more on its page)" if len(reasons) > 1 else ""
            signed = f"{standing_words(standing | {'handed_over': None}, len(reasons))}: " if standing["sign_off"] == "signed" and reasons else ""
            row["why"] = f"{signed}{(reasons or [recipe.reason])[0]}{more}" + (f" [{where}]" if where else "")
        rows.append(row)
    return in_order(rows, workspace.worklist.jobs["index"]["index"]["elements"])


def _waits(workspace: Workspace, name: str, stale: set[tuple[str, str]] | frozenset[tuple[str, str]]) -> bool:
    """True where a job that leads to the element's page would run."""
    return bool(stale & set(_jobs_towards(workspace, name)))


def _jobs_towards(workspace: Workspace, name: str) -> list[tuple[str, str]]:
    """The jobs (stage, name) that lead to an element's page, in their order."""
    jobs = workspace.worklist.jobs
    own, sided = jobs["rebuild"][name]["clean_keys"], jobs["report"][name]["siding_keys"]
    compared = {other for find in sided for other in jobs["siding"][find]["clean_keys"]} | set(looked_up_finds(jobs["report"][name]))
    others = sorted(compared - set(own))
    towards = [("clean", find) for find in (*own, *others)] + [("siding", find) for find in sided]
    made = [(stage, name) for stage in ("fixings", *ROUTES) if name in jobs.get(stage, ())]
    return [*towards, ("rebuild", name), *made, ("report", name)]


def verify(options: argparse.Namespace) -> Answer:
    """`bonewright verify`: hash every result again, read every delivery with a second library, measure it with a second engine."""
    from meshtools.verifying import verify_results

    found = verify_results(open_workspace(options.batch))
    frozen = frozen_problems(options.batch)
    problems = [*found.problems, *frozen.problems]
    n_files = found.n_files + frozen.n_files
    waits = f"; {counted(len(found.waiting), 'result')} to build first" if found.waiting else ""
    lines = [*problems, *(f"to build: {line}" for line in found.waiting)]
    lines.append(f"{counted(n_files, 'file')} read again, {counted(len(problems), 'problem')}{waits}.")
    facts = {"n_files": n_files, "problems": problems, "waiting": list(found.waiting)}
    return Answer(tuple(lines), facts, PERSON_NEEDED if problems or found.waiting else DONE)
