"""What was found on site: day files that are never rewritten, and what follows from them."""

from layers.records.day_file import DayFile, parse_day_file, write_day_file
from layers.records.folder import Added, add_day_file, day_files
from layers.records.model import Record, Visit, parse_record
from layers.records.standing import Standing, standing

__all__ = [
    "Added",
    "DayFile",
    "Record",
    "Standing",
    "Visit",
    "add_day_file",
    "day_files",
    "parse_day_file",
    "parse_record",
    "standing",
    "write_day_file",
]
