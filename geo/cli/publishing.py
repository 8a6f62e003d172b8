"""Holds a public edition to the one before it, and writes down what is given out."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from geo.cli.describe import shown_day
from geo.results.public_editions import edition_of
from layers.folders.public_ledger import (
    Edition,
    PublicLedger,
    add_edition,
    ledger_path,
    public_section_on_record,
    read_ledger,
)
from layers.store import Assessment


@dataclass(frozen=True)
class Publication:
    """A public edition about to be given out, what held it in a sentence, and where it is kept."""

    edition: Edition
    text: str
    ledger: PublicLedger

    def write_down(self) -> None:
        """Put the edition in the ledger: to be called before a page of it is written.

        Raises
        ------
        PublicLedgerError
            If the ledger changed since it was read, or cannot be written.
        """
        if self.edition not in self.ledger.editions:
            add_edition(self.ledger, self.edition)


def publication(folder: Path, assessment: Assessment) -> Publication:
    """The public edition of the assessment in a folder, held to the last one given out.

    Raises
    ------
    PublicLedgerError
        If the ledger cannot be read.
    """
    section = public_section_on_record(assessment.run)
    county = assessment.run.county.name
    ledger = read_ledger(ledger_path(folder, section), county)
    edition = edition_of(assessment, ledger.editions)
    if edition in ledger.editions:
        text = f"Same as the public edition of {shown_day(edition.as_of)}: no number changed."
    elif ledger.editions:
        text = (
            f"Checked against the public edition of {shown_day(ledger.editions[-1].as_of)}. A"
            f" number changed only where at least {section.least_change} households changed it."
        )
    else:
        text = (
            "This is the first public edition on record. If the county published one before, do not"
            " publish this one. Put back the record file of the earlier edition first."
        )
    return Publication(edition, f"{text}\nPublished numbers are on record in {ledger.path}", ledger)
