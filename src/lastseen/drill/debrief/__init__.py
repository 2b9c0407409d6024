"""The debrief of a drill from recorded tracks."""

from lastseen.drill.debrief.band import GPS_ERROR_M, Band, Radii, radii_of
from lastseen.drill.debrief.reading import LOG_HEAD, Noted, read_log, read_tracks
from lastseen.drill.debrief.story import Debrief, Searcher, debrief
from lastseen.drill.debrief.tracks import LeftOut, RawTrack, Track, clock_text

__all__ = [
    "GPS_ERROR_M", "LOG_HEAD", "Band", "Debrief", "LeftOut", "Noted", "Radii", "RawTrack", "Searcher", "Track",
    "clock_text", "debrief", "radii_of", "read_log", "read_tracks",
]  # fmt: skip
