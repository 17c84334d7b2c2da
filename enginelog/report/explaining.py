"""The trade knowledge as plain text: findings, words, causes, checks, cautions, machines, recordings, cases."""

from __future__ import annotations

import difflib
from collections.abc import Callable
from functools import cache

from enginelog.limits.trade import cases, cautions, knowledge, machines, pages, protocols
from enginelog.model import UsageError
from enginelog.model.wording import as_told
from enginelog.report.layout import listed, page, rows

Maker = Callable[[int], str]


def topics() -> dict[str, tuple[str, ...]]:
    """What can be explained, by kind."""
    known = knowledge.load()
    return {
        "findings": tuple(pages.pages()),
        "words": tuple(pages.terms()),
        "machines": machines.KINDS,
        "recordings": tuple(dict.fromkeys(test.name for kind in machines.KINDS for test in protocols.tests(kind))),
        "cautions": tuple(caution.name for caution in cautions.cautions()),
        "causes": tuple(known.causes),
        "checks": tuple(known.checks),
        "rules": tuple(known.rules),
        "cases": ("cases", *cases.cases()),
    }


def explain(topic: str, width: int = 80) -> str:
    """The page on a topic; several kinds of the same name one after the other. UsageError, with near names, else.

    Findings and checks are found by their titles, too, as summary and report show them.
    """
    wanted = _plain(topic)
    found = [make for name, make in _makers() if _plain(name) == wanted]
    if not found:
        near = difflib.get_close_matches(wanted, sorted({_plain(name) for name, _ in _makers()}), 3)
        hint = f"; is one of these meant: {', '.join(near)}?" if near else ";"
        raise UsageError(f"'{topic}' is not known{hint} 'enginelog explain' lists all topics")
    return "\n".join(make(max(width, 40)) for make in found)


def topics_text(width: int = 80) -> str:
    """The list of topics."""
    return page(
        *(
            listed(kind.capitalize(), (", ".join(name.replace("_", "-") for name in names),), width)
            for kind, names in topics().items()
        )
    )


def _plain(name: str) -> str:
    return " ".join(name.lower().replace("-", " ").replace("_", " ").split())


@cache
def _makers() -> tuple[tuple[str, Maker], ...]:
    known = knowledge.load()
    made: list[tuple[str, Maker]] = [(name, _of(_finding, each)) for name, each in pages.pages().items()]
    made += [
        (each.title, _of(_finding, each)) for name, each in pages.pages().items() if _plain(each.title) != _plain(name)
    ]
    made += [(name, _of(_word, each)) for name, each in pages.terms().items()]
    made += [(kind, _of(_machine, kind)) for kind in machines.KINDS]
    made += [(name, _of(_recordings, name)) for name in topics()["recordings"]]
    made += [(each.name, _of(_caution, each)) for each in cautions.cautions()]
    made += [(name, _of(_cause, each)) for name, each in known.causes.items()]
    made += [(name, _of(_check, each)) for name, each in known.checks.items()]
    made += [
        (each.title, _of(_check, each)) for name, each in known.checks.items() if _plain(each.title) != _plain(name)
    ]
    made += [(name, _of(_rule, each)) for name, each in known.rules.items() if name not in pages.pages()]
    made += [("cases", lambda width: "\n".join(_case(each, width) for each in cases.cases().values()))]
    return tuple(made + [(name, _of(_case, each)) for name, each in cases.cases().items()])


def _of(make: Callable[..., str], each: object) -> Maker:
    return lambda width: make(each, width)


def _finding(found: pages.Page, width: int) -> str:
    known = knowledge.load()
    text = " ".join((found.short, found.text, found.good, found.bad))
    words = pages.terms_in(text)
    return page(
        [found.title],
        rows("", found.short, width, 0),
        rows("How", found.text, width),
        rows("Good", found.good, width) + rows("Bad", found.bad, width),
        rows("Sound cannot tell", found.cannot, width),
        _rule_list([known.rules[name] for name in found.rules], known, width),
        listed("Words", (f"{term.name}: {term.text}" for term in words), width),
        rows("Source", found.source, width),
    )


def _rule_list(rules: list[knowledge.Rule], known: knowledge.Knowledge, width: int) -> list[str]:
    lines = rows("Goes on to", "what each of these points to; the machine's manual comes first", width)
    for rule in rules:
        titles = "; ".join(dict.fromkeys(known.causes[name].place for name in rule.causes))
        lines += rows("  -", f"{rule.title}: {rule.means}" + (f" Look at: {titles}." if titles else ""), width, 4)
    return lines


def _word(term: pages.Term, width: int) -> str:
    return page(rows("", f"{term.name}: {term.text}", width, 0))


def _machine(kind: str, width: int) -> str:
    noise = [
        f"near its typical {as_told(each.level_dba)} dBA unprotected: at most {each.minutes:z.0f} min a day"
        f" by the {each.rule} ({each.source})"
        for each in cautions.exposures(kind)
    ]
    values = [
        f"{value.title}: {value.window}, {value.meaning} ({value.cited}). Outside it: {value.outside}"
        for value in machines.for_kind(kind)
    ]
    return page(
        [f"{kind.capitalize()}: usual values"],
        rows("", "Never a verdict: the data plate and the manual of the machine itself come first.", width, 0),
        [line for value in values for line in rows("-", value, width, 2)],
        listed("Noise", noise, width),
        listed("Take care", (caution.text for caution in cautions.for_machine(kind)), width),
    )


def _recordings(name: str, width: int) -> str:
    made = {test.how: test for kind in machines.KINDS for test in protocols.tests(kind) if test.name == name}
    return "\n".join(
        page(
            [f"Recording: {test.title}"],
            rows("How", test.how.replace("{seconds}", "so many"), width),
            rows("Why", test.why, width),
            rows("Length", _length(test), width),
            listed("Take care", (cautions.caution_named(each).text for each in test.cautions), width),
            rows("Source", test.source, width),
        )
        for test in made.values()
    )


def _length(test: protocols.ToRecord) -> str:
    turns = f", or {test.revolutions:z.0f} revolutions if that is longer" if test.revolutions else ""
    return f"running for {test.least_seconds:z.0f} s{turns}"


def _caution(caution: cautions.Caution, width: int) -> str:
    return page([caution.title], rows("", caution.text, width, 0), rows("Source", caution.source, width))


def _cause(cause: knowledge.Cause, width: int) -> str:
    known = knowledge.load()
    named = [check.title for check in known.checks.values() if cause.name in check.bears_on]
    spoken = [rule.title for rule in known.rules.values() if cause.name in rule.causes]
    kind = "Not the engine: " if cause.mimic else ""
    return page(
        rows("", f"{kind}{cause.title}", width, 0),
        rows("How", cause.why, width),
        rows("Comes with", "; ".join(spoken) + ".", width),
        rows("Checked by", "; ".join(named) + ".", width),
        rows("Source", cause.source, width),
    )


def _check(check: knowledge.Check, width: int) -> str:
    known = knowledge.load()
    out = "; ".join(known.causes[name].title for name in check.pass_rules_out)
    to = "; ".join(known.causes[name].title for name in check.fail_points_to)
    return page(
        [f"Check: {check.title}, about {check.minutes} min"],
        rows("How", check.how, width),
        rows("Pass", check.if_pass + (f" Rules out: {out}." if out else ""), width),
        rows("Fail", check.if_fail + (f" Points to: {to}." if to else ""), width),
        listed("Take care", (cautions.caution_named(name).text for name in check.cautions), width),
        rows("Source", check.source, width),
    )


def _rule(rule: knowledge.Rule, width: int) -> str:
    known = knowledge.load()
    ranks = (("Likely", rule.likely), ("Possible", rule.possible), ("Seldom", rule.seldom), ("Not", rule.rules_out))
    return page(
        [rule.title],
        rows("", rule.means, width, 0),
        [line for label, names in ranks for line in listed(label, (known.causes[name].title for name in names), width)],
        rows("Sound cannot tell", rule.cannot, width),
        rows("Source", rule.source, width),
    )


def _case(case: cases.Case, width: int) -> str:
    known = knowledge.load()
    lines = []
    for number, step in enumerate(case.steps, 1):
        first, following = known.causes[step.first], known.checks.get(step.next)
        check = f" Next check: {following.title}." if following else ""
        lines += rows(f"  {number}.", f"{step.said} First on the list: {first.title}.{check}", width, 5)
    return page(
        [f"{case.title} ({case.name}, {case.machine})"],
        rows("Taken in", f"'{case.complaint}'", width),
        listed("Heard", (known.signs[sign].means for sign in case.heard), width),
        lines,
        rows("In the end", case.ending, width),
    )
