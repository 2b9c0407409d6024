"""Practising: ground for it, a deposit, hidden targets, and the debrief of recorded tracks."""
