"""What is left to do after a build: bones that failed or ask for a person come before what would improve the plan."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any

from meshtools.counted import counted
from meshtools.model import NextStep

ON_PAGES = ("mend", "look", "make", "copy", "sign")
"""Actions of these steps: what is to be done stands on the pages or job sheets of their elements."""
MOST_NAMED = 6  # elements of a step


def listed(names: Sequence[str]) -> list[str]:
    """The first names, and how many more there are."""
    return [*names[:MOST_NAMED], *([f"and {len(names) - MOST_NAMED} more"] if len(names) > MOST_NAMED else [])]


def left_to_do(rows: Iterable[Mapping[str, Any]], open_parts: Sequence[str] = (), unscanned: Collection[str] = ()) -> tuple[NextStep, ...]:
    """Steps for what a build left behind, the gravest first; none where all is ready.

    rows: one an element, with target, element and status; optional `sign_off` (signed, lapsed or unsigned), `is_mistyped` (lapsed, but with today's
    key copied wrongly), `handed_over` (a revision) and `is_accepted` (signed with all that it asks, so that nobody need look at it again).
    open_parts: target/element of each part whose route failed or asks for a person.
    unscanned: target/element of those that a step of the plan names because their scan is missing; they are not named as failed again.
    A lapsed part that failed or is under review is named there alone: it cannot be signed before, and its page asks for that too.
    """
    rows = list(rows)
    open_rows = [row for row in rows if not row.get("is_accepted")]
    failed, asking = ([f"{row['target']}/{row['element']}" for row in open_rows if row["status"] == status] for status in ("failed", "review"))
    parts = sorted(set(open_parts) - set(failed))
    steps: list[tuple[str, str, list[str]]] = []
    if mended := [name for name in failed if name not in unscanned]:
        pages = "its page says" if len(mended) == 1 else "their pages say"
        steps.append(("mend", f"mend or replace {counted(len(mended), 'bone')} that failed; {pages} why and what can be done", mended))
    if asking:
        pages = "its page asks" if len(asking) == 1 else "their pages ask"
        steps.append(("look", f"look at {counted(len(asking), 'bone')} under review and decide what {pages}", asking))
    if parts:
        sheets = f"look at the job sheets (where there is none, at the pages) of {counted(len(parts), 'bone')}"
        steps.append(("make", f"{sheets} whose parts failed or are under review", parts))
    lapsed = [row for row in rows if row.get("sign_off") == "lapsed" and f"{row['target']}/{row['element']}" not in (*failed, *asking)]
    if mistyped := [f"{row['target']}/{row['element']}" for row in lapsed if row.get("is_mistyped")]:
        keys = "1 sign-off whose key is" if len(mistyped) == 1 else f"{len(mistyped)} sign-offs whose keys are"
        steps.append(("copy", f"copy the key into decisions.csv again for {keys} today's but for a few characters", mistyped))
    if lapsed := [row for row in lapsed if not row.get("is_mistyped")]:
        n_given = sum(row.get("handed_over") is not None for row in lapsed)
        given = f" ({n_given} handed over before)" if n_given else ""
        message = f"sign again: {counted(len(lapsed), 'part')}{given} whose evidence changed since signed"
        steps.append(("sign", message, [f"{row['target']}/{row['element']}" for row in lapsed]))
    return tuple(NextStep(action, message, tuple(names)) for action, message, names in steps)
