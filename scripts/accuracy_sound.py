"""Accuracy of hunting, settling, loads and throttle, heard from made-up recordings by the whole analysis.

    python scripts/accuracy_sound.py [--count 104] [--first-seed 41000] [--hardness ordinary,hard] [--jobs 2]
                                     [--behaviours hunting,settling] [--worst]

`count` recordings of each behaviour, all kinds of engine in turn, the engine told as its user would, with its rated
speed where it has one. Columns: n: recordings the claim concerns; told: share in which it was made at all; right of
told; right of all; wrong of all; sure: wrong, and outside the interval shown with it as well; asked. A claim that there
is nothing (no hunting, no settling, no load step) is right where that is said. Limits were tuned on seeds below 10 000.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from collections.abc import Iterable

import measuring  # noqa: F401 (one thread each, before numpy is loaded)
from measuring.claims_of_sound import BEHAVIOURS, Outcome, asked_percent, cases, outcomes
from measuring.made import Case
from measuring.pool import each
from measuring.tables import percent, percent_between, table

HEAD = (
    "claim",
    "n",
    "told %",
    "of told right %",
    "of all right %",
    "wrong %",
    "sure %",
    "95 % range of that",
    "asked %",
)


def row(claim: str, found: list[Outcome]) -> tuple[object, ...]:
    """One row of the table."""
    n, told = len(found), sum(one.right is not None for one in found)
    right, wrong = sum(one.right is True for one in found), sum(one.wrong for one in found)
    sure = sum(one.wrong_and_sure for one in found)
    shares = (percent(told, n), percent(right, told), percent(right, n), percent(wrong, n), percent(sure, n))
    return (claim, n, *shares, percent_between(sure, n), f"{asked_percent(claim):.0f}")


def gathered(made: Iterable[tuple[Case, list[Outcome]]]) -> dict[str, list[tuple[Case, Outcome]]]:
    """Outcomes by claim."""
    by_claim: dict[str, list[tuple[Case, Outcome]]] = defaultdict(list)
    for case, found in made:
        for one in found:
            by_claim[one.claim].append((case, one))
    return by_claim


def main() -> None:
    """Read the options, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=104, help="recordings of each behaviour")
    parser.add_argument("--first-seed", type=int, default=41_000)
    parser.add_argument("--hardness", default="ordinary,hard")
    parser.add_argument("--behaviours", default=",".join(BEHAVIOURS))
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--worst", action="store_true", help="name the recordings of each wrong claim")
    told = parser.parse_args()
    for hardness in told.hardness.split(","):
        asked = cases(told.count, told.first_seed, hardness, tuple(told.behaviours.split(",")))
        made = each(outcomes, asked, told.jobs, f"{hardness} recordings")
        by_claim = gathered(zip(asked, made, strict=True))
        print(f"\n{hardness} recordings, seeds {told.first_seed} to {asked[-1].seed}\n", flush=True)
        print(table(HEAD, [row(claim, [one for _, one in found]) for claim, found in by_claim.items()]), flush=True)
        for claim, found in by_claim.items() if told.worst else ():
            named = [f"{case.seed} {case.kind}" for case, one in found if one.wrong]
            print(f"- {claim}: {', '.join(named) or 'none'}")


if __name__ == "__main__":
    main()
