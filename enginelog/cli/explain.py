"""`enginelog explain`: what a finding, a word, a cause, a check or a caution is."""

from __future__ import annotations

import click

from enginelog.cli import console


@click.command()
@click.argument("topic", nargs=-1)
def explain(topic: tuple[str, ...]) -> int:
    """Print the page on TOPIC: a finding such as hunting, a word of the report, a machine, a check, a cause, a caution.

    'enginelog explain cases' prints worked cases from take-in to the next check. Without TOPIC: what can be explained.
    """
    from enginelog import report

    name = " ".join(topic)
    text = report.explain(name, console.width()) if name else report.topics_text(console.width())
    console.show(text.rstrip())
    return 0
