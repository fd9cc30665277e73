"""The commented starter of a kit file: valid as it stands, with every table to take or leave."""

from __future__ import annotations

from holeqc.specification.keys import headline, keys_like

#: numbers of the starter that stand on no drawing and are refused until they are changed
STARTER_SIZE = {"lower": 0.1111, "upper": 0.1122}
STARTER_PLACES = {1: (1.111, 1.111), 2: (2.222, 1.111)}

STARTER = """\
# What the drawing asks of one kit. Change every number to what YOUR drawing says, take out what it doesn't ask, and lay
# the result of  holeqc kit show {file}  beside the drawing before relying on it.
# Lengths are in the unit of [kit], typed as 0.455 or as text: "29/64", "11.5 mm". Limits are inclusive.
# A line that begins with # is a remark. holeqc kit keys says what each key means.

[kit]
id = "{id}"
title = "what the kit is"
revision = "A"
unit = "in"                    # in or mm
# drawing = "drawing number"

[size]                         # limits of size of every hole
lower = 0.1111
upper = 0.1122
# or a class:                    class = "H11" and nominal = 12
# or nominal with deviations:    nominal = 0.1111, plus = 0.0011, minus = 0 (how far, without a sign)

[[hole]]                       # one block a hole: id, basic dimensions, and the bushing that makes it
id = "1"
x = 1.111
y = 1.111
# bushing = "B1"
# size = {{ upper = 0.1120 }}    # a hole that differs says so itself, here and in form, position, edge, surface, plugs,
# edge = false                 # pin and rework; false: not asked of this hole

[[hole]]
id = "2"
x = 2.222
y = 1.111

# ---- take what the drawing asks, leave the rest out ----------------------------------------------------------------

# [[part]]                     # without it: one part
# name = "port"
# title = "port plate"
# number = "part number"

# [[part]]                     # the opposite hand is declared, not retyped
# name = "starboard"
# mirror_of = "port"
# mirror = "x"                 # x becomes -x
# own_edges = true             # readings are taken positive from its own edges

# [fixture]
# id = "fixture number"
# note = "how it is clamped"

# [walls]                      # without it: one wall
# names = ["near", "far"]      # the drill's entry side first
# stack_depth = 1.25

# [form]
# out_of_roundness = 0.0005
# taper = 0.0005               # between walls

# [position]                   # diametral
# tolerance = 0.040            # to the datums
# condition = "MMC"            # RFS, MMC or LMC
# pattern_tolerance = 0.006    # hole to hole, the pattern floating
# pattern_condition = "MMC"

# [edge]
# minimum_diameters = 2.0      # and, or: minimum = 0.25

# [surface]
# clean = true
# burr_free = true

# [plugs]
# go = 0.1111
# no_go = 0.1122

# [pin]                        # pins of the mating assembly
# id = "1/10 pin"
# lower = 0.1000
# upper = 0.1010
# position_tolerance = 0.004   # of the pins among themselves

# [outline]                    # corners of the part, for pictures and edge distance
# points = [[0, 0], [4, 0], [4, 2], [0, 2]]

# [[gauge]]
# id = "gauge number"
# kind = "two-point bore gauge"
# measures = ["diameter"]      # also x, y, edge_distance, go, no_go, plug, surface
# uncertainty = 0.0001         # U at k = 2, in use
# resolution = 0.0001
# calibration_due = 2027-03-31
# expansion_per_c = 11.5e-6

# [plan]                       # what is read on each hole
# directions = [0, 90]
# count = 1
# diameter_gauge = "gauge number"

# [decision]
# rule = "simple"              # simple, guarded or relaxed
# guard_factor = 1.0

# [rounding]
# method = "absolute"          # ASTM E29: absolute or rounding

# [temperature]
# correct = false
# part_expansion_per_c = 23.1e-6

# [tools]
# drill = "#35"
# reamers = ["0.1115", "0.1120"]

# [rework]                     # without it: no rework is permitted
# ream_up_to = 0.1120

# [datum_shift]
# holes = ["1", "2"]
# boundary = 0.105

# [headings]                   # how the shop's own sheets call a column
# "Dia A" = "diameter"

# [wall_names]                 # what the shop's sheets call a wall
# "skin" = "single"

# [designators]                # how the drawing marks what is key or critical
# "hole-to-hole position" = "KC"

# [approval]
# two_person = true
# signed = false

# [confirmed]                  # what a drawing hardly asks, in the words of the problem, and why it holds
# "wide position tolerance: ..." = "who confirms it, and why"
"""


def starter(kit_id: str = "NEW-1", file: str = "KIT.toml") -> str:
    """Return the text of a starter kit file; ``file`` is named in its remarks."""
    quoted = kit_id.replace("\\", "\\\\").replace('"', '\\"')
    return STARTER.format(id=quoted, file=file)


def keys_text(word: str = "") -> str:
    """Return what every key means, or those that a word asks for, at most 80 columns wide; '' where none is meant."""
    import textwrap

    keys, taken_as = keys_like(word)
    lines: list[str] = [*textwrap.wrap(f"Keys of {taken_as}", 80), ""] if taken_as else []
    current = ""
    for key in keys:
        if key.table != current:
            lines += [*([""] if current else []), headline(key.table)]
            current = key.table
        about = [f"Allowed: {key.allowed}.", f"Default: {key.default}."]
        if key.unit:
            about[0] = f"Allowed: {key.allowed} [{key.unit}]."
        lines += textwrap.wrap(f"{key.name}   {key.meaning}", 80, initial_indent="  ", subsequent_indent="      ")
        example = key.example if "=" in key.example else f"{key.name} = {key.example}"
        for text in (" ".join(about), f"Example: {example}"):
            lines += textwrap.wrap(text, 80, initial_indent="      ", subsequent_indent="      ",
                                   break_on_hyphens=False)  # fmt: skip
    if keys and {key.table for key in keys} == {"confirmed"}:
        from holeqc.specification.doubts import CHECKS

        lines += ["", "What stops a kit until it is mended or confirmed, and what each line rests on"]
        for check, why in CHECKS.items():
            lines += textwrap.wrap(f"{check}: {why}", 80, initial_indent="  ", subsequent_indent="      ")
    return "\n".join(lines) + "\n" if keys else ""
