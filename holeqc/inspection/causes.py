"""The short stable words that say why something isn't accepted; stored as small numbers while judging.

Doubts that a reader raised keep the reader's own word: they are added behind these for one run.
"""

from __future__ import annotations

CAUSES = (
    "", "missing", "over", "under", "guard-band", "no-uncertainty", "no-gauge", "unknown-gauge", "gauge-expired",
    "no-temperature", "contradiction", "go-stopped", "no-go-entered", "burr", "not-clean", "crack", "unknown-part",
    "temperature-left-out", "pattern-incomplete",
)  # fmt: skip

(
    NONE, MISSING, OVER, UNDER, GUARD_BAND, NO_UNCERTAINTY, NO_GAUGE, UNKNOWN_GAUGE, GAUGE_EXPIRED, NO_TEMPERATURE,
    CONTRADICTION, GO_STOPPED, NO_GO_ENTERED, BURR, NOT_CLEAN, CRACKED, UNKNOWN_PART,
    TEMPERATURE_LEFT_OUT, PATTERN_INCOMPLETE,
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
    "pattern-incomplete": "holes of the pattern are not placed yet; a pattern of fewer holes floats to a better fit",
}
