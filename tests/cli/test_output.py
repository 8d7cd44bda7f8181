"""Files that commands write."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from busdecode.cli.output import check_outputs, writing
from busdecode.errors import RequestError

if TYPE_CHECKING:
    from pathlib import Path


def test_file_appears_only_when_it_is_whole(tmp_path: Path) -> None:
    """Check that the name is free while the file is being written."""
    path = tmp_path / "o.csv"
    with writing(path, overwrite=False) as stream:
        stream.write("a")
        assert not path.exists()

    assert path.read_text(encoding="utf-8") == "a"
    assert list(tmp_path.iterdir()) == [path]


def test_file_that_appears_meanwhile_is_kept(tmp_path: Path) -> None:
    """Check that a file made by another while we write is not replaced."""
    path = tmp_path / "o.csv"
    with pytest.raises(RequestError, match="the file exists, and is kept"):  # noqa: PT012, SIM117
        with writing(path, overwrite=False) as stream:
            stream.write("ours")
            path.write_text("theirs", encoding="utf-8")

    assert path.read_text(encoding="utf-8") == "theirs"
    assert list(tmp_path.iterdir()) == [path]


def test_replaced_file_keeps_its_mode(tmp_path: Path) -> None:
    """Check that who could read the old file can read the new one, and no one else."""
    path = tmp_path / "o.csv"
    path.write_text("old", encoding="utf-8")
    path.chmod(0o640)
    with writing(path, overwrite=True) as stream:
        stream.write("new")

    assert (path.read_text(encoding="utf-8"), path.stat().st_mode & 0o777) == ("new", 0o640)


def test_link_to_a_file_stays_a_link(tmp_path: Path) -> None:
    """Check that the file behind the link is replaced."""
    path, link = tmp_path / "o.csv", tmp_path / "link.csv"
    path.write_text("old", encoding="utf-8")
    link.symlink_to(path)
    with writing(link, overwrite=True) as stream:
        stream.write("new")

    assert link.is_symlink()
    assert path.read_text(encoding="utf-8") == "new"


def test_full_disk_is_told_with_the_file(tmp_path: Path) -> None:
    """Check that a write that fails names the output and leaves nothing."""
    path = tmp_path / "o.csv"
    with pytest.raises(RequestError) as caught, writing(path, overwrite=False):
        raise OSError(28, "No space left on device")

    assert str(caught.value) == (
        f"{path}: the file cannot be written: No space left on device\n"
        "  do:       name a file in a folder that has room and can be written"
    )
    assert list(tmp_path.iterdir()) == []


def test_device_is_written_as_it_stands(tmp_path: Path) -> None:
    """Check that a device is no file to keep."""
    from pathlib import Path as Where

    null = Where("/dev/null")
    check_outputs([null], overwrite=False)
    with writing(null, overwrite=False) as stream:
        stream.write("x")

    assert null.exists()
    assert not null.is_file()
