"""What a sign-off vouches for, as a key: the scans, rows and recipe behind a replica, and what its page says of where it comes from."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from meshtools.keys import sha256_of
from meshtools.model import Recipe, plain

PARTS = {
    "scans": "a scan that it is made from",
    "rows": "a row of its finds in bones.csv, openings.csv or poses.csv",
    "making": "how it is made (finds, factor, mirror plane, settings)",
    "reason": "the reason or a doubt on its page",
    "tried": "what its page lists as looked at and not taken",
}
"""The parts of the evidence, and what to call each one that has changed."""
SIGNED_STAGES = ("plan", "clean", "rebuild", "deviation")
"""The stages whose findings follow from the evidence, so that whoever signs it has seen them."""
UNSAID = ("capture", "capture_source", "unit_source", "replaces")  # cells that bear on no replica and stand on no page
MOST_MISTYPED = 4
"""A key that differs from today's in so few characters was copied wrongly: of other evidence, nearly all of its digits differ."""
_DIGITS = 16
_PART_DIGITS = 3


def sign_off_row(target: str, element: str, key: str) -> str:
    """The whole row of decisions.csv that signs a bone, with capitals where a person fills in."""
    return f"{target},{element},,sign-off,,NAME,YYYY-MM-DD,REASON,{key}"


def unsigned_words(stages: Iterable[str]) -> str:
    """What a page and a sheet say after the number of open findings of a signed bone, given the stage of each: how many of them nobody who signed it
    had seen; nothing where there are none."""
    n = sum(stage not in SIGNED_STAGES for stage in stages)
    return f"; {n} of them {'is' if n == 1 else 'are'} not part of what was signed" if n else ""


@dataclass(frozen=True)
class EvidenceKeys:
    """What a sign-off binds to: the recipe, the rows, settings and scans behind it, but not the code that carries it out.

    whole: of a replica that is one body, which no setting of the pins bears on. loose: of one with loose bodies, pins and all. Which of the two a
    replica is shows when it is built, and its page gives that key; a sign-off holds with either, since neither changes without the evidence.
    A key is the hash of all the evidence, a hyphen, and three digits for each of PARTS, by which a lapsed sign-off tells what has changed.
    """

    whole: str
    loose: str

    def __contains__(self, key: object) -> bool:
        return key in (self.whole, self.loose)

    def changed_since(self, key: str) -> tuple[str, ...]:
        """What has changed since a key was signed, in the words of PARTS; nothing where the key does not tell (it was typed or is no key)."""
        return min((_differing(key, own) for own in (self.whole, self.loose)), key=len)

    def n_mistyped(self, key: str) -> int:
        """In how many characters a key differs from today's where it is that key copied wrongly, else 0."""
        n = min(_n_edits(key, own) for own in (self.whole, self.loose))
        return n if n <= MOST_MISTYPED else 0


def evidence_keys(
    recipe: Recipe, clean: Mapping[str, Mapping[str, Any]], poses: Any, rebuild: Mapping[str, Any], restore: Mapping[str, Any]
) -> EvidenceKeys:
    """The keys of the evidence of one recipe.

    clean: the clean job of each find that it is made from. poses: their rows of poses.csv. rebuild: the settings of rebuilding. restore: those of
    joining and completing, where they bear on it.
    """
    plan = dict(plain(recipe))
    if not recipe.fraction:  # only an interpolated bone has one; no other bone's evidence depends on it
        del plan["fraction"]
    told = {name: plan.pop(name) for name in ("reason", "status", "findings")}
    unpinned = {name: value for name, value in rebuild.items() if name != "pin_diameter_mm"}
    parts = {
        "scans": {name: [job["scan_sha256"], job["companions"]] for name, job in clean.items()},
        "rows": [{name: _said(job) for name, job in clean.items()}, poses],
        "tried": plan.pop("tried"),
        "reason": told,
    }
    made = [plan, list(clean), {name: [job["settings"], job["tolerance_mm"]] for name, job in clean.items()}, restore]
    return EvidenceKeys(*(_key(parts | {"making": [*made, settings]}) for settings in (unpinned, dict(rebuild))))


def _said(job: Mapping[str, Any]) -> list[Any]:
    return [{name: value for name, value in job["find"].items() if name not in UNSAID}, job["openings"]]


def _key(parts: Mapping[str, Any]) -> str:
    return f"{sha256_of(parts)[:_DIGITS]}-{''.join(sha256_of(parts[name])[:_PART_DIGITS] for name in PARTS)}"


def _n_edits(a: str, b: str) -> int:
    """How many characters are to be changed, added or left out to make one text of the other (Levenshtein)."""
    if abs(len(a) - len(b)) > MOST_MISTYPED:
        return MOST_MISTYPED + 1
    row = list(range(len(b) + 1))
    for i, one in enumerate(a, 1):
        before, row = row, [i]
        for j, other in enumerate(b, 1):
            row.append(min(before[j] + 1, row[j - 1] + 1, before[j - 1] + (one != other)))
    return row[-1]


def _differing(key: str, own: str) -> tuple[str, ...]:
    if len(key) != len(own) or key[_DIGITS] != "-":
        return ()
    starts = range(_DIGITS + 1, len(own), _PART_DIGITS)
    return tuple(words for words, i in zip(PARTS.values(), starts, strict=True) if key[i : i + _PART_DIGITS] != own[i : i + _PART_DIGITS])
