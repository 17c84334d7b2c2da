"""From signs, checks and answers to causes: which rules speak, what is ruled out, what is left, what to check next.

The order of the checks is that of `advice/ordering.py`. The order of causes: what a failed check points to, the more
exactly the earlier; what can hurt; then equipment and use that mimic a fault; then likely, possible, seldom; among
equals what more rules name, then what costs fewer minutes to check, then the files' order.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

from enginelog import limits as limit_files
from enginelog.advice import signs as reading_signs
from enginelog.advice.ordering import RANKS, Settled, State, dangerous, elsewhere, next_checks, open_checks
from enginelog.advice.unheard import cheapest_first
from enginelog.advice.usual import ask_first, usual_values
from enginelog.advice.words import Advice, Likely, Matched, NextCheck, RuledOut, Situation
from enginelog.limits.trade import cautions, formulas, knowledge
from enginelog.limits.trade.knowledge import Check, Knowledge
from enginelog.model import CHECK_RESULTS, UsageError
from enginelog.model.wording import counted

MOST_STEPS = 5  # what to check next is shown up to here
FEW = 2  # a failed check that points to no more than this has shown what is wrong
TAKEN_FOR = {
    "two_stroke": "the engine is taken for a two-stroke",
    "four_stroke": "the engine is taken for a four-stroke",
}
SOUND_ALONE = (
    "Lean or rich, which part, compression figures, oil pressure, temperature: sound alone cannot tell any of them."
)


def advise(situation: Situation, known: Knowledge | None = None) -> Advice:
    """What is likely, what to check next, and why. known: the built-in knowledge where not given.

    Where the rules ask for no check (but skipped ones), the bench checks that cost least go first: where nothing was
    heard, and where what was heard is left without a check. Not where it can hurt: no other check shows why.

    UsageError where a check, a question or an answer is not known.
    """
    state = _state(situation, known or knowledge.load())
    settled = _settled(state)
    causes = _ranked(state, settled)
    found = tuple(likely.cause for likely in causes if likely.cause.name in settled.found)
    ended = any(cause.ends for cause in found)
    checks = () if ended else next_checks(state, settled, causes)
    goes_on = not ended and (
        not situation.heard or (state.matched and not any(each.rule.danger for each in state.matched))
    )
    if goes_on and all(each.check.name in state.skipped for each in checks):
        first = cheapest_first(state.known, state.checks, state.skipped, situation.engine, settled.out)
        checks = (*first, *(each for each in checks if not each.check.bench))
    records = [one.record for one in situation.heard]
    return Advice(
        signs=tuple(_said(state.known, name, state.signs) for name in state.known.signs if name in state.signs),
        matched=state.matched,
        found=found,
        causes=causes,
        ruled_out=tuple(RuledOut(state.known.causes[name], why) for name, why in settled.out.items()),
        checks=checks,
        questions=_questions(state, situation),
        ask_first=tuple(dict.fromkeys(line for record in records for line in ask_first(record))),
        cannot=tuple(dict.fromkeys([m.rule.cannot for m in state.matched if m.rule.cannot] + [SOUND_ALONE])),
        values=tuple(dict.fromkeys(line for record in records for line in usual_values(record))),
        cautions=_cautions(state, checks),
        balance=_balance_words(situation.balance_rpm) if situation.balance_rpm else "",
        failed=tuple(_made(state, "fail")),
        by_elimination=tuple(cause for cause in found if cause.name in settled.by_elimination),
    )


def _state(situation: Situation, known: Knowledge) -> State:
    checks, answers = _results(situation.checks, known), _answers(situation.answers, known)
    if situation.balance_rpm:
        checks["balance"] = "fail" if _weak(situation.balance_rpm) else "pass"
    made_by_hand = set(checks)
    for check in known.checks.values():
        if not check.same_as:
            continue
        for result, same in zip(("pass", "fail"), check.same_as, strict=True):
            name, answer = same.split("=")
            if answers.get(name) == answer:
                checks.setdefault(check.name, result)
            elif checks.get(check.name) == result:
                answers.setdefault(name, answer)
    heard = reading_signs.signs_of(situation.heard, _limits())
    told = {f"{name}={answer}" for name, answer in answers.items()}
    made = {f"check.{name}={result}" for name, result in checks.items()}
    if not situation.heard and situation.engine is not None:
        heard = reading_signs.signs_of_engine(situation.engine)
    found = frozenset(heard | told | made)
    machine = next((sign.removeprefix("machine=") for sign in sorted(found) if sign.startswith("machine=")), None)
    by_answer = frozenset(set(checks) - made_by_hand)
    skipped = frozenset(_named(name, known) for name, result in situation.checks.items() if result == "not_checked")
    return State(known, machine, found, checks, *_matched(found, known), by_answer, skipped)


def _weak(speeds_rpm: tuple[float, ...]) -> int | None:
    """The weak cylinder by a balance test, counted from 1; None where they are even. UsageError for too few speeds."""
    if len(speeds_rpm) < 3:
        raise UsageError(
            f"balance test: {counted(len(speeds_rpm), 'speed')} given; the speed with all cylinders, then one with each"
            " plug grounded in turn expected, such as 3400,3300,3100"
        )
    grounded = dict(enumerate(speeds_rpm[1:], 1))
    return formulas.weak_cylinder(speeds_rpm[0], grounded, _limits().value("balance_rpm"))


def _balance_words(speeds_rpm: tuple[float, ...]) -> str:
    """What a balance test came to."""
    drops = [speeds_rpm[0] - each for each in speeds_rpm[1:]]
    said = ", ".join(f"{drop:z.0f} rpm without {number}" for number, drop in enumerate(drops, 1))
    weak, counts = _weak(speeds_rpm), _limits()["balance_rpm"]
    result = f"cylinder {weak} is the weak one" if weak else "the cylinders pull alike"
    return f"It loses {said}: {result} (more than {counts.value:z.0f} rpm apart counts; {counts.source})."


@cache
def _limits() -> limit_files.LimitSet:
    return limit_files.load("findings")


def _results(given: Mapping[str, str], known: Knowledge) -> dict[str, str]:
    """Results by name of check; the names of the bench checks' table count for the checks that carry them."""
    made: dict[str, str] = {}
    for name, result in given.items():
        plain = _named(name, known)
        if plain not in known.checks:
            raise UsageError(f"check '{name}' is not known; one of these expected: {', '.join(known.checks)}")
        if result not in CHECK_RESULTS:
            raise UsageError(f"check '{name}': '{result}' given, one of {', '.join(CHECK_RESULTS)} expected")
        if result != "not_checked":
            made[plain] = result
    return made


def _named(name: str, known: Knowledge) -> str:
    """The name of a check, also where the bench checks' table has another for it; as given where none is known."""
    plain = name.replace("-", "_")
    by_bench = {check.bench: check.name for check in known.checks.values() if check.bench}
    return plain if plain in known.checks else by_bench.get(plain, plain)


def _answers(given: Mapping[str, str], known: Knowledge) -> dict[str, str]:
    answers = {name.replace("-", "_"): answer for name, answer in given.items()}
    for name, answer in answers.items():
        if name not in known.questions:
            raise UsageError(f"question '{name}' is not known; one of these expected: {', '.join(known.questions)}")
        if answer not in known.questions[name].answers:
            expected = ", ".join(known.questions[name].answers)
            raise UsageError(f"question '{name}': '{answer}' given, one of {expected} expected")
    return answers


def _matched(found: frozenset[str], known: Knowledge) -> tuple[tuple[Matched, ...], tuple[Matched, ...]]:
    """The rules that speak, and those that would but for a more special one that replaces them."""
    speaking = [
        rule
        for rule in known.rules.values()
        if set(rule.all) <= found and (not rule.any or found & set(rule.any)) and not found & set(rule.none)
    ]
    silent = {name for rule in speaking for name in rule.replaces}
    made = [
        Matched(rule, tuple(_said(known, name, found) for name in (*rule.all, *rule.any) if name in found))
        for rule in speaking
    ]
    spoken = tuple(each for each in made if each.rule.name not in silent)
    return spoken, tuple(each for each in made if each.rule.name in silent)


def _said(known: Knowledge, name: str, found: frozenset[str] = frozenset()) -> str:
    """A sign, an answer or a result in words. found: the signs it stands among, by which strokes are known that nobody
    told."""
    if name in TAKEN_FOR and "strokes_assumed" in found:
        return TAKEN_FOR[name]
    if name in known.signs:
        return known.signs[name].means
    left, _, right = name.partition("=")
    if left == "machine":
        return f"the machine is a {right}"
    if left.startswith("check."):
        check = known.checks[left.removeprefix("check.")]
        return f"the check '{check.title}' {'passed' if right == 'pass' else 'failed'}"
    return f"asked '{known.questions[left].text}', the answer was '{right}'"


def _settled(state: State) -> Settled:
    """What failed checks point to, and what passed ones and rules take off the list.

    A passed check takes back what a failed one that says less exactly pointed to, so that a failed spark and a good
    plug leave lead, coil and switch; one that looks, whatever a trial (as that of the choke) pointed to alone. A rule
    takes back only that, never what was seen to be wrong.
    """
    pointed, width, seen = _pointed(state)
    out: dict[str, str] = {}
    for check in _made(state, "pass"):
        pointed |= {name: f"the check '{check.title}' says so" for name in check.pass_points_to}
        seen |= set(check.pass_points_to)
        for name in check.pass_rules_out:
            looked = name not in seen and not check.trial
            if looked or (width.get(name, 99) > 1 and width.get(name, 99) >= len(check.pass_rules_out)):
                out.setdefault(name, _why(state, check, "pass"))
    for check in _made(state, "fail"):
        out |= {name: _why(state, check, "fail") for name in check.fail_rules_out}
    for matched in (*state.matched, *state.silent):
        out |= {name: "; ".join(matched.because) for name in matched.rule.rules_out if name not in seen | set(out)}
    pointed = {name: why for name, why in pointed.items() if name not in out}
    here = set(pointed) - elsewhere(state)
    branches = [[name for name in check.fail_points_to if name in here] for check in _made(state, "fail")]
    alone = {branch[0] for branch in branches if len(branch) == 1} | (here if len(here) == 1 else set())
    can_be_seen = {name for check in open_checks(state) if not check.trial for name in check.decides}
    shown = frozenset(name for name in pointed if name in seen and width.get(name, 1) <= FEW)
    left = frozenset(name for name in alone if name in seen and name not in can_be_seen) - shown
    return Settled(pointed, width, out, shown | left, left)


def _pointed(state: State) -> tuple[dict[str, str], dict[str, int], set[str]]:
    """What failed checks point to: why, among how many causes at least, and which were seen and not only tried."""
    pointed: dict[str, str] = {}
    width: dict[str, int] = {}
    seen: set[str] = set()
    for check in _made(state, "fail"):
        seen |= set() if check.same_as else set(check.fail_points_to)
        for name in check.fail_points_to:
            if len(check.fail_points_to) < width.get(name, 99):
                width[name] = len(check.fail_points_to)
                pointed[name] = _why(state, check, "fail")
    return pointed, width, seen


def _why(state: State, check: Check, result: str) -> str:
    """A check's result in words, or the answer that said the same."""
    if check.name in state.by_answer and check.same_as:
        return _said(state.known, check.same_as[0 if result == "pass" else 1])
    return _said(state.known, f"check.{check.name}={result}")


def _made(state: State, result: str) -> list[Check]:
    return [state.known.checks[name] for name, each in state.checks.items() if each == result]


def _minutes(state: State) -> dict[str, int]:
    """What the cheapest open check that bears on each cause costs."""
    costs: dict[str, int] = {}
    for check in open_checks(state):
        for name in check.bears_on:
            costs[name] = min(costs.get(name, 999), check.minutes)
    return costs


def _ranked(state: State, settled: Settled) -> tuple[Likely, ...]:
    ranks = dict.fromkeys(settled.pointed, "pointed_to")
    because = {name: [why] for name, why in settled.pointed.items()}
    for matched in state.matched:
        for rank in RANKS[1:]:
            for name in getattr(matched.rule, rank):
                ranks[name] = min(ranks.get(name, rank), rank, key=RANKS.index)
                because.setdefault(name, []).append(f"{matched.rule.title}: {'; '.join(matched.because)}")
    can_hurt, minutes, order = dangerous(state), _minutes(state), list(state.known.causes)

    def place(name: str) -> tuple[int, bool, bool, int, int, int, int]:
        rank, cause = ranks[name], state.known.causes[name]
        exact = settled.width.get(name, 1) if rank == "pointed_to" else 99
        mimics = cause.mimic and rank != "seldom"
        weight = RANKS.index(rank), -len(because[name]), minutes.get(name, 999), order.index(name)
        return exact, name not in can_hurt, not mimics, *weight

    waiting = open_checks(state)
    return tuple(
        Likely(
            state.known.causes[name],
            ranks[name],
            tuple(because[name]),
            tuple(check.name for check in waiting if name in check.bears_on),
        )
        for name in sorted(set(ranks) - set(settled.out) - elsewhere(state), key=place)
    )


def _questions(state: State, situation: Situation) -> tuple[knowledge.Question, ...]:
    """Questions not answered yet that are worth asking after what was found."""
    answered = {name.replace("-", "_") for name in situation.answers}
    known_by_check = {
        same.split("=")[0]
        for check in state.known.checks.values()
        if check.name in state.checks
        for same in check.same_as
    }
    return tuple(
        question
        for question in state.known.questions.values()
        if question.name not in answered | known_by_check
        and state.signs & set(question.asked_for)
        and (not question.machines or state.machine in question.machines)
    )


def _cautions(state: State, checks: tuple[NextCheck, ...]) -> tuple[cautions.Caution, ...]:
    """The cautions of the next checks, as many as are shown, and those every machine of the kind needs."""
    wanted = {name for check in checks[:MOST_STEPS] for name in check.check.cautions}
    always = {"manual", "exhaust", "moving", "hearing", "governor"}
    return tuple(
        caution
        for caution in cautions.for_machine(state.machine)
        if caution.name in wanted | always or caution.machines
    )
