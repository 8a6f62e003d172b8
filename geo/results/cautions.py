"""Each caution, worded once; pages and commands show it where a person acts.

Facts of the trade are common practice, no source, unless one is named beside them. Local codes and
licensed practice come first everywhere.
"""

from __future__ import annotations

from typing import Final

SCREENING: Final = "Screening from records and maps. Confirm on site. Local code governs."
"""The header of every page and the last line of a command's result."""

MEASURE_FIRST: Final = "Measure on site before any notice. Variances and permits count."
"""A list of setbacks."""

NONE_ON_RECORD: Final = "None on record does not mean none."
"""A list of wells."""

TANK: Final = (
    (
        "Never enter or lean into a tank, pipe, manhole or culvert: gases kill without warning,"
        " and you may not smell them."
    ),
    "If someone is down in a tank, do not go in. Call 911.",
    "Never leave a lid open. Cover the opening with plywood and stay until it is made safe.",
    "Keep children and animals away.",
    "Never mix kinds of chlorine tablets. Do not look at a lit UV lamp.",
    "Do not pump a tank in saturated ground: it can float.",
    "Leave wiring, pumps and repairs to licensed workers.",
)
"""A sheet, a letter, a door hanger: whoever stands at a tank."""

TANK_SHORT: Final = (
    "Never enter or lean into a tank: gases kill without warning. If someone is down, do not go in:"
    " call 911. Keep lids closed and children away."
)
"""One line where a page leads people to a tank without a sheet."""

HANDS: Final = "Gloves and eye protection; wash hands. No smoking, no flame."
"""Part of `ON_SITE`; alone on a trace, which people walk along the water."""

ON_SITE: Final = (
    "Concrete, heavy or stuck lids take two people.",
    "Alone: check in with the office before and after.",
    HANDS,
    "Mind soft ground, dogs, traffic, heat and lightning. Leave if you are threatened.",
)
"""The visit sheet."""

BEFORE_LEAVING: Final = (
    "Before you leave: lids fastened; power as you found it (if it is off or unsafe, leave it and"
    " tell the resident and the office); gate closed."
)
"""The visit sheet and the record page."""

LITTLE_FLOW: Final = "Little or no flow proves nothing."
"""The visit sheet and the record page."""

RAIN_ONLY: Final = (
    "Rain only: snowmelt, frozen ground, river flooding and unmapped pipes are not included."
)
"""The storm layer and the section on water."""

OUTSIDE_FLOOD_ZONE: Final = "Outside a flood zone is not the same as dry."
"""A line on flood zones."""

UNMAPPED_PIPES: Final = "Unmapped pipes, bends and pumps are missed."
"""A trace, and the search for a discharge point."""

PLACES_TO_LOOK: Final = (
    "Places to look, not findings. Get permission before you enter. Call 811 days before anyone"
    " digs or probes."
)
"""The search for a discharge point. 811, the national call-before-you-dig line, is from memory."""

TRACE: Final = "A trace does not show fault or contamination."
"""A trace."""

PROPOSAL: Final = "Not an approval or denial."
"""The check of a proposed unit."""

HIGH_RANK: Final = "A high rank is not a violation."
"""Public pages."""

STAFF_ONLY: Final = "Staff only: names households."
"""The title of a staff page."""

NOT_A_FORECAST: Final = "Compares areas; not a forecast."
"""The table of what may come downstream."""

NO_SOURCE: Final = "Weights have no published source."
"""The section on the score."""

NO_RUN: Final = '"No computer run" is not never.'
"""Beside a count of computer runs alone."""

NOT_NEVER: Final = (
    f"{NO_RUN} The depth of running water is an estimate; a yearly chance is a minimum."
)
"""Beside chances from computer runs."""

VISITED_ONLY: Final = "Past results cover visited units only."
"""The test on past visits."""

COUNSEL: Final = "Ask counsel before release; read letters before mailing."
"""The commands that write a release or letters."""
