"""Every console block of README and docs is run, and its output compared."""

from __future__ import annotations

import difflib
import os
import re
import shlex
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

CHECKOUT = Path(os.environ.get("BUSDECODE_CHECKOUT") or Path(__file__).parents[2])
_BLOCK = re.compile(r"^```console[^\n]*\n(.*?)^```", re.MULTILINE | re.DOTALL)


@dataclass(frozen=True)
class Block:
    """A console block: the lines of a page from one ``$`` on."""

    page: str
    line: int
    text: str


def blocks(text: str, page: str) -> list[Block]:
    """Find the console blocks of a page in which busdecode is run."""
    return [
        Block(page, text.count("\n", 0, match.start()) + 2, match[1])
        for match in _BLOCK.finditer(text)
        if "$ busdecode" in match[1]
    ]


def commands(block: Block) -> list[tuple[str, str]]:
    """Split a block into commands, continued lines joined, each with what stands below it."""
    parts = re.split(r"^\$ ", block.text, flags=re.MULTILINE)
    assert not parts[0].strip(), f"{block.page}:{block.line}: text before the first $"
    split = []
    for part in parts[1:]:
        rows = part.splitlines(keepends=True)
        end = 1
        while rows[end - 1].endswith("\\\n"):
            end += 1
        command = "".join(rows[:end]).replace("\\\n", " ").strip()
        split.append((command, "".join(rows[end:])))
    return split


def pages() -> list[Path]:
    """Give the pages whose blocks are run."""
    return [path for path in (CHECKOUT / "README.md", *sorted((CHECKOUT / "docs").glob("*.md")))
            if path.is_file()]  # fmt: skip


ALL = [
    block
    for path in pages()
    for block in blocks(path.read_text(encoding="utf-8"), str(path.relative_to(CHECKOUT)))
]


def shown(command: str, folder: Path) -> tuple[int, str]:
    """Run one command line as a terminal would show it: both outputs, in order."""
    words = shlex.split(command)
    assert words[0] == "busdecode", f"only busdecode is run in console blocks, not {words[0]!r}"
    run = subprocess.run(
        [sys.executable, "-m", "busdecode", *words[1:]],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
        cwd=folder,
        env={**os.environ, "COLUMNS": "80", "PYTHONPATH": os.environ.get("PYTHONPATH", "")},
    )
    return run.returncode, run.stdout


def difference(block: Block, folder: Path) -> str:
    """Run a block in a folder, give how its outputs differ from the page; empty where not."""
    status = 0
    found = ""
    for command, below in commands(block):
        if command == "echo $?":
            out = f"{status}\n"
        elif command.startswith("cat "):
            out = (folder / command.removeprefix("cat ")).read_text(encoding="utf-8")
        else:
            status, out = shown(command, folder)
        rows = difflib.unified_diff(
            below.rstrip().splitlines(), out.rstrip().splitlines(), "page", command, lineterm=""
        )
        found += "\n".join(rows)
    return found


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Give a folder with what a reader of the pages has: the checkout's captures and protocols.

    It is a copy, so that commands that write files leave the checkout as it is.
    """
    for name in ("captures", "protocols", "docs"):
        if (CHECKOUT / name).is_dir():
            shutil.copytree(CHECKOUT / name, tmp_path / name)
    return tmp_path


@pytest.mark.skipif(not ALL, reason="no page has a console block yet")
@pytest.mark.parametrize("block", ALL, ids=lambda block: f"{block.page}:{block.line}")
def test_page_shows_what_the_command_prints(block: Block, folder: Path) -> None:
    """Check that what the page shows is what a reader will see."""
    assert difference(block, folder) == "", f"{block.page}:{block.line}"


PAGE = """\
Text.

```console
$ busdecode \\
    --version
busdecode VERSION
$ echo $?
0
$ busdecode frobnicate
busdecode: no such command 'frobnicate'
  do:       see: busdecode --help
$ echo $?
2
```

```console
$ pip install busdecode
```
"""


def test_blocks_are_found_and_run(folder: Path) -> None:
    """Check the check: a right page has no difference."""
    from busdecode import __version__

    (block,) = blocks(PAGE.replace("VERSION", __version__), "page.md")

    assert (block.line, difference(block, folder)) == (4, "")


@pytest.mark.parametrize(
    ("right", "wrong"), [("busdecode VERSION", "busdecode 9"), ("\n2\n", "\n1\n"), ("  do:", "do:")]
)
def test_page_that_is_wrong_is_found(folder: Path, right: str, wrong: str) -> None:
    """Check that an output, a status and a blank that differ are each seen."""
    from busdecode import __version__

    text = PAGE.replace(right, wrong).replace("VERSION", __version__)
    (block,) = blocks(text, "page.md")

    assert difference(block, folder) != ""
