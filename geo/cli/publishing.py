"""Holds a public edition to the one before it, and writes down what is given out."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

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
        text = f"The public edition as of {edition.as_of} again: no number moved."
    elif ledger.editions:
        text = (
            f"Held to the public edition as of {ledger.editions[-1].as_of}: a number moved only"
            f" where at least {section.least_change} households changed it."
        )
    else:
        text = (
            "The first public edition: none is on record here. If the county gave one out before,"
            " do not give this one out; put back the file that kept it."
        )
    return Publication(edition, f"{text}\nWhat is given out is kept in {ledger.path}", ledger)
