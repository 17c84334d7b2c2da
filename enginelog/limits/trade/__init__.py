"""Trade knowledge as data: usual values, cautions, signs, causes, checks, questions, rules, protocols, pages, cases.

    machines.usual("saw", "clutch") -> Usual          cautions.for_machine("mower") -> cautions
    knowledge.load() -> Knowledge                     protocols.tests("mower") -> recordings to make
    pages.page("hunting") -> Page                     formulas.blade_limit_rpm(508.0, 96.52) -> 3629

Everything is read from the TOML files beside these modules, each entry with its source or the words "common practice,
no source". What follows from it for one machine is worked out in `enginelog.advice`.
"""
