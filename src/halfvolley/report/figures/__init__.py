"""Figures of the report: data in, a Matplotlib figure out, no name of a person in it.

Titles stand outside, so that they can be read aloud, translated and searched; a figure that is
saved alone gets its title above.
"""
