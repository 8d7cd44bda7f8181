"""Takes a bus and a span of addresses, gives the accesses that tell most of its lines and cells."""

from __future__ import annotations

from busdecode.plan.address_lines import plan_each_in_turn, plan_own_address, plan_powers
from busdecode.plan.budget import choose
from busdecode.plan.candidates import Candidates, Prediction, line_candidates, separated
from busdecode.plan.cells import is_always_found, march_coverage, march_operations, plan_march
from busdecode.plan.data_lines import plan_data_lines
from busdecode.plan.discern import Discerned, discern
from busdecode.plan.lanes import legal_parts, plan_lanes, plan_strobes
from busdecode.plan.march import MARCHES, Element, March, parse_march, written_march
from busdecode.plan.methods import METHODS, Method, make_plan
from busdecode.plan.planned import MOST_ACCESSES, Plan, Planned, joined
from busdecode.plan.vectors import VECTOR_SETS, backgrounds, stripes
from busdecode.plan.window import Window, open_window
from busdecode.plan.written import WARNING, as_c, as_csv

__all__ = [
    "MARCHES",
    "METHODS",
    "MOST_ACCESSES",
    "VECTOR_SETS",
    "WARNING",
    "Candidates",
    "Discerned",
    "Element",
    "March",
    "Method",
    "Plan",
    "Planned",
    "Prediction",
    "Window",
    "as_c",
    "as_csv",
    "backgrounds",
    "choose",
    "discern",
    "is_always_found",
    "joined",
    "legal_parts",
    "line_candidates",
    "make_plan",
    "march_coverage",
    "march_operations",
    "open_window",
    "parse_march",
    "plan_data_lines",
    "plan_each_in_turn",
    "plan_lanes",
    "plan_march",
    "plan_own_address",
    "plan_powers",
    "plan_strobes",
    "separated",
    "stripes",
    "written_march",
]
