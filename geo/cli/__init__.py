"""The command line: the only place that prints. A translation, no formula; imports come late."""

from __future__ import annotations

import os

import click

from geo.cli import assess, check, compare, demo, due, findings, new, record, report, trace, visit
from geo.cli import map as map_

# Texts are read through Arrow, whose own store keeps what is freed: 50 MB for a large county.
os.environ.setdefault("ARROW_DEFAULT_MEMORY_POOL", "system")


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="rillmark")
def main() -> None:
    """Which household sewage treatment units to visit first, and why.

    \b
    Try it on the invented county:   rillmark demo
    Begin with your own list:        rillmark new our_county
    """


main.add_command(demo.demo)
main.add_command(new.new)
main.add_command(check.check)
main.add_command(assess.assess)
main.add_command(map_.map_)
main.add_command(report.report)
main.add_command(compare.compare)
main.add_command(record.record)
main.add_command(findings.findings)
main.add_command(due.due)
main.add_command(visit.visit)
main.add_command(trace.trace)
