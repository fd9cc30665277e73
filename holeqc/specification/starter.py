"""The commented starter of a kit file: valid as it stands, with every table to take or leave."""

from __future__ import annotations

from holeqc.specification.keys import all_keys, headline

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
lower = 0.455
upper = 0.462
# or a class:                    class = "H11" and nominal = 12
# or nominal with deviations:    nominal = 0.455, plus = 0.007, minus = 0

[[hole]]                       # one block a hole: id, basic dimensions, and the bushing that makes it
id = "1"
x = 1.5
y = 1.25
# bushing = "B1"
# size = {{ upper = 0.460 }}     # a hole that differs says so itself, here and in form, position, edge, surface, plugs,
# edge = false                 # pin and rework; false: not asked of this hole

[[hole]]
id = "2"
x = 4.5
y = 1.25

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
# out_of_roundness = 0.003
# taper = 0.003                # between walls

# [position]                   # diametral
# tolerance = 0.060            # to the datums
# condition = "MMC"            # RFS, MMC or LMC
# pattern_tolerance = 0.011    # hole to hole, the pattern floating
# pattern_condition = "MMC"

# [edge]
# minimum_diameters = 2.0      # and, or: minimum = 0.9

# [surface]
# clean = true
# burr_free = true

# [plugs]
# go = 0.455
# no_go = 0.462

# [pin]                        # pins of the mating assembly
# id = "7/16 pin"
# lower = 0.4345
# upper = 0.4360
# position_tolerance = 0.008   # of the pins among themselves

# [outline]                    # corners of the part, for pictures and edge distance
# points = [[0, 0], [6, 0], [6, 2.5], [0, 2.5]]

# [[gauge]]
# id = "gauge number"
# kind = "two-point bore gauge"
# measures = ["diameter"]      # also x, y, edge_distance, go, no_go, plug, surface
# uncertainty = 0.0003         # U at k = 2, in use
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
# drill = "29/64"
# reamers = ["0.4575", "0.4600"]

# [rework]                     # without it: no rework is permitted
# ream_up_to = 0.460

# [datum_shift]
# holes = ["1", "2"]
# boundary = 0.444

# [headings]                   # how the shop's own sheets call a column
# "Dia A" = "diameter"

# [approval]
# two_person = true
# signed = false
"""


def starter(kit_id: str = "NEW-1", file: str = "KIT.toml") -> str:
    """Return the text of a starter kit file; ``file`` is named in its remarks."""
    quoted = kit_id.replace("\\", "\\\\").replace('"', '\\"')
    return STARTER.format(id=quoted, file=file)


def keys_text(table: str = "") -> str:
    """Return what every key means, or the keys of one table, at most 80 columns wide."""
    import textwrap

    lines: list[str] = []
    current = ""
    for key in all_keys():
        if table and key.table != table:
            continue
        if key.table != current:
            current = key.table
            lines += [*([""] if lines else []), headline(current)]
        about = [f"Allowed: {key.allowed}.", f"Default: {key.default}."]
        if key.unit:
            about[0] = f"Allowed: {key.allowed} [{key.unit}]."
        lines += textwrap.wrap(f"{key.name}   {key.meaning}", 80, initial_indent="  ", subsequent_indent="      ")
        example = key.example if "=" in key.example else f"{key.name} = {key.example}"
        for text in (" ".join(about), f"Example: {example}"):
            lines += textwrap.wrap(text, 80, initial_indent="      ", subsequent_indent="      ",
                                   break_on_hyphens=False)  # fmt: skip
    return "\n".join(lines) + "\n"
