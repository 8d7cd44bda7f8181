"""Takes a capture and a bus, gives the cycle table; and from transfers makes captures."""

from __future__ import annotations

from busdecode.cycles.condense import pulled
from busdecode.cycles.decode import Decoder, decode
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
from busdecode.cycles.simulate import Simulation
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
    "CycleTable",
    "DecodedPlace",
    "Decoder",
    "Rows",
    "Sampling",
    "Simulation",
    "Synthesis",
    "bind",
    "binding_notes",
    "concatenate",
    "decode",
    "decode_capture",
    "decode_places",
    "gather",
    "has_operands",
    "lane_bits_of",
    "mask_of",
    "operand_of",
    "operands",
    "operands_note",
    "pulled",
    "stream_tables",
    "synthesise",
    "synthesise_log",
    "transfers_of",
]
