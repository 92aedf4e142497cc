"""Arcs and contacts in metres from tracks and a camera."""
