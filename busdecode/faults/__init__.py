"""Takes what host and card drive, gives the levels that a bus with a fault makes of it."""

from __future__ import annotations

from busdecode.faults.kinds import (
    BRIDGE_RULES,
    Bridge,
    CardSide,
    EarlyAcknowledge,
    Fault,
    Intermittent,
    Lane,
    LateAcknowledge,
    LateData,
    NoAcknowledge,
    OnlyWhen,
    Open,
    ReadDriver,
    SlowRelease,
    Stuck,
    Swapped,
    WriteReceiver,
)
from busdecode.faults.nodes import Drive, Levels, Network
from busdecode.faults.notation import forms, parse_fault, written_fault

__all__ = [
    "BRIDGE_RULES",
    "Bridge",
    "CardSide",
    "Drive",
    "EarlyAcknowledge",
    "Fault",
    "Intermittent",
    "Lane",
    "LateAcknowledge",
    "LateData",
    "Levels",
    "Network",
    "NoAcknowledge",
    "OnlyWhen",
    "Open",
    "ReadDriver",
    "SlowRelease",
    "Stuck",
    "Swapped",
    "WriteReceiver",
    "forms",
    "parse_fault",
    "written_fault",
]
