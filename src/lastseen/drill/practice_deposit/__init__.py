"""A deposit to practise on: its shape laid over a site, and how a machine pushes it together."""

from lastseen.drill.practice_deposit.laying import (
    DepositModel,
    SiteFrame,
    SnowShape,
    lay_modelled,
    lay_sized,
)
from lastseen.drill.practice_deposit.planned import LIMITS, PracticeDeposit, summary
from lastseen.drill.practice_deposit.pushing import Haul, PushPlan, Stake, plan_pushing

__all__ = [
    "LIMITS",
    "DepositModel",
    "Haul",
    "PracticeDeposit",
    "PushPlan",
    "SiteFrame",
    "SnowShape",
    "Stake",
    "lay_modelled",
    "lay_sized",
    "plan_pushing",
    "summary",
]
