"""Takes what host and card drive, gives the levels that a bus with a fault makes of it."""

from __future__ import annotations

from busdecode.faults.kinds import (
    BRIDGE_RULES,
    Bridge,
    Fault,
    Lane,
    LateData,
    NoAcknowledge,
    Open,
    ReadDriver,
    Stuck,
    Swapped,
    WriteReceiver,
    forms,
    parse_fault,
    written_fault,
)
from busdecode.faults.nodes import Drive, Levels, Network

__all__ = [
    "BRIDGE_RULES",
    "Bridge",
    "Drive",
    "Fault",
    "Lane",
    "LateData",
    "Levels",
    "Network",
    "NoAcknowledge",
    "Open",
    "ReadDriver",
    "Stuck",
    "Swapped",
    "WriteReceiver",
    "forms",
    "parse_fault",
    "written_fault",
]
