"""Recordings of the car: read, mapped, judged, watched live."""
