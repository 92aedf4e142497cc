"""The session folder: what a person said, what was computed, what is current."""
