"""Takes a capture and a bus, gives the cycle table; and from transfers makes captures."""

from __future__ import annotations

from busdecode.cycles.coarse import why_too_coarse
from busdecode.cycles.condense import pulled
from busdecode.cycles.decode import ROWS_AT_ONCE, Decoder, decode
from busdecode.cycles.driven import MOMENTS, Form, Run, healthy_runs, moment_of
from busdecode.cycles.ideal import ideal_cycles
from busdecode.cycles.join import joined
from busdecode.cycles.looks import Looks, begins_by_all, ends_by_others, looks_of, strobes_of
from busdecode.cycles.moments import Moments, first_from, last_until
from busdecode.cycles.occurrences import MISSING, Rows, gather, mask_of
from busdecode.cycles.operands import has_operands, operand_of, operands, operands_note
from busdecode.cycles.places import (
    DecodedPlace,
    bind,
    binding_notes,
    decode_capture,
    decode_places,
    stream_tables,
)
from busdecode.cycles.seen import CardView
from busdecode.cycles.sight import moment_name
from busdecode.cycles.simulate import Simulation, without_port
from busdecode.cycles.synthesise import (
    Sampling,
    Synthesis,
    synthesise,
    synthesise_log,
    transfers_of,
)
from busdecode.cycles.table import DIRECTIONS, ENDINGS, CycleTable, concatenate, lane_bits_of

__all__ = [
    "DIRECTIONS",
    "ENDINGS",
    "MISSING",
    "MOMENTS",
    "ROWS_AT_ONCE",
    "CardView",
    "CycleTable",
    "DecodedPlace",
    "Decoder",
    "Form",
    "Looks",
    "Moments",
    "Rows",
    "Run",
    "Sampling",
    "Simulation",
    "Synthesis",
    "begins_by_all",
    "bind",
    "binding_notes",
    "concatenate",
    "decode",
    "decode_capture",
    "decode_places",
    "ends_by_others",
    "first_from",
    "gather",
    "has_operands",
    "healthy_runs",
    "ideal_cycles",
    "joined",
    "lane_bits_of",
    "last_until",
    "looks_of",
    "mask_of",
    "moment_name",
    "moment_of",
    "operand_of",
    "operands",
    "operands_note",
    "pulled",
    "stream_tables",
    "strobes_of",
    "synthesise",
    "synthesise_log",
    "transfers_of",
    "why_too_coarse",
    "without_port",
]
