"""Arcs and contacts in metres from tracks and a camera."""

from halfvolley.flight.find import find_flights
from halfvolley.flight.settings import FlightSettings

__all__ = ["FlightSettings", "find_flights"]
