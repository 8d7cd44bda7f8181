"""Tables of mistakes in probe lists, with their messages whole."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from busdecode.capture import bind_channels, read_probes
from busdecode.errors import ProbeListError

if TYPE_CHECKING:
    from pathlib import Path

CHANNELS = (
    "top.left.AS", "top.right.AS", "top.DTACK", "top.bus[1]", "top.bus[0]", "top.host.D3", "x.D3",
)  # fmt: skip
LINES = ("AS", "DTACK", "D3", "D1", "D0", "R/W")

LIST_MISTAKES = [
    (
        '[channels]\n"top.AS" = AS\n',
        "p.toml:2:12: this is not TOML: Invalid value\n"
        '  2 | "top.AS" = AS\n'
        "    |            ^\n"
        '  expected: a row such as "top.D3" = "D3"\n'
        "  do:       correct the row",
    ),
    (
        '[chanels]\n"a" = "AS"\n',
        "p.toml:1: chanels: no table is called 'chanels'\n"
        "  1 | [chanels]\n"
        "  expected: [channels], [groups] or [places]\n"
        "  do:       did you mean [channels]?",
    ),
    (
        "channels = 3\n",
        "p.toml:1: channels: channels must be a table, not 3\n"
        "  1 | channels = 3\n"
        "  expected: [channels]",
    ),
    (
        '[channels]\ntop.AS = "AS"\n',
        "p.toml:2: channels.top: the channel has no line, but parts below it\n"
        '  2 | top.AS = "AS"\n'
        '  expected: a name with a dot in quotes: "top.AS"\n'
        "  do:       write the quotes",
    ),
    (
        "[channels]\n"
        '"top.AS" = { lin = "AS", side = 3, inverted = "yes", skew = "2" }\n'
        "\n"
        "[groups]\n"
        'bus = "D1"\n'
        "other = 5\n"
        "[places]\n"
        '"top.card" = ""\n',
        "p.toml: 8 mistakes\n"
        "p.toml:2: channels.\"top.AS\".lin: no key is called 'lin'\n"
        '  2 | "top.AS" = { lin = "AS", side = 3, inverted = "yes", skew = "2" }\n'
        "  expected: line, side, inverted or skew\n"
        "  do:       did you mean line?\n"
        'p.toml:2: channels."top.AS": the line is not told\n'
        '  2 | "top.AS" = { lin = "AS", side = 3, inverted = "yes", skew = "2" }\n'
        '  expected: line = "D3"\n'
        "  do:       add it\n"
        'p.toml:2: channels."top.AS".side: a place must be a name, not 3\n'
        '  2 | "top.AS" = { lin = "AS", side = 3, inverted = "yes", skew = "2" }\n'
        "  expected: host, card, or the name of a slot such as slot3\n"
        "p.toml:2: channels.\"top.AS\".inverted: inverted must be true or false, not 'yes'\n"
        '  2 | "top.AS" = { lin = "AS", side = 3, inverted = "yes", skew = "2" }\n'
        "  expected: true or false\n"
        'p.toml:2: channels."top.AS".skew:'
        " a skew must be a time of 0 or more with its unit, not '2'\n"
        '  2 | "top.AS" = { lin = "AS", side = 3, inverted = "yes", skew = "2" }\n'
        '  expected: such as "2 ns"\n'
        "p.toml:5: groups.bus: a group must be a range of lines, not 'D1'\n"
        '  5 | bus = "D1"\n'
        '  expected: msb first, such as "D[15:0]"\n'
        "  do:       write the range, or move the channel to [channels]\n"
        "p.toml:6: groups.other: a line must be a name, not 5\n"
        "  6 | other = 5\n"
        '  expected: such as "D[15:0]"\n'
        "p.toml:8: places.\"top.card\": a place must be a name, not ''\n"
        '  8 | "top.card" = ""\n'
        "  expected: host, card, or the name of a slot such as slot3",
    ),
    (
        '[channels]\n"top.AS" = { line = "AS", skw = "2 ns" }\n',
        "p.toml:2: channels.\"top.AS\".skw: no key is called 'skw'\n"
        '  2 | "top.AS" = { line = "AS", skw = "2 ns" }\n'
        "  expected: line, side, inverted or skew\n"
        "  do:       did you mean skew?",
    ),
    (
        '[channels]\n"top.AS" = { side = "card" }\n',
        'p.toml:2: channels."top.AS": the line is not told\n'
        '  2 | "top.AS" = { side = "card" }\n'
        '  expected: line = "D3"\n'
        "  do:       add it",
    ),
    (
        '[channels."top.AS"]\nline = "AS"\nskew = "-2 ns"\n',
        'p.toml:3: channels."top.AS".skew:'
        " a skew must be a time of 0 or more with its unit, not '-2 ns'\n"
        '  3 | skew = "-2 ns"\n'
        '  expected: such as "2 ns"',
    ),
    (
        '[channels]\nAS = "AS"\nAS = "DS"\n',
        "p.toml:3:10: this is not TOML: Cannot overwrite a value\n"
        '  3 | AS = "DS"\n'
        "    |          ^\n"
        '  expected: a row such as "top.D3" = "D3"\n'
        "  do:       correct the row",
    ),
]

BINDING_MISTAKES = [
    (
        '[channels]\nDTAK = "DTACK"\nD3 = "D3"\n"top.left.AS" = "ASS"\n',
        "p.toml: 3 mistakes\n"
        "p.toml:2: channels.DTAK: the capture has no channel called 'DTAK'\n"
        "  expected: a channel of the capture\n"
        "  do:       did you mean DTACK?\n"
        "p.toml:3: channels.D3: channel 'D3' may be top.host.D3, x.D3\n"
        "  expected: a name that only one channel has\n"
        "  do:       write more of its scope\n"
        "p.toml:4: channels.\"top.left.AS\": the bus has no line called 'ASS'\n"
        "  expected: one of AS, DTACK, D3, D1, D0, R/W\n"
        "  do:       did you mean AS?",
    ),
    (
        '[channels]\n"top.left.AS" = "AS"\n"top.right.AS" = "AS"\n',
        "p.toml:3: channels.\"top.right.AS\": line AS at host is already channel 'top.left.AS'\n"
        "  expected: one channel for a line at a place\n"
        "  do:       tell the side, or take one of the rows out",
    ),
    (
        '[channels]\n"top.right.AS" = "AS"\n"right.AS" = "DTACK"\n',
        "p.toml:3: channels.\"right.AS\": channel 'top.right.AS' is already line AS\n"
        "  expected: one row for a channel\n"
        "  do:       take one of the rows out",
    ),
    (
        '[groups]\nbus = "D[2:0]"\nbuss = "D[1:0]"\n',
        "p.toml: 2 mistakes\n"
        "p.toml:2: groups.bus: the bus has no line called 'D2'\n"
        "  expected: one of AS, DTACK, D3, D1, D0, R/W\n"
        "p.toml:3: groups.buss: the capture has no vector called 'buss'\n"
        "  expected: a vector of the capture\n"
        "  do:       did you mean bus?",
    ),
    (
        '[groups]\nbus = "D[3:3]"\n',
        "p.toml:2: groups.bus: 1 lines for a vector of 2\n"
        "  expected: 2 lines, msb first\n"
        "  do:       correct the range",
    ),
    (
        '[places]\nrihgt = "card"\n',
        "p.toml:2: places.rihgt: the capture has no scope called 'rihgt'\n"
        "  expected: a scope of the capture\n"
        "  do:       did you mean right?",
    ),
    (
        '[channels]\n"x.D3" = "D3"\n',
        "p.toml: 2 channels may be line AS at host: top.left.AS, top.right.AS\n"
        "  expected: one channel for a line at a place\n"
        "  do:       name the one under [channels] of a probe list, or give the scopes"
        " their places under [places]",
    ),
]


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in a folder of its own, so that messages hold the file name alone."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize(("text", "message"), LIST_MISTAKES)
def test_mistakes_in_probe_lists(text: str, message: str, folder: Path) -> None:
    """A list is refused with every mistake in it, in file order."""
    (folder / "p.toml").write_text(text)
    with pytest.raises(ProbeListError) as caught:
        read_probes("p.toml")
    assert str(caught.value) == message


@pytest.mark.parametrize(("text", "message"), BINDING_MISTAKES)
def test_lists_that_do_not_fit_the_capture(text: str, message: str, folder: Path) -> None:
    """What a list names must be in the capture and on the bus, once."""
    (folder / "p.toml").write_text(text)
    with pytest.raises(ProbeListError) as caught:
        bind_channels(CHANNELS, LINES, read_probes("p.toml"))
    assert str(caught.value) == message


def test_a_missing_list_and_one_in_another_encoding(folder: Path) -> None:
    """Neither gives a traceback of the system."""
    with pytest.raises(ProbeListError) as caught:
        read_probes("p.toml")
    assert str(caught.value) == (
        "p.toml: the file cannot be opened: No such file or directory\n"
        "  do:       check the name and the folder"
    )
    (folder / "p.toml").write_bytes(b"# \xb5s\n")
    with pytest.raises(ProbeListError) as caught:
        read_probes("p.toml")
    assert str(caught.value) == (
        "p.toml: byte 2: the byte 0xb5 is not UTF-8\n  do:       save the file as UTF-8"
    )
