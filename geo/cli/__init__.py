"""The command line: the only place that prints. A translation, no formula; imports come late."""

from __future__ import annotations

import os
from typing import Any

import click

from geo.cli import (
    assess,
    check,
    compare,
    demo,
    due,
    findings,
    findings_out,
    new,
    record,
    report,
    trace,
    visit,
)
from geo.cli import map as map_
from geo.cli.shared import plain_errors
from geo.cli.streams import make_ready, written_out

# Texts are read through Arrow, whose own store keeps what is freed: 50 MB for a large county.
os.environ.setdefault("ARROW_DEFAULT_MEMORY_POOL", "system")
# No host is left out of what `layers.files.opening` closes: the library that asks hosts reads this.
os.environ["no_proxy"] = ""


class _Commands(click.Group):
    def main(self, *args: Any, **options: Any) -> Any:
        """Run a command, with streams that may end early."""
        make_ready()
        with plain_errors(), written_out():
            return super().main(*args, **options)


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="rillmark")
def main() -> None:
    """Rank household sewage treatment units for inspection, with reasons.

    \b
    Try it on an invented county:   rillmark demo
    Start with your own list:       rillmark new our_county
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
findings.findings.add_command(findings_out.photos)
findings.findings.add_command(findings_out.snapshot)
findings.findings.add_command(findings_out.release)
findings.findings.add_command(findings_out.letters)
main.add_command(due.due)
main.add_command(visit.visit)
main.add_command(trace.trace)
