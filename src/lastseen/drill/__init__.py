"""Practising: ground for it, a deposit to practise on, targets, sheets, and the debrief of recorded tracks."""
