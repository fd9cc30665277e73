"""How much each cause moves a hole: shares of the mean square deviation of a coordinate, and what can't be told "
"apart."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from holeqc.quantities import FloatArray
from holeqc.wear.history import History
from holeqc.wear.separate import Separation

RESAMPLES = 999
LEAST = 10  #: parts for shares
CAUSES = ("seating shift", "seating turn", "scale", "bushing offset", "bushing drift", "scatter")
MEANING = {
    "seating shift": "the part lay shifted in the fixture, from part to part",
    "seating turn": "the part lay turned in the fixture, from part to part",
    "scale": "all distances longer or shorter together: temperature, or the measuring machine's frame",
    "bushing offset": "bushings that sit off from the start",
    "bushing drift": "bushings whose place has moved during the history",
    "scatter": "the rest, hole by hole: drill wander, play in the bushing, gauge",
}


@dataclass(frozen=True, slots=True)
class Share:
    """A cause: its standard deviation at a hole in one coordinate, its share of the whole, and the share's interval."""

    cause: str
    sd: float
    share: float
    lower: float
    upper: float


def variance_shares(separation: Separation, nominal: FloatArray, *, seed: int = 1) -> tuple[Share, ...]:
    """Return the mean square that each cause adds to a coordinate of a hole, with 95 % bootstrap intervals.

    What the scatter adds to a seating that is estimated from N holes is taken off (expected mean squares of least
    squares: s²/N for the shift, s²/2N for turn and scale each). Parts are drawn anew in runs of P^(1/3) neighbours, so
    that what hangs together in time stays together (Künsch, Annals of Statistics 17, 1989); 999 draws, percentiles.
    Empty for fewer than `LEAST` parts.
    """
    terms = _terms(separation, nominal)
    terms = terms[np.isfinite(terms).all(axis=1)]
    parts = terms.shape[0]
    if parts < LEAST:
        return ()
    length = max(1, round(parts ** (1 / 3)))
    runs = parts // length
    sums = terms[: runs * length].reshape(runs, length, -1).mean(axis=1)
    rng = np.random.default_rng(seed)
    weights = rng.multinomial(runs, np.full(runs, 1.0 / runs), RESAMPLES) / runs
    holes = float(separation.rest.shape[1])
    drawn = _squares(weights @ sums, holes)
    found = _squares(terms.mean(axis=0), holes)
    low, high = np.percentile(drawn / drawn.sum(axis=1, keepdims=True), [2.5, 97.5], axis=0)
    total = float(found.sum()) or 1.0
    return tuple(
        Share(
            cause,
            float(np.sqrt(square)),
            float(square / total),
            float(min(a, square / total)),
            float(max(b, square / total)),
        )
        for cause, square, a, b in zip(CAUSES, found, low, high, strict=True)
    )


def _terms(s: Separation, nominal: FloatArray) -> FloatArray:
    """Return per part the means whose squares and sums make the components (P,11)."""
    reach = float(((nominal - s.centre) ** 2).sum(axis=1).mean()) / 2
    constant = _at_first(s)
    drift = s.local - constant
    free = 1.0 - (2.0 if s.scaled else 1.5) / s.rest.shape[1]
    gone = (s.rest - s.local) ** 2
    counted = np.isfinite(gone) & (s.weight > 0.01)[..., None]
    scatter = np.where(counted, gone, 0.0).sum(axis=(1, 2)) / np.maximum(counted.sum(axis=(1, 2)), 1) / free
    mean, turn, scale = s.shift, s.rotation, s.scale
    return np.stack([
        mean[:, 0], mean[:, 1], (mean**2).mean(axis=1), turn * np.sqrt(reach), turn**2 * reach,
        scale * np.sqrt(reach), scale**2 * reach, np.full(len(turn), (constant**2).mean()),
        (drift**2).mean(axis=(1, 2)), scatter,
    ], axis=1)  # fmt: skip


def _at_first(s: Separation) -> FloatArray:
    """Return where the bushings (H,2) sit apart from their drift: at first those that move, on the whole the others.

    A bushing moves where the difference of its two halves is beyond four standard errors of the scatter.
    """
    from holeqc.wear.separate import NEIGHBOURS

    parts = s.local.shape[0]
    half = max(parts // 2, 1)
    moved = np.abs(np.nanmean(s.local[:half], axis=0) - np.nanmean(s.local[-half:], axis=0))
    moves = (moved > 4.0 * 1.2533 * s.scatter * np.sqrt(2.0 / half)).any(axis=1)
    first = np.nanmedian(s.local[: min(NEIGHBOURS, half)], axis=0)
    return np.where(moves[:, None], first, np.nanmedian(s.local, axis=0))


def _squares(m: FloatArray, holes: float) -> FloatArray:
    """Return the components (..., 6) from means of the terms, what the scatter feigns taken off, none below 0."""
    noise = m[..., 9]
    shift = m[..., 2] - 0.5 * (m[..., 0] ** 2 + m[..., 1] ** 2) - noise / holes
    turn = m[..., 4] - m[..., 3] ** 2 - noise / (2 * holes)
    scale = m[..., 6] - m[..., 5] ** 2 - noise / (2 * holes)
    return np.maximum(np.stack([shift, turn, scale, m[..., 7], m[..., 8], noise], axis=-1), 0.0)


def identifiability(history: History, separation: Separation) -> tuple[str, ...]:
    """Return in words, with numbers, what this many parts and holes can and cannot tell apart."""
    holes, parts = len(history.holes), len(history)
    taken = 4 if separation.scaled else 3
    many = max(0, (holes - 2) // 2)
    said = [
        f"{holes} holes give {2 * holes} coordinates a part; shift, turn{' and scale' if separation.scaled else ''} "
        f"take {taken} of them, so {2 * holes - taken} are left to tell the bushings apart.",
        "Bushings that have moved together as a shifted, turned or scaled pattern look like a seating and can't be "
        "told from one: offsets are of each bushing against the pattern that most bushings agree on.",
    ]
    if many:
        said.append(
            f"Up to {many} of {holes} bushings that are off by themselves are told; with more, which ones are right is "
            "a guess."
        )
    else:
        said.append(f"With {holes} holes it can't be told which bushing is off; 4 are needed for one.")
    mean = np.nanmean(separation.shift, axis=0)
    error = np.nanstd(separation.shift, axis=0) / np.sqrt(max(parts, 1))
    unit = history.unit
    said.append(
        f"The mean seating over {parts} parts is ({mean[0]:+.4f}, {mean[1]:+.4f}) {unit}, standard error "
        f"({error[0]:.5f}, {error[1]:.5f}) {unit}; whether the stops or the whole drill plate sit off, these readings "
        "can't tell: set the fixture on a coordinate table."
    )
    single = separation.scatter * np.sqrt(holes / (holes - taken / 2)) if holes > 2 else separation.scatter
    said.append(
        f"One part places a bushing to about {2 * single:.4f} {unit} (2 sd), {parts} parts to about "
        f"{2 * single / np.sqrt(max(parts, 1)):.5f} {unit}, if nothing moves."
    )
    if np.isfinite(history.gauge_scatter) and separation.scatter > 0:
        part = min(1.0, history.gauge_scatter**2 / separation.scatter**2)
        said.append(
            f"The gauge's U alone would give a scatter of up to {history.gauge_scatter:.5f} {unit}, at most "
            f"{100 * part:.0f} % of the square of the scatter that is left ({separation.scatter:.5f} {unit})."
        )
    return tuple(said)
