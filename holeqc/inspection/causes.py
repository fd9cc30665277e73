"""The short stable words that say why something isn't accepted; stored as small numbers while judging.

Doubts that a reader raised keep the reader's own word: they are added behind these for one run.
"""

from __future__ import annotations

CAUSES = (
    "", "missing", "over", "under", "guard-band", "no-uncertainty", "no-gauge", "unknown-gauge", "gauge-expired",
    "no-temperature", "contradiction", "go-stopped", "no-go-entered", "burr", "not-clean", "crack", "unknown-part",
    "temperature-left-out", "pattern-incomplete", "day-to-come",
)  # fmt: skip

(
    NONE, MISSING, OVER, UNDER, GUARD_BAND, NO_UNCERTAINTY, NO_GAUGE, UNKNOWN_GAUGE, GAUGE_EXPIRED, NO_TEMPERATURE,
    CONTRADICTION, GO_STOPPED, NO_GO_ENTERED, BURR, NOT_CLEAN, CRACKED, UNKNOWN_PART,
    TEMPERATURE_LEFT_OUT, PATTERN_INCOMPLETE, DAY_TO_COME,
) = range(len(CAUSES))  # fmt: skip

MEANING: dict[str, str] = {
    "missing": "a reading that the kit asks for is not there",
    "over": "beyond the upper limit",
    "under": "beyond the lower limit",
    "guard-band": "too near a limit to be decided with this gauge",
    "no-uncertainty": "the gauge's uncertainty is not known and the decision rule needs it",
    "no-gauge": "no gauge of the kit applies to the reading",
    "unknown-gauge": "the gauge named is not in the kit",
    "gauge-expired": "the gauge's calibration was not valid on the day of the reading",
    "no-temperature": "readings are to be brought to 20 °C and no temperature is given",
    "contradiction": "plug and readings contradict one another",
    "go-stopped": "the GO plug does not enter",
    "no-go-entered": "the NO-GO plug enters",
    "burr": "a burr was found",
    "not-clean": "the hole is not clean",
    "crack": "a crack was found",
    "unknown-part": "the kit knows no part of that name, so basic positions can't be laid in its frame",
    "temperature-left-out": "readings were taken so far from 20 °C that the effect is more than a quarter of the "
    "tolerance or crosses a limit, and they are not corrected",
    "day-to-come": "the day of the reading is still to come, so it can't be told whether the gauge was in calibration",
    "pattern-incomplete": "holes of the pattern are not placed yet; a pattern of fewer holes floats to a better fit",
}

#: doubts that a reader raised, in plain words; the problem that goes with each says more
DOUBTS: dict[str, str] = {
    "against-the-hole": "too far from every other reading of the hole",
    "against-the-plug": "far larger than a plug that does not enter",
    "bad-date": "the day of the reading is unclear",
    "beyond-any-length": "the number is beyond any length",
    "column-decimal": "whole columns fit only with the decimal point moved",
    "column-unit": "whole columns fit only in the other unit",
    "comma-in-number": "a comma in the number can be read in two ways",
    "contradicting-reading": "two readings of the hole contradict one another",
    "copied-hole": "the readings equal another part's, likely copied",
    "copied-part": "the readings equal another part's, likely copied",
    "copied-wall": "the readings equal another wall's, likely typed twice",
    "cut-row": "the file ends in the middle of the row",
    "date-as-number": "the number may be a date",
    "date-for-label": "a label has become a date",
    "date-for-number": "the cell holds a date and no number",
    "contradicted-by-part": "the other readings of the same part contradict it, likely a typing slip",
    "equals-nominal": "the values are exactly those of the drawing, likely not measured",
    "error-cell": "the cell holds an error of the spreadsheet",
    "escape-residue": "the cell holds the remains of another program's file",
    "formula-not-calculated": "the cell holds a formula that was not calculated",
    "fraction-became-date": "a fraction has become a date",
    "hole-order": "the holes were likely entered in another order",
    "letter-in-number": "a letter stands in the number",
    "lost-digits": "digits may be lost",
    "merged-reading": "the cell is merged with others, so it is unclear whose reading it is",
    "no-date": "the day of the reading is not said",
    "no-readings": "the part is named, and nothing was read",
    "not-a-number": "the cell holds no number",
    "not-believable": "no drill, reamer or fixture leaves a hole like that",
    "not-positive": "a diameter can't be zero or less",
    "other-hole": "the position is that of another hole",
    "part-sign": "the signs of all coordinates look turned",
    "point-in-number": "a point in the number can be read in two ways",
    "serial-digits-lost": "the serial number may have lost digits",
    "sizes-exchanged": "holes of two sizes read as each other's",
    "slip-decimal": "the decimal point likely stands in the wrong place",
    "slip-digit": "a digit was likely typed wrong",
    "slip-sign": "the sign is likely wrong",
    "slip-transposed": "two digits are likely swapped",
    "slip-unit": "the reading was likely typed in the other unit",
    "space-in-number": "a space stands in the number",
    "struck-through": "the reading is struck through",
    "two-numbers": "two numbers stand in one cell",
    "typed-twice": "x and y are one number, likely typed twice",
    "unclear-comma": "a comma in the number can be read in two ways",
    "unclear-date": "the day of the reading is unclear",
    "unclear-surface": "what is said of the surface is unclear",
    "unconfirmed": "far outside what the hole can be, and no other reading confirms it",
    "unit-conflict": "two units are said",
    "unknown-hole": "the kit has no such hole",
    "unknown-unit": "the unit is not known",
    "unknown-wall": "the kit has no such wall",
    "wall-missing": "the wall is not said",
    "x-y-swapped": "x and y are likely swapped",
}


def words_of(cause: str) -> str:
    """Return a cause in plain words: its meaning, or what a reader doubted."""
    known = MEANING.get(cause) or DOUBTS.get(cause)
    return known or (f"a reading is doubtful: {cause.replace('-', ' ')}" if cause else "")
