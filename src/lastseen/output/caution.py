"""What is always said, on every sheet and in every file."""

from __future__ import annotations

SHORT_CAUTION = (
    "Planning and training aid, not a hazard forecast and no basis for go or no-go decisions. Debris and people can "
    "lie outside the drawn areas. In a real accident the local rescue service leads; local rules come first."
)

FULL_CAUTION = (
    "Planning and training aid. The model results are uncertain: debris and people can lie outside the drawn areas. "
    "This is not a hazard forecast and no basis for go or no-go decisions. In a real accident follow your training, "
    "the incident lead and the local rescue service, and check the scene for further danger first. Learn and practise "
    "with a qualified instructor. Local rules come first."
)
