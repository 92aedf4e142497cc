"""How the numbers were made, and what they must not be used for."""

from halfvolley.report.document import Items, Section, Words
from halfvolley.report.material import Material


def methods_section(m: Material) -> Section:
    """Methods and cautions."""
    say = m.say
    methods = (
        say("Places and flights come from one fixed camera: the white lines of the table tell "
            "where it stands, and the laws of flight tell the depth that one picture lacks."),
        say("Every number carries its error. ± and intervals hold the truth with 95 % unless one "
            "standard deviation is named; a 95 % ellipse holds both coordinates at once."),
        say("Places are told as the striker sees them, so that strokes from both ends, and from "
            "before and after a change of ends, lie on one map. Thirds: 0.46 m of depth, 0.51 m of "
            "width."),
        say("Shares have Wilson's interval, medians the interval between two of the values; fewer "
            "than six values have none. A preference is named only where it stands after a "
            "correction for having looked at nine fields."),
        say("Density: Gaussian kernels as wide as Silverman's rule and the bounce's own error say; "
            "the areas are the smallest that hold half and nine tenths of the balls."),
        say("Kinds of strokes follow a published rule on speed, spin, height and timing; the words "
            "have no sharp borders, so 'unknown' is one of the answers."),
        say("Rallies end by the laws of the game; where the touches that decide were not seen, the "
            "winner is unknown."),
        say("Topspin is positive, backspin negative: the part of the spin about the horizontal "
            "axis across the flight."),
    )  # fmt: skip
    cautions = (
        say("Strokes of one rally are not quite independent: true intervals are a little wider."),
        say("An error that all strokes share (a camera a little off, the law of lift) is in each "
            "error bar, but not in the interval of a share or median."),
        say("Many looks find something by chance. What surprises in one session should be looked "
            "for in the next before training follows it."),
        say("It is not an umpire: an edge ball, a net touch or a let within the error stays "
            "undecided."),
        say("Ask everybody in the picture before showing it. For children, no names with pictures, "
            "and the written consent of child and parent."),
    )  # fmt: skip
    blocks = (
        Items(say("Methods"), tuple(map(Words, methods))),
        Items(say("Cautions"), tuple(map(Words, cautions))),
    )
    return Section("methods", say("Methods and cautions"), say("How to read these numbers"), blocks)
