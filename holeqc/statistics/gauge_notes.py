"""What a person should know beside the numbers of a gauge study, in plain sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from holeqc.statistics.gauge_layout import CROSSED, NESTED, ONE_APPRAISER, ONE_PART, REPEATS, FloatArray, Layout

if TYPE_CHECKING:
    from holeqc.statistics.gauge_study import Share

STEPS_SOUGHT = 9  #: decimals in which a smallest step of readings is looked for


def detected_step(values: FloatArray) -> float | None:
    """Return the largest step of which every difference of the readings is a whole multiple, None if there is none.

    That is the resolution at which the readings were written down; the gauge may be finer. Steps below 1e-9 aren't
    sought, nor any in readings that all agree.
    """
    offsets = np.unique(values) - np.min(values)
    if offsets.size < 2:
        return None
    for decimals in range(STEPS_SOUGHT + 1):
        scaled = offsets * 10.0**decimals
        whole = np.rint(scaled)
        # a typed decimal is off by a few units of the sixteenth digit of the reading itself
        slack = 1e-6 + 4.0 * np.spacing(np.max(np.abs(values))) * 10.0**decimals
        if whole.max() < 2.0**53 and slack < 0.1 and np.all(np.abs(scaled - whole) <= slack):
            return float(np.gcd.reduce(whole.astype(np.int64)[1:])) / 10.0**decimals
    return None


def study_notes(
    layout: Layout, shares: tuple[Share, ...], limits: tuple[float | None, float | None], multiplier: float
) -> tuple[str, ...]:
    """Return what must be said beside the result: what is missing, what can't be told, what looks wrong."""
    each = {s.name: s for s in shares}
    notes = _design_notes(layout)
    if np.ptp(layout.values) == 0.0:
        notes.append(
            "every reading is the same: the gauge's step is too coarse for these parts, or one value was copied down; "
            "nothing about the gauge can be told"
        )
        return tuple(notes)
    notes += [
        f"the estimate for {name} came out below zero ({s.raw:.4g}) and is taken as 0: too small to be told here"
        for name, s in each.items()
        if s.raw is not None and s.raw < 0.0
    ]
    gauge = each["gauge"].standard_deviation
    if gauge == 0.0:
        notes.append("repeats agree exactly: the gauge's step hides its scatter, which isn't known to be small")
    step = detected_step(layout.values)
    if step is not None and gauge is not None and step > gauge:
        notes.append(
            f"readings move in steps of {step:.6g}, more than the gauge's own standard deviation of {gauge:.4g}: "
            "the step hides the scatter"
        )
    if (limits[0] is None) != (limits[1] is None):
        notes.append("one limit only: there is no tolerance to compare the gauge with")
    share = each["gauge"].share_of_tolerance
    if share is not None:
        notes.append(
            f"{multiplier:g} standard deviations of the gauge take {share:.1f} % of the tolerance ("
            f"{_custom(share)}; common practice, no source)"
        )
    return tuple(notes)


def _custom(share: float) -> str:
    if share <= 10.0:
        return "up to 10 %: fit for the job"
    if share <= 30.0:
        return "10 to 30 %: usable where a wrong answer near the limit is bearable"
    return "above 30 %: too coarse for this tolerance"


def _design_notes(layout: Layout) -> list[str]:
    notes: list[str] = []
    if layout.missing:
        notes.append(f"{layout.missing} readings have no value and are left out")
    if not layout.balanced and layout.design not in {REPEATS}:
        how = "terms are adjusted for each other (Henderson's method 3)" if layout.design == CROSSED else (
            "expected mean squares take the unequal numbers into account"
        )
        notes.append(f"not every part was read equally often: {how}, and the intervals are approximate")
    if layout.design == NESTED:
        names = [name.rsplit(" of ", 1)[0] for name in layout.part_names]
        if len(set(names)) < len(names):
            notes.append(
                f"{len(set(names))} part names stand under several appraisers and are counted as {len(names)} parts, "
                "one for each appraiser: if they are the same parts, leave out --nested"
            )
    if layout.design == ONE_APPRAISER:
        notes.append("one appraiser: what another person would add is not in these numbers")
    if layout.design in {ONE_PART, REPEATS}:
        notes.append("one part: the gauge's scatter can be told, the parts' can not, so there are no shares of a total")
    if layout.design == CROSSED and layout.trials == 1:
        notes.append("one reading of each part by each appraiser: read each at least twice to see repeatability alone")
    if layout.design == CROSSED and layout.parts < 5:
        notes.append(f"{layout.parts} parts say little about the spread of parts; take ten that span the process")
    return notes


def suspect_pair(layout: Layout) -> tuple[str, ...]:
    """Name the part and appraiser whose repeats scatter far more than the others', by Cochran's test at 1 %.

    Source: ISO 5725-2, clause on Cochran's test (largest variance over the sum); the chance is Bonferroni's bound with
    the F distribution, close for the small chances that matter.
    """
    from scipy import stats

    r = layout.trials
    if r is None or r < 2:
        return ()
    cells, back = np.unique(layout.cell, return_inverse=True)
    mean = np.bincount(back, weights=layout.values - layout.values[0]) / r
    variance = np.bincount(back, weights=(layout.values - layout.values[0] - mean[back]) ** 2) / (r - 1)
    total = float(variance.sum())
    if cells.size < 3 or total <= 0.0:
        return ()
    worst = int(np.argmax(variance))
    others = (total - float(variance[worst])) / (cells.size - 1)
    if others <= 0.0:
        chance = 0.0
    else:
        chance = min(1.0, cells.size * float(stats.f.sf(variance[worst] / others, r - 1, (cells.size - 1) * (r - 1))))
    if chance >= 0.01:
        return ()
    part, appraiser = divmod(int(cells[worst]), layout.appraisers)
    span = layout.values[layout.cell == cells[worst]]
    who = f"part {layout.part_names[part]}"
    if layout.appraisers > 1:
        who += f", appraiser {layout.appraiser_names[appraiser]}"
    return (
        f"{who}: repeats from {span.min():.6g} to {span.max():.6g} scatter more than all others (Cochran's test, "
        f"chance {chance:.2g}); look for a slip in reading or typing before you trust the repeatability",
    )


def wide_ranges(layout: Layout, ranges: FloatArray, limit: float | None) -> tuple[str, ...]:
    """Name the pairs whose repeats range over the limit, the widest first, at most three of them."""
    if not limit:
        return ()
    over = np.flatnonzero(np.nan_to_num(ranges).ravel() > limit)
    if not over.size:
        return ()
    over = over[np.argsort(-ranges.ravel()[over], kind="stable")]
    texts = []
    for cell in over[:3]:
        part, appraiser = divmod(int(cell), layout.appraisers)
        who = layout.part_names[part]
        if layout.appraisers > 1 and layout.design == CROSSED:
            who += f" by {layout.appraiser_names[appraiser]}"
        texts.append(f"{who} ({ranges.ravel()[cell]:.4g})")
    more = f" and {over.size - 3} more" if over.size > 3 else ""
    return (
        f"repeats range wider than {limit:.4g}, the limit from the mean range: part {', '.join(texts)}{more}; read "
        "these again, a slip there makes the gauge look worse than it is",
    )
