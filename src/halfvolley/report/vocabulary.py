"""Words for the labels of other rooms, as a reader meets them; catalogues translate these too."""

PHASES = {
    "serve": "serve", "return": "return", "third ball": "third ball", "rally": "later",
    "unknown": "not known",
}  # fmt: skip
KINDS = {
    "serve": "serve", "push": "push", "drive": "drive", "loop": "loop", "smash": "smash",
    "lob": "lob", "block": "block", "flick": "flick", "chop": "chop", "unknown": "unknown",
}  # fmt: skip
ENDINGS = {
    "net": "net", "out": "out", "own side": "own side", "double bounce": "second bounce",
    "missed": "missed", "let": "let", "unknown": "not known",
}  # fmt: skip
DEPTHS = {"short": "short", "half-long": "half-long", "long": "long"}
WIDTHS = {"left": "left", "middle": "middle", "right": "right"}
PUTS = {
    "short": "{name} puts {hits} of {total} balls short; {interval}",
    "half-long": "{name} puts {hits} of {total} balls half-long; {interval}",
    "long": "{name} puts {hits} of {total} balls long; {interval}",
    "left": "{name} puts {hits} of {total} balls to the left third; {interval}",
    "middle": "{name} puts {hits} of {total} balls to the middle third; {interval}",
    "right": "{name} puts {hits} of {total} balls to the right third; {interval}",
    "short left": "{name} puts {hits} of {total} balls short to the left; {interval}",
    "short middle": "{name} puts {hits} of {total} balls short to the middle; {interval}",
    "short right": "{name} puts {hits} of {total} balls short to the right; {interval}",
    "half-long left": "{name} puts {hits} of {total} balls half-long to the left; {interval}",
    "half-long middle": "{name} puts {hits} of {total} balls half-long to the middle; {interval}",
    "half-long right": "{name} puts {hits} of {total} balls half-long to the right; {interval}",
    "long left": "{name} puts {hits} of {total} balls long to the left; {interval}",
    "long middle": "{name} puts {hits} of {total} balls long to the middle; {interval}",
    "long right": "{name} puts {hits} of {total} balls long to the right; {interval}",
}
SERVES = {
    "short": "{hits} of {total} serves land short; {interval}",
    "half-long": "{hits} of {total} serves land half-long; {interval}",
    "long": "{hits} of {total} serves land long; {interval}",
}
ALL = (PHASES, KINDS, ENDINGS, DEPTHS, WIDTHS, PUTS, SERVES)
