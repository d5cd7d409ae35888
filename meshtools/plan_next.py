"""The few measurements, scans and decisions that would improve a plan most.

A *need* is one thing that one element lacks: a source, a factor, a narrower interval, a decision. An *option* is something a person can do that
serves several needs. Steps are chosen greedily: the option that serves most needs an action comes first, and what it serves counts no more.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from meshtools.completeness import as_ranges
from meshtools.counted import counted
from meshtools.factor import UNASSOCIATED, LengthKey, LengthRatio, carrying_ratios, individual_of
from meshtools.model import Attempt, Element, Find, Finding, NextStep, Recipe, Severity, Target
from meshtools.plan_candidates import DONOR_CLASSES, PlanTables, factor_for, is_uncertain
from meshtools.plan_decisions import SERIAL_CLASSES
from meshtools.size_pairs import pairs_between

MAX_STEPS = 8
MAX_STEPS_LOOKED_AT = 100
INTERVAL_WEIGHT = 0.5  # a narrower interval is worth half a filled gap; a default proposed here
USUAL_LENGTH = "greatest-length"
MANY_BONES, MOST_NAMED = 3, 8
REGISTERED = "factor from scans"
"""A lack of its own: to measure one length gives a factor too, but leaves the scans of several bones unused."""
Need = tuple[str, str]  # what is lacking, target/element


@dataclass
class _Option:
    """Something that can be done. `n_actions` bones are scanned, lengths taken or questions answered."""

    action: str
    what: str
    n_actions: int = 1
    needs: set[Need] = field(default_factory=set)
    n_same_group: int = 0


@dataclass(frozen=True)
class _FactorNeed:
    """An element that wants a (better) factor from a donor individual."""

    need: Need
    element: Element
    target: Target
    donor: str


def missing_scan_steps(findings: Iterable[Finding], recipes: Iterable[Recipe]) -> tuple[NextStep, ...]:
    """One step for the finds whose scan is not there and that an element is made from; none where all are."""
    missing = {str(finding.value) for finding in findings if finding.code == "scan-missing"}
    waiting = [(f"{recipe.target}/{recipe.element}", missing.intersection(recipe.finds)) for recipe in recipes]
    names = sorted({name for _, found in waiting for name in found})
    if not names:
        return ()
    listed = ", ".join([*names[:MOST_NAMED], *([f"and {len(names) - MOST_NAMED} more"] if len(names) > MOST_NAMED else [])])
    message = f"put the missing {'scan' if len(names) == 1 else 'scans'} of {listed} into scans/, or correct the file name in bones.csv"
    elements = tuple(sorted(element for element, found in waiting if found))
    return (NextStep("scan", f"{message}: {counted(len(elements), 'element')} cannot be built", elements),)


def next_steps(tables: PlanTables, targets: Sequence[Target], elements: Sequence[Element], recipes: Sequence[Recipe]) -> tuple[NextStep, ...]:
    """At most 8 steps, the most helpful first, and one that says how many more there are. The elements of a step are written target/element."""
    by_slug = {element.slug: element for element in elements}
    by_name = {target.name: target for target in targets}
    options: dict[tuple[str, str], _Option] = {}
    unscaled: dict[tuple[str, str], set[Need]] = {}
    for recipe in recipes:
        target, element = by_name[recipe.target], by_slug[recipe.element]
        for option in (*_decision_options(tables, element, recipe), *_scan_options(tables, element, recipe)):
            _merge(options, option)
        for wanted in _factor_needs(tables, target, element, recipe):
            for option in _measure_options(tables, wanted):
                _merge(options, option)
            if wanted.need[0] == "factor":
                unscaled.setdefault((target.name, wanted.donor), set()).add((REGISTERED, wanted.need[1]))
    for (name, donor), needs in sorted(unscaled.items()):
        for option in _size_options(tables, by_name[name], donor, needs):
            _merge(options, option)
    for option in _joined_scans([option for option in options.values() if option.action == "scan"], by_slug):
        _merge(options, option)
    return _choose_greedily(list(options.values()))


def _choose_greedily(options: list[_Option]) -> tuple[NextStep, ...]:
    steps: list[NextStep] = []
    while options and len(steps) < MAX_STEPS_LOOKED_AT:
        best = min(options, key=lambda option: (-_worth(option), -len(option.needs), -option.n_same_group, option.action, option.what))
        if not best.needs:
            break
        served = set(best.needs)
        steps.append(NextStep(best.action, f"{best.what}: {_gain(served)}", tuple(sorted({place for _, place in served}))))
        options.remove(best)
        for option in options:
            option.needs -= served
    return _mixed(steps)


def _mixed(steps: Sequence[NextStep]) -> tuple[NextStep, ...]:
    """At most 8 of the steps, in their order: first up to 4 of each action, so that no kind crowds out the others, then the rest. A last one says how
    many are left out."""
    n_before = [sum(earlier.action == step.action for earlier in steps[:index]) for index, step in enumerate(steps)]
    preferred = sorted(range(len(steps)), key=lambda index: (n_before[index] >= MAX_STEPS // 2, index))
    n_more = len(steps) - MAX_STEPS
    more = (NextStep("more", f"and {n_more} more, which come up as these are done", ()),) if n_more > 0 else ()
    return (*(steps[index] for index in sorted(preferred[:MAX_STEPS])), *more)


def _worth(option: _Option) -> float:
    return sum(INTERVAL_WEIGHT if lack == "interval" else 1.0 for lack, _ in option.needs) / option.n_actions


def _gain(served: set[Need]) -> str:
    words = {
        "factor": ("gets a factor", "get a factor"),
        REGISTERED: ("gets a factor", "get a factor"),
        "interval": ("gets a better founded factor", "get a better founded factor"),
        "source": ("has no source", "have no source"),
        "bone": ("is conjecture", "are conjecture"),
    }
    gains = []
    for lack in sorted({lack for lack, _ in served}):
        n = len({place for other, place in served if other == lack})
        one, many = words.get(lack, ("waits", "wait"))
        gains.append(f"{n} element{'' if n == 1 else 's'} {one if n == 1 else many}")
    return ", ".join(gains)


def _merge(options: dict[tuple[str, str], _Option], new: _Option) -> None:
    known = options.setdefault((new.action, new.what), new)
    if known is not new:
        known.n_same_group += new.n_same_group
        known.needs |= new.needs


# --- decisions that wait ------------------------------------------------------------------------------------------------------------

_QUESTIONS = {
    "stub": "decide whether the incomplete {element} is used",
    "pathology-reflected": "decide whether the pathology of the {element} may be reflected",
    "duplicate-element": "decide which find of the {element} is used",
    "left-out-unsigned": "sign that the {element} is left out",
    "impossible-decision": "correct the decision about the {element}",
    "conflicting-decisions": "settle the contradicting decisions about the {element}",
    "other-taxon": "decide whether bones of {animal} ({taxon}) may stand in",
    "immature-enlarged": "decide whether bones of {animal} ({stage}) may be enlarged",
}


def _decision_options(tables: PlanTables, element: Element, recipe: Recipe) -> Iterator[_Option]:
    place = f"{recipe.target}/{recipe.element}"
    find = tables.finds[recipe.finds[0]] if recipe.finds else None
    for code in sorted({finding.code for finding in recipe.findings if finding.severity is Severity.REVIEW} & _QUESTIONS.keys()):
        words = {"element": element.name, "animal": _individual_words(individual_of(find)) if find else "",
                 "taxon": find.scientific_name if find else "", "stage": find.life_stage if find else ""}
        yield _Option("decide", _QUESTIONS[code].format(**words), needs={(f"decision {code}", place)})
    if recipe.status == "gap" or recipe.evidence in (*DONOR_CLASSES, *SERIAL_CLASSES):
        for attempt in recipe.tried:
            if attempt.find and is_uncertain(tables.finds[attempt.find]) and attempt.why.endswith(recipe.element):
                yield _Option("decide", f"name the find {attempt.find}, whose identification is uncertain", needs={("decision name", place)})


# --- bones to scan ------------------------------------------------------------------------------------------------------------------

def _scan_options(tables: PlanTables, element: Element, recipe: Recipe) -> Iterator[_Option]:
    lack = "source" if recipe.status == "gap" else "bone" if recipe.evidence in SERIAL_CLASSES else ""
    if lack and not tables.finds_by_element.get(element.name):
        yield _Option("scan", f"scan the {element.name} of this or another animal", needs={(lack, f"{recipe.target}/{recipe.element}")})


def _joined_scans(scans: Iterable[_Option], by_slug: dict[str, Element]) -> Iterator[_Option]:
    """One option for all missing positions of a series, so that a long tail does not fill the list of steps."""
    series: dict[str, dict[int, set[Need]]] = {}
    for option in scans:
        for need in sorted(option.needs):
            element = by_slug[need[1].rsplit("/", 1)[1]]
            if element.series and element.position is not None:
                series.setdefault(element.series, {}).setdefault(element.position, set()).add(need)
    for name, positions in sorted(series.items()):
        if len(positions) > 1:
            needs = set().union(*positions.values())
            yield _Option("scan", f"scan {name} {as_ranges(positions)} of this or another animal", len(positions), needs)


# --- lengths to measure -------------------------------------------------------------------------------------------------------------

def _factor_needs(tables: PlanTables, target: Target, element: Element, recipe: Recipe) -> Iterator[_FactorNeed]:
    place = f"{recipe.target}/{recipe.element}"
    if recipe.status == "gap":
        for donor in sorted({individual_of(find) for find in _finds_without_factor(tables, target, element, recipe.tried)}):
            yield _FactorNeed(("factor", place), element, target, donor)
    elif recipe.evidence in DONOR_CLASSES and {"few-lengths", "ratio-interval"} & {finding.code for finding in recipe.findings}:
        yield _FactorNeed(("interval", place), element, target, individual_of(tables.finds[recipe.finds[0]]))


def _finds_without_factor(tables: PlanTables, target: Target, element: Element, tried: Iterable[Attempt]) -> Iterator[Find]:
    for attempt in tried:
        find = tables.finds.get(attempt.find)
        if find and attempt.evidence in DONOR_CLASSES and not is_uncertain(find) and factor_for(tables, target, element, find) is None:
            yield find


def _measure_options(tables: PlanTables, wanted: _FactorNeed) -> Iterator[_Option]:
    """Every length that, once taken, founds the wanted factor better, and where nothing less helps a decision to state it."""
    ratios = tables.ratios(wanted.target, wanted.donor)
    n_before = len(carrying_ratios(ratios, wanted.element.group, tables.settings.min_lengths)[0])
    n_options = 0
    for key, individuals in _measurable(tables, wanted.target.individual, wanted.donor):
        added = LengthRatio(key, 1.0, (), tables.groups.get(key[0], ()))
        carried, _ = carrying_ratios((*ratios, added), wanted.element.group, tables.settings.min_lengths)
        if len(carried) > n_before:
            n_options += 1
            what = f"measure the {key[1].replace('-', ' ')} of the {key[0]} of {' and of '.join(map(_individual_words, individuals))}"
            yield _Option("measure", what, len(individuals), {wanted.need}, int(wanted.element.group in added.groups))
    if not n_options and wanted.need[0] == "factor":
        yield _Option("decide", f"state a factor for {_individual_words(wanted.donor)}, which shares no measurable bone with "
                      f"{_individual_words(wanted.target.individual)}", needs={wanted.need})


def _size_options(tables: PlanTables, target: Target, donor: str, needs: set[Need]) -> Iterator[_Option]:
    """To lay the scans of bones that both animals have on each other; from three bones on it comes before the measuring of one length."""
    names = list(dict.fromkeys(pair.element for pair in pairs_between(tables.finds.values(), target.individual, donor)[0]))
    if names:
        named = names if len(names) <= MOST_NAMED else [*names[: MOST_NAMED - 1], f"{len(names) - MOST_NAMED + 1} more"]
        listed = " and ".join(filter(None, (", ".join(named[:-1]), named[-1])))
        what = f"run `bonewright size {target.name} {shlex.quote(donor)}`, which measures the factor from the scans of {listed}"
        yield _Option("measure", what, 1, needs, len(needs) + 1 if len(names) >= MANY_BONES else 0)


def _measurable(tables: PlanTables, target: str, donor: str) -> Iterator[tuple[LengthKey, tuple[str, ...]]]:
    """Lengths that one of the two animals has and the other has the bone for; else the greatest length where both have only the bone."""
    sides = tuple((name, tables.lengths.get(name, {}), _whole_bones(tables, name)) for name in (target, donor))
    half_done = set()
    for (_, lengths, _bones), (other, other_lengths, other_bones) in (sides, sides[::-1]):
        for key in sorted(lengths.keys() - other_lengths.keys()):
            if key[0] in other_bones:
                half_done.add(key[0])
                yield key, (other,)
    for homologue in sorted(sides[0][2] & sides[1][2] - half_done):
        if not any((homologue, USUAL_LENGTH) in lengths for _, lengths, _bones in sides):
            yield (homologue, USUAL_LENGTH), tuple(sorted((target, donor)))


def _whole_bones(tables: PlanTables, individual: str) -> set[str]:
    """Homologue keys of an animal's finds that are whole and certain enough to be measured."""
    least = tables.settings.own_preserved_percent
    return {
        tables.homologues.get(find.element, find.element)
        for find in tables.finds.values()
        if individual_of(find) == individual and not find.identification_qualifier.strip()
        and (find.preserved_percent is None or find.preserved_percent >= least)
    }


def _individual_words(individual: str) -> str:
    return individual.replace(f"{UNASSOCIATED}:", "the unassociated find ")
