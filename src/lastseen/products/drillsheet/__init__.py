"""The sheets of a drill as PDF: staff, trainees, running times, debrief of a searcher and of the team."""
