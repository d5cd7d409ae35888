"""From plan to jobs: the plain dict and the key of every job of a batch. Pure but for hashing scans."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from meshtools.comparisons import Partner, checked_finds, looks_whole, partners_of, settled_by
from meshtools.evidence import EvidenceKeys, evidence_keys
from meshtools.fixing_jobs import bone_rows, fixing_jobs, row_job
from meshtools.handover import HandOver, standing_of
from meshtools.joints import Joint, joints_of
from meshtools.keys import ContentHashes, sealed, sha256_of
from meshtools.model import Decision, Element, EvidenceClass, Find, Plan, Recipe, Register, Side, Target, Unit, plain
from meshtools.placing import left_pairs
from meshtools.plan import largest_factor_by_find, next_best
from meshtools.route_jobs import page_rows, route_jobs
from meshtools.size_checks import SizeCheck, find_words, size_checks

Job = dict[str, Any]


@dataclass(frozen=True)
class Worklist:
    """All jobs of a batch by stage and name; each job's dict carries its key."""

    jobs: Mapping[str, Mapping[str, Job]]

    def key(self, stage: str, name: str) -> str:
        """Key of one job."""
        return str(self.jobs[stage][name]["key"])


def make_worklist(register: Register, plan: Plan, hashes: ContentHashes, hand_overs: tuple[HandOver, ...]) -> Worklist:
    """Turn the plan into jobs. Every job holds its settings, its own rows and recipe, the scan's content hash and the keys of the
    jobs before it; its key is the hash of all that and of the code it runs."""
    built = [recipe for recipe in plan.recipes if is_built(recipe)]
    finds = {find.find: find for find in register.finds} | {m.find: m for m in map(_model_find, built) if m is not None}
    factors = largest_factor_by_find(plan)
    checked = sorted({name for recipe in built for name in checked_finds(recipe, register.finds)})
    partners = {name: found for name in checked if (found := partners_of(finds[name], register))}
    used = {name for recipe in built for name in sources_of(recipe)} | set(partners)
    used |= {name for found in partners.values() for partner in found for name in (partner.find, *partner.neighbours)}
    joints = {target.name: met for target in register.targets if (met := joints_of(target.name, built, register))}
    used |= {name for met in joints.values() for joint in met for pair in joint.references for name in pair}
    used |= {name for met in joints.values() for joint in met for name in _shown_by(register, joint)}
    rows = bone_rows(register, built)
    used |= {find for row in rows for find in row.finds(register)}
    clean = {name: _clean_job(register, finds[name], hashes, factors.get(name, 1.0)) for name in sorted(used)}
    siding = {name: _siding_job(register, finds, name, found, clean) for name, found in partners.items()}
    vouched = {name_of(recipe): _vouched(register, recipe, clean, hand_overs) for recipe in built}
    rebuild = {name_of(recipe): _rebuild_job(register, recipe, clean, vouched[name_of(recipe)]) for recipe in built}
    before = {"clean": clean, "siding": siding, "rebuild": rebuild}
    before["joint"] = {name: job for target, met in joints.items() for name, job in _joint_jobs(register, target, met, before).items()}
    before["row"] = {row.name: sealed("row", row.name, row_job(row, register, before)) for row in rows}
    before["fixings"] = {name: sealed("fixings", name, job) for name, job in fixing_jobs(register, built, rows, before).items()}
    used_finds = {name for recipe in built for name in recipe.finds}
    sizes = size_checks(register, used_finds, clean)
    looked = {name_of(r): _looked(register, r, before, vouched[name_of(r)]) | _sizes_of(r.finds, register, sizes, clean) for r in built}
    before |= route_jobs(register, built, before, looked)
    report = {name_of(r): _report_job(register, r, finds, before, vouched[name_of(r)]) | looked[name_of(r)] for r in built}
    report = {name: sealed("report", name, job) for name, job in report.items()}
    fit = {target: _fit_job(register, target, met, before) for target, met in joints.items()}
    jobs = before | {"report": report, "fit": fit}
    alike = {name: check for name, check in size_checks(register, used_finds, clean, in_one_unit=True).items() if sizes.get(name) != check}
    return Worklist(jobs | {"index": {"index": _index_job(register, plan, jobs, _sizes_of(sorted(alike), register, alike, clean))}})


def is_built(recipe: Recipe) -> bool:
    """True where the recipe names something to build from; gaps and elements left out by decision are not built."""
    return bool(recipe.finds) or bool(recipe.model_file)


def sources_of(recipe: Recipe) -> tuple[str, ...]:
    """The finds a recipe is built from, or the stand-in find for a file modelled by hand."""
    return (model_find_name(recipe),) if recipe.model_file else recipe.finds


def name_of(recipe: Recipe) -> str:
    """`target/element`."""
    return f"{recipe.target}/{recipe.element}"


def model_find_name(recipe: Recipe) -> str:
    """Name under which a file modelled by hand is cleaned like a scan."""
    return f"model-{recipe.target}-{recipe.element}"


def part_id(recipe: Recipe) -> str:
    """The part number that stands in files and on pages. Never a specimen's number."""
    return f"{recipe.target}-{recipe.element}".upper()


def _model_find(recipe: Recipe) -> Find | None:
    if not recipe.model_file:
        return None
    name = model_find_name(recipe)
    return Find(0, name, recipe.element, Side.UNKNOWN, "", recipe.model_file, Unit.MM, unit_source="decision", capture="modelled by hand")


def _rows(items: Any) -> Any:
    """Rows as plain dicts without their row numbers: reordering a table is no change."""
    rows = [{k: v for k, v in plain(item).items() if k != "row"} for item in items]
    return sorted(rows, key=sha256_of)


def _clean_job(register: Register, find: Find, hashes: ContentHashes, factor: float) -> Job:
    settings = register.settings.clean
    job = {
        "find": _rows([find])[0],
        "settings": plain(settings),
        "openings": _rows(o for o in register.openings if o.find == find.find),
        "tolerance_mm": settings.part_tolerance_mm / 4 / max(1.0, factor),
        "scan": find.scan,
        "scan_sha256": hashes.of(find.scan),
        "companions": hashes.companions(find.scan),
    }
    return sealed("clean", find.find, job)


def _siding_job(register: Register, finds: Mapping[str, Find], name: str, partners: tuple[Partner, ...], clean: Mapping[str, Job]) -> Job:
    """The comparison of one find with others; of the others only what bears on it."""
    compared = sorted({name} | {other for partner in partners for other in (partner.find, *partner.neighbours)})
    settled = settled_by(finds[name], register.decisions)
    job = {
        "partners": [{"find": partner.find, "neighbours": list(partner.neighbours)} for partner in partners],
        "compared": {other: _compared(finds[other]) for other in compared},
        "clean_keys": {other: clean[other]["key"] for other in compared},
        "settled": {key: getattr(settled, key) for key in ("by", "date", "reason")} if settled else None,
    }
    return sealed("siding", name, job)


def _compared(find: Find) -> Job:
    return {"element": find.element, "side": find.side.value, "is_whole": looks_whole(find)}


def _fit_job(register: Register, target: str, joints: tuple[Joint, ...], before: Mapping[str, Mapping[str, Job]]) -> Job:
    finds = sorted({name for joint in joints for pair in joint.references for name in pair})
    slugs = sorted({slug for joint in joints if not joint.unjudged for slug in (joint.a, joint.b)})
    job = {
        "joints": [{"a": joint.a, "b": joint.b, "references": plain(joint.references), "unjudged": joint.unjudged} for joint in joints],
        "joint_keys": {name: before["joint"][name]["key"] for name in sorted(joint_name(target, joint) for joint in joints)},
        "rebuild_keys": {slug: before["rebuild"][f"{target}/{slug}"]["key"] for slug in slugs},
        "clean_keys": {name: before["clean"][name]["key"] for name in finds},
        "settings": plain(register.settings.fit),
    }
    return sealed("fit", target, job)


def joint_name(target: str, joint: Joint) -> str:
    """Name of a joint's job, and the folder of its record below results/."""
    return f"{target}/joints/{joint.name}"


def _joint_jobs(register: Register, target: str, joints: tuple[Joint, ...], before: Mapping[str, Mapping[str, Job]]) -> dict[str, Job]:
    """The jobs of a target's joints, each with its own two replicas, places and row of pose.csv alone."""
    jobs = {}
    for joint in joints:
        pairs = _left_pairs(register, joint)
        sides = {name for pair in pairs for name in pair}
        job = {
            "a": joint.a, "b": joint.b, "places": plain(joint.places), "row": _rows([joint.row])[0] if joint.row else None,
            "left_pairs": plain(pairs), "left_poses": {pose.find: list(pose.matrix) for pose in register.poses if pose.find in sides},
            "rebuild_keys": {slug: before["rebuild"][f"{target}/{slug}"]["key"] for slug in (joint.a, joint.b)},
            "clean_keys": {name: before["clean"][name]["key"] for name in _shown_by(register, joint)},
            "settings": plain(register.settings.fit),
        }  # fmt: skip
        jobs[joint_name(target, joint)] = sealed("joint", joint_name(target, joint), job)
    return jobs


def _left_pairs(register: Register, joint: Joint) -> tuple[tuple[str, str], ...]:
    return left_pairs(joint.places.frame, register) if joint.places and joint.row and joint.row.is_turned else ()


def _shown_by(register: Register, joint: Joint) -> list[str]:
    """The finds whose clean surfaces show how a joint lies: bones whose place a replica takes, and pairs that tell left from right."""
    if joint.places is None:
        return []
    seats = [place.find for place in (joint.places.a, joint.places.b) if not place.is_exact]
    return sorted({*seats, *(name for pair in _left_pairs(register, joint) for name in pair)})


@dataclass(frozen=True)
class _Vouched:
    """The keys of the evidence of one recipe, which a sign-off binds to, and what was handed over of it."""

    evidence: EvidenceKeys
    hand_overs: tuple[HandOver, ...]


def _vouched(register: Register, recipe: Recipe, clean: Mapping[str, Job], hand_overs: tuple[HandOver, ...]) -> _Vouched:
    behind = {name: clean[name] for name in sources_of(recipe)}
    poses = _rows(pose for pose in register.poses if pose.find in recipe.finds)
    evidence = evidence_keys(recipe, behind, poses, plain(register.settings.rebuild), _restore_settings(register, recipe))
    return _Vouched(evidence, tuple(h for h in hand_overs if (h.target, h.element) == (recipe.target, recipe.element)))


def _restore_settings(register: Register, recipe: Recipe) -> Job:
    """The settings of joining and completing, which bear on bones of several finds and on completed ones only."""
    is_joined = recipe.evidence is EvidenceClass.OWN_C or len(recipe.finds) > 1
    return {"restore_settings": plain(register.settings.restore)} if is_joined else {}


def _recipe(recipe: Recipe) -> Job:
    row = dict(plain(recipe)) | {"finds": list(sources_of(recipe))}
    if not recipe.fraction:  # only an interpolated bone has one; no other bone's evidence depends on it
        del row["fraction"]
    return row


def _rebuild_job(register: Register, recipe: Recipe, clean: Mapping[str, Job], vouched: _Vouched) -> Job:
    finds = sources_of(recipe)
    job = {
        "recipe": _recipe(recipe),
        "next_best": plain(next_best(recipe.tried)),
        "settings": plain(register.settings.rebuild),
        "openings": _rows(o for o in register.openings if o.find in finds),
        "poses": _rows(pose for pose in register.poses if pose.find in finds),
        "clean_keys": {name: clean[name]["key"] for name in finds},
        "part_id": part_id(recipe),
        "revision": _revision_of(vouched),
    } | _restore_settings(register, recipe) | ({"part_tolerance_mm": register.settings.clean.part_tolerance_mm} if len(finds) > 1 else {})
    return sealed("rebuild", name_of(recipe), job)


def _revision_of(vouched: _Vouched) -> int:
    """1 until something was handed over; then the revision handed over last, or one more where the evidence has changed since."""
    if not vouched.hand_overs:
        return 1
    last = max(vouched.hand_overs, key=lambda h: h.revision)
    return last.revision if last.evidence_key in vouched.evidence else last.revision + 1


def sign_off_of(recipe: Recipe, evidence: EvidenceKeys, decisions: tuple[Decision, ...]) -> Decision | None:
    """The sign-off that holds for exactly this evidence, if there is one."""
    rows = [d for d in decisions if d.kind == "sign-off" and (d.target, d.element) == (recipe.target, recipe.element)]
    return next((d for d in sorted(rows, key=lambda d: (d.date, d.by)) if d.evidence_key in evidence), None)


def _looked(register: Register, recipe: Recipe, before: Mapping[str, Mapping[str, Job]], vouched: _Vouched) -> Job:
    """What says how a bone stands beyond its replica, for its page and its job sheets: the records of its finds, and who signed it."""
    signed = sign_off_of(recipe, vouched.evidence, register.decisions)
    return {
        "clean_keys": before["rebuild"][name_of(recipe)]["clean_keys"],
        "siding_keys": {name: before["siding"][name]["key"] for name in checked_finds(recipe, register.finds) if name in before["siding"]},
        "sign_off": _rows([signed])[0] if signed else None,
        "lapsed_sign_offs": _lapsed(recipe, register.decisions, vouched.evidence),
    }


def _report_job(register: Register, recipe: Recipe, finds: Mapping[str, Find], before: Mapping[str, Mapping[str, Job]], vouched: _Vouched) -> Job:
    """The page of one element, but for what says how the bone stands (`_looked`)."""
    clean, rebuild = before["clean"], before["rebuild"][name_of(recipe)]
    return {
        "recipe": _recipe(recipe),
        "finds": {name: _rows([finds[name]])[0] for name in sources_of(recipe)},
        "scans": {name: [clean[name]["scan"], clean[name]["scan_sha256"]] for name in sources_of(recipe)},
        "tried_keys": {attempt.find: clean[attempt.find]["key"] for attempt in recipe.tried if attempt.find in clean},
        "rebuild_key": rebuild["key"],
        "part_id": rebuild["part_id"],
        "sized_by": next((t.individual for t in register.targets if t.name == recipe.target and not t.is_individual), ""),
        "revision": rebuild["revision"],
        "evidence_keys": plain(vouched.evidence),
        "hand_overs": [plain(h) for h in vouched.hand_overs],
        "settings": plain(register.settings.report),
        "part_tolerance_mm": register.settings.clean.part_tolerance_mm,
    } | page_rows(register, recipe, before)


def _sizes_of(own: Sequence[str], register: Register, checks: Mapping[str, SizeCheck], clean: Mapping[str, Job]) -> Job:
    """The finds whose lengths are held against those of an element's own, or of several elements'; nothing where there are none."""
    mine = [checks[name] for name in sorted(own) if name in checks]
    if not mine:
        return {}
    names = sorted({name for check in mine for name in check.names()})
    rows = {find.find: find for find in register.finds if find.find in names}
    finds = {name: {"words": find_words(rows[name]), "element": rows[name].element, "unit": rows[name].unit.value} for name in names}
    for name, find in finds.items():  # only a decision on an own find bears on its finding
        settled = settled_by(rows[name], register.decisions) if name in own else None
        find["settled"] = f"{settled.by} decided on {settled.date} that this find is used ({settled.reason})." if settled else ""
    return {"sizes": {"checks": plain(mine), "finds": finds, "clean_keys": {name: clean[name]["key"] for name in names}}}


def _lapsed(recipe: Recipe, decisions: tuple[Decision, ...], evidence: EvidenceKeys) -> list[Job]:
    """The sign-offs of a part that do not hold, the latest last, each with what has changed since in words."""
    rows = _rows(d for d in decisions if d.kind == "sign-off" and (d.target, d.element) == (recipe.target, recipe.element))
    lapsed = [row | _what_is_wrong(evidence, row["evidence_key"]) for row in rows if row["evidence_key"] not in evidence]
    return sorted(lapsed, key=lambda row: (row["date"], row["by"]))


def _what_is_wrong(evidence: EvidenceKeys, key: str) -> Job:
    """What has changed since a key was signed; for one that is today's copied wrongly, in how many characters."""
    n_mistyped = evidence.n_mistyped(key)
    return {"changed": [], "n_mistyped": n_mistyped} if n_mistyped else {"changed": list(evidence.changed_since(key))}


def _index_job(register: Register, plan: Plan, before: Mapping[str, Mapping[str, Job]], sizes: Job) -> Job:
    """sizes: lengths that no page is made again for (`size_checks` of finds in one unit), so that the index alone tells them."""
    unbuilt = [r for r in plan.recipes if not is_built(r)]
    job = {
        "plan": plan_json(plan),
        "elements": [plain(element) | {"slug": element.slug} for element in sorted(register.elements, key=_place)],
        "report_keys": {name: item["key"] for name, item in before["report"].items()},
        "standings": {name: standing_of(item) for name, item in before["report"].items()},
        "fit_keys": {name: item["key"] for name, item in before["fit"].items()},
        "fixing_keys": {name: item["key"] for stage in ("row", "fixings") for name, item in before[stage].items()},
        "made": {stage: sorted(jobs) for stage, jobs in before.items()},
        "min_individuals": register.min_individuals,
        "stated_sizes": sorted(target.name for target in register.targets if not target.is_individual),
        "target_words": {target.name: _target_words(target) for target in register.targets},
        "left_out": sorted(name_of(r) for r in unbuilt if r.status != "gap" and r.evidence is EvidenceClass.NONE),
    }
    return sealed("index", "index", job | sizes)


def _place(element: Element) -> tuple[str, str, int, str, str]:
    """Where an element stands in the index: by group, series and position, whatever the order of the table's rows."""
    return element.group, element.series, element.position or 0, element.name, element.side.value


def _target_words(target: Target) -> str:
    if target.is_individual:
        return f"At the size of individual {target.individual}."
    return f"At {target.size_factor:g} times the size of individual {target.individual}, as stated in config.yaml."


def plan_json(plan: Plan) -> Job:
    """The plan as it stands in results/plan.json."""
    return {
        "elements": [plain(recipe) for recipe in plan.recipes],
        "completeness": plain(plan.completeness),
        "findings": plain(plan.findings),
        "next_steps": plain(plan.next_steps),
    }
