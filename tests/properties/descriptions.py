"""Descriptions of invented buses that are unlike the bundled ones; each figure is invented."""

from __future__ import annotations

__all__ = ["BLOCK", "PIPELINED", "SIZED"]

_SOURCE = """
[[sources]]
document = "Invented for this test"
section = "none"
status = "invented"
"""

SIZED = f"""
name = "sized16"
title = "16 bits, little-endian, an active-high strobe, fixed timing, lanes by size and A0"
invented = true
{_SOURCE}
[lines]
"A[19:0]" = {{ role = "address", driver = "host" }}
"D[15:0]" = {{ role = "data", driver = "both" }}
EN   = {{ role = "strobe", active = "high", driver = "host", pull = "down" }}
DIR  = {{ role = "direction", active = "high", driver = "host" }}
WORD = {{ role = "size", active = "high", driver = "host" }}

[address]
lines = "A[19:0]"

[data]
lines = "D[15:0]"
byte_order = "little"

[[lanes.table]]
levels = {{ WORD = 1, A0 = 0 }}
lanes = "11"

[[lanes.table]]
levels = {{ WORD = 0, A0 = 0 }}
lanes = "01"

[[lanes.table]]
levels = {{ WORD = 0, A0 = 1 }}
lanes = "10"

[cycle]
begins = "EN rises"
ends = "EN falls"

[beat]
begins = "EN asserted"
ends = "EN negated"

[[kinds]]
name = "write"
direction = "write"
levels = {{ DIR = 1 }}

[[kinds]]
name = "read"
direction = "read"
levels = {{ DIR = 0 }}

[sampling]
shortest_pulse = "100 ns"

[making]
idle = "100..200 ns"
watchdog = "5 us"

[[making.steps]]
name = "address"
by = "host"
stage = "open"
do = "drive address, drive kind, drive size"
after = {{}}

[[making.steps]]
name = "enable"
by = "host"
stage = "open"
do = "assert EN"
after = {{ address = "40..60 ns" }}

[[making.steps]]
name = "write_data"
by = "host"
stage = "beat"
for = ["write"]
do = "drive data"
after = {{ enable = "10..40 ns" }}

[[making.steps]]
name = "write_end"
by = "host"
stage = "beat"
for = ["write"]
do = "negate EN"
after = {{ enable = "150..200 ns" }}

[[making.steps]]
name = "present"
by = "card"
stage = "beat"
for = ["read"]
do = "drive data"
after = {{ "EN asserted" = "30..80 ns" }}

[[making.steps]]
name = "read_end"
by = "host"
stage = "beat"
for = ["read"]
do = "take data, negate EN"
after = {{ enable = "150..200 ns" }}

[[making.steps]]
name = "keep"
by = "card"
stage = "beat"
for = ["write"]
do = "take data"
after = {{ "EN negated" = "0 ns" }}

[[making.steps]]
name = "withdraw"
by = "card"
stage = "beat"
for = ["read"]
do = "release data"
after = {{ present = "0 ns", "EN negated" = "5..30 ns" }}

[[making.steps]]
name = "off"
by = "host"
stage = "close"
do = "release address, release kind, release size, release data"
after = {{ write_end = "30..60 ns", read_end = "30..60 ns" }}
"""

BLOCK = f"""
name = "block32"
title = "One address, then as many beats of 32 bits as wanted, each acknowledged"
invented = true
{_SOURCE}
[lines]
"A[23:2]" = {{ role = "address", driver = "host" }}
"D[31:0]" = {{ role = "data", driver = "both" }}
AS  = {{ role = "strobe", active = "low", driver = "host", pull = "up" }}
DS  = {{ role = "strobe", active = "low", driver = "host", pull = "up" }}
WR  = {{ role = "direction", active = "low", driver = "host", pull = "up" }}
ACK = {{ role = "acknowledge", active = "low", driver = "card", pull = "up" }}

[address]
lines = "A[23:2]"
later_beats = "next"

[data]
lines = "D[31:0]"
byte_order = "big"

[cycle]
begins = "AS asserts"
ends = "AS negates"

[beat]
begins = "DS asserted"
ends = "DS negated"

[phases]
acknowledge = "ACK asserted"

[ended]
acknowledged = ["ACK"]
timeout = "4 us"

[[kinds]]
name = "write"
direction = "write"
levels = {{ WR = 0 }}

[[kinds]]
name = "read"
direction = "read"
levels = {{ WR = 1 }}

[sampling]
shortest_pulse = "80 ns"

[making]
idle = "100..200 ns"
watchdog = "5 us"

[[making.steps]]
name = "address"
by = "host"
stage = "open"
do = "drive address, drive kind"
after = {{}}

[[making.steps]]
name = "address_strobe"
by = "host"
stage = "open"
do = "assert AS"
after = {{ address = "40..60 ns" }}

[[making.steps]]
name = "write_data"
by = "host"
stage = "beat"
for = ["write"]
do = "drive data"
after = {{ address_strobe = "20..40 ns" }}

[[making.steps]]
name = "write_strobe"
by = "host"
stage = "beat"
for = ["write"]
do = "assert DS"
after = {{ write_data = "30..60 ns" }}

[[making.steps]]
name = "read_strobe"
by = "host"
stage = "beat"
for = ["read"]
do = "assert DS"
after = {{ address_strobe = "30..60 ns" }}

[[making.steps]]
name = "present"
by = "card"
stage = "beat"
for = ["read"]
do = "drive data"
after = {{ "AS asserted and DS asserted" = "30..90 ns" }}

[[making.steps]]
name = "read_acknowledge"
by = "card"
stage = "beat"
for = ["read"]
do = "assert ACK"
after = {{ present = "20..60 ns" }}
waits = "100..400 ns"

[[making.steps]]
name = "write_acknowledge"
by = "card"
stage = "beat"
for = ["write"]
do = "take data, assert ACK"
after = {{ "AS asserted and DS asserted" = "30..90 ns" }}
waits = "100..400 ns"

[[making.steps]]
name = "read_end"
by = "host"
stage = "beat"
for = ["read"]
do = "take data, negate DS"
after = {{ read_strobe = "90..100 ns", "ACK asserted" = "40..80 ns" }}

[[making.steps]]
name = "write_end"
by = "host"
stage = "beat"
for = ["write"]
do = "negate DS"
after = {{ write_strobe = "90..100 ns", "ACK asserted" = "40..80 ns" }}

[[making.steps]]
name = "withdraw"
by = "card"
stage = "beat"
for = ["read"]
do = "release data, negate ACK"
after = {{ read_acknowledge = "0 ns", "DS negated" = "10..40 ns" }}

[[making.steps]]
name = "acknowledge_off"
by = "card"
stage = "beat"
for = ["write"]
do = "negate ACK"
after = {{ write_acknowledge = "0 ns", "DS negated" = "10..40 ns" }}

[[making.steps]]
name = "write_off"
by = "host"
stage = "beat"
for = ["write"]
do = "release data"
after = {{ write_end = "20..40 ns" }}

[[making.steps]]
name = "next"
by = "host"
stage = "beat"
do = "another beat"
after = {{ read_end = "80..120 ns", write_end = "80..120 ns", "ACK negated" = "10..20 ns" }}

[[making.steps]]
name = "address_strobe_off"
by = "host"
stage = "close"
do = "negate AS"
after = {{ "ACK negated" = "20..40 ns" }}

[[making.steps]]
name = "address_off"
by = "host"
stage = "close"
do = "release address, release kind"
after = {{ address_strobe_off = "20..40 ns" }}
"""

PIPELINED = f"""
name = "pipelined8"
title = "The next address may be out while the data of the last one still moves"
invented = true
{_SOURCE}
[lines]
"A[7:0]" = {{ role = "address", driver = "host" }}
"D[7:0]" = {{ role = "data", driver = "both" }}
ALE = {{ role = "strobe", active = "high", driver = "host", pull = "down" }}
STB = {{ role = "strobe", active = "low", driver = "host", pull = "up" }}
WR  = {{ role = "direction", active = "low", driver = "host", pull = "up" }}

[address]
lines = "A[7:0]"

[data]
lines = "D[7:0]"
byte_order = "big"

[cycle]
begins = "ALE falls"
ends = "ALE rises"
pipelined = true

[beat]
begins = "STB asserts"
ends = "STB negates"

[take]
kind = "at data"

[[kinds]]
name = "write"
direction = "write"
levels = {{ WR = 0 }}

[[kinds]]
name = "read"
direction = "read"
levels = {{ WR = 1 }}

[sampling]
shortest_pulse = "40 ns"

[making]
idle = "100 ns"
watchdog = "5 us"
"""
