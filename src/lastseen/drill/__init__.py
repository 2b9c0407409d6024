"""Practising a search: ground, targets, sheets and the debrief of recorded tracks."""
