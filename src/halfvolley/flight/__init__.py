"""Arcs and contacts in metres from tracks and a camera."""

from halfvolley.flight.drop import DropBounce, Drops, DropSettings, find_drops
from halfvolley.flight.find import find_flights
from halfvolley.flight.settings import FlightSettings

__all__ = [
    "DropBounce",
    "DropSettings",
    "Drops",
    "FlightSettings",
    "find_drops",
    "find_flights",
]
